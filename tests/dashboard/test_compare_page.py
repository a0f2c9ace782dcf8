"""Runs over each other along the lap, corner by corner, and more than two of them."""

from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd
import pytest

from dashboard.app import open_page
from dashboard.figures.compare import corner_pairs, difference_figure, overlay_figure, time_changes
from dashboard.pages import compare
from dashboard.pages import runs as runs_page
from dashboard.pages.parts import Screen
from dashboard.shelf import Shelf
from dashboard.theme import LIGHT
from dashboard.urlstate import View, parse, to_query
from telemetry.damping.verdict import LapDamping
from telemetry.laps import lap_length_m
from telemetry.report import corner_laps, overlay
from tests.dashboard.made_up import MadeUpLogbook


@pytest.fixture(scope="module")
def shelf(logbook):
    return Shelf(logbook)


@pytest.fixture(scope="module")
def over(shelf):
    return overlay([(shelf.summary(run), partial(shelf.column, run)) for run in ("before", "after")])


def by_lap(run, name, bins):
    """Means in equal parts of complete laps, a row a lap, by pandas."""
    traces, length = run.traces, lap_length_m(run.summary.laps)
    laps = [lap.lap for lap in run.summary.laps if lap.complete]
    table = pd.DataFrame({key: traces[key] for key in ("lap", "distance_m", name)})
    table = table[table["lap"].isin(laps) & table["distance_m"].notna()]
    part = np.clip((table["distance_m"] * bins / length).astype(int), 0, bins - 1)
    return table.groupby(["lap", part])[name].mean().unstack().reindex(columns=range(bins)).to_numpy()


def test_the_mean_of_the_laps_is_that_of_pandas(over, runs):
    after, before = runs
    bins = len(over.distance_m)
    for row, run in enumerate((before, after)):
        mean = pd.DataFrame(by_lap(run, "rear_wheel_mm", bins)).mean().to_numpy()
        assert over.values["rear"][row] == pytest.approx(mean, abs=1e-3, nan_ok=True)
    assert over.laps == (3, 3)


def test_the_spread_is_that_of_laps_of_one_run(over, runs):
    """Pooled standard deviation by pandas, over the same neighbouring places."""
    bins = len(over.distance_m)
    squares = sum(
        (((laps := by_lap(run, "front_wheel_mm", bins)) - laps.mean(axis=0)) ** 2).sum(axis=0) for run in runs
    )
    at = 60
    pooled = np.sqrt(squares[at - 3 : at + 4].sum() / (7 * 4))
    assert over.spread["front"][at] == pytest.approx(2.33 * pooled, rel=1e-3)


def test_what_is_moved_by_more_than_laps_differ_leaves_the_spread_and_nothing_else_does(shelf, over):
    moved_mm = 1.1 * np.nanmax(over.spread["front"])

    def column(name):
        values = shelf.column("before", name)
        return values + moved_mm if name == "front_wheel_mm" else values

    summary = shelf.summary("before")
    moved = overlay([(summary, partial(shelf.column, "before")), (summary, column)])
    known = np.isfinite(moved.difference("front", 1))
    assert moved.difference("front", 1)[known] == pytest.approx(moved_mm, rel=1e-3)
    assert moved.outside("front", 1)[known & (moved.spread["front"] < moved_mm)].all()
    assert not moved.outside("rear", 1).any() and not moved.outside("speed", 1).any()


def test_only_what_leaves_the_spread_is_filled(over):
    drawn = difference_figure(over, (), LIGHT)
    patch = next(line for line in drawn.data if line.name == "front, beyond the usual spread")
    filled = {x for x in patch.x if x is not None}
    outside = over.outside("front", 1)
    near = np.convolve(outside, [1, 1, 1], mode="same") > 0
    assert set(over.distance_m[outside]) <= filled <= set(over.distance_m[near])
    lines = {line.name: line for line in overlay_figure(over, ("before", "after"), (), LIGHT).data}
    assert lines["front after"].line.color == LIGHT.front and lines["front before"].line.color == LIGHT.soft


def test_runs_without_laps_have_no_overlay(shelf):
    assert (
        overlay([(shelf.summary(run), partial(shelf.column, run)) for run in ("before", "no-laps")]) is None
    )
    page, title = open_page(shelf, "/compare", parse("?run=before&other=no-laps"), Screen.read("light"))
    assert title == "Compare" and "Along the lap" not in str(page)


def test_a_third_run_is_in_the_address_and_each_is_told_against_the_first(shelf):
    view = View(run="before", other="after", also=("no-gps",))
    assert parse(to_query(view)) == view
    said = str(open_page(shelf, "/compare", view, Screen.read("light"))[0])
    assert "Every run against the first" in said and "/compare?run=before&other=no-gps&also=after" in said
    assert "by-run-3" in said and "Leave out No GPS" in said


def test_corners_stand_with_the_most_changed_on_top_and_times_around_zero(shelf):
    found = compare.comparison(shelf, View(run="before", other="after"))
    places = [row for row in found.places if row.key.startswith("place.corner_")]
    drawn = corner_pairs(places, LIGHT)
    moved = {}
    for line in drawn.data:
        place = round(float(line.y[0]))
        moved[place] = max(moved.get(place, 0.0), abs(line.x[1] - line.x[0]))
    assert [moved[place] for place in sorted(moved)] == sorted(moved.values(), reverse=True)
    times = time_changes(found.sections, LIGHT).data[0]
    assert len(times.x) == len([row for row in found.sections if row.ci95 is not None])


def test_the_least_travel_left_in_a_corner_is_that_of_its_samples(logbook, runs):
    """The deepest sample of each lap by NumPy."""
    traces, summary = runs[1].traces, runs[1].summary
    for one in corner_laps(summary, traces.columns.get, "wheel", 2):
        low, high = one.span_m
        there = (traces["distance_m"] >= low) & (traces["distance_m"] <= high)
        for lap, deepest in zip(one.laps, one.deepest_mm["rear"], strict=True):
            inside = there & (traces["lap"] == lap)
            assert deepest == pytest.approx(np.nanmax(traces["rear_wheel_mm"][inside]))


def test_the_damping_of_the_rear_over_the_laps_is_in_the_list_of_runs(runs):
    fade = tuple(LapDamping(lap, value, (0.2, 0.4)) for lap, value in ((1, 0.32), (2, 0.30), (3, 0.28)))
    summary = runs[1].summary
    summary = replace(summary, oscillation=replace(summary.oscillation, fade=fade))
    shelf = Shelf(MadeUpLogbook(replace(runs[1], summary=summary)))
    drawn = str(runs_page._rear_damping(shelf, "before"))
    assert "rear damping ratio" in drawn and "0.30" in drawn and "polyline" in drawn
    assert runs_page._rear_damping(Shelf(MadeUpLogbook(runs[1])), "before") == []
