"""The even grid of the detector: spans of it, its parts, and values between its samples."""

import numpy as np
import pytest

from telemetry.damping.equation import (
    WheelEquation,
    _when_other_was_here,
    chunks,
    straight,
)
from telemetry.numeric import BLOCK

STEP_S = 1.0 / 99.7


def test_a_span_has_the_samples_from_its_start_to_before_its_end_and_none_beyond_the_run():
    n = 500
    equation = WheelEquation(
        3.3, STEP_S, np.zeros((5, n)), np.ones(n, dtype=bool), None, None, np.zeros((5, 5))
    )
    t_s = equation.t_s
    on_a_sample = [(t_s[7], t_s[40]), (t_s[0], t_s[-1])]
    between = [(4.0, 5.5), (t_s[7] + 1e-9, t_s[7] + 2e-9), (-2.0, 1e6), (1e6, 2e6), (-9.0, -8.0)]
    for start_s, end_s in on_a_sample + between:
        inside = (t_s >= start_s) & (t_s < end_s)
        span = equation.span(start_s, end_s)
        assert span.stop <= n
        np.testing.assert_array_equal(np.flatnonzero(inside), np.arange(n)[span])


@pytest.mark.parametrize("count", [0, 1, 700, BLOCK, BLOCK + 200, 3 * BLOCK - 5, 720_000])
def test_chunks_are_all_samples_once_and_none_is_long(count):
    parts = list(chunks(count))
    assert [i for part in parts for i in (part.start, part.stop)][1:-1:2] == [
        part.start for part in parts[1:]
    ]
    assert sum(part.stop - part.start for part in parts) == count
    assert all(0 < part.stop - part.start <= 1.5 * BLOCK for part in parts)


def test_between_samples_values_lie_on_straight_lines():
    values = np.random.default_rng(1).standard_normal((2, 40))
    at = np.array([0.0, 0.25, 7.0, 38.5, 39.0])
    expected = [np.interp(at, np.arange(40), row) for row in values]
    np.testing.assert_allclose(straight(values, at), expected, rtol=0, atol=1e-14)
    np.testing.assert_allclose(straight(values[0] > 0, at), np.interp(at, np.arange(40), values[0] > 0))


@pytest.mark.parametrize("back_m", [1.4, -1.4])
def test_the_other_wheel_was_a_wheelbase_away(back_m):
    n = 3 * BLOCK + 11
    speed = 30.0 + 12.0 * np.sin(np.arange(n) / 900.0)
    then_s = _when_other_was_here(speed, STEP_S, back_m)
    t_s = STEP_S * np.arange(n)
    gone = np.concatenate([[0.0], np.cumsum(0.5 * STEP_S * (speed[1:] + speed[:-1]))])
    apart = gone - np.interp(then_s, t_s, gone)
    held = (gone - back_m < 0) | (gone - back_m > gone[-1])  # before the run and after it
    assert 0 < held.sum() < 20
    np.testing.assert_allclose(apart[~held], back_m, atol=1e-9)
    assert set(then_s[held]) == {0.0 if back_m > 0 else t_s[-1]}
