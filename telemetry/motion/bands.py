"""Frequency content of each end in the bands of the motorcycle's modes, and coherence of both ends."""

from collections.abc import Sequence
from typing import Literal

import numpy as np

from telemetry.arrays import ENDS, BoolArray, End, FloatArray
from telemetry.bike import Bike, bike_modes
from telemetry.errors import BikeFileError
from telemetry.motion.motion import Motion
from telemetry.motion.summary import Band, BandUse, EndFrequencies, Frequencies, Together
from telemetry.signals import Spectrum, cross_spectrum, power_spectrum

# Length of a segment, which sets the line spacing (0.5 Hz): it resolves the body modes from zero.
SEGMENT_S = 2.0
# Length of the segments for the RMS of bands: a Hann line reaches 2 / this to either side.
FINE_SEGMENT_S = 8.0
FEWEST_SAMPLES = 8  # in a segment; fewer do not resolve the bands
# Lines are kept up to here, or two fifths of a slow log's rate.
HIGHEST_HZ, HIGHEST_SHARE = 40.0, 0.4
# A band reaches from this share of its lowest mode to this share of its highest: about the half-power width of
# the usual damping (0.3 to 0.5). Own choice.
BELOW, ABOVE = 0.7, 1.35
# Where the bike file lacks masses or tyre rates: common practice, no source.
USUAL_BODY_HZ, USUAL_HOP_HZ = (1.0, 4.0), (12.0, 22.0)


def bands(bike: Bike, end: End) -> tuple[Band, Band]:
    """Body and hop band of one end by the bike file's undamped half vehicle; the usual ones if it lacks a value."""
    try:
        found = bike_modes(bike, front_damper_scale=0.0, rear_damper_scale=0.0)
    except BikeFileError:
        found = ()
    # shape: heave, pitch, front wheel, rear wheel; the largest component names the mode
    leader = [int(np.argmax(np.abs(mode.shape))) for mode in found]
    body = [mode.fn_hz for mode, most in zip(found, leader, strict=True) if most < 2]
    hop = [mode.fn_hz for mode, most in zip(found, leader, strict=True) if most == 2 + ENDS.index(end)]
    if not body or not hop:
        return Band("body", *USUAL_BODY_HZ, "usual"), Band("wheel hop", *USUAL_HOP_HZ, "usual")
    return _around("body", body), _around("wheel hop", hop)


def _around(name: Literal["body", "wheel hop"], modes_hz: Sequence[float]) -> Band:
    return Band(name, BELOW * min(modes_hz), ABOVE * max(modes_hz), "bike file")


def frequencies(motion: Motion, moving: BoolArray, bike: Bike) -> Frequencies:
    """Spectra of the wheel speeds while riding, their bands, coherence and phase.

    Parameters
    ----------
    moving : ndarray of bool, shape (n_samples,)

    Returns
    -------
    Frequencies
        Empty where no stretch of `SEGMENT_S` is valid, or it holds fewer than `FEWEST_SAMPLES`. With two ends, over
        stretches that both have.

    Notes
    -----
    Wheel speed, not travel: on a random road its spectrum is nearly level, so that both bands are seen. It falls
    beyond the bandwidth of the differentiation.
    """
    length = 2 * round(SEGMENT_S * motion.sample_rate_hz / 2)
    if length < FEWEST_SAMPLES:
        return Frequencies()
    if len(motion.ends) < len(ENDS):
        return _one_end(motion, moving, length, bike)
    front_end, rear_end = (motion.ends[name] for name in ENDS)
    riding = moving & front_end.valid & rear_end.valid
    cross = cross_spectrum(
        front_end.wheel_speed_mm_s,
        rear_end.wheel_speed_mm_s,
        motion.sample_rate_hz,
        segment_samples=length,
        where=riding,
    )
    if not cross.segments:
        return Frequencies()
    keep = _kept(cross.frequency_hz, motion.sample_rate_hz)
    density = {"front": cross.first_density, "rear": cross.second_density}
    fine = {
        end: _fine_spectrum(
            motion.ends[end].wheel_speed_mm_s,
            riding,
            motion.sample_rate_hz,
            Spectrum(cross.frequency_hz, density[end], cross.segments, 1.5 / SEGMENT_S),
        )
        for end in ENDS
    }
    together = []
    for front, rear in zip(bands(bike, "front"), bands(bike, "rear"), strict=True):
        coherence, phase = cross.band(min(front.low_hz, rear.low_hz), max(front.high_hz, rear.high_hz))
        known = np.isfinite(coherence)
        together.append(
            Together(
                front.name,
                coherence if known else None,
                phase if known else None,
                told=bool(known and coherence > cross.chance_coherence),
            )
        )
    return Frequencies(
        frequency_hz=_rounded(cross.frequency_hz[keep]),
        ends={
            end: _of_end(cross.frequency_hz, density[end], keep, bands(bike, end), fine[end]) for end in ENDS
        },
        coherence=_rounded(cross.coherence[keep]),
        phase_deg=_rounded(cross.phase_deg[keep]),
        chance_coherence=cross.chance_coherence,
        bands=tuple(together),
        segments=cross.segments,
    )


def _kept(frequency_hz: FloatArray, sample_rate_hz: float) -> BoolArray:
    """The lines worth keeping; the first, of the mean, is not one."""
    return (frequency_hz > 0) & (frequency_hz <= min(HIGHEST_HZ, HIGHEST_SHARE * sample_rate_hz))


def _one_end(motion: Motion, moving: BoolArray, length: int, bike: Bike) -> Frequencies:
    for end, one in motion.ends.items():
        speed, riding, rate_hz = one.wheel_speed_mm_s, moving & one.valid, motion.sample_rate_hz
        spectrum = power_spectrum(speed, rate_hz, segment_samples=length, where=riding)
        if spectrum.segments:
            keep = _kept(spectrum.frequency_hz, rate_hz)
            fine = _fine_spectrum(speed, riding, rate_hz, spectrum)
            return Frequencies(
                frequency_hz=_rounded(spectrum.frequency_hz[keep]),
                ends={end: _of_end(spectrum.frequency_hz, spectrum.density, keep, bands(bike, end), fine)},
                segments=spectrum.segments,
            )
    return Frequencies()


def _of_end(
    frequency_hz: FloatArray, density: FloatArray, keep: BoolArray, named: tuple[Band, ...], fine: Spectrum
) -> EndFrequencies:
    used = []
    for band in named:
        rms, share = _in_band(band, fine)
        used.append(BandUse(band, rms, share, _resonance_hz(band, frequency_hz, density)))
    return EndFrequencies(tuple(used), _rounded(density[keep]))


def _fine_spectrum(speed: FloatArray, riding: BoolArray, sample_rate_hz: float, coarse: Spectrum) -> Spectrum:
    """Lines close enough to keep load transfer below 1 Hz out of the body band; the coarse ones of short stretches."""
    length = 2 * round(FINE_SEGMENT_S * sample_rate_hz / 2)
    found = power_spectrum(speed, sample_rate_hz, segment_samples=length, where=riding)
    return found if found.segments else coarse


def _in_band(band: Band, spectrum: Spectrum) -> tuple[float | None, float | None]:
    """RMS of a band, and its share of the power of all lines."""
    inside = (spectrum.frequency_hz >= band.low_hz) & (spectrum.frequency_hz < band.high_hz)
    whole = float(spectrum.density.sum())
    if not inside.any() or whole <= 0:
        return None, None
    power = float(spectrum.density[inside].sum())
    return float(np.sqrt(power * spectrum.frequency_hz[1])), power / whole


def _resonance_hz(band: Band, frequency_hz: FloatArray, density: FloatArray) -> float | None:
    """Frequency of the spectral peak inside a band, None if the maximum is at the band's edge. [Hz]"""
    inside = np.flatnonzero((frequency_hz >= band.low_hz) & (frequency_hz <= band.high_hz))
    if not len(inside):
        return None
    most = inside[np.argmax(density[inside])]
    return None if most in (inside[0], inside[-1]) else float(frequency_hz[most])


def _rounded(values: FloatArray) -> tuple[float, ...]:
    """Four digits: a stored spectrum is a picture."""
    return tuple(float(f"{value:.4g}") for value in values.tolist())
