"""Noise of a sensor: near the truth where it can be told, an upper bound where not."""

import numpy as np
import pytest

from telemetry.signals.noise import sensor_noise_mm


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
