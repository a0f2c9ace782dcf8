"""The noise of the sensors in the wheel's equation: its covariance, and a wheel learned in spite of it."""

import numpy as np
import pytest
from scipy.signal import lfilter

from telemetry.damping.equation import ORDERS, OWN, WheelEquation
from telemetry.damping.evidence import beside, fit_front_filter, fit_windows, without_noise
from telemetry.damping.hop import WheelHop, band_covariance, band_signals

# No sprung mass and no spring beside the tyre's: the equation of one mass, m x'' + c x' + k x = w.
ONE_MASS = WheelHop(mass_ratio=0.0, spring_share=0.0)
HZ, RATIO, RATE_HZ, SECONDS = 14.0, 0.35, 1000.0, 300.0


def noise_signals(noise_mm, seed):
    noise = noise_mm * np.random.default_rng(seed).standard_normal(round(SECONDS * RATE_HZ))
    return band_signals(noise, RATE_HZ, ORDERS, reference_hz=15.0)[1]


def test_white_noise_has_the_computed_covariance():
    # a sensor's white noise of variance s^2 has the one-sided density 2 s^2 / rate (any text on spectra)
    measured = np.cov(noise_signals(0.1, 1))
    expected = 2 * 0.1**2 / RATE_HZ * band_covariance(ORDERS, reference_hz=15.0)
    size = np.sqrt(np.outer(np.diag(expected), np.diag(expected)))
    np.testing.assert_allclose(measured / size, expected / size, atol=0.05)


def wheel(noise_mm):
    """One mass driven by white noise in speed, sampled with noise in the travel; the pole by impulse invariance."""
    w, step = 2 * np.pi * HZ, 1.0 / RATE_HZ
    kick = np.random.default_rng(2).standard_normal(round(SECONDS * RATE_HZ))
    r = np.exp(-RATIO * w * step)
    speed = lfilter([1.0], [1.0, -2 * r * np.cos(w * np.sqrt(1 - RATIO**2) * step), r**2], kick)
    step_s, orders = band_signals(2.0 * np.cumsum(speed) * step, RATE_HZ, ORDERS, reference_hz=15.0)
    orders = orders + noise_signals(noise_mm, 3)
    n = orders.shape[1]
    noise = 2 * noise_mm**2 / RATE_HZ * band_covariance(ORDERS, reference_hz=15.0)[OWN, OWN]
    usable = np.ones(n, dtype=bool)
    equation = WheelEquation(0.0, step_s, orders[OWN], usable, None, None, noise)
    (windows,) = fit_windows(equation, [equation.whole])
    return windows


def test_a_noisy_sensor_changes_the_learned_wheel_only_where_its_noise_is_left_in():
    fitted = fit_front_filter(wheel(0.0), ONE_MASS)
    assert fitted.explained == pytest.approx(0.0, abs=1e-9)  # nothing is known of the road
    clean = fitted.pole
    assert clean.tyre_hz == pytest.approx(HZ, rel=0.03)
    noisy = wheel(0.5)
    assert fit_front_filter(noisy, ONE_MASS).pole.damping_ratio > 1.3 * clean.damping_ratio
    less = fit_front_filter(noisy, ONE_MASS, less_noise=True).pole
    assert less.tyre_hz == pytest.approx(HZ, rel=0.05)
    assert less.damping_ratio == pytest.approx(clean.damping_ratio, rel=0.1)


def test_noise_estimated_too_high_leaves_no_signal_less_than_nothing():
    rng = np.random.default_rng(4)
    signals, noise = rng.standard_normal((3, 100)), np.diag([0.5, 0.1, 0.0])
    products = signals @ signals.T / 100
    np.testing.assert_allclose(without_noise(products, noise), products - noise)
    assert np.linalg.eigvalsh(without_noise(products, 10.0 * noise)).min() == pytest.approx(0.0, abs=1e-9)


def test_a_window_is_weighed_by_its_neighbours():
    values, whole = np.array([1.0, 2.0, 4.0, 8.0]), np.array([True, True, False, True])
    np.testing.assert_allclose(beside(values, whole), [2.0, 1.0, 5.0, 8.0])
