"""Band signals: exact for sines, honest about gaps, and not ringing by themselves."""

import numpy as np
import pytest

from telemetry.damping.hop import RATE_HZ, band_signals, between, thin, thin_response, usable


@pytest.mark.parametrize("rate_hz", [100.0, 128.0, 200.0, 250.0, 333.3, 1000.0])
def test_a_sine_gives_its_speed_derivative_and_integral(rate_hz):
    t = np.arange(int(20 * rate_hz)) / rate_hz
    hz, amplitude = 16.0, 1.5
    step_s, (speed, derivative, integral) = band_signals(
        30.0 + amplitude * np.sin(2 * np.pi * hz * t), rate_hz, (0, 1, -1), reference_hz=15.0
    )
    assert 1.0 / step_s == pytest.approx(RATE_HZ, rel=0.005)
    at = step_s * np.arange(len(speed))
    inside = (at > 2.0) & (at < 18.0)  # the long filters feel the ends of the record
    w = 2 * np.pi * hz
    np.testing.assert_allclose(speed[inside], (amplitude * w * np.cos(w * at))[inside], atol=0.15)
    np.testing.assert_allclose(
        derivative[inside], (-amplitude * w * np.sin(w * at) * hz / 15.0)[inside], atol=0.15
    )
    np.testing.assert_allclose(
        integral[inside], (amplitude * w * np.sin(w * at) * 15.0 / hz)[inside], atol=0.15
    )


def test_a_step_rings_no_longer_than_a_quarter_of_a_second():
    # A band-pass narrow enough to look clean rings by itself: this one must not look like a hardly damped wheel.
    t = np.arange(4000) / 200.0
    _, (speed,) = band_signals((t > 10.0).astype(float), 200.0, (0,), reference_hz=15.0)
    at = np.arange(len(speed)) / RATE_HZ - 10.0
    late = np.abs(speed[(np.abs(at) > 0.25) & (np.abs(at) < 8)])
    assert late.max() < 0.03 * np.abs(speed).max()


@pytest.mark.parametrize("hz", [8.0, 16.0, 24.0])
def test_between_samples_a_sine_is_off_by_what_the_theorem_allows(hz):
    # cubic Hermite interpolation (de Boor, A Practical Guide to Splines, ch. 4): at most h^4/384 of the largest
    # fourth derivative
    n, w = 2000, 2 * np.pi * hz / RATE_HZ
    at = np.random.default_rng(1).uniform(0.0, n - 1.0, 5000)
    index = np.arange(n)
    orders = np.stack([w * np.cos(w * index), np.sin(w * index)])
    error = between(at, n).each(orders, (1,), 1.0)[0] - np.sin(w * at)
    assert 0.9 * w**4 / 384 < np.abs(error).max() <= w**4 / 384


def test_between_samples_cubics_are_exact_and_the_ends_are_held():
    index = np.arange(50.0)
    at = np.array([-3.0, 0.0, 7.25, 31.9, 49.0, 60.0])
    orders = np.stack([6 * index, 3 * index**2 - 20, index**3 - 20 * index])
    slope, found = between(at, 50).each(orders, (1, 2), 1.0)
    held = np.clip(at, 0.0, 49.0)
    np.testing.assert_allclose(found, held**3 - 20 * held, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(slope, 3 * held**2 - 20, rtol=1e-9, atol=1e-9)


def test_gaps_and_ends_are_not_usable():
    valid = np.ones(2000, dtype=bool)
    valid[1000:1050] = False  # 5.00 to 5.25 s
    valid[600] = False  # one sample: bridged
    at = np.arange(1000) / 100.0
    good = usable(valid, 200.0, at)
    assert not good[at < 0.10].any()
    assert not good[(at > 4.9) & (at < 5.35)].any()
    assert good[(at > 2.5) & (at < 4.8)].all()
    assert good[(at > 5.5) & (at < 9.8)].all()


@pytest.mark.parametrize("every", [1, 2, 5])
def test_a_sine_that_closes_a_circle_is_thinned_with_the_computed_response(every):
    n, turns = 3000, 40
    angle = 2 * np.pi * turns * np.arange(n) / n
    expected = np.real(thin_response(np.array([turns / n]), every)[0] * np.exp(1j * angle[::every]))
    before = np.cos(angle[-3 * every :])
    np.testing.assert_allclose(thin(np.concatenate([before, np.cos(angle)]), every), expected, atol=1e-9)


def test_what_thinning_folds_into_the_band_is_a_hundredth():
    # 1000 Hz to 200 Hz: 164 Hz and above are folded onto 36 Hz and below
    assert np.abs(thin_response(np.array([0.164, 0.18, 0.2, 0.236, 0.364]), 5)).max() < 0.011
