"""Rainflow counting against the worked example of its standard, and against its procedure done point by point."""

from collections import Counter

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.motion.cycles import rainflow, turning_points


def counted(values, digits=9):
    cycles = rainflow(values[turning_points(values)])
    found = Counter()
    for size, count in zip(cycles.range, cycles.count, strict=True):
        found[round(float(size), digits)] += float(count)
    return found


def by_the_standard(values):
    """ASTM E1049-85, 5.4.4, step by step: X the range considered, Y the one before it, S the starting point."""
    reversals = [
        value
        for i, value in enumerate(values)
        if i in (0, len(values) - 1) or (value - values[i - 1]) * (values[i + 1] - value) < 0
    ]
    found, points = Counter(), []
    for value in reversals:
        points.append(value)
        while len(points) >= 3:
            x, y = abs(points[-1] - points[-2]), abs(points[-2] - points[-3])
            if x < y:
                break
            if len(points) == 3:  # Y holds the starting point: half a cycle, and S moves on
                found[round(y, 9)] += 0.5
                points.pop(0)
            else:
                found[round(y, 9)] += 1.0
                del points[-3:-1]
    for a, b in zip(points[:-1], points[1:], strict=True):
        found[round(abs(b - a), 9)] += 0.5
    return found


def test_the_worked_example_of_the_standard():
    # ASTM E1049-85, 5.4.4 and figure 6: exact
    series = np.array([-2.0, 1, -3, 5, -1, 3, -4, 4, -2])
    assert counted(series) == {3.0: 0.5, 4.0: 1.5, 6.0: 0.5, 8.0: 1.0, 9.0: 0.5}
    cycles = rainflow(series)
    rows = sorted(
        (abs(float(b - a)), (float(a) + float(b)) / 2, float(n))
        for a, b, n in zip(cycles.start, cycles.end, cycles.count, strict=True)
    )
    # range, mean, count of each, as the package `rainflow` 3.2.0 extracts them
    assert rows == sorted(
        [(3, -0.5, 0.5), (4, -1, 0.5), (4, 1, 1), (8, 1, 0.5), (9, 0.5, 0.5), (8, 0, 0.5), (6, 1, 0.5)]
    )


def test_the_example_of_the_package_rainflow():
    # README of the package `rainflow`: 0.2 + 0.5 sin t + 0.2 cos 10 t + 0.2 sin 4 t
    t = 4.0 * np.arange(201) / 200
    found = counted(0.2 + 0.5 * np.sin(t) + 0.2 * np.cos(10 * t) + 0.2 * np.sin(4 * t))
    ranges = (
        0.042590,
        0.109734,
        0.112946,
        0.205711,
        0.214680,
        0.438899,
        0.483057,
        0.528642,
        0.780933,
        1.434361,
    )
    assert sorted(found) == pytest.approx(ranges, abs=1e-6)
    assert [found[size] for size in sorted(found)] == [0.5, 1, 0.5, 1, 1, 1, 0.5, 0.5, 0.5, 0.5]


@given(st.lists(st.integers(-6, 6), min_size=2, max_size=60))
def test_whole_arrays_count_as_the_standard_does_point_by_point(values):
    series = np.array([v for i, v in enumerate(values) if i == 0 or v != values[i - 1]], dtype=float)
    assert counted(series) == by_the_standard(series.tolist())


@given(st.lists(st.integers(-800, 800), min_size=3, max_size=60), st.floats(0.1, 10))
def test_mirroring_keeps_and_scaling_scales_the_ranges(values, gain):
    series = np.array(values) / 8.0  # ranges that differ, differ by more than rounding can undo
    found = rainflow(series[turning_points(series)])
    mirrored = rainflow((-gain * series)[turning_points(series)])
    np.testing.assert_allclose(mirrored.range, gain * found.range)
    np.testing.assert_array_equal(mirrored.count, found.count)


def test_hysteresis_leaves_out_what_is_small_and_nothing_else():
    rng = np.random.default_rng(1)
    wave = 20 * np.sin(2 * np.pi * np.arange(5000) / 500)
    noisy = wave + rng.uniform(-0.4, 0.4, 5000)
    at = turning_points(noisy, 1.0)
    # ten periods turn twice each; the record's own ends are no turning points of the wave, but bound it
    assert len(at) == 22
    np.testing.assert_allclose(np.abs(noisy[at[1:-1]]), 20, atol=0.5)
    assert np.all(np.abs(np.diff(noisy[at])) >= 1.0)
    signs = np.sign(np.diff(noisy[at]))
    assert np.all(signs[1:] == -signs[:-1])


@given(st.lists(st.floats(-50, 50), min_size=2, max_size=80), st.floats(0.5, 30))
def test_what_a_hysteresis_leaves_are_the_cycles_that_are_larger(values, least):
    series = np.array(values)
    all_of_them = rainflow(series[turning_points(series)])
    large = rainflow(series[turning_points(series, least)])
    expected = np.sort(all_of_them.range[(all_of_them.range >= least) & (all_of_them.count == 1)])
    np.testing.assert_allclose(np.sort(large.range[large.count == 1]), expected)


def test_nothing_moves_nothing_turns():
    assert len(turning_points(np.full(10, 3.0))) == 0
    assert len(turning_points(np.empty(0))) == 0
    assert len(rainflow(np.empty(0)).count) == 0
    assert len(turning_points(np.random.default_rng(2).normal(0, 0.05, 100_000), 1.0)) == 0
