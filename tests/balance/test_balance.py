"""Speed balance, same-bump pairs and pitch on motion made by hand, with known answers."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import t as student_t

from telemetry.balance.balance import ratio_of_sums
from telemetry.balance.bumps import find_pairs
from telemetry.balance.measure import balance, speed_ratio
from telemetry.laps import Track
from telemetry.motion import EndMotion, Motion

RATE_HZ, WHEELBASE_MM = 500.0, 1400.0


def end_motion(end, travel_mm, speed_mm_s):
    return EndMotion(
        end=end,
        stroke_mm=125.0,
        wheel_stroke_mm=125.0,
        shaft_travel_mm=travel_mm,
        shaft_speed_mm_s=speed_mm_s,
        wheel_travel_mm=travel_mm,
        wheel_speed_mm_s=speed_mm_s,
        valid=np.isfinite(travel_mm) & np.isfinite(speed_mm_s),
        shaft_noise_mm_s=1.0,
        wheel_noise_mm_s=1.0,
        bandwidth_hz=60.0,
        speed_split_mm_s=100.0,
    )


def motion_of(front_mm, rear_mm):
    t = np.arange(len(front_mm)) / RATE_HZ
    ends = {
        "front": end_motion("front", front_mm, np.gradient(front_mm) * RATE_HZ),
        "rear": end_motion("rear", rear_mm, np.gradient(rear_mm) * RATE_HZ),
    }
    pitch = np.degrees(np.arcsin((front_mm - rear_mm) / WHEELBASE_MM))
    return Motion("made by hand", t, RATE_HZ, ends, pitch, WHEELBASE_MM)


def track_of(n, speed_m_s):
    return Track(
        laps=(),
        lap_source="none",
        lap=np.zeros(n, dtype=np.int64),
        distance_m=np.cumsum(np.broadcast_to(speed_m_s, n)) / RATE_HZ,
        x_m=None,
        y_m=None,
        speed_m_s=np.broadcast_to(np.asarray(speed_m_s, dtype=float), n).copy(),
        phase=np.full(n, 4),
        corner=np.zeros(n, dtype=np.int64),
        corners=(),
        phase_sources=(),
    )


def bumpy(n_s, speed_m_s, *, down=1.0, up=1.0, seed=3, noise_mm=0.0):
    """Both ends meet the same bumps, the rear wheelbase / speed later, ``down`` and ``up`` times as fast."""
    rng = np.random.default_rng(seed)
    n = int(n_s * RATE_HZ)
    t = np.arange(n) / RATE_HZ
    front_v, rear_v = np.zeros(n), np.zeros(n)
    time = 1.0
    while time < n_s - 1.5:
        size = rng.uniform(250, 700)
        for v, late, a, b in ((front_v, 0.0, 1.0, 1.0), (rear_v, WHEELBASE_MM / 1000 / speed_m_s, down, up)):
            v += a * size * np.exp(-(((t - time - late) / 0.012) ** 2))
            v -= b * 0.6 * size * np.exp(-(((t - time - late - 0.05) / 0.02) ** 2))
        time += rng.uniform(0.4, 0.9)
    front, rear = 40 + np.cumsum(front_v) / RATE_HZ, 40 + np.cumsum(rear_v) / RATE_HZ
    # ride height comes back: take the slow part out, speeds stay
    front -= np.interp(t, t[::500], front[::500]) - 40
    rear -= np.interp(t, t[::500], rear[::500]) - 40
    extra = noise_mm * rng.standard_normal((2, n))
    return motion_of(front + extra[0], rear + extra[1]), track_of(n, speed_m_s)


@pytest.mark.parametrize(("down", "up"), [(1.0, 1.0), (1.25, 1.0), (1.0, 0.7), (0.8, 1.3)])
@pytest.mark.parametrize("speed_m_s", [15.0, 40.0, 75.0])
def test_same_bump_ratios_are_returned(down, up, speed_m_s):
    motion, track = bumpy(60, speed_m_s, down=down, up=up)
    pairs = find_pairs(motion, track)
    result = balance(motion, track, np.ones(len(motion.t_s), bool), pairs).same_bump
    assert result.pairs > 60
    assert result.compression_ratio == pytest.approx(down, rel=0.04)
    assert result.rebound_ratio == pytest.approx(up, rel=0.06)
    assert abs(result.delay_residual_ms) <= 1000 / RATE_HZ


def test_wheelbase_delay_at_40_m_s_is_35_ms():
    # tau = L / v, 1.4 m at 40 m/s (kinematics): a rear moved by that much has no residual, by 10 ms more it shows
    motion, _ = bumpy(60, 1.4 / 0.045)
    residual = find_pairs(motion, track_of(len(motion.t_s), 40.0)).delay_residual_s
    assert np.median(residual) == pytest.approx(0.010, abs=1.5 / RATE_HZ)


def test_interval_counts_a_bump_once_however_often_it_was_met():
    # ratio estimator of five bumps of like size met three times each (Cochran, Sampling Techniques, 3rd ed., ch. 6):
    # var R = sum (y - R x)^2 / (n (n - 1) xbar^2), interval by Student's t with n - 1 = 4; for equal x the jackknife
    # gives the same
    front, rear = np.full(5, 280.0), np.array([250.0, 340.0, 200.0, 300.0, 255.0])
    found = ratio_of_sums(np.repeat(front, 3), np.repeat(rear, 3), np.repeat(np.arange(5), 3))
    ratio = rear.sum() / front.sum()
    variance = np.sum((rear - ratio * front) ** 2) / (5 * 4 * front.mean() ** 2)
    half = student_t.ppf(0.975, 4) * np.sqrt(variance) / ratio
    assert found.value == pytest.approx(ratio)
    assert found.ci95 == pytest.approx((ratio * np.exp(-half), ratio * np.exp(half)))
    assert ratio_of_sums(front[:3], rear[:3], np.arange(3)).value is None


def test_intervals_cover_the_truth_as_often_as_they_say():
    rng = np.random.default_rng(5)
    hits = 0
    for _ in range(1000):
        front = rng.uniform(150, 600, 25)
        rear = 1.1 * front + rng.normal(0, 40, 25)
        low, high = ratio_of_sums(front, rear, np.arange(25)).ci95
        hits += low <= 1.1 <= high
    # binomial: 0.95 +- 3 sd over 1000
    assert 0.929 <= hits / 1000 <= 0.971


@given(gain=st.floats(0.2, 5.0))
def test_scaling_the_rear_scales_the_ratio(gain):
    rng = np.random.default_rng(2)
    front, rear = rng.normal(0, 150, 500), rng.normal(0, 180, 500)
    base, scaled = speed_ratio(front, rear), speed_ratio(front, gain * rear)
    assert scaled.compression == pytest.approx(gain * base.compression, rel=1e-9)
    assert scaled.rebound == pytest.approx(gain * base.rebound, rel=1e-9)


def test_swapping_the_ends_inverts_the_ratio():
    rng = np.random.default_rng(4)
    front, rear = rng.normal(0, 150, 500), rng.normal(0, 180, 500)
    there, back = speed_ratio(front, rear), speed_ratio(rear, front)
    assert there.compression * back.compression == pytest.approx(1.0)
    assert there.rebound * back.rebound == pytest.approx(1.0)


def test_rms_of_a_sine_is_amplitude_over_root_two():
    # any vibration text: RMS of A sin is A / sqrt 2, in each direction as in both
    t = np.arange(5000) / RATE_HZ
    front, rear = 100 * np.sin(2 * np.pi * t), 150 * np.sin(2 * np.pi * 2 * t)
    ratio = speed_ratio(front, rear)
    assert ratio.compression == pytest.approx(1.5, rel=1e-3)


def test_pure_heave_has_no_pitch_and_pure_pitch_the_iso_sign():
    t = np.arange(5000) / RATE_HZ
    wave = 10 * np.sin(2 * np.pi * 1.5 * t)
    every = np.ones(len(t), bool)
    heave = balance(motion_of(40 + wave, 40 + wave), track_of(len(t), 30.0), every, None)
    assert heave.pitch.max_deg == pytest.approx(0.0, abs=1e-12)
    # ISO 8855: nose down is positive; 30 mm against 10 mm on 1.40 m is asin(20 / 1400) = 0.81854 deg
    nose_down = balance(
        motion_of(np.full(5000, 30.0), np.full(5000, 10.0)), track_of(5000, 30.0), every, None
    )
    assert nose_down.pitch.mean_deg == pytest.approx(0.81854, abs=1e-5)


def test_invalid_samples_are_left_out_of_both_ends():
    motion, track = bumpy(30, 40.0)
    rear = motion.ends["rear"]
    broken = rear.wheel_travel_mm.copy()
    broken[2000:4000] = np.nan
    with_gap = motion_of(motion.ends["front"].wheel_travel_mm, broken)
    every = np.ones(len(motion.t_s), bool)
    outside = every.copy()
    outside[1999:4001] = False  # the difference reaches one sample further
    whole, part = balance(with_gap, track, every, None), balance(motion, track, outside, None)
    assert whole.speed_ratio.compression == pytest.approx(part.speed_ratio.compression, rel=1e-12)


def test_one_end_missing_is_said_not_guessed():
    motion, track = bumpy(10, 40.0)
    single = Motion(
        motion.source, motion.t_s, RATE_HZ, {"rear": motion.ends["rear"]}, motion.pitch_deg, WHEELBASE_MM
    )
    result = balance(single, track, np.ones(len(motion.t_s), bool), find_pairs(single, track))
    assert result.reason == "the front was not judged, so the ends cannot be compared"
    assert result.speed_ratio.compression is None
