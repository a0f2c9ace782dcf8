"""Hard contact, use of the last half millimetre, and travel that is merely deep."""

import numpy as np
import pytest

from telemetry.motion.stops import _collapses, find_stops, stop_notes
from tests.benchmarks.motion.harsh import harsh_outing
from tests.benchmarks.motion.score import Stops, score_stops
from tests.motion.made_ends import RATE_HZ, end_of

STROKE_MM = 70.0


def stops_of(shaft_mm):
    t = np.arange(len(shaft_mm)) / RATE_HZ
    end = end_of(shaft_mm, np.gradient(shaft_mm) * RATE_HZ, stroke_mm=STROKE_MM)
    return find_stops(end, t, np.ones(len(t), bool))


def arrival(speed_mm_s, last_mm, stop_mm):
    """Straight to a limit at a speed, cut off there, and back at half the speed; or turned by a spring before it."""
    t = np.arange(-500, 500) / RATE_HZ
    return np.minimum(
        last_mm, np.where(t < 0, stop_mm + speed_mm_s * t, stop_mm - 0.5 * speed_mm_s * t)
    ).clip(20)


def test_a_blow_is_hard():
    (stop,) = stops_of(arrival(1000.0, STROKE_MM, STROKE_MM))
    assert stop.kind == "bottomed"
    assert stop.hard
    assert stop.speed_mm_s == pytest.approx(1800.0, rel=0.1)  # at the wheel


def test_a_blow_that_falls_between_two_samples_is_found_by_the_collapse_of_the_speed():
    shaft = arrival(1000.0, STROKE_MM, STROKE_MM)
    shaft[500] = 68.9  # the sample at the stop is missed: 2 mm a sample before it, 1 mm after
    shaft[499], shaft[501] = 68.4, 68.7
    assert np.nanmax(shaft) < STROKE_MM - 1.0
    (stop,) = stops_of(shaft)
    assert stop.hard


def test_the_last_half_millimetre_without_a_blow_is_contact_but_not_hard():
    t = np.arange(2000) / RATE_HZ
    (stop,) = stops_of(69.8 - 30 * (1 - np.cos(2 * np.pi * 0.25 * (t - 2.0))))
    assert stop.kind == "bottomed"
    assert not stop.hard


@pytest.mark.parametrize("short_mm", [0.7, 1.5, 3.0])
def test_deep_travel_that_turns_on_its_spring_is_no_contact(short_mm):
    # 3 Hz, 30 mm either way: 11 m/s2 at the deepest point, a tenth of what counts as a collapse
    t = np.arange(2000) / RATE_HZ
    assert stops_of(STROKE_MM - short_mm - 30 * (1 - np.cos(2 * np.pi * 3 * t))) == ()


def contact(rate_hz, offset_s=0.0):
    """A blow of 1.5 m/s on the stop of a 70 mm stroke: half a sine of 2.5 mm and 10 ms past it, and back."""
    t = np.arange(-1.0, 1.0, 1 / rate_hz) + offset_s
    off = np.maximum(np.maximum(-t, t - 0.010), 0.0)
    over = 2.5 * np.sin(np.pi * np.clip(t / 0.010, 0, 1))
    shaft = np.maximum(70.0 + over - 1500.0 * off, 20.0)
    end = end_of(shaft, np.gradient(shaft) * rate_hz, stroke_mm=STROKE_MM)
    return find_stops(end, t, np.ones(len(t), bool))


@pytest.mark.parametrize("rate", [500.0, 1000.0])
@pytest.mark.parametrize("offset", [0.0, 0.0007, 0.0013])
def test_the_peak_past_the_stroke_is_told(rate, offset):
    (stop,) = contact(rate, offset)
    assert stop.shaft_travel_mm == pytest.approx(72.5, abs=0.3)
    assert stop.time_s == pytest.approx(0.005, abs=0.003)
    assert stop_notes((stop,), rate) == ()


@pytest.mark.parametrize("rate", [100.0, 200.0])
@pytest.mark.parametrize("offset", [0.0, 0.001, 0.002, 0.003, 0.004])
def test_a_slow_log_says_how_much_deeper_the_peak_may_be(rate, offset):
    (stop,) = contact(rate, offset)
    assert stop.shaft_travel_mm <= 72.5 <= stop.shaft_travel_mm + stop.missed_mm
    (note,) = stop_notes((stop,), rate)
    assert note.code == "slow_for_contacts" and f"by up to {stop.missed_mm:.1f} mm" in note.message


def test_bottoming_of_simulated_outings_is_found_and_nothing_else():
    # the whole trial, 20 motorcycles and circuits, is tests/benchmarks/motion/run.py; the bar is the same
    scores = [score_stops(harsh_outing(seed))["bottomed"] for seed in range(730_000, 730_003)]
    total = sum(scores, Stops())
    assert total.contacts >= 10
    assert total.recall >= 0.98
    assert total.precision >= 0.98


@pytest.mark.parametrize("samples", [1, 10, 37])
def test_a_contact_lasts_as_long_as_its_samples(samples):
    shaft = np.full(1000, 40.0)
    shaft[500 : 500 + samples] = STROKE_MM
    (stop,) = stops_of(shaft)
    assert stop.duration_s == pytest.approx(samples / RATE_HZ)


@pytest.mark.parametrize("at", [30, 500, 969])
def test_a_collapse_is_seen_wherever_its_before_and_after_are_logged(at):
    depth = 69.0 - 1.0 * np.abs(
        np.arange(1000.0) - at
    )  # 1 mm a sample there and back: on straight it would be past
    found = _collapses(
        lambda at: depth.take(at, mode="clip"), len(depth), np.array([at, 0, 999]), STROKE_MM - 0.5, RATE_HZ
    )
    assert found.tolist() == [True, False, False]
