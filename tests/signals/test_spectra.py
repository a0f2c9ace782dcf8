"""Power spectra against their definitions and scipy's."""

import numpy as np
import pytest
from scipy import signal

from telemetry.signals.spectra import power_spectrum


def test_white_noise_level_and_parseval():
    # P. D. Welch, IEEE Trans. Audio Electroacoust. 15(2), 1967: one-sided level 2 sigma^2 / fs, 0.04 here
    noise = 2.0 * np.random.default_rng(1967).standard_normal(200_000)
    spectrum = power_spectrum(noise, 200.0)
    assert np.mean(spectrum.density[5:-5]) == pytest.approx(0.04, rel=0.02)
    assert spectrum.density.sum() * spectrum.frequency_hz[1] == pytest.approx(noise.var(), rel=0.01)


def test_sine_on_a_line():
    # F. J. Harris, Proc. IEEE 66(1), 1978: Hann noise bandwidth 1.5 lines. Amplitude 3: power 4.5, density 15.36
    t = np.arange(200_000) / 200
    spectrum = power_spectrum(3 * np.sin(2 * np.pi * 12.5 * t), 200.0)
    assert spectrum.noise_bandwidth_hz == pytest.approx(1.5 * 200 / 1024, rel=1e-9)
    peak = int(np.argmax(spectrum.density))
    assert spectrum.frequency_hz[peak] == 12.5
    assert spectrum.density[peak] == pytest.approx(15.36, rel=1e-3)
    assert spectrum.density[peak] * spectrum.noise_bandwidth_hz == pytest.approx(4.5, rel=1e-4)


@pytest.mark.parametrize("length", [256, 255, 1000])
def test_against_scipy(length):
    record = np.cumsum(np.random.default_rng(2).standard_normal(5000))
    ours = power_spectrum(record, 250.0, segment_samples=length)
    frequency, density = signal.welch(record, 250.0, nperseg=length)
    np.testing.assert_allclose(ours.frequency_hz, frequency)
    # scipy sets the mean's line aside only as far as rounding; leave it out
    np.testing.assert_allclose(ours.density[1:], density[1:], rtol=1e-9)


def test_gaps_are_never_inside_a_segment():
    noise = np.random.default_rng(3).standard_normal(60_000)
    holed = noise.copy()
    holed[::1500] = np.nan
    spectrum = power_spectrum(holed, 200.0, segment_samples=512)
    # 1499 valid samples between holes hold four segments of 512 that overlap by half
    assert spectrum.segments == 40 * 4
    assert np.mean(spectrum.density[5:-5]) == pytest.approx(2 / 200, rel=0.05)
    assert np.isnan(holed[::1500]).all()


def test_nothing_long_enough():
    spectrum = power_spectrum(np.zeros(100), 200.0)
    assert spectrum.segments == 0
    assert np.isnan(spectrum.density).all()
