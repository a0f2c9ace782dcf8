"""Damper force: work per cycle against closed forms, slopes, signs."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.bike import Damper, DamperSide, damper_force_n


def damper(compression, rebound):
    """Two sides given as (low, high, knee)."""
    sides = [
        DamperSide(low_n_s_per_mm=low, high_n_s_per_mm=high, knee_mm_s=knee)
        for low, high, knee in (compression, rebound)
    ]
    return Damper(compression=sides[0], rebound=sides[1])


def work_per_cycle_j(which, amplitude_mm, frequency_hz):
    phase = np.linspace(0.0, 2.0 * np.pi, 20001)
    speed = 2.0 * np.pi * frequency_hz * amplitude_mm * np.cos(phase)
    return np.trapezoid(damper_force_n(speed, which), amplitude_mm * np.sin(phase)) / 1e3


def test_linear_damper_turns_pi_c_omega_x_squared_into_heat():
    # Rao, Mechanical Vibrations; Den Hartog: 1500 N s/m, 20 mm, 2 Hz: 23.6871 J a cycle
    assert work_per_cycle_j(damper((1.5, 1.5, 100), (1.5, 1.5, 100)), 20.0, 2.0) == pytest.approx(
        23.6871, rel=1e-5
    )


def test_two_rates_make_the_heat_of_their_mean():
    # 1000 and 2000 N s/m: pi omega X^2 (cb + cr) / 2, the same 23.6871 J
    assert work_per_cycle_j(damper((1.0, 1.0, 100), (2.0, 2.0, 100)), 20.0, 2.0) == pytest.approx(
        23.6871, rel=1e-5
    )


DIGRESSIVE = damper((4.0, 2.0, 80.0), (7.0, 3.5, 80.0))


@pytest.mark.parametrize(("sign", "low"), [(1.0, 4.0), (-1.0, 7.0)])
def test_slope_at_rest_is_the_low_speed_rate(sign, low):
    speed = sign * 1e-3
    assert damper_force_n(np.array([speed]), DIGRESSIVE)[0] / speed == pytest.approx(low, rel=1e-6)


@pytest.mark.parametrize(("sign", "high"), [(1.0, 2.0), (-1.0, 3.5)])
def test_slope_far_above_the_knee_is_the_high_speed_rate(sign, high):
    force = damper_force_n(sign * np.array([1000.0, 1100.0]), DIGRESSIVE)
    assert sign * np.diff(force)[0] / 100.0 == pytest.approx(high, rel=1e-6)


@given(st.floats(-2000.0, 2000.0))
def test_a_damper_only_ever_takes_energy(speed):
    assert damper_force_n(np.array([speed]), DIGRESSIVE)[0] * speed >= 0.0


@given(st.floats(0.0, 2000.0))
def test_rebound_is_compression_mirrored_when_the_sides_are_alike(speed):
    even = damper((4.0, 2.0, 80.0), (4.0, 2.0, 80.0))
    up, down = damper_force_n(np.array([speed, -speed]), even)
    assert up == pytest.approx(-down, abs=1e-9)


def test_unknown_speed_is_unknown_force():
    assert np.isnan(damper_force_n(np.array([np.nan]), DIGRESSIVE)[0])
