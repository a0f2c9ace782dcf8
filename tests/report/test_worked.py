"""Did the change work: the first sentence of a comparison, from rows whose differences are set by hand."""

from dataclasses import replace

import pytest

from telemetry.report.runs import comparison_document, worked_words
from telemetry.setup import Comparison, LapValues, MetricComparison, compare
from tests.report.report_fixtures import *  # noqa: F403


def row(key, before, after, verdict, expected=0, label="rebound, rear over front", unit=""):
    values = (LapValues((1, 2), (mean, mean), mean, 0.01) for mean in (before, after))
    return MetricComparison(
        key, label, unit, *values, after - before, (after - before - 0.1, after - before + 0.1), 0.01, 0.01,
        verdict, expected=expected,
    )  # fmt: skip


def said(*rows):
    return worked_words(Comparison("a", "b", ("x",), (), rows, (), ()))


@pytest.mark.parametrize(
    ("before", "after", "verdict", "expected", "words"),
    [
        (
            1.31,
            1.08,
            "lower",
            -1,
            "The change did what it should: rebound, rear over front 1.31 → 1.08 (aim 1).",
        ),
        (
            1.05,
            1.30,
            "higher",
            1,
            "as it should, but away from each other: rebound, rear over front 1.05 → 1.30",
        ),
        (1.10, 0.80, "lower", -1, "away from each other"),
        (1.10, 0.95, "lower", -1, "did what it should"),
        (1.31, 1.45, "higher", -1, "The change did the opposite of what it should"),
        (1.31, 1.28, "no clear difference", -1, "Cannot tell whether the change worked"),
    ],
)
def test_the_first_sentence_says_whether_the_change_worked(before, after, verdict, expected, words):
    assert words in said(row("balance.rebound", before, after, verdict, expected))[0]


def test_what_it_kept_and_what_it_cost_follow():
    found = said(
        row("balance.rebound", 1.31, 1.08, "lower", -1),
        row("front.travel.max_mm", 104.0, 110.0, "higher", label="front maximum travel", unit="mm"),
        row("lap.time_s", 83.0, 83.1, "no clear difference", label="lap time", unit="s"),
    )
    assert found[1:] == (
        "No clear change of lap time.",
        "It also moved: front maximum travel 104.0 → 110.0 mm.",
    )


def test_a_part_is_called_a_part_and_without_a_known_change_nothing_is_said():
    one, other = (
        row("balance.rebound", 1.31, 1.08, "lower", -1),
        row("front.asymmetry", 1.4, 1.3, "no clear difference", -1),
    )
    assert said(one, other)[0].startswith("The change did a part of what it should")
    assert said(replace(one, expected=0)) == ()


def test_it_is_the_first_thing_a_comparison_says(reviewed):
    found = compare(reviewed.summary, reviewed.summary)
    found = replace(
        found,
        sentences=("One.",),
        metrics=(row("balance.rebound", 1.31, 1.08, "lower", -1),),
        first=("Stop.",),
    )
    caution, answer = comparison_document(found)["verdict"].blocks[:2]
    assert caution.texts == ("Stop.",) and answer.headline.startswith("The change did what it should")


def test_what_cannot_be_told_is_said_with_the_laps_that_would_tell():
    rows = (
        replace(row("lap.time_s", 83.0, 83.1, "no clear difference"), label="lap time"),
        replace(row("balance.rebound", 1.31, 1.28, "no clear difference", -1), further_laps=4),
        row("front.travel.max_mm", 104.0, 110.0, "higher"),
    )
    laps, rest = comparison_document(Comparison("a", "b", ("x",), (), rows, (), ()))["untold"].blocks
    assert [line[2] for line in laps.rows] == ["4"]
    assert rest.text.startswith("More laps would not decide these") and rest.text.endswith(": lap time.")
