"""Damping over the laps: the trend against a general library, the words, and a fading damper end to end."""

from functools import cache

import numpy as np
import pytest
from scipy.stats import linregress

from telemetry.damping.course import (
    damper_course,
    damping_trend,
    find_change,
    find_fall,
    least_fall_pct,
    level_state,
    without_leaks,
)
from telemetry.damping.evidence import Pole
from telemetry.damping.hop import WheelHop
from telemetry.damping.verdict import LapDamping, OscillationEvent, gather
from telemetry.findings import findings
from telemetry.logs import RawLog
from telemetry.review import review
from telemetry.simulate import Fade, LostDampingTime, Riding, SensorNoise, SensorTone, simulate_outing
from telemetry.summary import CHANGE_CAUTION, summary_from_json, summary_to_json
from tests.damping.short_laps import CIRCUIT
from tests.randomised.bikes import random_bike

SOUND, WORN, DOUBTFUL = 0.35, 0.09, 0.15


def laps_of(ratios):
    return tuple(
        LapDamping(n, float(r), (0.9 * float(r), 1.1 * float(r))) for n, r in enumerate(ratios, start=1)
    )


def course_of(laps, ratio, end, level, *, knows_road):
    return damper_course(laps, ratio, end, level, knows_road=knows_road, change=find_change(laps))


def test_the_trend_is_the_regression_of_the_logarithm():
    ratios = np.array([0.35, 0.34, 0.345, 0.33, 0.32, 0.325])
    trend = damping_trend(laps_of(ratios))
    # scipy.stats.linregress; Student's t at 97.5 % for 4 degrees of freedom is 2.776 (any handbook)
    line = linregress(np.arange(6), np.log(ratios))
    assert trend.change_pct_per_lap == pytest.approx(100 * np.expm1(line.slope), rel=1e-9)
    assert trend.ci95_pct_per_lap == pytest.approx(
        [100 * np.expm1(line.slope + sign * 2.7764 * line.stderr) for sign in (-1, 1)], rel=1e-4
    )


@pytest.mark.parametrize(
    ("ratios", "whole", "knows_road", "state"),
    [
        (np.geomspace(0.35, 0.16, 8), SOUND, True, "losing damping"),
        (np.geomspace(0.35, 0.335, 8), SOUND, True, "sound"),  # 4 % in all is not worth a word
        ([0.35, 0.30, 0.37, 0.33, 0.36, 0.31], SOUND, True, "sound"),
        (np.geomspace(0.16, 0.35, 8), SOUND, True, "recovering"),  # had lost damping before, and recovers
        (np.geomspace(0.335, 0.35, 8), SOUND, True, "sound"),
        ([0.09, 0.091, 0.089, 0.09], WORN, True, "worn all along"),
        ([0.15, 0.151, 0.149, 0.15], DOUBTFUL, True, "doubtful"),
        ([0.35, 0.36, 0.355, 0.35], SOUND, False, "steady"),
        ([0.35, 0.36], SOUND, False, "cannot tell"),
    ],
)
def test_a_word_for_the_course_of_a_damper(ratios, whole, knows_road, state):
    level = level_state(Pole(14.0, 0.5, 16.0, whole, 0.0), whole, WheelHop(from_bike=True))
    assert course_of(laps_of(ratios), whole, "rear", level, knows_road=knows_road).state == state


@pytest.mark.parametrize("seed", range(4))
def test_a_steady_ratio_with_scatter_is_hardly_ever_called_fading(seed):
    rng = np.random.default_rng(seed)
    called = [
        course_of(
            laps_of(0.35 * np.exp(0.02 * rng.standard_normal(10))), SOUND, "rear", "sound", knows_road=True
        ).state
        for _ in range(50)
    ]
    assert called.count("sound") >= 49


@pytest.mark.parametrize(
    ("ratios", "rises"),
    [
        # a leak, by lap, of a simulated damper that kept 1.02, 0.98, 0.82, 0.49 and 0.28 of its work: late
        ([0.204, 0.212, 0.207, 0.185, 0.143], False),
        # foam, kept 0.88, 0.71, 0.60, 0.54, 0.49: early
        ([0.149, 0.132, 0.120, 0.112, 0.107], False),
        ([0.40, 0.33, 0.26, 0.22, 0.25, 0.30, 0.34], True),
    ],
)
def test_a_fall_is_found_late_early_and_where_it_recovers(ratios, rises):
    fall = find_fall(laps_of(ratios))
    assert fall is not None
    assert (fall.rise > 0) is rises


@pytest.mark.parametrize(
    "ratios",
    [
        [0.476, 0.449, 0.435, 0.405],  # a sound damper, an aliased tone in the sensor: four laps prove little
        [0.624, 0.598, 0.587, 0.561],  # sound
        [0.22, 0.25, 0.30, 0.34, 0.36],  # rises
    ],
)
def test_laps_that_happen_to_lie_on_a_line_are_no_fall(ratios):
    laps = tuple(LapDamping(n, r, (0.94 * r, 1.06 * r)) for n, r in enumerate(ratios, start=1))
    assert find_fall(laps) is None


def test_what_a_damper_passes_on_to_the_other_end_is_no_change_there():
    fades, rises, beside = (
        find_change(tuple(LapDamping(n, r, None, 0.01) for n, r in enumerate(ratios, start=1)))
        for ratios in (
            [0.40, 0.32, 0.26, 0.22, 0.18],
            [0.50, 0.525, 0.55, 0.575, 0.60],
            [0.30, 0.33, 0.37, 0.41, 0.45],
        )
    )
    assert fades.fall > 0.7 and 0.1 < rises.rise < 0.25 * fades.fall and beside.rise > 0.25 * fades.fall
    # the most that came through the chassis in simulation was 0.19 of the change
    assert without_leaks({"rear": fades, "front": rises}) == {"rear": fades, "front": None}
    assert without_leaks({"rear": rises, "front": fades}) == {"rear": None, "front": fades}
    assert without_leaks({"rear": fades, "front": beside}) == {"rear": fades, "front": beside}
    assert without_leaks({"rear": fades, "front": fades}) == {"rear": fades, "front": fades}
    assert without_leaks({"rear": rises}) == {"rear": rises}


def test_the_fall_that_would_have_shown_does_in_nine_of_ten_cases():
    rng = np.random.default_rng(3)
    scatter, laps, shown = 0.03, 6, []
    for _ in range(400):
        ratios = 0.35 * np.exp(scatter * rng.standard_normal(laps))
        sound = tuple(LapDamping(n, r, None, scatter) for n, r in enumerate(ratios, start=1))
        falls = (1.0 - least_fall_pct(sound) / 100.0) ** (np.arange(laps) / (laps - 1))
        shown.append(
            find_fall(tuple(LapDamping(n, r, None, scatter) for n, r in enumerate(ratios * falls, start=1)))
            is not None
        )
    assert 0.85 < np.mean(shown) < 0.99


@cache
def faded(end, bike_seed, laps=6, faults=(), from_to=(1.0, 0.4)):
    fade = () if end is None else (Fade(from_to[1], from_to[0], end),)
    outing = simulate_outing(
        random_bike(bike_seed), circuit=CIRCUIT, seed=bike_seed, laps=laps, log_rate_hz=200.0, step_s=1 / 2000,
        riding=Riding(out_lap_m=60.0, in_lap_m=40.0), faults=(*fade, *faults),
    )  # fmt: skip
    return review(RawLog("simulated", outing.log_columns, outing.units), outing.bike).summary


@pytest.mark.parametrize(("end", "other", "bike"), [("rear", "front", 9501), ("front", "rear", 9502)])
def test_a_damper_that_fades_is_called_and_the_other_is_not(end, other, bike):
    summary = faded(end, bike)
    course = summary.oscillation.course
    assert course[end].state == "losing damping"
    # to 40 % over six laps is 17 % a lap for the damper alone; tyre and friction stay
    assert -17.0 < course[end].trend.change_pct_per_lap < -4.0
    assert course[other].state == "sound"
    assert abs(course[other].trend.change_pct_per_lap) < 2.0
    found = findings(summary.laps, summary.ends, summary.balance, summary.oscillation)
    assert any(f"{end.capitalize()} damper suspected of fading" == finding.title for finding in found)
    # first, and without any set-up advice
    assert summary.verdicts[0].startswith(f"Suspected loss of {end} damping. From lap ")
    assert not any(CHANGE_CAUTION in finding.caution for finding in summary.findings)


@pytest.mark.parametrize("end", ["rear", "front"])
def test_a_damper_that_had_lost_damping_and_recovers_is_said_to_recover(end):
    summary = faded(end, 9505, from_to=(0.5, 1.0))
    course = summary.oscillation.course
    other = "front" if end == "rear" else "rear"
    assert course[end].state == "recovering" and course[other].state == "sound"
    first = summary.verdicts[0]
    # weak as it was at first, the damper may ring as well
    assert first.startswith((f"{end.capitalize()} damping is in doubt", f"Suspected loss of {end} damping"))
    assert f"a {end} damper that had lost damping before and recovers" in first
    assert not any(CHANGE_CAUTION in finding.caution for finding in summary.findings)


def test_a_review_stored_before_these_values_still_opens():
    import json

    summary = faded("rear", 9501)
    stored = json.loads(summary_to_json(summary))
    new = ("course", "limits", "places", "front_events", "band_hz", "band_from_bike")
    for name in new:
        stored["oscillation"].pop(name)
    opened = summary_from_json(json.dumps(stored)).oscillation
    assert opened.fade == summary.oscillation.fade
    assert (opened.course, opened.limits, opened.places, opened.front_events) == ({}, (), (), ())


def test_a_sensor_too_noisy_to_show_a_loss_cannot_tell():
    found = faded(None, 9503, laps=3, faults=(SensorNoise(1.5),)).oscillation
    assert found.verdict == "cannot_tell"
    assert all(limit.shortest_s is None for limit in found.limits if limit.damping_ratio >= 0.08)
    clean = faded(None, 9503, laps=3).oscillation
    assert clean.verdict == "no"
    assert all(limit.shortest_s is not None for limit in clean.limits)
    assert "would be detected" in clean.reason


def test_a_short_tone_and_a_ringing_front_are_named():
    faults = (
        SensorTone(16.0, 0.6, start_s=30.0, end_s=32.0),
        LostDampingTime(75.0, 78.0, end="front", scale=0.02),
        LostDampingTime(120.0, 123.0, end="front", scale=0.02),
    )
    found = faded(None, 9504, laps=3, faults=faults).oscillation
    assert found.events == ()
    said = [entry.reason for entry in found.rejected if entry.start_s < 32.0 and entry.end_s > 30.0]
    assert any("a steady tone at 16" in reason for reason in said)
    assert found.front_events
    assert all(
        any(event.start_s < end and event.end_s > start for start, end in ((75.0, 78.0), (120.0, 123.0)))
        for event in found.front_events
    )


def event(start_s, lap, distance_m, ratio=0.08):
    return OscillationEvent(
        start_s,
        start_s + 2.0,
        lap,
        distance_m,
        None,
        "drive",
        16.0,
        ratio,
        (ratio / 1.5, ratio * 1.5),
        1.0,
        0.5,
        0.9,
        "",
    )


def test_events_at_one_place_are_gathered_over_the_laps():
    events = (event(10, 1, 900.0), event(40, 1, 2500.0), event(100, 2, 930.0), event(190, 3, 880.0, 0.06))
    first, second = gather(events, 3000.0)
    assert (first.laps, first.events, first.seconds) == ((1, 2, 3), (0, 2, 3), pytest.approx(6.0))
    assert (second.laps, second.events) == ((1,), (1,))
    # geometric mean, and an interval narrowed by the square root of three stretches
    assert first.damping_ratio == pytest.approx((0.08 * 0.08 * 0.06) ** (1 / 3))
    assert first.damping_ratio_ci95[1] / first.damping_ratio == pytest.approx(1.5 ** (1 / np.sqrt(3)))
