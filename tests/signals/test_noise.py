"""Noise of a sensor: near the truth where it can be told, an upper bound where not."""

import numpy as np
import pytest

from telemetry.signals.spectra import noise_notes, noise_share, sensor_noise_mm


@pytest.mark.parametrize("length", [100, 300, 5_000, 200_000])
@pytest.mark.parametrize("sd", [0.005, 0.03, 0.2])
def test_white_noise(length, sd):
    noise = sd * np.random.default_rng(length).standard_normal(length)
    assert sensor_noise_mm(noise) == pytest.approx(sd, rel=0.3 if length < 1000 else 0.05)


def test_motion_does_not_inflate_it():
    rng = np.random.default_rng(3)
    t = np.arange(40_000) / 500
    motion = 40 + 15 * np.sin(2 * np.pi * 1.9 * t) + 4 * np.sin(2 * np.pi * 16.1 * t)
    for bump in range(0, 40_000, 2_000):  # sharp ones, now and then
        motion[bump : bump + 20] += 10 * np.hanning(20)
    assert sensor_noise_mm(motion + 0.03 * rng.standard_normal(len(t))) == pytest.approx(0.03, rel=0.05)


@pytest.mark.parametrize("hz", [214.0, 231.3])  # both in the band that is read, at 500 Hz
def test_a_tone_does_not_inflate_it(hz):
    t = np.arange(40_000) / 500
    noise = 0.03 * np.random.default_rng(5).standard_normal(len(t))
    assert sensor_noise_mm(noise + 0.3 * np.sin(2 * np.pi * hz * t)) == pytest.approx(0.03, rel=0.1)


def test_quantisation_counts_as_noise():
    # Widrow & Kollar, Quantization Noise, 2008: q / sqrt(12)
    t = np.arange(40_000) / 500
    step = 150 / 4096
    motion = 40 + 15 * np.sin(2 * np.pi * 1.9 * t) + 4 * np.sin(2 * np.pi * 16.1 * t)
    assert sensor_noise_mm(np.round(motion / step) * step) == pytest.approx(step / np.sqrt(12), rel=0.1)


def test_gaps_are_left_out():
    noise = 0.03 * np.random.default_rng(4).standard_normal(20_000)
    noise[::1000] = np.nan
    assert sensor_noise_mm(noise) == pytest.approx(0.03, rel=0.05)
    assert np.isnan(sensor_noise_mm(np.full(2000, np.nan)))
    assert np.isnan(sensor_noise_mm(np.zeros(20)))


@pytest.mark.parametrize(("noise_mm", "noisy"), [(0.0, False), (0.001, False), (0.3, True)])
def test_a_noisy_sensor_is_named_with_its_noise(noise_mm, noisy):
    rng = np.random.default_rng(8)
    rate_hz, n = 500.0, 60_000
    # travel whose power falls as 1/f^4, as of a wheel above its hop: white noise summed twice, without its drift
    walk = 1e-3 * np.cumsum(np.cumsum(rng.standard_normal(n)))
    moved = walk - np.convolve(walk, np.full(251, 1 / 251), mode="same")
    travel = moved + noise_mm * rng.standard_normal(n)
    notes = noise_notes("rear", travel, sensor_noise_mm(travel), rate_hz)
    assert [note.code for note in notes] == ["noisy_sensor"] * noisy
    if noisy:
        assert f"{noise_mm:.2f} mm" in notes[0].message
    assert noise_notes("rear", travel, sensor_noise_mm(travel), 100.0) == []


def test_the_share_of_noise_is_that_of_its_variance():
    # both white: the share of the power is that of the variances at any frequency; the median over the windows of a
    # mean over four bins, 5.3 degrees of freedom under a Hann window, is 0.88 of the mean (Wilson and Hilferty 1931)
    rng = np.random.default_rng(9)
    moved, noise = 0.4 * rng.standard_normal(60_000), 0.2 * rng.standard_normal(60_000)
    assert noise_share(moved + noise, 0.2, 500.0) == pytest.approx(0.2 / 0.88, rel=0.05)
