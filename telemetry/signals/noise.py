"""Noise of a travel sensor, told from the part of its spectrum where a suspension does not move."""

import numpy as np

from telemetry.arrays import End, FloatArray
from telemetry.notes import QualityNote
from telemetry.signals.spectra import whole_segments

# Near the top of the spectrum; the last bins are left to anti-alias filters of the logger.
BAND_SHARE = (0.85, 0.97)  # of half the sample rate
WINDOW_SAMPLES = 512
SHORTEST_WINDOW = 64
MOST_WINDOWS = 2000  # of a long log; their median is good to a percent or two
# Below it the wheels still move near the top of the spectrum, and the noise is estimated too high. [Hz]
NOISE_TOLD_FROM_HZ = 200.0
# Just above the wheel hop, where a wheel still moves and noise is felt first. [Hz]
ABOVE_HOP_HZ = (24.0, 28.0)
# A sensor is noisy where its noise has this share of the power there: choice of ours, made on simulated outings. Sound
# sensors of 12 bit have 0.01 to 0.03; from 0.15 on short losses of damping are missed.
NOISY_SHARE = 0.1


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


def noise_share(travel_mm: FloatArray, noise_mm: float, sample_rate_hz: float) -> float:
    """Share of white noise in the power that a travel sensor shows at `ABOVE_HOP_HZ`.

    Parameters
    ----------
    travel_mm : ndarray of shape (n_samples,)
        [mm]
    noise_mm : float
        From `sensor_noise_mm`. [mm]
    sample_rate_hz : float
        [Hz]

    Returns
    -------
    float
        NaN where no second of the log is all valid.
    """
    length = round(sample_rate_hz)
    windows = whole_segments(travel_mm, length, length)
    if not len(windows):
        return float("nan")
    windows = windows[:: -(-len(windows) // MOST_WINDOWS)]
    taper = np.hanning(length + 1)[:-1]
    spectrum = np.abs(np.fft.rfft((windows - windows.mean(axis=1, keepdims=True)) * taper, axis=1)) ** 2
    low, high = (round(edge * length / sample_rate_hz) for edge in ABOVE_HOP_HZ)
    power = spectrum[:, low:high].mean(axis=1) / np.sum(taper**2)
    return float(noise_mm**2 / max(float(np.median(power)), 1e-12))


def noise_notes(end: End, travel_mm: FloatArray, noise_mm: float, sample_rate_hz: float) -> list[QualityNote]:
    """A warning that names a noisy travel sensor; none for a sound one, or where noise and travel look alike.

    Parameters
    ----------
    end : {"front", "rear"}
    travel_mm : ndarray of shape (n_samples,)
        At the shaft. [mm]
    noise_mm : float
        From `sensor_noise_mm`. [mm]
    sample_rate_hz : float
        [Hz]
    """
    if sample_rate_hz < NOISE_TOLD_FROM_HZ:
        return []
    share = noise_share(travel_mm, noise_mm, sample_rate_hz)
    if not share >= NOISY_SHARE:
        return []
    low, high = ABOVE_HOP_HZ
    return [
        QualityNote(
            "warning",
            "noisy_sensor",
            f"The {end} travel sensor is noisy: {noise_mm:.2f} mm (standard deviation at the shaft), "
            f"{100 * min(share, 1.0):.0f} % of what it shows just above the wheel hop ({low:.0f} to {high:.0f} Hz). A "
            "short loss of damping is harder to find. Check the sensor's supply, ground, cable and wiper.",
        )
    ]
