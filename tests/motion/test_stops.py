"""Hard contact, use of the last half millimetre, and travel that is merely deep."""

import sys
from pathlib import Path

import numpy as np
import pytest
from made_ends import RATE_HZ, end_of

from telemetry.motion.stops import find_stops

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks" / "motion"))
from harsh import harsh_outing
from score import Stops, score_stops

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


def test_bottoming_of_simulated_outings_is_found_and_nothing_else():
    # the whole trial, 20 motorcycles and circuits, is tests/benchmarks/motion/run.py; the bar is the same
    scores = [score_stops(harsh_outing(seed))["bottomed"] for seed in range(730_000, 730_006)]
    total = sum(scores, Stops())
    assert total.contacts >= 10
    assert total.recall >= 0.98
    assert total.precision >= 0.98
