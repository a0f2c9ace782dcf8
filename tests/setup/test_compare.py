"""Comparing two runs: verdicts, what is left out, and what is said about it."""

import json
from dataclasses import replace

import numpy as np
import pytest

from telemetry.balance.balance import DampingBalance, EndDamping, Ratio
from telemetry.damping import Oscillation
from telemetry.laps import Corner
from telemetry.motion import not_judged
from telemetry.notes import Step
from telemetry.report.runs import excluded_words
from telemetry.setup import Outing, compare, comparison_to_json, parse_sheet, repeats
from telemetry.setup.compare import known_change
from telemetry.setup.rows import usable_laps
from telemetry.summary import LoggedCondition
from tests.setup.made_summaries import end_summary, lap, laps_with, summary

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
    # outings differ by 0.5 mm each (standard deviation): the interval is at least 1.96 sqrt(2) 0.5 mm to either side
    assert row.verdict == "no clear difference"
    assert row.ci95[1] - row.ci95[0] >= 2 * 1.96 * np.sqrt(2) * 0.5


def test_two_laps_a_side_are_not_enough(rng):
    result = compare(summary(laps_with(rng, 2)), summary(laps_with(rng, 5, median=90.0)))
    assert {row.verdict for row in result.metrics} == {"not enough laps to tell"}
    assert all(row.ci95 is None and row.p is None for row in result.metrics)
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
    told = excluded_words(result)
    assert all(line.startswith(("Before, lap ", "After, lap ")) for line in told)
    assert sum("lap 12 (front only): " in line for line in told) == 1
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
    assert any("different sample rates" in text for text in result.cautions)


def test_what_was_changed_and_the_cautions(rng):
    laps = laps_with(rng, 3)
    before = parse_sheet({"name": "base", "weather": "dry", "front": {"preload_mm": 8, "rebound_clicks": 12}})
    after = parse_sheet(
        {
            "name": "softer",
            "weather": "damp",
            "tyres": "new rear",
            "front": {"preload_mm": 5, "rebound_clicks": 12},
        }
    )
    result = compare(summary(laps), summary(laps), before, after)
    assert [(row.what, row.before, row.after, row.kind) for row in result.changes] == [
        ("weather", "dry", "damp", "condition"),
        ("front preload", "8 mm", "5 mm", "setting"),
    ]
    assert (result.a_name, result.b_name) == ("base (run.csv)", "softer (run.csv)")
    text = " ".join(result.cautions)
    assert "one at a time" not in text and "conditions differ" in text
    # missing is not different
    assert "Only one of the sheets says: tyres. Whether these differ is not known." in text


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
    assert again.first == () and "Front median travel: higher" in " ".join(again.sentences)


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


def _passing(speed_m_s):
    """Passing times of a lap of 4000 m with this speed in each of 100 parts."""
    times = np.concatenate(([0.0], np.cumsum(40.0 / speed_m_s)))
    return tuple((90.0 * times / times[-1]).tolist())


def _profile(seed):
    """A made-up circuit's speed and corners; braking is shorter than driving out."""
    rng = np.random.default_rng(seed)
    speed = np.full(100, 75.0)
    apexes = np.sort(rng.choice(np.arange(4, 96), 8, replace=False))
    for apex in apexes:
        at = np.arange(100) - apex
        slow = rng.uniform(20, 50)
        speed = np.minimum(speed, np.where(at < 0, slow - 12.0 * at, slow + 4.0 * at))
    sides = rng.choice([-1, 1], 8)
    return speed, [(float(apex) / 100, int(side)) for apex, side in zip(apexes, sides, strict=True)]


def _ridden_backwards(circuit):
    speed, corners = circuit
    return speed[::-1], [(1.0 - place, -side) for place, side in corners[::-1]]


def _on(circuit, laps, length_m=4000.0, pace=1.0):
    speed, corners = circuit
    return summary(
        [replace(row, distance_m=length_m, passing_s=_passing(speed * pace)) for row in laps],
        corners=tuple(
            Corner(k, length_m * place - 30, length_m * place, length_m * place + 30, side)
            for k, (place, side) in enumerate(corners, start=1)
        ),
    )


def test_another_circuit_or_direction_is_refused(rng):
    laps = laps_with(rng, 4)
    here = _on(_profile(1), laps)
    again = compare(here, _on(_profile(1), laps, pace=np.linspace(0.95, 1.05, 100)))
    assert again.first == () and again.sentences
    for other, words in (
        (_on(_profile(2), laps), "goes round the lap in another way"),
        (_on(_ridden_backwards(_profile(1)), laps), "the other way round"),
        (_on((_profile(1)[0], [(at, -side) for at, side in _profile(1)[1]]), laps), "turn left in one"),
        (_on(_profile(1), laps, length_m=4600.0), "a lap is 4000 m before and 4600 m after"),
    ):
        result = compare(here, other)
        assert words in result.first[0]
        assert result.sentences == () and {row.verdict for row in result.metrics} == {"other circuit"}


def test_another_start_line_is_said_and_compared(rng):
    laps = laps_with(rng, 4)
    result = compare(_on(_profile(1), laps), _on((np.roll(_profile(1)[0], 30), []), laps))
    assert result.sentences and any("start at different places" in text for text in result.cautions)


def test_conditions_of_both_sheets_stand_beside_the_difference(rng):
    laps = laps_with(rng, 3)
    before = parse_sheet({"track_temperature_c": 31, "rear": {"tyre_pressure_bar": 1.6}})
    after = parse_sheet({"track_temperature_c": 44, "fuel_l": 9})
    a = summary(laps, conditions={"rear_oil_temperature": LoggedCondition(61.0, "C")})
    b = summary(laps, conditions={"rear_oil_temperature": LoggedCondition(74.5, "C")})
    result = compare(a, b, before, after)
    assert [(row.what, row.unit, row.before, row.after, row.source) for row in result.conditions] == [
        ("track temperature", "°C", 31, 44, "setup sheet"),
        ("fuel", "L", None, 9, "setup sheet"),
        ("rear tyre pressure", "bar", 1.6, None, "setup sheet"),
        ("rear oil temperature", "C", 61.0, 74.5, "log"),
    ]


def test_a_known_change_says_which_rows_should_move(rng):
    a, b = summary(laps_with(rng, 4)), summary(laps_with(rng, 4, median=34.0))
    before, after = (parse_sheet({"front": {"spring_rate_n_per_mm": rate}}) for rate in (19.0, 21.0))
    rows = rows_by_key(compare(a, b, before, after))
    assert (rows["front.travel.median_mm"].expected, rows["rear.travel.median_mm"].expected) == (-1, 0)
    text = " ".join(compare(a, b, before, after).sentences)
    assert "Front median travel: lower" in text and "as the change should make it" in text
    turned = " ".join(compare(a, b, after, before).sentences)
    assert "against what the change should do" in turned or "Front median travel: lower" not in turned


@pytest.mark.parametrize(
    ("change", "rows"),
    [
        (
            {"rear": {"rebound_clicks": 8.0}},
            {
                "balance.rebound_slope": -1,
                "rear.asymmetry": 1,
                "rear.damping.rebound": 1,
                "rear.speed.rebound_mm_s": -1,
            },
        ),
        (
            {"front": {"compression_clicks": 8.0}},
            {
                "balance.compression_slope": 1,
                "front.asymmetry": -1,
                "front.damping.compression": 1,
                "front.speed.compression_mm_s": -1,
            },
        ),
        ({"rear": {"preload_mm": 13.0}}, {"rear.travel.median_mm": -1, "pitch.mean_deg": 1}),
        ({"front": {"tyre_pressure_bar": 2.2}}, {}),
    ],
)
def test_what_a_change_should_move(change, rows):
    # fewer clicks from closed are firmer: that end is slower in that direction; preload lifts its end
    base = {
        "front": {"compression_clicks": 10, "tyre_pressure_bar": 2.1},
        "rear": {"rebound_clicks": 10, "preload_mm": 10},
    }
    after = {end: {**base[end], **change.get(end, {})} for end in base}
    known = known_change(parse_sheet(base), parse_sheet(after), {}, {})
    assert {row.key: row.sign for row in known.rows} == rows


def damped(rng, compression):
    """A run whose fork has this damping ratio in compression, told to 3 %."""
    ends = {
        end: EndDamping(compression if end == "front" else 0.4, 0.5, 0.03, 0.03) for end in ("front", "rear")
    }
    made = summary(laps_with(rng, 4))
    damping = DampingBalance(Ratio(1.0), Ratio(1.0), ends, 0.0, 0.9, 40)
    return replace(made, balance=replace(made.balance, damping=damping))


def test_a_damping_ratio_that_a_known_change_should_raise_is_looked_at_first(rng):
    # 0.30 to 0.35 is 2.6 standard deviations: found as one of a few that should move, not among all rows
    a, b = damped(rng, 0.30), damped(rng, 0.35)
    before, after = (parse_sheet({"front": {"compression_clicks": n}}) for n in (10, 7))
    found = rows_by_key(compare(a, b, before, after))["front.damping.compression"]
    assert (found.verdict, found.expected) == ("higher", 1)
    assert rows_by_key(compare(a, b))["front.damping.compression"].verdict == "no clear difference"
    other_way = rows_by_key(compare(a, b, after, before))["front.damping.compression"]
    assert other_way.verdict == "no clear difference"


@pytest.mark.parametrize(("after", "verdict"), [(0.40, "higher"), (0.31, "no clear difference")])
def test_damping_ratios_of_whole_runs_are_rows(rng, after, verdict):
    row = rows_by_key(compare(damped(rng, 0.30), damped(rng, after)))["front.damping.compression"]
    # propagation by hand: sd of 0.30 and of the other, each 3 % of the estimate and 3 % between outings
    sd = np.hypot(0.03, 0.03) * np.hypot(0.30, after)
    assert row.difference == pytest.approx(after - 0.30)
    assert (row.ci95[1] - row.ci95[0]) / 2 >= 1.959 * sd
    assert row.verdict == verdict


def test_repeats_of_a_setup_are_found_by_their_sheets(rng):
    laps = laps_with(rng, 3)
    base, other = (parse_sheet({"front": {"preload_mm": mm}, "fuel_l": mm}) for mm in (8, 9))
    sagged = parse_sheet({"front": {"preload_mm": 8, "rider_sag_mm": 34}})
    runs = [summary(laps, source=f"{k}.csv") for k in range(5)]
    elsewhere = _on(_profile(1), laps, length_m=5200.0)
    given = [
        Outing(runs[0], base),
        Outing(runs[1], sagged),
        Outing(runs[2], other),
        Outing(runs[3], None),
        Outing(runs[4], parse_sheet({"name": "nothing set"})),
        Outing(elsewhere, base),
    ]
    assert repeats(runs[0], given) == ((runs[0], runs[1]),)


def test_repeats_that_differ_widen_the_interval(rng):
    a, b = summary(laps_with(rng, 4)), summary(laps_with(rng, 4))
    apart = tuple(summary(laps_with(rng, 4, median=median)) for median in (36.0, 44.0, 40.0, 48.0))

    def width(**given):
        low, high = rows_by_key(compare(a, b, **given))["front.travel.median_mm"].ci95
        return high - low

    assert width(repeats=(apart,)) > 2 * width()
    assert "from 3 repeats of a set-up" in compare(a, b, repeats=(apart,)).basis


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
    assert data["schema"] == "bothends.comparison/2"
    assert data["metrics"][0]["a"]["values"] == list(result.metrics[0].a.values)


def test_a_lap_is_left_out_for_the_reason_that_it_has(rng):
    laps = laps_with(rng, 4)
    odd = [
        replace(laps[0], lap=8, complete=False, kind="left out"),
        replace(laps[0], lap=9, complete=False, kind="out"),
        lap(11, time_s=140.0),
    ]
    _, excluded = usable_laps(summary([*laps, *odd]), "a")
    assert [(one.lap, one.reason) for one in excluded[:2]] == [
        (8, "left out, as asked"),
        (9, "not a complete lap (out or in lap)"),
    ]
    assert excluded[2].reason.startswith("140.0 s, over 10 % slower")
