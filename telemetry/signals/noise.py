"""Noise of a travel sensor, told from the part of its spectrum where a suspension does not move."""

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.signals.spectra import whole_segments

# Near the top of the spectrum; the last bins are left to anti-alias filters of the logger.
BAND_SHARE = (0.85, 0.97)  # of half the sample rate
WINDOW_SAMPLES = 512
SHORTEST_WINDOW = 64
MOST_WINDOWS = 2000  # of a long log; their median is good to a percent or two


def sensor_noise_mm(travel_mm: FloatArray) -> float:
    """Standard deviation of the white noise in a travel signal, quantisation included.

    The median over short windows of the power near the top of the spectrum, as if it were as high all the way
    down. Bumps and stops reach that high only for moments, so the median leaves them out.

    Parameters
    ----------
    travel_mm : ndarray of shape (n_samples,)
        Evenly sampled; NaN where invalid. [mm]

    Returns
    -------
    float
        NaN if no window of 64 samples is all valid. From 200 Hz up within a fifth of the truth on simulated
        outings; on slower logs the wheels still move up there, and it is an upper bound. [mm]

    References
    ----------
    .. [1] P. D. Welch, IEEE Trans. Audio Electroacoust. 15(2), 70-73, 1967, doi:10.1109/TAU.1967.1161901.
    """
    length = WINDOW_SAMPLES
    windows = whole_segments(travel_mm, length, length)
    while not len(windows) and length > SHORTEST_WINDOW:
        length //= 2
        windows = whole_segments(travel_mm, length, length)
    if not len(windows):
        return float("nan")
    windows = windows[:: -(-len(windows) // MOST_WINDOWS)]
    taper = np.hanning(length + 1)[:-1]
    spectrum = np.abs(np.fft.rfft((windows - windows.mean(axis=1, keepdims=True)) * taper, axis=1)) ** 2
    low, high = (round(share * length / 2) for share in BAND_SHARE)
    variance = spectrum[:, low:high].mean(axis=1) / np.sum(taper**2)
    return float(np.sqrt(np.median(variance)))
