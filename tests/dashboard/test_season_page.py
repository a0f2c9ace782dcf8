"""The page of a season: one number of every run, in groups, as the document tells it."""

from dataclasses import replace

import pytest
from dash import dcc, html

from telemetry.report import season_document
from telemetry.season import season_points
from telemetry.summary import BY_KEY
from tests.dashboard.made_up import MadeUpLogbook, made_up
from tests.dashboard.test_pages import opened, text, walk


def dated(run_id, date, place, **more):
    run = made_up(run_id, **more)
    return replace(run, entry=replace(run.entry, name=run_id, date=date, place=place))


@pytest.fixture(scope="module")
def season():
    return MadeUpLogbook(
        dated("late", "2026-07-01", "Vellmoor Ring", deeper_mm=4.0),
        dated("early", "2026-04-01", "Vellmoor Ring"),
        dated("away", "2026-05-01", "Sandgate", seed=3),
    )


def rows(page, caption):
    (table,) = [
        part for part in walk(page)
        if isinstance(part, html.Table) and caption in text(next(iter(part.children)))
    ]  # fmt: skip
    return [[text(cell) for cell in row.children] for row in walk(table) if isinstance(row, html.Tr)][1:]


def the_figure(page):
    (graph,) = [part for part in walk(page) if isinstance(part, dcc.Graph)]
    return graph.figure


def test_runs_stand_in_groups_in_order_of_date(season):
    page, title, said = opened(season, "/season")
    assert title == "Season" and "3 runs, 1 bike, 2 circuits, 2026-04-01 to 2026-07-01" in said
    found = rows(page, "Every run")
    assert [(row[0], row[1], row[2]) for row in found] == [
        ("Vellmoor Ring", "early", "2026-04-01"), ("Vellmoor Ring", "late", "2026-07-01"),
        ("Sandgate", "away", "2026-05-01"),
    ]  # fmt: skip
    points = {point.name: point for point in season_points(season.season(), BY_KEY["rear.travel.max_mm"])}
    assert [float(row[5]) for row in found] == pytest.approx(
        [points[row[1]].value for row in found], abs=0.051
    )  # fmt: skip
    change = points["late"].value - points["early"].value
    assert float(found[1][-1].replace("−", "-")) == pytest.approx(change, abs=0.051)
    assert found[2][-1] == "–"  # nothing before it on that circuit


def test_the_picture_has_every_run_once_with_its_laps(season):
    page, _, _ = opened(season, "/season", "?metric=front.travel.p95_mm&by=date")
    (trace,) = the_figure(page).data
    points = season_points(season.season(), BY_KEY["front.travel.p95_mm"])
    assert list(trace.y) == [point.value for point in points]  # by date: in the order of the year
    assert list(trace.error_y.array) == pytest.approx([point.high - point.value for point in points])
    assert list(trace.x) == [0.0, 2.0, 4.0]  # a group a date, one place free between them


def test_a_run_is_a_link_to_its_review(season):
    page, _, _ = opened(season, "/season")
    links = {text(part): part.href for part in walk(page) if isinstance(part, html.A)}
    assert links["away"] == "/?run=away"


def test_a_number_that_does_not_exist_shows_the_first_one(season):
    _, _, said = opened(season, "/season", "?metric=no.such&by=nothing&bike=")
    assert "Rear maximum travel" in said


def test_an_empty_logbook_is_no_failure():
    assert opened(MadeUpLogbook(), "/season")[1] == "Season"
    assert season_document((), BY_KEY["lap.time_s"]).sections[0].blocks


def test_the_bike_is_chosen_from_those_there_are(season):
    other = dated("other", "2026-06-01", "Sandgate", seed=5)
    two = MadeUpLogbook(*season._runs.values(), replace(other, entry=replace(other.entry, bike="QB-7")))
    page, _, said = opened(two, "/season", "?bike=QB-7")
    assert [row[1] for row in rows(page, "Every run")] == ["other"] and "all bikes" in said
