"""The page of dampers: is one back after a service, and what each has been through."""

from dataclasses import replace

import pytest
from dash import html

from dashboard.figures.document import drawn
from dashboard.theme import DARK
from telemetry.errors import LogbookError
from telemetry.logbook import damper_histories
from telemetry.report.figures import outings_picture
from tests.dashboard.made_dampers import NAME, made_dampers
from tests.dashboard.made_up import MadeUpLogbook
from tests.dashboard.test_pages import opened, text, walk


@pytest.fixture(scope="module")
def dampers():
    return MadeUpLogbook(*made_dampers())


def rows(page, caption):
    (table,) = [
        part for part in walk(page)
        if isinstance(part, html.Table) and caption in text(next(iter(part.children)))
    ]  # fmt: skip
    return [[text(cell) for cell in row.children] for row in walk(table) if isinstance(row, html.Tr)][1:]


def test_without_a_choice_the_outings_about_the_last_service_are_compared(dampers):
    page, title, said = opened(dampers, "/dampers")
    assert title == "Dampers"
    # the last before and the first after: 0.20 to 0.34
    assert "The rear wheel is better damped than before" in said and "0.20 before and 0.34 after" in said
    assert "qualified technician" in said
    assert rows(page, "Damping ratio of the rear wheel hop")[0][-1] == "better"
    # a range that too few laps reached is not told
    assert rows(page, "Damping ratio of the rear wheel hop")[2][-1] == "cannot tell"


def test_two_outings_of_choice_are_compared_and_the_front_of_which_nothing_is_known_is_left_out(dampers):
    _, _, said = opened(dampers, "/dampers", "?run=r1&other=r2")
    assert "The rear wheel is worse damped than before" in said
    assert "the front" not in said and said.count("Better is not sound") == 1


def test_the_history_has_a_row_an_outing_and_a_line_for_the_service(dampers):
    page, _, _ = opened(dampers, "/dampers")
    found = rows(page, f"Outings of damper {NAME}")
    assert [(row[0], row[2]) for row in found] == [
        ("2026-05-01", "2026-03-10"), ("2026-05-02", "2026-03-10"), ("2026-05-16", "2026-05-10"),
    ]  # fmt: skip
    runs = damper_histories(dampers.runs(), dampers.summary)[NAME]
    figure = drawn(outings_picture(runs), DARK)
    assert {shape.x0 for shape in figure.layout.shapes} == {1.5}
    rear = next(trace for trace in figure.data if trace.name == "rear")
    assert list(rear.y) == pytest.approx([0.305, 0.197, 0.340], abs=2e-3)


def test_one_outing_chosen_asks_for_the_other_and_an_unknown_one_is_said(dampers):
    _, _, said = opened(dampers, "/dampers", "?run=r1")
    assert "Choose an outing before the service and one after it" in said
    assert opened(dampers, "/dampers", "?run=nope")[1] == "Not found"


def test_without_a_named_damper_the_page_says_how_to_name_one():
    bare = (replace(run, summary=replace(run.summary, dampers={})) for run in made_dampers())
    nameless = MadeUpLogbook(*bare)
    _, _, said = opened(nameless, "/dampers")
    assert "No bike file names a damper" in said and "serviced" in said
    assert "Choose an outing before" in said


def test_a_run_that_cannot_be_read_is_left_out(dampers):
    def summary(run_id):
        if run_id == "r2":
            raise LogbookError("damaged")
        return dampers.summary(run_id)

    assert [run.run_id for run in damper_histories(dampers.runs(), summary)[NAME]] == ["r1", "r3"]
