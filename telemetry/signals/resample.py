"""To another rate without aliases, and never across a gap.

Travel keeps the rate it was logged at. It is resampled only when that is asked for, or when the rate changes inside
the log; then what the slower rate cannot hold is filtered out first.
"""

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.signals.gaps import runs

# Kernel: a sinc of this many zero crossings to each side under a Kaiser window. With beta 8 it lets pass up to
# 0.39 of the lower rate within 0.1 % and stops 80 dB from half of it on (Kaiser's formula for the transition).
ZERO_CROSSINGS = 24
KAISER_BETA = 8.0
CUTOFF = 0.448  # of the lower rate
# A stretch shorter than this share of the kernel says nothing at the new rate.
SHORTEST_KERNEL_SHARE = 0.25
_CHUNK = 20_000


def resample(values: FloatArray, from_hz: float, to_hz: float) -> FloatArray:
    """An evenly sampled signal at another rate; sample 0 stays where it is.

    Parameters
    ----------
    values : ndarray of shape (n_samples,)
        NaN where missing.
    from_hz, to_hz : float
        [Hz]

    Returns
    -------
    ndarray of shape (n_wanted,)
        NaN wherever its two neighbours in ``values`` are not both there.

    References
    ----------
    .. [1] A. V. Oppenheim, R. W. Schafer, Discrete-Time Signal Processing, 3rd ed., Pearson, 2010, 4.6 and 7.6.
    """
    count = int(np.floor((len(values) - 1) / from_hz * to_hz * (1 + 1e-12))) + 1
    return resample_at(values, from_hz, np.arange(count) / to_hz, to_hz)


def resample_at(values: FloatArray, from_hz: float, wanted_s: FloatArray, to_hz: float) -> FloatArray:
    """An evenly sampled signal at other instants, filtered for a rate of ``to_hz``.

    Parameters
    ----------
    values : ndarray of shape (n_samples,)
        NaN where missing; sample 0 is at 0 s.
    from_hz : float
        [Hz]
    wanted_s : ndarray of shape (n_wanted,)
        Rising. [s]
    to_hz : float
        [Hz]

    Returns
    -------
    ndarray of shape (n_wanted,)
        NaN outside and in gaps.
    """
    place = wanted_s * from_hz
    result = np.full(len(place), np.nan)
    half = int(np.ceil(ZERO_CROSSINGS * max(1.0, from_hz / to_hz)))
    slack = 1e-6  # of a sample: rounding of the instants
    for start, end in zip(*runs(~np.isnan(values)), strict=True):
        if end - start < max(2, SHORTEST_KERNEL_SHARE * half):
            continue
        first, last = np.searchsorted(place, [start - slack, end - 1 + slack])
        padded = _mirrored(values[start:end], half)
        for low in range(first, last, _CHUNK):
            high = min(low + _CHUNK, last)
            result[low:high] = _filtered(padded, place[low:high] - start + half, half, to_hz / from_hz)
    return result


def _mirrored(values: FloatArray, half: int) -> FloatArray:
    """Goes on beyond both ends by the signal mirrored in its last point, as trends do."""
    reach = min(half, len(values) - 1)
    before = 2 * values[0] - values[reach:0:-1]
    after = 2 * values[-1] - values[-2 : -reach - 2 : -1]
    return np.pad(np.concatenate((before, values, after)), half - reach, mode="edge")


def _filtered(padded: FloatArray, place: FloatArray, half: int, ratio: float) -> FloatArray:
    """The windowed sinc at each place, its weights brought to a sum of 1."""
    nearest = np.floor(place).astype(np.int64)
    offsets = np.arange(-half, half + 1)
    index = np.clip(nearest[:, None] + offsets, 0, len(padded) - 1)
    away = (place - nearest)[:, None] - offsets
    cutoff = 2 * CUTOFF * min(1.0, ratio)
    inside = 1 - (away / half) ** 2
    window = np.where(inside >= 0, np.i0(KAISER_BETA * np.sqrt(np.maximum(inside, 0))), 0.0)
    weights = np.sinc(cutoff * away) * window
    return np.asarray((weights * padded[index]).sum(axis=1) / weights.sum(axis=1))
