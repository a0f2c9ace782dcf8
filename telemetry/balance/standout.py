"""Where a bump stands out of the road it lies in, told from both ends together."""

import numpy as np

from telemetry.arrays import ENDS, BoolArray, FloatArray, IntArray
from telemetry.balance.delay import riding_delay_s
from telemetry.laps import Track
from telemetry.motion import Motion

# Choices of ours, tried on simulated rides; no source.
WORK_HZ = 250.0
ORDER = 24  # of the prediction: 0.1 s holds what wheel and body do next
NOISE_SHARE = 1e-3  # of the power: what the filter has closed is not blown up
LASTS_S = (0.012, 0.024, 0.048, 0.096, 0.192)  # of bumps: half a metre at 42 m/s to 3 m at 15 m/s and about
STANDS_OUT = 2.5  # standard deviations of the road's own
BUMPS_APART_S = 0.06
ABOUT_S = 0.04  # the wheels are fastest at most this far from the middle of the bump
FIRST_SHARE = 0.5


def find_bumps(motion: Motion, track: Track) -> IntArray:
    """When the front met a bump that moved both ends.

    Parameters
    ----------
    motion : Motion
        With both ends.
    track : Track

    Returns
    -------
    ndarray of int, shape (n_bumps,)
        Samples, rising: when both ends together, the rear moved back by its delay, were fastest.

    Notes
    -----
    A road is as rough in its slope at one wavelength as at another (ISO 8608, w = 2), so that an axle's vertical
    speed on it is white noise, and what a wheel will do next can be told from what it did but for what the road
    brings new. That part, at both ends, is the road as both met it; a bump in it, up and down again, is one period
    of a sine. The best detector of a known shape in white noise correlates with it, and finds a bump of height h
    and length l in a road of unevenness Gd with the distance (in standard deviations of the road's own)

        d = h / (2 n0 sqrt(Gd l)),        n0 = 0.1 cycles/m

    as long as the log can follow it (l / speed of 1 / 60 s and more). Found are those of `STANDS_OUT`, so that nine
    in ten of d = 4 are, and all but 1 in 20 of d = 5, which is h = sqrt(Gd l): 2 mm for 1 m on 4e-6 m3, 4 mm on 16e-6.
    Smaller ones are no bump of that road: it makes them itself.

    References
    ----------
    .. [1] ISO 8608:2016, Mechanical vibration - Road surface profiles - Reporting of measured data.
    .. [2] J. Makhoul, Linear prediction: a tutorial review, Proc. IEEE 63(4), 561-580, 1975,
       doi:10.1109/PROC.1975.9792 (from memory).
    .. [3] G. L. Turin, An introduction to matched filters, IRE Trans. Inf. Theory 6(3), 311-329, 1960,
       doi:10.1109/TIT.1960.1057571 (from memory).
    """
    step = max(1, round(motion.sample_rate_hz / WORK_HZ))
    rate = motion.sample_rate_hz / step
    delay = np.nan_to_num(riding_delay_s(motion, track, slice(None, None, step)) * rate)
    news = {end: whitened(motion.ends[end].wheel_speed_mm_s[::step]) for end in ENDS}
    with np.errstate(invalid="ignore", divide="ignore"):
        both = (news["front"] + _later(news["rear"], delay)) / np.sqrt(track.speed_m_s[::step])
    found = step * peaks_above(
        standing_out(np.where(delay > 0, both, 0.0), rate), STANDS_OUT, round(BUMPS_APART_S * rate)
    )
    return _fastest(motion, track, found)


def whitened(values: FloatArray) -> FloatArray:
    """What of a record could not be told from what went before, in units of its standard deviation.

    Parameters
    ----------
    values : ndarray of shape (n_samples,)
        NaN where invalid.

    Returns
    -------
    ndarray of shape (n_samples,)
        0 where the record, or what went before, is invalid.
    """
    known = np.isfinite(values)
    if np.count_nonzero(known) <= 2 * ORDER:
        return np.zeros(len(values))
    steady = np.where(known, values - np.mean(values[known]), 0.0)
    power = np.array([steady[lag:] @ steady[: len(steady) - lag] for lag in range(ORDER + 1)])
    if power[0] <= 0:
        return np.zeros(len(values))
    power[0] *= 1.0 + NOISE_SHARE
    apart = np.abs(np.arange(ORDER)[:, None] - np.arange(ORDER))
    told = np.linalg.solve(power[apart], power[1:])
    news = np.convolve(steady, np.concatenate(([1.0], -told)))[: len(values)]
    news[np.convolve(~known, np.ones(ORDER + 1))[: len(values)] > 0.5] = 0.0
    return np.asarray(news / np.std(news[known]))


def standing_out(road: FloatArray, rate_hz: float) -> FloatArray:
    """How far a bump about each sample stands out, by the length of bump that shows it best.

    Parameters
    ----------
    road : ndarray of shape (n_samples,)
        Road velocity, white but for the bumps.
    rate_hz : float

    Returns
    -------
    ndarray of shape (n_samples,)
        In standard deviations of the same anywhere.
    """
    best = np.full(len(road), -np.inf)
    for lasts_s in LASTS_S:
        n = max(2, round(lasts_s * rate_hz))
        bump = np.sin(2 * np.pi * (np.arange(n) + 0.5) / n)
        if n >= len(road):
            break
        like = np.correlate(road, bump, mode="same")
        typical = float(np.median(np.abs(like[like != 0.0]))) / 0.6745 if like.any() else 0.0  # of a normal
        best = np.maximum(best, like / max(typical, 1e-12))
    return best


def peaks_above(values: FloatArray, height: float, apart: int) -> IntArray:
    """Places of the peaks above a height, one for each group of peaks nearer than ``apart`` samples.

    A group is told by its highest peak, and placed at the first before it that is at least half as high: past a
    bump the wheel comes down again and may then move faster than on the bump.

    Parameters
    ----------
    values : ndarray of shape (n_samples,)
        NaN where invalid.
    height : float
    apart : int

    Returns
    -------
    ndarray of int, shape (n_peaks,)
        Rising.
    """
    with np.errstate(invalid="ignore"):
        top = (values[1:-1] > values[:-2]) & (values[1:-1] >= values[2:]) & (values[1:-1] > height)
    candidates = np.flatnonzero(top) + 1
    free = np.ones(len(candidates), dtype=bool)
    kept = np.zeros(len(candidates), dtype=bool)
    first = np.searchsorted(candidates, candidates - apart, side="right")
    last = np.searchsorted(candidates, candidates + apart, side="left")
    for i in np.argsort(-values[candidates], kind="stable"):
        if free[i]:
            free[first[i] : last[i]] = False
            group = np.arange(first[i], i + 1)
            kept[group[np.argmax(values[candidates[group]] >= FIRST_SHARE * values[candidates[i]])]] = True
    return candidates[kept].astype(np.int64)


def local_peaks(rows: FloatArray) -> tuple[IntArray, BoolArray]:
    """Highest local maximum of each row, the first and last column being neighbours only; whether there is one.

    Parameters
    ----------
    rows : ndarray of shape (n_rows, n_columns)

    Returns
    -------
    ndarray of int, ndarray of bool, each of shape (n_rows,)
        Column of the maximum; the first inner column where there is none.
    """
    inner = rows[:, 1:-1]
    with np.errstate(invalid="ignore"):
        top = (inner > rows[:, :-2]) & (inner >= rows[:, 2:])
    place = np.argmax(np.where(top, inner, -np.inf), axis=1) if len(rows) else np.zeros(0, dtype=np.int64)
    return np.asarray(1 + place, dtype=np.int64), np.asarray(top.any(axis=1))


def around(values: FloatArray, start: IntArray, length: int) -> FloatArray:
    """Rows of ``length`` values from each start on; the last value stands for what would lie beyond.

    Parameters
    ----------
    values : ndarray of shape (n_samples,)
    start : ndarray of int, shape (n_rows,)
    length : int

    Returns
    -------
    ndarray of shape (n_rows, length)
    """
    return np.asarray(values[np.clip(start[:, None] + np.arange(length), 0, len(values) - 1)])


def _later(values: FloatArray, delay: FloatArray) -> FloatArray:
    """Values at later places, ``delay`` samples on each, interpolated; 0 beyond the end."""
    at = np.arange(len(values)) + delay
    return np.interp(at, np.arange(len(values)), values, right=0.0)


def _fastest(motion: Motion, track: Track, near: IntArray) -> IntArray:
    """When both ends together were fastest about moments; those without such a time are left out."""
    rate = motion.sample_rate_hz
    reach = max(1, round(ABOUT_S * rate)) + 1
    later = np.rint(np.nan_to_num(riding_delay_s(motion, track, near) * rate)).astype(np.int64)
    front, rear = (motion.ends[end].wheel_speed_mm_s for end in ENDS)
    both = around(front, near - reach, 2 * reach + 1) + around(rear, near + later - reach, 2 * reach + 1)
    place, peaked = local_peaks(both)
    return np.unique((near - reach + place)[peaked])
