"""Predictions that were kept, and the later runs that have their change: matched and counted right."""

from dataclasses import replace

import numpy as np
import pytest

from telemetry.errors import LogbookError
from telemetry.logbook import (
    keep_prediction,
    plan_for_the_day,
    prediction_of,
    predictions,
    set_state,
    track_record,
    with_own_history,
)
from telemetry.prediction import Prediction, TryRow
from telemetry.setup import compare, parse_sheet
from telemetry.stand import Changed
from tests.dashboard.made_up import MadeUpLogbook, made_up

KEY = "front.travel.median_mm"
OUTINGS = 20


def a_prediction(change, half, *, after, before=12.0):
    row = TryRow(
        KEY, "front median travel", "mm", 50.0, 50.0 + change, change, change - 0.1, change + 0.1,
        change - half, change + half,
    )  # fmt: skip
    return Prediction(
        "log.csv", "QB-6", "", (Changed("front.preload_mm", before, after, ""),), (row,), (), (1,), 100.0, "", None,
        (), (), "",
    )  # fmt: skip


@pytest.fixture(scope="module")
def season():
    """Twenty pairs of outings, each with a preload of its own, whose fork rode a known amount deeper afterwards."""
    runs = []
    rng = np.random.default_rng(11)
    deeper = rng.choice([-1, 1], OUTINGS) * rng.uniform(3.0, 6.0, OUTINGS)
    for k in range(OUTINGS):
        for part, mm, preload in (("a", 0.0, 12.0), ("b", deeper[k], 12.5 + k / 8)):
            sheet = parse_sheet({"front": {"preload_mm": preload}, "rear": {"preload_mm": 8.0 + k}})
            run = made_up(f"{part}{k}", deeper_mm=float(mm), seed=2 * k + (part == "b"), sheet=sheet)
            runs.append(replace(run, entry=replace(run.entry, run_id=f"{part}{k}", log_sha256=f"{part}{k}")))
    return runs, deeper


@pytest.fixture
def logbook(season, tmp_path):
    book = MadeUpLogbook(*season[0][::-1])  # newest first, as a logbook has them
    book.path = tmp_path
    book.entry = lambda run_id: book._run(run_id).entry
    return book


def measured(book, k):
    """What a comparison of the pair says, by the function that the command line uses."""
    a, b = f"a{k}", f"b{k}"
    rows = {
        row.key: row
        for row in compare(book.summary(a), book.summary(b), book.sheet(a), book.sheet(b)).metrics
    }
    return rows[KEY]


def test_twenty_outings_are_matched_and_counted(logbook):
    # of every five predictions one goes the wrong way and one is right with an interval that is too narrow
    for k in range(OUTINGS):
        found = measured(logbook, k).difference
        said, half = (found + 0.5, 2.0) if k % 5 < 3 else (-found, 1.0) if k % 5 == 3 else (found + 0.5, 0.2)
        keep_prediction(
            logbook, f"a{k}", ["front.preload_mm=+1"], a_prediction(said, half, after=12.5 + k / 8)
        )
    # what was never ridden, and what was ridden together with another change, is no outcome
    keep_prediction(logbook, "a0", ["front.preload_mm=+7"], a_prediction(1.0, 1.0, after=19.0))
    record = track_record(logbook, "QB-6")
    assert len(predictions(logbook)) == OUTINGS + 1
    assert {(came.kept.run_id, came.after.run_id) for came in record.came_out} == {
        (f"a{k}", f"b{k}") for k in range(OUTINGS)
    }
    told = [k for k in range(OUTINGS) if (ci := measured(logbook, k).ci95) and not ci[0] <= 0 <= ci[1]]
    assert record.sign_right == (sum(k % 5 != 3 for k in told), len(told))
    assert len(told) >= 10  # or the counts above say nothing
    assert record.held == (sum(k % 5 < 3 for k in range(OUTINGS)), OUTINGS)
    wrong = [came.wrong for came in record.came_out]
    assert wrong == sorted(wrong, reverse=True)
    other_way = {f"a{k}" for k in told if k % 5 == 3}
    assert other_way and {came.kept.run_id for came in record.came_out[: len(other_way)]} == other_way
    for came in record.came_out:
        (one,) = came.outcomes
        assert one.measured == pytest.approx(measured(logbook, int(came.kept.run_id[1:])).difference)


def test_a_change_ridden_together_with_another_is_not_counted(logbook):
    # b1 has the fork's preload of its own pair, but against a0 the rear's differs as well
    keep_prediction(logbook, "a0", ["front.preload_mm=+1"], a_prediction(1.0, 1.0, after=12.625))
    assert track_record(logbook, "QB-6").came_out == ()


def test_the_next_intervals_come_from_the_errors_of_the_motorcycle(logbook):
    for k in range(OUTINGS):
        found = measured(logbook, k).difference
        keep_prediction(
            logbook, f"a{k}", [f"front.preload_mm=+{k}"], a_prediction(found - 0.4, 9.0, after=12.5 + k / 8)
        )
    record = track_record(logbook, "QB-6")
    own = with_own_history(a_prediction(2.0, 9.0, after=14.0), record)
    # t(0.95, 20) = 1.7247 (table of Student's t), root mean square of the errors 0.4
    assert own.rows[0].next_high - own.rows[0].change == pytest.approx(1.7247 * 0.4, rel=1e-3)
    assert "20 earlier predictions" in own.notes[-1]
    few = replace(record, came_out=record.came_out[:4])
    assert with_own_history(a_prediction(2.0, 9.0, after=14.0), few) == a_prediction(2.0, 9.0, after=14.0)


def test_a_plan_keeps_why_and_what_came_of_it(logbook):
    kept = keep_prediction(logbook, "a0", ["front.preload_mm=+1"], a_prediction(1.0, 1.0, after=13.0))
    set_state(logbook, kept.key, "plan", why="it <b>dives</b>")
    assert set_state(logbook, kept.key, "taken back", came_of_it="no better").why == "it <b>dives</b>"
    assert prediction_of(logbook, kept.key).came_of_it == "no better"
    for key, state in ((kept.key, "won"), ("..", "plan"), ("0" * 32, "plan")):
        with pytest.raises(LogbookError):
            set_state(logbook, key, state)


def test_a_plan_for_the_day_has_an_order(logbook):
    first, second, third = (
        keep_prediction(logbook, "a0", [f"front.preload_mm=+{k}"], a_prediction(1.0, 1.0, after=12.0 + k))
        for k in (1, 2, 3)
    )
    for kept, turn in ((first, ""), (second, "2"), (third, "1")):
        set_state(logbook, kept.key, "plan", turn=turn)
    ordered = [kept.key for kept in plan_for_the_day(predictions(logbook))]
    assert ordered == [third.key, second.key, first.key]
    set_state(logbook, third.key, "kept", came_of_it="better")
    assert [kept.key for kept in plan_for_the_day(predictions(logbook))] == [second.key, first.key]
    for turn in ("0", "-1", "100", "first"):
        with pytest.raises(LogbookError, match="turn"):
            set_state(logbook, first.key, "plan", turn=turn)
