"""Strokes of motion that is known: how many, how deep, how fast, from where to where."""

from dataclasses import replace

import numpy as np
import pytest

from telemetry.motion.cycles import find_turns, hysteresis_mm, larger, stroke_list, strokes
from tests.motion.made_ends import RATE_HZ, end_of


def sine(amplitude_mm, frequency_hz, seconds, middle_mm=35.0, noise_mm=0.0):
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    w = 2 * np.pi * frequency_hz
    noise = noise_mm * np.random.default_rng(1).standard_normal(len(t))
    return end_of(
        middle_mm + amplitude_mm * np.sin(w * t) + noise, amplitude_mm * w * np.cos(w * t), ratio=1.0
    )


def test_a_sine_has_two_strokes_a_period_of_twice_its_amplitude_and_its_own_peak_speed():
    end = sine(15.0, 2.0, 20.0)
    found = stroke_list(end, find_turns(end, end.valid))
    whole = slice(1, -1)  # the first and the last begin and end inside a stroke
    assert len(found.start) == 2 * 2 * 20 + 1
    np.testing.assert_allclose(np.abs(found.change_mm[whole]), 30.0, atol=0.01)
    np.testing.assert_allclose(found.peak_mm_s[whole], 15 * 2 * np.pi * 2, rtol=1e-3)
    assert np.all(np.sign(found.change_mm[1:]) == -np.sign(found.change_mm[:-1]))


def test_the_matrix_of_a_sine_has_its_strokes_from_trough_to_peak_and_back():
    end = sine(15.0, 2.0, 20.0, middle_mm=36.0)
    result = strokes(end, end.valid)
    matrix = np.array(result.from_to)
    assert result.edges_mm[:3] == (0.0, 10.0, 20.0)
    assert matrix.shape == (7, 7)
    # from 21 to 51 mm: third to sixth bin, 40 periods, the ends of the record lead from and to its middle
    assert matrix[2, 5] == pytest.approx(39.5, abs=0.5)
    assert matrix[5, 2] == pytest.approx(39.5, abs=0.5)
    assert matrix.sum() == pytest.approx(81, abs=1)
    assert result.cycles == pytest.approx(40, abs=1)


def test_strokes_are_sorted_by_depth_with_the_median_of_their_speed():
    small, large = sine(4.0, 10.0, 10.0), sine(15.0, 2.0, 10.0)
    shaft = np.concatenate((small.shaft_travel_mm, large.shaft_travel_mm))
    speed = np.concatenate((small.shaft_speed_mm_s, large.shaft_speed_mm_s))
    end = end_of(shaft, speed, ratio=1.0)
    by_depth = {
        one.from_mm: one for one in strokes(end, end.valid).classes
    }  # 8 mm strokes at 251 mm/s, 30 mm strokes at 188 mm/s
    assert by_depth[5.0].compression.count == pytest.approx(100, abs=2)
    assert by_depth[5.0].rebound.p50_mm_s == pytest.approx(4 * 2 * np.pi * 10, rel=5e-3)
    assert by_depth[20.0].rebound.count == pytest.approx(20, abs=1)
    assert by_depth[20.0].compression.p95_mm_s == pytest.approx(15 * 2 * np.pi * 2, rel=5e-3)
    assert by_depth[40.0].compression.count == 0
    assert by_depth[40.0].compression.p50_mm_s is None


def test_classes_start_above_what_noise_hides():
    end = sine(15.0, 2.0, 10.0)
    noisy = replace(end, travel_noise_mm=7.0 / 12.0 * end.stroke_mm / end.wheel_stroke_mm)  # hides up to 7 mm
    spans = [(round(one.from_mm, 6), one.to_mm) for one in strokes(noisy, noisy.valid).classes]
    assert spans[:2] == [(7.0, 10.0), (10.0, 20.0)] and all(low < high for low, high in spans)


def test_noise_makes_no_strokes():
    end = sine(15.0, 1.0, 20.0, noise_mm=0.05)
    assert (
        len(stroke_list(end, larger(end, find_turns(end, end.valid), hysteresis_mm(end))).start) == 2 * 20 + 1
    )
    still = end_of(30 + 0.05 * np.random.default_rng(2).standard_normal(500_000), np.zeros(500_000))
    assert strokes(still, still.valid).cycles == 0.0


def test_no_stroke_reaches_over_a_gap_or_what_is_not_selected():
    end = sine(15.0, 2.0, 10.0)
    chosen = np.ones(len(end.valid), bool)
    chosen[2000:2600] = False
    found = stroke_list(end, find_turns(end, chosen))
    assert not np.any((found.start < 2300) & (found.end > 2300))
    assert len(found.start) > 30


def test_nothing_valid_has_no_strokes():
    nothing = np.full(100, np.nan)
    result = strokes(end_of(nothing, nothing), np.ones(100, bool))
    assert result.cycles == 0.0
    assert {one.compression.count for one in result.classes} == {0}
