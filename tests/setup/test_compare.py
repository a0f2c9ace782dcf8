"""Comparing two runs: verdicts, what is left out, and what is said about it."""

import json
from dataclasses import replace

import numpy as np
import pytest
from made_summaries import end_summary, lap, laps_with, summary

from telemetry.damping import Oscillation
from telemetry.motion import not_judged
from telemetry.notes import Step
from telemetry.setup import compare, comparison_to_json, parse_sheet

NO_FRONT = not_judged(125.0, 114.0, "The bike file has no [front.sensor].")


@pytest.fixture
def rng():
    return np.random.default_rng(11)


def rows_by_key(comparison):
    return {row.key: row for row in comparison.metrics}


def test_a_softer_fork_shows_as_more_front_travel(rng):
    a = summary(laps_with(rng, 5, spread=0.4))
    b = summary(laps_with(rng, 5, spread=0.4, p95=85.0))
    rows = rows_by_key(compare(a, b))
    assert rows["front.travel.p95_mm"].verdict == "higher"
    assert rows["front.travel.p95_mm"].difference == pytest.approx(5.0, abs=1.0)
    assert rows["front.travel.median_mm"].verdict == "no clear difference"


def test_swapping_the_runs_swaps_the_verdict(rng):
    a, b = summary(laps_with(rng, 4)), summary(laps_with(rng, 6, median=48.0))
    forth, back = rows_by_key(compare(a, b)), rows_by_key(compare(b, a))
    opposite = {"higher": "lower", "lower": "higher"}
    for key, row in forth.items():
        assert back[key].verdict == opposite.get(row.verdict, row.verdict)
        assert back[key].difference == pytest.approx(-row.difference)


def test_a_steady_difference_that_a_refitted_sensor_makes_too_is_not_called(rng):
    a = summary([lap(k, median=40 + 0.01 * rng.normal()) for k in range(1, 7)])
    b = summary([lap(k, median=40.3 + 0.01 * rng.normal()) for k in range(1, 7)])
    row = rows_by_key(compare(a, b))["front.travel.median_mm"]
    assert row.p_adjusted < 1e-6
    assert (row.verdict, row.reason[:6]) == ("no clear difference", "steady")


def test_two_laps_a_side_are_not_enough(rng):
    result = compare(summary(laps_with(rng, 2)), summary(laps_with(rng, 5, median=90.0)))
    assert {row.verdict for row in result.metrics} == {"not enough laps to tell"}
    assert all(row.ci95 is None and row.p_welch is None for row in result.metrics)
    assert "3 a side are needed" in result.sentences[0]


def test_out_slow_and_masked_laps_are_left_out_and_said_so(rng):
    laps = laps_with(rng, 4)
    odd = [
        replace(laps[0], lap=10, complete=False),
        lap(11, time_s=140.0),
        replace(laps[1], lap=12, masked_share={"front": 0.3, "rear": 0.0}),
    ]
    result = compare(summary([*laps, *odd]), summary(laps))
    assert {(row.lap, row.end) for row in result.excluded} == {(10, None), (11, None), (12, "front")}
    rows = rows_by_key(result)
    assert rows["front.travel.median_mm"].a.laps == (1, 2, 3, 4)
    assert rows["rear.travel.median_mm"].a.laps == (1, 2, 3, 4, 12)
    assert rows["balance.compression"].a.laps == (1, 2, 3, 4)
    assert rows["lap.time_s"].a.laps == (1, 2, 3, 4, 12)


def test_an_end_without_a_sensor_has_no_rows(rng):
    laps = [replace(row, ends={"front": NO_FRONT, "rear": end_summary()}) for row in laps_with(rng, 3)]
    rows = rows_by_key(compare(summary(laps), summary(laps)))
    assert not any(key.startswith("front.") for key in rows)
    assert "rear.travel.median_mm" in rows


def test_an_end_measured_on_one_side_only_cannot_be_told(rng):
    laps = laps_with(rng, 3)
    blind = [replace(row, ends={"front": NO_FRONT, "rear": row.ends["rear"]}) for row in laps]
    row = rows_by_key(compare(summary(laps), summary(blind)))["front.travel.median_mm"]
    assert (row.verdict, row.difference) == ("not enough laps to tell", None)


def test_unknown_numbers_are_not_counted_as_laps(rng):
    laps = laps_with(rng, 4)
    holed = replace(laps[0], ends={**laps[0].ends, "front": end_summary(median=float("nan"))})
    row = rows_by_key(compare(summary([holed, *laps[1:]]), summary(laps)))["front.travel.median_mm"]
    assert row.a.laps == (2, 3, 4)


def test_laps_without_spread_give_no_winner():
    a, b = (
        summary([lap(k, most=100.0) for k in range(1, 6)]),
        summary([lap(k, most=90.0) for k in range(1, 6)]),
    )
    row = rows_by_key(compare(a, b))["front.travel.max_mm"]
    assert (row.verdict, row.difference) == ("no clear difference", pytest.approx(-10.0))
    assert "no spread" in row.reason


def test_no_laps_at_all():
    result = compare(summary([]), summary([]))
    assert result.metrics == () and "nothing to compare" in result.sentences[0]


def test_speeds_of_different_bandwidth_are_left_out(rng):
    laps = laps_with(rng, 3)
    slow = summary(laps, ends={end: end_summary(bandwidth_hz=20.0) for end in ("front", "rear")})
    result = compare(summary(laps), slow)
    assert not any("speed" in row.key for row in result.metrics)
    assert any("sampled differently" in text for text in result.cautions)


def test_what_was_changed_and_the_cautions(rng):
    laps = laps_with(rng, 3)
    before = parse_sheet({"name": "base", "front": {"preload_mm": 8, "rebound_clicks": 12}})
    after = parse_sheet(
        {"name": "softer", "tyres": "new rear", "front": {"preload_mm": 5, "rebound_clicks": 12}}
    )
    result = compare(summary(laps), summary(laps), before, after)
    assert [(row.what, row.before, row.after, row.kind) for row in result.changes] == [
        ("tyres", "not written down", "new rear", "condition"),
        ("front preload", "8 mm", "5 mm", "setting"),
    ]
    assert (result.a_name, result.b_name) == ("base (run.csv)", "softer (run.csv)")
    text = " ".join(result.cautions)
    assert "one at a time" in text and "conditions differ" in text


def test_different_bikes_are_said_first_and_not_compared(rng):
    a, b = summary(laps_with(rng, 5)), summary(laps_with(rng, 5, median=70.0))
    build = {
        "wheelbase_mm": 1410.0,
        "front.stroke_mm": 125.0,
        "front.rake_deg": 24.0,
        "rear.shock_stroke_mm": 70.0,
    }
    other = replace(b, run=replace(b.run, bike="QB-3"), bike_values=build | {"wheelbase_mm": 1375.0})
    result = compare(replace(a, bike_values=build), other)
    assert result.first == (
        "Two bikes: QB-6 and QB-3. Numbers of different bikes do not compare, so no difference is named.",
    )
    assert not any("things differ" in text or "setup sheet" in text for text in result.cautions)
    assert result.sentences == () and {row.verdict for row in result.metrics} == {"different bikes"}
    renamed = replace(other, bike_values=build)  # the same bike under another name does compare
    again = compare(replace(a, bike_values=build), renamed)
    assert again.first == () and "Front travel, median: higher" in " ".join(again.sentences)


def test_a_bike_file_that_differs_is_a_change(rng):
    laps = laps_with(rng, 3)
    result = compare(summary(laps), summary(laps, bike_values={"front.rake_deg": 24.0}))
    assert [(row.what, row.before, row.after) for row in result.changes] == [
        ("front rake", "23.5 deg", "24 deg")
    ]
    assert "so what else was changed is not known" in result.cautions[0]


def test_a_change_in_sheet_and_bike_file_is_one_change(rng):
    laps, key = laps_with(rng, 3), "front.spring_rate_n_per_mm"
    before, after = (parse_sheet({"front": {"spring_rate_n_per_mm": rate}}) for rate in (19, 16))
    a, b = (summary(laps, bike_values={key: rate}) for rate in (19.0, 16.0))
    assert [(row.what, row.before, row.after, row.kind) for row in compare(a, b, before, after).changes] == [
        ("front spring rate", "19 N/mm", "16 N/mm", "setting")
    ]
    assert [row.kind for row in compare(a, b).changes] == ["bike file"]
    earlier = summary(laps, bike_values={})  # kept by a version that did not write it down
    assert compare(earlier, b).changes == ()


def test_few_laps_are_called_a_hint(rng):
    a, b = summary(laps_with(rng, 3, spread=0.1)), summary(laps_with(rng, 3, spread=0.1, median=60.0))
    row = rows_by_key(compare(a, b))["front.travel.median_mm"]
    assert (row.verdict, row.reason) == ("higher", "3 against 3 laps: take it as a hint")
    assert "3 against 3 laps: take each of these as a hint." in compare(a, b).sentences
    assert "hint)" not in " ".join(compare(a, b).sentences)


def test_lost_damping_puts_a_caution_first_to_a_technician(rng):
    laps = laps_with(rng, 3)
    result = compare(summary(laps), summary(laps, oscillation=Oscillation("yes", "it rang")))
    assert result.first[0].startswith(
        "Lost damping is suspected in the run after. Have the damper inspected by"
    )
    assert not any("technician" in text for text in result.cautions)


@pytest.mark.parametrize(
    ("moved_mm", "words"), [(1.4, "1.4 mm higher after"), (-2.0, "2.0 mm lower after"), (0.5, "")]
)
def test_a_sensor_that_moved_between_the_runs_is_said(rng, moved_mm, words):
    def with_top_out(at_mm):
        step = Step("zero", {"end": "front", "top_outs": 5, "topped_out_mm": at_mm})
        return replace(summary(laps_with(rng, 4)), history=(step,))

    said = " ".join(compare(with_top_out(0.2), with_top_out(0.2 + moved_mm)).cautions)
    assert ("full extension reads" in said) == bool(words)
    assert words in said


def test_json_holds_the_numbers(rng):
    result = compare(summary(laps_with(rng, 3)), summary(laps_with(rng, 4)))
    data = json.loads(comparison_to_json(result))
    assert data["schema"] == "bothends.comparison/1"
    assert data["metrics"][0]["a"]["values"] == list(result.metrics[0].a.values)
