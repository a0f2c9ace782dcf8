"""Power spectra of records with gaps."""

from dataclasses import dataclass

import numpy as np

from telemetry.arrays import FloatArray


@dataclass(frozen=True)
class Spectrum:
    """A one-sided power spectral density.

    Parameters
    ----------
    frequency_hz : ndarray of shape (n_lines,)
        [Hz]
    density : ndarray of shape (n_lines,)
        [unit of the record squared, per Hz]
    segments : int
        How many (overlapping) segments were averaged.
    noise_bandwidth_hz : float
        Density times this is the power of a sine that falls on a line. [Hz]
    """

    frequency_hz: FloatArray
    density: FloatArray
    segments: int
    noise_bandwidth_hz: float


def power_spectrum(values: FloatArray, sample_rate_hz: float, *, segment_samples: int = 1024) -> Spectrum:
    """Power spectral density by Welch's method, over the segments that hold no gap.

    Segments are tapered by a Hann window, overlap by half, and each has its mean taken off. Where a segment holds
    a NaN the search for the next starts after it, so that no whole stretch is lost to the grid of segments.

    Parameters
    ----------
    values : ndarray of shape (n_samples,)
        NaN where invalid.
    sample_rate_hz : float
        [Hz]
    segment_samples : int
        Length of a segment; the lines are sample_rate_hz / segment_samples apart.

    Returns
    -------
    Spectrum
        All NaN, with no segments, if no stretch is long enough.

    References
    ----------
    .. [1] P. D. Welch, IEEE Trans. Audio Electroacoust. 15(2), 70-73, 1967, doi:10.1109/TAU.1967.1161901.
    .. [2] F. J. Harris, Proc. IEEE 66(1), 51-83, 1978, doi:10.1109/PROC.1978.10837 (noise bandwidth).
    """
    taper = np.hanning(segment_samples + 1)[:-1]
    frequency = np.fft.rfftfreq(segment_samples, 1 / sample_rate_hz).astype(np.float64)
    noise_bandwidth = float(sample_rate_hz * np.sum(taper**2) / np.sum(taper) ** 2)
    segments = whole_segments(values, segment_samples, segment_samples - segment_samples // 2)
    if not len(segments):
        return Spectrum(frequency, np.full(len(frequency), np.nan), 0, noise_bandwidth)
    lines = np.fft.rfft((segments - segments.mean(axis=1, keepdims=True)) * taper, axis=1)
    density = np.mean(np.abs(lines) ** 2, axis=0) / (sample_rate_hz * np.sum(taper**2))
    # one-sided: negative frequencies fold onto all lines but zero and, for an even length, the last
    density[1 : None if segment_samples % 2 else -1] *= 2
    return Spectrum(frequency, density, len(segments), noise_bandwidth)


def whole_segments(values: FloatArray, length: int, hop: int) -> FloatArray:
    """Segments of a record that hold no NaN, each stretch between gaps cut from its start.

    Parameters
    ----------
    values : ndarray of shape (n_samples,)
    length, hop : int
        Samples in a segment, and from one start to the next.

    Returns
    -------
    ndarray of shape (n_segments, length)
        Not to be written to.
    """
    edges = np.flatnonzero(np.diff(np.concatenate(([True], np.isnan(values), [True])).astype(np.int8)))
    starts = [
        start
        for first, end in zip(edges[0::2], edges[1::2], strict=True)
        for start in range(first, end - length + 1, hop)
    ]
    if not starts:
        return np.empty((0, length))
    return np.lib.stride_tricks.sliding_window_view(values, length)[starts]
