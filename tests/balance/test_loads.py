"""What the rider does to the motorcycle: from channels of known truth, and against textbook formulas."""

import numpy as np
import pytest

from telemetry.balance.road import bandwidth_hz, derivative, find_riding, loads
from telemetry.constants import GRAVITY_M_S2
from telemetry.laps import Track
from telemetry.signals import Run
from tests.randomised.bikes import random_bike

RATE_HZ = 200.0


def track_of(speed_m_s, x_m=None, y_m=None):
    n = len(speed_m_s)
    nothing = np.zeros(n, dtype=np.int64)
    return Track((), "none", nothing, np.full(n, np.nan), x_m, y_m, speed_m_s, nothing - 1, nothing, (), ())


def run_of(n, **channels):
    t = np.arange(n) / RATE_HZ
    return Run("made up", t, RATE_HZ, {}, channels, dict.fromkeys(channels, 20.0), {}, {})


def test_acceleration_of_a_noisy_speed_is_right_where_the_speed_tells_it():
    # closed form: v = 40 + 8 sin(w t), a = 8 w cos(w t); noise as of a wheel-speed sensor of 0.15 km/h at 20 Hz
    rng = np.random.default_rng(3)
    t = np.arange(round(120 * RATE_HZ)) / RATE_HZ
    w = 2 * np.pi * 0.12
    coarse = np.arange(0, 120, 0.05)
    speed = np.interp(t, coarse, 40 + 8 * np.sin(w * coarse) + rng.normal(0, 0.15 / 3.6, len(coarse)))
    found = find_riding(track_of(speed), RATE_HZ, run_of(len(t), speed_m_s=speed))
    truth = found.at(t, found.acceleration_m_s2) - 8 * w * np.cos(w * t)
    assert found.sources == {"acceleration": "speed"}
    assert np.std(truth[400:-400]) < 0.2
    raw = np.gradient(speed) * RATE_HZ - 8 * w * np.cos(w * t)
    assert np.std(truth[400:-400]) < 0.4 * np.std(raw)


def test_the_bandwidth_of_a_signal_ends_where_its_noise_begins():
    # a random walk falls as 1/f^2 and meets white noise where the two spectra are equal
    rng = np.random.default_rng(4)
    rate, step, noise = 50.0, 0.01, 0.05
    walk = np.cumsum(rng.normal(0, step, 20_000)) + rng.normal(0, noise, 20_000)
    equal_hz = rate / np.pi * np.arcsin(step / noise / 2)
    assert bandwidth_hz(walk, rate, rate) == pytest.approx(equal_hz, rel=0.35)
    assert np.isnan(derivative(np.where(np.arange(20_000) < 9, np.nan, walk), rate, rate)[:9]).all()


def test_lean_comes_from_the_bend_of_the_positions_where_it_is_not_logged():
    # steady turn: tan(lean) = v^2 / (g R) (any textbook of mechanics)
    t = np.arange(round(60 * RATE_HZ)) / RATE_HZ
    speed, radius = 30.0, 120.0
    angle = speed * t / radius
    track = track_of(np.full(len(t), speed), radius * np.cos(angle), radius * np.sin(angle))
    found = find_riding(track, RATE_HZ)
    due = np.degrees(np.arctan(speed**2 / (GRAVITY_M_S2 * radius)))
    assert found.sources["lean"] == "positions"
    assert np.abs(found.lean_deg[200:-200]) == pytest.approx(due, abs=0.5)


def test_loads_are_those_of_mass_and_place_of_the_centre_of_mass():
    # V. Cossalter, Motorcycle Dynamics, 2nd ed., 2006, ch. 3 and 6 (from memory): load transfer M a h / p, the load in
    # a bend m g / cos(lean), the brake force along a raked fork B tan(rake)
    bike = random_bike(5)
    t = np.arange(round(20 * RATE_HZ)) / RATE_HZ
    speed = 60.0 - 9.0 * np.clip(t - 4.0, 0.0, 5.0)
    n = len(t)
    lean = np.full(n, 50.0)
    found = find_riding(track_of(speed), RATE_HZ, run_of(n, lean_deg=lean))
    known, free = loads(found, t, bike, 0.0)
    braking = (t > 6.0) & (t < 7.0)
    mass = bike.chassis.sprung_mass_kg + bike.front.unsprung_mass_kg + bike.rear.unsprung_mass_kg
    transfer = mass * 9.0 * bike.chassis.com_height_mm / bike.wheelbase_mm
    assert known.moment_n_m[braking] * 1e3 / bike.wheelbase_mm == pytest.approx(transfer, rel=0.01)
    assert known.weight_m_s2[braking] == pytest.approx(-GRAVITY_M_S2 / np.cos(np.radians(50.0)), rel=1e-9)
    fork = -mass * 9.0 * np.tan(np.radians(bike.front.rake_deg))
    assert known.front_n[braking] == pytest.approx(fork, rel=0.01)
    assert np.allclose(known.rear_n, 0.0)
    # under drive chain and swingarm carry a share of the transfer M a h / p of the rear (Cossalter, ch. 6, from memory)
    faster = find_riding(track_of(20.0 + 4.0 * np.clip(t - 4.0, 0.0, 5.0)), RATE_HZ, run_of(n, lean_deg=lean))
    carried = loads(faster, t, bike, 0.9)[0].rear_n[braking]
    assert carried == pytest.approx(
        0.9 * mass * 4.0 * bike.chassis.com_height_mm / bike.wheelbase_mm, rel=0.01
    )
    with_channels = find_riding(track_of(speed), RATE_HZ, run_of(n, brake=lean, throttle_pct=lean))
    assert len(loads(with_channels, t, bike, 0.0)[1]) == len(free) + 6
