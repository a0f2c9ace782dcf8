"""Pitch and heave, the steering geometry they move, dive and squat: closed forms and the geometry solver."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import signal

from telemetry.balance.measure import chassis_motion, geometry_movement, heave_and_pitch_mm
from telemetry.balance.road import Riding
from telemetry.balance.transfer import weight_transfer, zone_gains, zone_left
from telemetry.bike import attitude, leverage_curve, pitch_deg
from telemetry.simulate import demo_bike
from tests.balance.test_balance import RATE_HZ, motion_of, track_of

N = int(60 * RATE_HZ)
T_S = np.arange(N) / RATE_HZ


def wave(frequency_hz, amplitude_mm=8.0, late_s=0.0):
    return amplitude_mm * np.sin(2 * np.pi * frequency_hz * (T_S - late_s))


def shares(front, rear):
    found = chassis_motion(motion_of(40 + front, 40 + rear), np.ones(N, bool), None)
    return found, {(band.low_hz, band.high_hz): band for band in found.bands}


@pytest.mark.parametrize("frequency_hz", [0.6, 2.0, 6.0, 15.0])
def test_pure_heave_has_no_pitch_and_pure_pitch_no_heave(frequency_hz):
    _, bands = shares(wave(frequency_hz), wave(frequency_hz))
    band = next(b for (low, high), b in bands.items() if low <= frequency_hz < high)
    assert band.pitch_share == pytest.approx(0.0, abs=1e-9)
    assert band.rms_mm == pytest.approx(
        8.0 / np.sqrt(2), rel=0.1
    )  # RMS of a sine, Hann window's skirts aside
    _, bands = shares(wave(frequency_hz), -wave(frequency_hz))
    band = next(b for (low, high), b in bands.items() if low <= frequency_hz < high)
    assert band.heave_share == pytest.approx(0.0, abs=1e-9)


def test_signs_are_those_of_iso_8855():
    # ISO 8855: z up, pitch positive nose down; both ends compressed is heave down
    heave, pitch = heave_and_pitch_mm(np.array([30.0]), np.array([10.0]))
    assert (heave[0], pitch[0]) == (-20.0, 10.0)


def test_a_rear_that_follows_late_is_told_in_degrees():
    # a delay of 40 ms at 2 Hz is 2 x 0.040 x 360 = 28.8 deg (kinematics)
    found, _ = shares(wave(2.0), wave(2.0, late_s=0.040))
    assert found.rear_lag_deg == pytest.approx(28.8, abs=0.3)
    assert found.coherence == pytest.approx(1.0, abs=1e-6)


def test_coherence_of_unrelated_ends_is_that_of_chance():
    # mean of the estimate over k independent averages is 1 / k (Bendat & Piersol, Random Data, ch. 9; from memory)
    rng = np.random.default_rng(1)
    front, rear = np.cumsum(rng.normal(0, 0.3, (2, N)), axis=1)
    found, _ = shares(front, rear)
    assert found.coherence < 0.25


def test_geometry_movement_is_that_of_the_geometry_solver():
    bike = demo_bike()
    rng = np.random.default_rng(2)
    fork, shock = rng.uniform(10, 90, 300), rng.uniform(8, 50, 300)
    wheel = [leverage_curve(bike, e).wheel_travel_mm(x) for e, x in (("front", fork), ("rear", shock))]
    found = {row.name: row for row in geometry_movement(bike, *wheel)}
    exact = [attitude(bike, f, s) for f, s in zip(fork, shock, strict=True)]
    for name, read, within in (("rake", lambda a: a.rake_deg, 0.005), ("trail", lambda a: a.trail_mm, 0.05),
                               ("wheelbase", lambda a: a.wheelbase_mm, 0.05)):  # fmt: skip
        values = np.array([read(at) for at in exact])
        assert found[name].median == pytest.approx(np.median(values), abs=within)
        assert found[name].spread == pytest.approx(
            np.subtract(*np.quantile(values, [0.95, 0.05])), abs=within
        )


def test_pitch_from_travels_is_that_of_the_geometry_solver():
    # both tyres alike in size, so that the line of the axles is level when extended; the solver also moves the
    # axles fore and aft, worth 1 % of the pitch
    bike = demo_bike()
    for fork, shock in ((20.0, 10.0), (80.0, 12.0), (30.0, 45.0)):
        wheel = [
            float(leverage_curve(bike, e).wheel_travel_mm(np.array([x]))[0])
            for e, x in (("front", fork), ("rear", shock))
        ]
        by_travel = float(pitch_deg(np.array([wheel[0]]), np.array([wheel[1]]), bike.wheelbase_mm)[0])
        solved = attitude(bike, fork, shock).pitch_deg - attitude(bike, 0.0, 0.0).pitch_deg
        assert by_travel == pytest.approx(solved, rel=0.05)


def test_rake_moves_with_pitch_and_not_with_heave():
    bike = demo_bike()
    together = geometry_movement(bike, 40 + wave(2.0), 40 + wave(2.0))
    against = geometry_movement(bike, 40 + wave(2.0), 40 - wave(2.0))
    assert together[0].spread < 0.02
    assert against[0].pitch_share > 0.99
    # both ends by +-8 mm against each other: 2 x 16 / 1410 rad over the whole swing, 5-95 % of a sine is 0.988 of it
    swing = 2 * np.degrees(np.arcsin(16.0 / bike.wheelbase_mm)) * np.sin(0.45 * np.pi)
    assert against[0].spread == pytest.approx(swing, rel=0.03)


def ridden(dive_deg_per_m_s2=0.4, squat_mm_per_m_s2=3.0, lean_deg=None, per_lean_mm=0.0):
    """Steady, then 3 s of braking at 8 m/s2, steady, 4 s of drive at 4 m/s2; again and again."""
    cycle = np.concatenate([np.zeros(1500), np.full(1500, -8.0), np.zeros(1500), np.full(3000, 4.0)])
    acceleration = np.tile(cycle, 6)
    speed = 50 + np.cumsum(acceleration) / RATE_HZ
    # weight transfer follows as a first-order lag of 0.1 s
    lagged = np.zeros(len(acceleration))
    for i in range(1, len(lagged)):
        lagged[i] = lagged[i - 1] + (acceleration[i] - lagged[i - 1]) / (0.1 * RATE_HZ)
    braking, driving = np.minimum(lagged, 0.0), np.maximum(lagged, 0.0)
    lean = np.zeros(len(speed)) if lean_deg is None else lean_deg(acceleration)
    rear = 40 + 2.0 * braking + squat_mm_per_m_s2 * driving + per_lean_mm * (1 / np.cos(np.radians(lean)) - 1)
    pitch = -dive_deg_per_m_s2 * braking
    front = rear + 1400.0 * np.sin(np.radians(pitch))
    motion, track = motion_of(front, rear), track_of(len(speed), speed)
    sources = {"acceleration": "speed", "lean": "lean"}
    return motion, track, Riding(RATE_HZ, speed, lagged, lean, sources)


def test_dive_and_squat_of_known_gain_come_back():
    motion, track, riding = ridden()
    found = weight_transfer(motion, track, np.ones(len(motion.t_s), bool), riding)
    assert found.brakings == 6
    assert found.dive_deg_per_m_s2 == pytest.approx(0.4, rel=0.02)
    assert found.steady_dive.value == pytest.approx(0.4, rel=0.02)
    # the fork follows the pitch and the rear: d(fork) = d(rear) + wheelbase d(pitch), the rear rises 2 mm per m/s2
    per_m_s2 = 1400.0 * np.radians(0.4) - 2.0
    assert found.steady_fork_dive.value == pytest.approx(per_m_s2, rel=0.03)
    assert found.rear_squat_mm_per_m_s2 == pytest.approx(3.0, rel=0.02)
    assert found.rear_squat_ci95[0] <= 3.0 + 0.01 and found.rear_squat_ci95[1] >= 3.0 - 0.01
    assert found.rear_left_mm == pytest.approx(40 - 2.0 * 8.0, abs=0.6)
    # a first-order lag has a tenth left after tau ln 10 = 0.23 s (closed form), smoothing over 0.2 s aside
    assert found.settle_s == pytest.approx(0.23, abs=0.1)
    low, high = found.dive_ci95
    assert low <= 0.4 + 0.01 and high >= 0.4 - 0.01


def test_each_corner_has_its_own_dive_and_squat():
    """travel = 40 + 2e-3 v^2 + G push with another G at each corner, made so; two laps are too few."""
    rng, rate = np.random.default_rng(3), 50.0
    gains, laps, n = {1: 9.0, 2: 6.0}, 4, 200
    corner = np.tile(np.repeat([0, 1, 2], n), laps)
    lap = np.repeat(np.arange(1, laps + 1), 3 * n)
    push = np.where(corner > 0, rng.uniform(3.0, 9.0, len(corner)), rng.uniform(-0.9, 0.9, len(corner)))
    speed = rng.uniform(30.0, 70.0, len(corner))
    # their mean away from both corners, so that the common slope is the mean of the two
    gain = np.select([corner == 1, corner == 2], [gains[1], gains[2]], 7.5)
    travel = 40.0 + 2e-3 * speed**2 + gain * push
    upright = np.ones(len(corner), bool)
    found = zone_gains("dive", travel, push, speed, upright, push > 1, corner, lap, rate)
    assert [(zone.corner, zone.laps) for zone in found] == [(1, laps), (2, laps)]
    assert found[0].value - found[1].value == pytest.approx(3.0, rel=0.05)
    assert np.mean([zone.value for zone in found]) == pytest.approx(7.5, rel=0.02)
    assert all(zone.ci95[0] < zone.value < zone.ci95[1] for zone in found)
    assert not zone_gains("dive", travel, push, speed, upright, (push > 1) & (lap < 3), corner, lap, rate)
    left = zone_left(travel, corner == 1, corner, lap, rate)
    assert left[0].value == pytest.approx(np.quantile(travel[corner == 1], 0.05), abs=1.0)


def test_noise_of_the_acceleration_does_not_flatten_squat():
    # any text on regression: noise of variance n on a regressor of variance s flattens the slope to s / (s + n)
    rng = np.random.default_rng(8)
    drive = np.repeat(rng.uniform(2.0, 4.0, 60), round(2.0 * RATE_HZ))
    drive = np.convolve(drive, np.full(500, 1 / 500), "same")
    pause = np.zeros(round(1.0 * RATE_HZ))
    acceleration = np.concatenate([np.concatenate([pause, part]) for part in np.split(drive, 20)])
    rear = 40.0 + 3.0 * acceleration
    motion, track = motion_of(np.full(len(rear), 50.0), rear), track_of(len(rear), np.full(len(rear), 50.0))
    slow = rng.normal(0.0, 0.35, len(rear) // 100 + 1)  # one value in 0.2 s
    noisy = acceleration + np.repeat(slow, 100)[: len(rear)]
    sources = {"acceleration": "speed", "lean": "lean"}
    speed = 50.0 + 5.0 * np.sin(np.arange(len(rear)) / RATE_HZ / 7.0)
    riding = Riding(RATE_HZ, speed, noisy, np.zeros(len(rear)), sources)
    gain = weight_transfer(motion, track, np.ones(len(rear), bool), riding).steady_rear_squat
    assert gain.value == pytest.approx(3.0, rel=0.05)
    assert gain.ci95[0] < 3.0 < gain.ci95[1]


def test_lean_that_goes_while_drive_comes_is_not_squat():
    # a rear that rises under drive as the lean goes: the load of m g / cos(lean) falls by half from 48 deg to upright
    def lean_deg(acceleration):
        driving = np.cumsum(np.where(acceleration > 0, 1.0, 0.0)) / RATE_HZ % 6.0
        return np.where(acceleration > 0, np.clip(48.0 - 16.0 * driving, 0.0, 48.0), 0.0)

    motion, track, riding = ridden(0.4, 1.0, lean_deg, 40.0)
    found = weight_transfer(motion, track, np.ones(len(motion.t_s), bool), riding)
    assert found.rear_squat_mm_per_m_s2 == pytest.approx(1.0, abs=0.1)


def test_without_the_lean_nothing_is_said_of_squat():
    motion, track, riding = ridden()
    unknown = replace(
        riding, lean_deg=np.full(len(riding.lean_deg), np.nan), sources={"acceleration": "speed"}
    )
    found = weight_transfer(motion, track, np.ones(len(motion.t_s), bool), unknown)
    assert found.dive is None and found.steady_dive is None
    assert found.rear_squat is None and found.steady_rear_squat is None
    assert not found.lean_known and found.brakings == 6


def test_steady_dive_leaves_out_drag_and_what_the_pitch_swings_over_by():
    rng = np.random.default_rng(4)
    # brake and throttle come and go: a new level every 0.7 s, and the pitch follows at 2 Hz with damping ratio 0.4
    levels = np.concatenate([rng.uniform(-9.0, -3.0, 8), rng.uniform(3.0, 9.0, 8)])
    acceleration = np.tile(np.repeat(levels, round(0.7 * RATE_HZ)), 10)
    acceleration = np.convolve(acceleration, np.full(100, 0.01), "same")
    speed = 55 + np.cumsum(acceleration - acceleration.mean()) / RATE_HZ
    inertia, damping = 1 / (4 * np.pi) ** 2, 0.8 / (4 * np.pi)
    plant = signal.bilinear([1.0], [inertia, damping, 1.0], fs=RATE_HZ)
    pitch = -0.4 * signal.lfilter(*plant, acceleration) - 2e-4 * speed**2
    rear = np.full(len(pitch), 40.0)
    front = rear + 1400.0 * np.sin(np.radians(pitch))
    riding = Riding(
        RATE_HZ, speed, acceleration, np.zeros(len(speed)), {"acceleration": "speed", "lean": "lean"}
    )
    motion = motion_of(front, rear)
    found = weight_transfer(motion, track_of(len(speed), speed), np.ones(len(speed), bool), riding)
    # gain of a second-order lag at 0 Hz (closed form); the plain slope does not hold it
    assert found.steady_dive.value == pytest.approx(0.4, rel=0.05)
    assert found.dive.ci95[0] > 0.4
    assert found.steady_dive.ci95[0] <= 0.4 <= found.steady_dive.ci95[1]
