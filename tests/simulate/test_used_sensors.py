"""Sensors that have been used: play, bow, a swinging bracket, clocks that run apart."""

import numpy as np
import pytest

from telemetry.simulate import (
    BracketResonance,
    ChannelClock,
    LoggerClock,
    SensorBow,
    SensorPlay,
)
from telemetry.simulate.faults import sensed_mm
from tests.simulate.small_outing import small_outing

RATE_HZ = 1000.0
T = np.arange(0.0, 4.0, 1.0 / RATE_HZ)


def sensed(fault, travel, speed=None, stroke=70.0):
    return sensed_mm((fault,), "rear", T, travel, np.gradient(travel, T) if speed is None else speed, stroke)


def test_play_makes_the_reading_stand_still_at_every_turn():
    # backlash of a sine: half the play is lost on either side; it stands for acos(1 - play / X) of phase
    x, play = 2.0, 0.6
    travel = 30.0 + x * np.sin(2.0 * np.pi * 2.0 * T)
    seen = sensed(SensorPlay(play), travel)
    late = T > 1.0
    assert np.ptp(seen[late]) == pytest.approx(2.0 * x - play, abs=1e-3)
    assert np.mean(np.diff(seen[late]) == 0.0) == pytest.approx(np.arccos(1.0 - play / x) / np.pi, abs=0.01)
    assert np.max(np.abs(seen - travel)) == pytest.approx(0.5 * play, abs=1e-9)
    # the loop of reading against travel is as wide as the play
    area = np.abs(np.trapezoid(seen[late] - 30.0, travel[late])) / (2.0 * 3.0)
    assert area == pytest.approx(play * (2.0 * x - play), rel=0.01)


def test_bow_is_most_in_the_middle_and_nothing_at_the_ends():
    travel = np.interp(T, [0.0, 4.0], [0.0, 70.0])
    more = sensed(SensorBow(1.2), travel) - travel
    assert more[np.searchsorted(travel, 35.0)] == pytest.approx(1.2, abs=1e-3)
    assert more[np.searchsorted(travel, 17.5)] == pytest.approx(0.9, abs=1e-2)
    assert abs(more[0]) < 1e-9 and abs(more[-1]) < 0.1


@pytest.mark.parametrize("hz", [5.0, 15.0, 40.0])
def test_a_bracket_swings_as_an_oscillator_on_a_moving_base(hz):
    # r / x = coupling u^2 / (1 - u^2 + 2 i zeta u), u = f / f0
    fault = BracketResonance(60.0, 0.05, 0.4)
    travel = 30.0 + np.cos(2.0 * np.pi * hz * T)
    swing = (sensed(fault, travel) - travel)[T >= 2.0]
    u = hz / 60.0
    expected = 0.4 * u**2 / abs(1.0 - u**2 + 0.1j * u)
    got = 2.0 * abs(np.mean(swing * np.exp(-2j * np.pi * hz * T[T >= 2.0])))
    assert got == pytest.approx(expected, rel=0.02)


def test_a_bracket_rings_at_its_own_frequency_after_a_blow():
    travel = np.where(T < 1.0, 30.0, 31.0)
    swing = (sensed(BracketResonance(45.0, 0.03, 0.3), travel) - travel)[T >= 1.01]
    spectrum = np.abs(np.fft.rfft(swing, 16384))
    assert np.argmax(spectrum) * RATE_HZ / 16384 == pytest.approx(45.0, abs=0.3)


def test_a_channel_is_late_and_ever_later():
    w = 2.0 * np.pi * 15.0
    travel, speed = 30.0 + np.sin(w * T), w * np.cos(w * T)
    seen = sensed(ChannelClock(0.003, 200.0), travel, speed)
    inside = T > 0.01
    late = T - 0.003 - 200e-6 * T
    np.testing.assert_allclose(seen[inside], 30.0 + np.sin(w * late[inside]), atol=1e-6)


def test_the_loggers_clock_is_in_the_time_column_only():
    fast, plain = (small_outing(seed=2, faults=f) for f in ((LoggerClock(150.0),), ()))
    np.testing.assert_allclose(fast.log_columns["time"], plain.log_columns["time"] * 1.00015, rtol=1e-12)
    np.testing.assert_array_equal(fast.log_columns["shock"], plain.log_columns["shock"])


def test_a_used_sensor_leaves_the_motion_and_the_other_end_alone():
    used, plain = (small_outing(seed=2, faults=f) for f in ((SensorPlay(0.2), SensorBow(1.0)), ()))
    np.testing.assert_array_equal(used.truth.rear_wheel_mm, plain.truth.rear_wheel_mm)
    np.testing.assert_array_equal(used.log_columns["fork"], plain.log_columns["fork"])
    assert np.std(used.log_columns["shock"] - plain.log_columns["shock"]) > 0.002
