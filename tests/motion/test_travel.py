"""Analytic motion through calibration, leverage and differentiation: the known travel and speed come back."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.bike import parse_bike
from telemetry.logs import RawLog
from telemetry.motion import to_motion
from telemetry.review.steps import channels, sensors
from telemetry.signals import to_run

RATE_HZ = 500.0


def bike_of(table, *, points=((0.5, 0.0), (4.5, 70.0)), rake_deg=24.0):
    common = {"tyre_radius_mm": 300, "preload_mm": 10}
    return parse_bike(
        {
            "name": "made by hand",
            "wheelbase_mm": 1400,
            "front": {
                **common,
                "stroke_mm": 125,
                "rake_deg": rake_deg,
                "fork_offset_mm": 30,
                "spring_rate_n_per_mm": 19,
                "sensor": {"channel": "fork", "points": [[0.2, 0], [4.8, 125]]},
            },
            "rear": {
                **common,
                "shock_stroke_mm": 70,
                "spring_rate_n_per_mm": 95,
                "leverage_table_mm": table,
                "sensor": {"channel": "shock", "points": points},
            },
        }
    )


def motion_of(fork_mm, shock_mm, bike):
    n = len(shock_mm)
    columns = {
        "time": np.arange(n) / RATE_HZ,
        "fork": 0.2 + np.asarray(fork_mm) * 4.6 / 125,
        "shock": 0.5 + np.asarray(shock_mm) * 4.0 / 70,
    }
    log = RawLog("made by hand", columns, {"time": "s", "fork": "V", "shock": "V"})
    run = to_run(log, sensors=sensors(bike), channels=channels(bike), time_channel="time")
    return to_motion(run, bike)


@pytest.mark.parametrize("frequency_hz", [0.5, 2.0, 8.0, 16.0])
def test_a_sine_comes_back_with_its_travel_and_speed(frequency_hz):
    t = np.arange(0, 20, 1 / RATE_HZ)
    w = 2 * np.pi * frequency_hz
    amplitude = min(20.0, 600 / w)
    shock, speed = 35 + amplitude * np.sin(w * t), amplitude * w * np.cos(w * t)
    fork = 60 + amplitude * np.sin(w * t)
    motion = motion_of(fork, shock, bike_of([[0, 0], [70, 126]]))
    rear, front = motion.ends["rear"], motion.ends["front"]
    inside = slice(500, -500)
    np.testing.assert_allclose(rear.shaft_travel_mm[inside], shock[inside], atol=1e-9)
    np.testing.assert_allclose(rear.wheel_travel_mm[inside], 1.8 * shock[inside], atol=1e-9)
    np.testing.assert_allclose(rear.shaft_speed_mm_s[inside], speed[inside], atol=0.005 * amplitude * w)
    np.testing.assert_allclose(rear.wheel_speed_mm_s[inside], 1.8 * speed[inside], atol=0.009 * amplitude * w)
    # in front wheel travel = shaft travel x cos(rake), vertical at the axle (common practice, plane geometry)
    cos = np.cos(np.radians(24.0))
    np.testing.assert_allclose(front.wheel_travel_mm[inside], cos * fork[inside], atol=1e-9)
    np.testing.assert_allclose(
        front.wheel_speed_mm_s[inside], cos * speed[inside], atol=0.005 * amplitude * w
    )


def test_a_linear_table_gives_exactly_its_ratio():
    t = np.arange(0, 4, 1 / RATE_HZ)
    motion = motion_of(60 + 0 * t, 10 + 10 * t, bike_of([[0, 0], [10, 18], [25, 45], [70, 126]]))
    rear = motion.ends["rear"]
    np.testing.assert_allclose(rear.wheel_travel_mm, 1.8 * rear.shaft_travel_mm, rtol=1e-12)
    np.testing.assert_allclose(
        rear.wheel_speed_mm_s[rear.valid], 1.8 * rear.shaft_speed_mm_s[rear.valid], rtol=1e-12
    )
    np.testing.assert_allclose(rear.wheel_speed_mm_s[rear.valid], 18.0, rtol=1e-6)


@settings(max_examples=20, deadline=None)
@given(shift=st.integers(1, 400), gain=st.floats(0.3, 1.5))
def test_shifting_time_shifts_and_scaling_travel_scales(shift, gain):
    t = np.arange(0, 6, 1 / RATE_HZ)
    shock = 30 + 12 * np.sin(2 * np.pi * 3.1 * t) + 3 * np.sin(2 * np.pi * 14 * t)
    bike = bike_of([[0, 0], [70, 126]])
    base = motion_of(60 + 0 * t, shock, bike).ends["rear"].wheel_speed_mm_s
    moved = motion_of(60 + 0 * t, np.roll(shock, shift), bike).ends["rear"].wheel_speed_mm_s
    np.testing.assert_allclose(moved[900:-500], base[900 - shift : len(t) - 500 - shift], atol=1e-6)
    scaled = motion_of(60 + 0 * t, gain * shock, bike).ends["rear"].wheel_speed_mm_s
    np.testing.assert_allclose(scaled[500:-500], gain * base[500:-500], atol=1e-6)


def test_a_gap_in_the_travel_is_a_gap_in_speed_and_pitch_not_a_number():
    t = np.arange(0, 6, 1 / RATE_HZ)
    shock = 30 + 12 * np.sin(2 * np.pi * 3.1 * t)
    shock[1000:1400] = np.nan
    motion = motion_of(60 + 5 * np.sin(t), shock, bike_of([[0, 0], [70, 126]]))
    rear = motion.ends["rear"]
    assert np.isnan(rear.wheel_speed_mm_s[1000:1400]).all()
    assert not rear.valid[1000:1400].any()
    assert np.isnan(motion.pitch_deg[1000:1400]).all()
    assert motion.ends["front"].valid[1000:1400].all()


def test_hits_past_the_stroke_at_either_end_are_travel_and_refuse_nothing():
    t = np.arange(0, 20, 1 / RATE_HZ)
    blow = 2.5 * np.sin(np.pi * np.clip((t - 10) / 0.012, 0, 1))
    off = np.maximum(np.maximum(10 - t, t - 10.012), 0.0)
    fork = np.maximum(60 + 10 * np.sin(9 * t), 125 + blow - 1500 * off)
    low = np.maximum(np.maximum(12 - t, t - 12.05), 0.0)
    shock = np.minimum(
        35 + 10 * np.sin(7 * t), -0.9 * np.sin(np.pi * np.clip((t - 12) / 0.05, 0, 1)) + 600 * low
    )
    motion = motion_of(fork, shock, bike_of([[0, 0], [70, 126]]))
    front, rear = motion.ends["front"], motion.ends["rear"]
    np.testing.assert_allclose(front.wheel_travel_mm, np.cos(np.radians(24.0)) * fork, atol=1e-9)
    np.testing.assert_allclose(rear.wheel_travel_mm, 1.8 * shock, atol=1e-9)
    assert front.shaft_travel_mm.max() == pytest.approx(127.5, abs=0.1)
    assert rear.shaft_travel_mm.min() == pytest.approx(-0.9, abs=0.05)


def test_far_past_a_table_that_ends_short_of_the_stroke_travel_is_not_known():
    t = np.arange(0, 20, 1 / RATE_HZ)
    shock = 50 + 18 * np.sin(2 * np.pi * 0.5 * t)
    motion = motion_of(60 + 10 * np.sin(9 * t), shock, bike_of([[0, 0], [30, 54], [60, 108]]))
    rear = motion.ends["rear"]
    known = shock <= 65.0
    np.testing.assert_array_equal(np.isfinite(rear.wheel_travel_mm), known)
    np.testing.assert_allclose(rear.wheel_travel_mm[known], 1.8 * shock[known], atol=1e-9)
    (note,) = motion.notes
    assert note.code == "past_table"
    assert "past the leverage table (0.0 to 60.0 mm of shaft travel) in 10 places" in note.message
    assert f"{(~known).sum()} samples more than 5 mm past it are left out" in note.message


def test_speed_at_the_wheel_takes_the_ratio_of_its_own_travel():
    # a falling-rate table: w(s) = 2.2 s - 0.005 s^2, dw/ds = 2.2 - 0.01 s; the chain rule gives the wheel's speed
    s = np.linspace(0, 70, 15)
    bike = bike_of(np.column_stack([s, 2.2 * s - 0.005 * s**2]).tolist())
    t = np.arange(0, 12, 1 / RATE_HZ)
    shock = 35 + 25 * np.sin(2 * np.pi * 1.3 * t)
    rear = motion_of(60 + 0 * t, shock, bike).ends["rear"]
    inside = slice(500, -500)
    ratio = rear.wheel_speed_mm_s[inside] / rear.shaft_speed_mm_s[inside]
    fast = np.abs(rear.shaft_speed_mm_s[inside]) > 20.0
    np.testing.assert_allclose(ratio[fast], (2.2 - 0.01 * shock[inside])[fast], rtol=0.01)
    assert np.ptp(ratio[fast]) > 0.4  # one mean ratio would not do
    # and it is the derivative of the wheel's travel
    step = np.gradient(rear.wheel_travel_mm, 1 / RATE_HZ)[inside]
    np.testing.assert_allclose(rear.wheel_speed_mm_s[inside], step, atol=0.02 * np.abs(step).max())
