"""Bands of the motorcycle's own modes, and spectra of ends whose motion is known."""

from dataclasses import replace

import numpy as np
import pytest

from telemetry.bike import bike_modes
from telemetry.motion import Motion, frequencies
from telemetry.motion.bands import USUAL_HOP_HZ, Band, _resonance_hz, bands
from telemetry.simulate import demo_bike
from tests.motion.made_ends import RATE_HZ, end_of

N = 60_000
T = np.arange(N) / RATE_HZ
RIDING = np.ones(N, bool)


def motion_of(**speeds):
    ends = {}
    for name, speed in speeds.items():
        end = end_of(np.full(N, 30.0), speed, ratio=1.0)
        ends[name] = end
    return Motion("made by hand", T, RATE_HZ, ends, np.full(N, np.nan), 1400.0)


def without_masses(bike):
    ends = {
        name: getattr(bike, name).model_copy(update={"unsprung_mass_kg": None}) for name in ("front", "rear")
    }
    return bike.model_copy(update=ends)


def test_bands_hold_the_undamped_modes_of_the_bike_file():
    bike = demo_bike()
    found = bike_modes(bike, front_damper_scale=0.0, rear_damper_scale=0.0)
    for end, wheel in (("front", 2), ("rear", 3)):
        body, hop = bands(bike, end)
        assert body.basis == hop.basis == "bike file"
        for mode in found[:2]:  # bounce and pitch are the lowest
            assert body.low_hz < mode.fn_hz < body.high_hz
        own = next(mode for mode in found if np.argmax(np.abs(mode.shape)) == wheel)
        assert hop.low_hz < own.fn_hz < hop.high_hz
        assert body.high_hz < hop.low_hz
        # sqrt((tyre + wheel rate) / unsprung) / 2 pi, the hand formula of a single wheel, lies in it as well
        section = getattr(bike, end)
        hand = np.sqrt(1e3 * (section.tyre_rate_n_per_mm + 22) / section.unsprung_mass_kg) / (2 * np.pi)
        assert hop.low_hz < hand < hop.high_hz


def test_a_bike_file_without_masses_gets_the_usual_bands_and_says_so():
    body, hop = bands(without_masses(demo_bike()), "rear")
    assert (body.basis, hop.basis) == ("usual", "usual")
    assert (hop.low_hz, hop.high_hz) == USUAL_HOP_HZ


def test_a_tone_is_in_its_band_with_its_rms():
    # 100 mm/s at 15 Hz on a line of 2 s segments: RMS 100 / sqrt 2, all of the power in the hop band
    tone = 100 * np.sin(2 * np.pi * 15.0 * T)
    found = frequencies(motion_of(front=tone, rear=0.5 * tone), RIDING, demo_bike())
    for end, rms in (("front", 100 / np.sqrt(2)), ("rear", 50 / np.sqrt(2))):
        body, hop = found.ends[end].bands
        assert hop.rms_mm_s == pytest.approx(rms, rel=1e-3)
        assert hop.share == pytest.approx(1.0, abs=1e-3)
        assert hop.peak_hz == 15.0
        assert body.rms_mm_s == pytest.approx(0.0, abs=0.1)


def test_load_transfer_below_the_body_band_is_not_in_it():
    # 300 mm/s at 0.6 Hz, as braking and lean do, beside 40 mm/s at 2.3 Hz: the band from 1 Hz on has 40 / sqrt 2
    speed = 300 * np.sin(2 * np.pi * 0.6 * T) + 40 * np.sin(2 * np.pi * 2.3 * T)
    found = frequencies(motion_of(front=speed, rear=speed), RIDING, without_masses(demo_bike()))
    body = found.ends["front"].bands[0]
    assert body.band.low_hz == 1.0
    assert body.rms_mm_s == pytest.approx(40 / np.sqrt(2), rel=0.03)


def test_a_spectrum_that_only_falls_through_a_band_has_no_resonance_there():
    # an integrated white noise falls as 1/f^2 everywhere
    speed = np.cumsum(np.random.default_rng(6).standard_normal(N))
    found = frequencies(motion_of(front=speed, rear=speed), RIDING, without_masses(demo_bike()))
    body, hop = found.ends["front"].bands
    assert body.peak_hz is None and hop.peak_hz is None
    assert body.rms_mm_s > hop.rms_mm_s > 0


def test_ends_that_move_together_and_ends_that_do_not():
    rng = np.random.default_rng(1)
    road, other = rng.standard_normal((2, N)) * 100
    late = np.roll(road, 5)  # 10 ms: 3.6 degrees a hertz
    together = frequencies(motion_of(front=road, rear=late), RIDING, demo_bike())
    body = together.bands[0]
    assert body.told
    assert body.coherence > 0.95
    middle = np.mean([band.band.low_hz + band.band.high_hz for band in [together.ends["rear"].bands[0]]]) / 2
    assert body.phase_deg == pytest.approx(-3.6 * middle, abs=2.0)
    line = together.frequency_hz.index(5.0)
    assert together.phase_deg[line] == pytest.approx(-18.0, abs=2.0)
    apart = frequencies(motion_of(front=road, rear=other), RIDING, demo_bike())
    assert np.median(apart.coherence) < apart.chance_coherence


def test_lines_stay_few_and_finite():
    speed = np.random.default_rng(2).standard_normal(N)
    speed[20_000:20_400] = np.nan
    found = frequencies(motion_of(front=speed, rear=speed), RIDING, demo_bike())
    assert len(found.frequency_hz) == 80
    assert found.frequency_hz[-1] <= 40.0
    assert np.isfinite(found.ends["rear"].density).all()


def test_one_end_has_a_spectrum_and_no_coherence():
    found = frequencies(motion_of(rear=np.random.default_rng(3).standard_normal(N)), RIDING, demo_bike())
    assert list(found.ends) == ["rear"]
    assert found.coherence == ()
    assert found.bands == ()


def test_nothing_long_enough_has_no_spectrum():
    found = frequencies(motion_of(front=np.full(N, np.nan), rear=np.zeros(N)), RIDING, demo_bike())
    assert found.frequency_hz == ()
    assert found.ends == {}


def test_a_band_without_power_or_with_two_lines_has_no_resonance():
    frequency = np.arange(0.0, 20.0, 0.5)
    peak = np.exp(-((frequency - 2.5) ** 2))
    band = Band("body", 1.0, 4.0, "usual")
    assert _resonance_hz(band, frequency, peak) == 2.5
    assert _resonance_hz(band, frequency, np.zeros(len(frequency))) is None
    assert _resonance_hz(replace(band, low_hz=2.4, high_hz=3.1), frequency, peak) is None  # two lines
    assert _resonance_hz(replace(band, low_hz=3.0), frequency, peak) is None  # highest at its edge
