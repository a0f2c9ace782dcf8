"""Where a bump stands out of the road it lies in, told from both ends together."""

import numpy as np

from telemetry.arrays import ENDS, BoolArray, FloatArray, IntArray
from telemetry.balance.delay import riding_delay_s
from telemetry.laps import Track
from telemetry.motion import Motion

# Choices of ours, tried on simulated rides; no source.
WORK_HZ = 250.0
MEDIAN_OF_NORMAL = 0.6745  # of the magnitude of a standard normal
ORDER = 24  # of the prediction: 0.1 s holds what wheel and body do next
NOISE_SHARE = 1e-3  # of the power: what the filter has closed is not blown up
LASTS_S = (0.012, 0.024, 0.048, 0.096, 0.192)  # of bumps: half a metre at 42 m/s to 3 m at 15 m/s and about
STANDS_OUT = 2.5  # standard deviations of the road's own
BUMPS_APART_S = 0.06
ABOUT_S = 0.04  # the wheels are fastest at most this far from the middle of the bump
FIRST_SHARE = 0.5
BLOCK_S, BLOCKS = 0.5, 5  # how rough the road is about a bump is told from as many blocks of this length
GRAIN_FROM = 3.0  # peaks that stand out by this and up to two more are the road's grain, nearly all of them
GRAIN_SHARE = 0.2  # of the clear bumps, at most this share is expected to be grain
LIMIT_STEP = 0.25


def find_bumps(motion: Motion, track: Track) -> IntArray:
    """When the front met a bump that moved both ends.

    Parameters
    ----------
    motion : Motion
        With both ends.

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
    road, step, rate = _common_road(motion, track)
    found = step * peaks_above(standing_out(road, rate), STANDS_OUT, round(BUMPS_APART_S * rate))
    return _fastest(motion, track, found)


def stands_out_by(motion: Motion, track: Track, bumps: IntArray) -> FloatArray:
    """How far each bump stands out of the road about it.

    Parameters
    ----------
    motion : Motion
        With both ends.
    bumps : ndarray of int, shape (n_bumps,)
        As from `find_bumps`.

    Returns
    -------
    ndarray of shape (n_bumps,)
        In standard deviations, as of `find_bumps`, of the road within about a second; of the run's typical road where
        it is smoother there.
    """
    if not len(bumps):
        return np.zeros(0)
    road, step, rate = _common_road(motion, track)
    far = standing_out(road / _roughness(road, round(BLOCK_S * rate)), rate)
    at, reach = bumps // step, round(ABOUT_S * rate)
    middle = (at[1:] + at[:-1]) // 2  # what lies beyond belongs to the next bump
    low = np.maximum(at - reach, np.concatenate(([0], middle + 1)))
    high = np.minimum(np.minimum(at + reach, np.concatenate((middle, [len(far) - 1]))), len(far) - 1)
    return np.array([far[min(a, b) : b + 1].max() for a, b in zip(low, high, strict=True)])


def clear_from(stands_out: FloatArray) -> float:
    """From where on bumps are clear of the road's grain: at most `GRAIN_SHARE` of them are expected to be grain.

    Parameters
    ----------
    stands_out : ndarray of shape (n_bumps,)
        Of all bumps of a run, by `stands_out_by`.

    Returns
    -------
    float
        Infinite when the run has no such bumps.

    Notes
    -----
    High peaks of a noise fall off about exponentially; how fast is read from this run's own peaks just above where
    they are found, most of which are grain, and continued upwards. The share of false finds among all is the false
    discovery rate.

    References
    ----------
    .. [1] Y. Benjamini, Y. Hochberg, J. R. Stat. Soc. B 57(1), 289-300, 1995 (from memory).
    """
    first = np.count_nonzero((stands_out >= GRAIN_FROM) & (stands_out < GRAIN_FROM + 1))
    second = np.count_nonzero((stands_out >= GRAIN_FROM + 1) & (stands_out < GRAIN_FROM + 2))
    falls = min((second + 1) / (first + 1), 0.9)  # per standard deviation
    highest = float(stands_out.max(initial=0.0))
    for limit in np.arange(GRAIN_FROM + 2, highest, LIMIT_STEP):
        grain = second * falls ** (limit - GRAIN_FROM - 1) / (1 - falls)
        if grain <= GRAIN_SHARE * np.count_nonzero(stands_out >= limit):
            return float(limit)
    return float("inf")


def grain_peak(speed: FloatArray) -> float:
    """The speed that the road's grain alone would exceed once in a record.

    Parameters
    ----------
    speed : ndarray of shape (n_samples,)
        NaN where unknown or left out. [mm/s]

    Returns
    -------
    float
        [mm/s]

    Notes
    -----
    A normal process of standard deviation s that crosses zero upwards n times crosses u upwards n exp(-u^2 / 2 s^2)
    times.

    References
    ----------
    .. [1] S. O. Rice, Mathematical analysis of random noise, Bell Syst. Tech. J. 23-24, 1944-45 (from memory).
    """
    known = speed[np.isfinite(speed)]
    if not len(known):
        return float("inf")
    crossings = int(np.count_nonzero((known[1:] > 0) & (known[:-1] <= 0)))
    sd = float(np.median(np.abs(known))) / MEDIAN_OF_NORMAL
    return sd * float(np.sqrt(2 * np.log(max(crossings, 2))))


def _common_road(motion: Motion, track: Track) -> tuple[FloatArray, int, float]:
    """Road as both ends met it, white but for bumps, 0 where unknown; samples per value of it, and its rate."""
    step = max(1, round(motion.sample_rate_hz / WORK_HZ))
    rate = motion.sample_rate_hz / step
    delay = np.nan_to_num(riding_delay_s(motion, track, slice(None, None, step)) * rate)
    news = {end: whitened(motion.ends[end].wheel_speed_mm_s[::step]) for end in ENDS}
    with np.errstate(invalid="ignore", divide="ignore"):
        both = (news["front"] + _later(news["rear"], delay)) / np.sqrt(track.speed_m_s[::step])
    return np.where(delay > 0, both, 0.0), step, rate


def _roughness(road: FloatArray, block: int) -> FloatArray:
    """Standard deviation of a road about every sample, by its median magnitude; at least that of most of the road."""
    count = len(road) // block
    if count == 0 or not road.any():
        return np.ones(len(road))
    half = BLOCKS // 2
    padded = np.pad(np.abs(road[: count * block]), half * block, constant_values=np.nan)
    padded[padded == 0.0] = np.nan
    rows = np.lib.stride_tricks.sliding_window_view(padded, BLOCKS * block)[::block]
    enough = np.count_nonzero(np.isfinite(rows), axis=1) >= block
    typical = float(np.nanmedian(padded))
    here = np.full(count, typical)
    here[enough] = np.nanmedian(rows[enough], axis=1)
    here = np.maximum(here, float(np.median(here[enough])) if enough.any() else typical)
    middle = (np.arange(count) + 0.5) * block
    return np.asarray(np.interp(np.arange(len(road)), middle, here) / MEDIAN_OF_NORMAL)


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
        typical = float(np.median(np.abs(like[like != 0.0]))) / MEDIAN_OF_NORMAL if like.any() else 0.0
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
