"""Bumps that both ends met, and what each end did on them: the rear meets them wheelbase / speed after the front."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from telemetry.arrays import ENDS, BoolArray, End, FloatArray, IntArray
from telemetry.balance.delay import delay_s, riding_delay_s
from telemetry.decimals import as_kept
from telemetry.laps import Track, is_moving
from telemetry.motion import CONTACT_MM, Motion
from telemetry.numeric import BLOCK, correlated, median
from telemetry.signals import differentiator, runs

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
ROUGHNESS_FROM = 3.0  # peaks that stand out by this and up to two more are nearly all ordinary roughness
ROUGHNESS_SHARE = 0.2  # of the clear bumps, at most this share is expected to be ordinary roughness
LIMIT_STEP = 0.25
THIN = 61  # a prime: what comes again every so many samples, as from a slower channel, is not met each time


@dataclass(frozen=True)
class _CommonRoad:
    """Road as both ends met it, white but for bumps, 0 where unknown."""

    values: FloatArray
    step: int  # samples of the run for each value
    rate_hz: float


def _find_bumps(road: _CommonRoad, motion: Motion, track: Track) -> IntArray:
    """When the front met a bump that moved both ends.

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
    apart = round(BUMPS_APART_S * road.rate_hz)
    found = road.step * peaks_above(standing_out(road.values, road.rate_hz), STANDS_OUT, apart)
    return _fastest(motion, track, found)


def _stands_out_by(road: _CommonRoad, bumps: IntArray) -> FloatArray:
    """Height of each bump in standard deviations of the road within about a second, or of the run's if that is more."""
    if not len(bumps):
        return np.zeros(0)
    at, reach, last = bumps // road.step, round(ABOUT_S * road.rate_hz), len(road.values) - 1
    middle = (at[1:] + at[:-1]) // 2  # what lies beyond belongs to the next bump
    low = np.maximum(at - reach, np.concatenate(([0], middle + 1)))
    high = np.minimum(np.minimum(at + reach, np.concatenate((middle, [last]))), last)
    between = np.stack([np.minimum(low, high), high + 1], axis=1).ravel()
    level = _roughness(road.values, round(BLOCK_S * road.rate_hz))
    np.divide(road.values, level, out=level)
    highest = np.full(len(bumps), -np.inf)
    for like in _likenesses(level, road.rate_hz):
        np.maximum(highest, np.maximum.reduceat(like, between)[::2], out=highest)
    return highest


def clear_from(stands_out: FloatArray) -> float:
    """Height from which at most `ROUGHNESS_SHARE` of the bumps are expected to be ordinary roughness; infinite: none.

    ``stands_out`` is of all bumps of a run. High peaks of noise fall off about exponentially: the rate is read from the
    run's peaks just above the limit of `find_pairs`, most of which are ordinary roughness. The share is a false
    discovery rate (Y. Benjamini, Y. Hochberg, J. R. Stat. Soc. B 57(1), 289-300, 1995; from memory).
    """
    first = np.count_nonzero((stands_out >= ROUGHNESS_FROM) & (stands_out < ROUGHNESS_FROM + 1))
    second = np.count_nonzero((stands_out >= ROUGHNESS_FROM + 1) & (stands_out < ROUGHNESS_FROM + 2))
    falls = min((second + 1) / (first + 1), 0.9)  # per standard deviation
    highest = float(stands_out.max(initial=0.0))
    for limit in np.arange(ROUGHNESS_FROM + 2, highest, LIMIT_STEP):
        roughness = second * falls ** (limit - ROUGHNESS_FROM - 1) / (1 - falls)
        if roughness <= ROUGHNESS_SHARE * np.count_nonzero(stands_out >= limit):
            return float(limit)
    return float("inf")


def roughness_peak(speed: FloatArray, use: BoolArray | None = None) -> float:
    """Speed that ordinary roughness alone exceeds once in a record; NaN samples are left out. [mm/s]

    A normal process of standard deviation s with n zero upcrossings crosses u upwards n exp(-u^2 / 2 s^2) times (S. O.
    Rice, Bell Syst. Tech. J. 23-24, 1944-45; from memory).

    Parameters
    ----------
    speed, use : ndarray of shape (n_samples,)
        All by default.
    """
    known = np.isfinite(speed) if use is None else use & np.isfinite(speed)
    if not known.any():
        return float("inf")
    moving = speed[known]
    above = moving > 0
    crossings = int(np.count_nonzero(above[1:] > above[:-1]))
    del known, above
    sd = median(np.abs(moving, out=moving), in_place=True) / MEDIAN_OF_NORMAL
    return sd * float(np.sqrt(2 * np.log(max(crossings, 2))))


def _common_road(motion: Motion, track: Track) -> _CommonRoad:
    step = max(1, round(motion.sample_rate_hz / WORK_HZ))
    rate = motion.sample_rate_hz / step
    road, rear = (whitened(motion.ends[end].wheel_speed_mm_s[::step]) for end in ENDS)
    for first in range(0, len(road), BLOCK):
        here = road[first : first + BLOCK]
        speed = track.speed_m_s[first * step : (first + BLOCK) * step : step]
        delay = np.nan_to_num(delay_s(motion, speed) * rate)
        here += _later(rear, first, delay)
        with np.errstate(invalid="ignore", divide="ignore"):
            here /= np.sqrt(speed)
        here[~(delay > 0)] = 0.0
    return _CommonRoad(road, step, rate)


def _roughness(road: FloatArray, block: int) -> FloatArray:
    """Standard deviation of a road about every sample, by its median magnitude; at least that of most of the road."""
    count = len(road) // block
    if count == 0 or not road.any():
        return np.ones(len(road))
    known = road[: count * block]
    rows = sliding_window_view(np.pad(known, BLOCKS // 2 * block), BLOCKS * block)[::block]
    at_once = max(1, 4 * BLOCK // rows.shape[1])
    parts = [_known_medians(rows[first : first + at_once]) for first in range(0, count, at_once)]
    here, counts = (np.concatenate(one) for one in zip(*parts, strict=True))
    here, typical, enough = here / MEDIAN_OF_NORMAL, _typical(known), counts >= block
    here = np.where(enough, here, typical)
    here = np.maximum(here, float(np.median(here[enough])) if enough.any() else typical)
    middle = (np.arange(count) + 0.5) * block
    found = np.empty(len(road))
    for first in range(0, len(road), BLOCK):
        part = found[first : first + BLOCK]
        part[:] = np.interp(np.arange(first, first + len(part)), middle, here)
    return found


def _known_medians(rows: FloatArray) -> tuple[FloatArray, IntArray]:
    """Median magnitude of what is not 0 in each row, any number where all is, and how many values that are."""
    sizes = np.abs(rows)
    sizes.sort(axis=1)  # zeros first
    width, counts = sizes.shape[1], np.count_nonzero(sizes, axis=1)
    row, last = np.arange(len(sizes)), width - 1
    low, high = (np.minimum(width - counts + middle, last) for middle in ((counts - 1) // 2, counts // 2))
    return np.asarray(0.5 * (sizes[row, low] + sizes[row, high])), counts


def whitened(values: FloatArray) -> FloatArray:
    """Prediction error of a record from its past, in standard deviations; 0 where it or its past is invalid."""
    finite = np.isfinite(values)
    if np.count_nonzero(finite) <= 2 * ORDER:
        return np.zeros(len(values))
    mean = float(np.sum(values, where=finite)) / np.count_nonzero(finite)

    def steady(first: int, stop: int) -> FloatArray:
        """Values less their mean, 0 where there is none."""
        here = slice(max(first, 0), stop)
        return np.concatenate((np.zeros(max(-first, 0)), np.where(finite[here], values[here] - mean, 0.0)))

    power = np.zeros(ORDER + 1)
    for first in range(0, len(values), BLOCK):
        here = steady(first, first + BLOCK + ORDER)
        for lag in range(min(ORDER + 1, len(here))):
            later = here[lag : lag + BLOCK]
            power[lag] += here[: len(later)] @ later
    if power[0] <= 0:
        return np.zeros(len(values))
    power[0] *= 1.0 + NOISE_SHARE
    apart = np.abs(np.arange(ORDER)[:, None] - np.arange(ORDER))
    told = np.linalg.solve(power[apart], power[1:])
    weights = np.concatenate((-told[::-1], [1.0]))
    news = np.empty(len(values))
    for first in range(0, len(values), BLOCK):
        news[first : first + BLOCK] = correlated(steady(first - ORDER, first + BLOCK), weights)
    for start, stop in zip(*runs(~finite), strict=True):
        news[start : stop + ORDER] = 0.0
    count = np.count_nonzero(finite)
    news /= np.sqrt(news @ news / count - (news.sum() / count) ** 2)
    return news


def standing_out(road: FloatArray, rate_hz: float) -> FloatArray:
    """Height of a bump about each sample, in standard deviations, for the bump length that shows it best."""
    best = np.full(len(road), -np.inf)
    for like in _likenesses(road, rate_hz):
        np.maximum(best, like[:-1], out=best)
    return best


def _likenesses(road: FloatArray, rate_hz: float) -> Iterator[FloatArray]:
    """Likeness of a road to a bump of each length about every sample, in standard deviations, and -inf behind it."""
    like = np.empty(len(road) + 1)
    for lasts_s in LASTS_S:
        n = max(2, round(lasts_s * rate_hz))
        bump = np.sin(2 * np.pi * (np.arange(n) + 0.5) / n)
        if n >= len(road):
            break
        for first in range(0, len(road), BLOCK):
            here = like[first : min(first + BLOCK, len(road))]
            here[:] = correlated(_level_beyond(road, first - n // 2, len(here) + n - 1), bump)
        like[:-1] /= max(_typical(like[:-1]), 1e-12)
        like[-1] = -np.inf
        yield like


def _level_beyond(road: FloatArray, start: int, length: int) -> FloatArray:
    """So many values from ``start`` on, 0 before the first and after the last."""
    here = road[max(start, 0) : start + length]
    if len(here) == length:
        return here
    return np.pad(here, (max(-start, 0), length - len(here) - max(-start, 0)))


def _typical(values: FloatArray) -> float:
    """Standard deviation by the median magnitude of the values that are not 0; 0 where all are."""
    known = int(np.count_nonzero(values))
    if not known:
        return 0.0
    middle = len(values) - known + (known - 1) // 2  # behind the zeros
    sizes, below = _about_median(values)
    if not 0 <= middle - below < len(sizes) - 1:
        sizes, below = np.abs(values), 0
    middle -= below
    sizes.partition(middle)
    typical = sizes[middle] if known % 2 else 0.5 * (sizes[middle] + sizes[middle + 1 :].min())
    return float(typical) / MEDIAN_OF_NORMAL


def _about_median(values: FloatArray) -> tuple[FloatArray, int]:
    """Magnitudes near the median of those that are not 0, as one value in `THIN` says, and how many are smaller."""
    thin = np.sort(np.abs(values[::THIN]))
    thin = thin[thin.searchsorted(0.0, side="right") :]
    middle, aside = len(thin) // 2, round(2.0 * len(thin) ** 0.5)
    low, high = np.append(thin, np.inf)[[max(middle - aside, 0), min(middle + aside, len(thin))]]
    near, below = [], 0
    for first in range(0, len(values), BLOCK):
        sizes = np.abs(values[first : first + BLOCK])
        near.append(sizes[(sizes >= low) & (sizes <= high)])
        below += int(np.count_nonzero(sizes < low))
    return np.concatenate(near), below


def peaks_above(values: FloatArray, height: float, apart: int) -> IntArray:
    """Rising indices of peaks above a height, one for each group of peaks nearer than ``apart`` samples.

    A group is placed at the first peak at least half as high as its highest: after a bump the wheel comes down and may
    then move faster than on the bump.
    """
    with np.errstate(invalid="ignore"):
        top = (values[1:-1] > values[:-2]) & (values[1:-1] >= values[2:]) & (values[1:-1] > height)
    candidates = np.flatnonzero(top) + 1
    gaps = np.diff(candidates, prepend=-apart, append=len(values) + apart)
    kept = (gaps[:-1] >= apart) & (gaps[1:] >= apart)  # most peaks have no other near
    crowd = np.flatnonzero(~kept)
    first = candidates.searchsorted(candidates[crowd] - apart, side="right").tolist()
    last = candidates.searchsorted(candidates[crowd] + apart, side="left").tolist()
    heights = values[candidates].tolist()
    free = [True] * len(heights)
    for k in np.argsort(-values[candidates[crowd]], kind="stable").tolist():
        at = int(crowd[k])
        if free[at]:
            free[first[k] : last[k]] = [False] * (last[k] - first[k])
            enough = FIRST_SHARE * heights[at]
            kept[next(i for i in range(first[k], at + 1) if heights[i] >= enough)] = True
    return candidates[kept].astype(np.int64)


def local_peaks(rows: FloatArray) -> tuple[IntArray, BoolArray]:
    """Column of the highest inner local maximum of each row (1 where there is none), and whether there is one."""
    inner = rows[:, 1:-1]
    with np.errstate(invalid="ignore"):
        top = (inner > rows[:, :-2]) & (inner >= rows[:, 2:])
    place = np.argmax(np.where(top, inner, -np.inf), axis=1) if len(rows) else np.zeros(0, dtype=np.int64)
    return np.asarray(1 + place, dtype=np.int64), np.asarray(top.any(axis=1))


def around(values: FloatArray, start: IntArray, length: int) -> FloatArray:
    """Rows of ``length`` values from each start on, shape (n_rows, length); beyond the end the last value repeats."""
    last = len(values) - 1
    if len(values) < length:
        return np.asarray(values[np.clip(start[:, None] + np.arange(length), 0, last)])
    within = np.clip(start, 0, len(values) - length)
    rows = sliding_window_view(values, length)[within]
    beyond = within != start
    rows[beyond] = values[np.clip(start[beyond, None] + np.arange(length), 0, last)]
    return rows


def _all_known(unknown: IntArray, n: int, start: IntArray, length: int) -> BoolArray:
    """Whether each row of `around` of ``n`` values is without the rising samples ``unknown``."""
    first, stop = np.clip(start, 0, n - 1), np.clip(start + length, 1, n)
    return np.asarray(unknown.searchsorted(first) == unknown.searchsorted(stop))


def _later(values: FloatArray, first: int, delay: FloatArray) -> FloatArray:
    """Values at places from ``first`` on, each ``delay`` samples later, interpolated; 0 beyond the end."""
    at = np.arange(first, first + len(delay)) + delay
    last = min(int(at.max()) + 2, len(values))
    return np.interp(at, np.arange(first, last), values[first:last], right=0.0)


def _fastest(motion: Motion, track: Track, near: IntArray) -> IntArray:
    """When both ends together were fastest about moments; those without such a time are left out."""
    rate = motion.sample_rate_hz
    reach = max(1, round(ABOUT_S * rate)) + 1
    later = np.rint(np.nan_to_num(riding_delay_s(motion, track, near) * rate)).astype(np.int64)
    front, rear = (motion.ends[end].wheel_speed_mm_s for end in ENDS)
    both = around(front, near - reach, 2 * reach + 1) + around(rear, near + later - reach, 2 * reach + 1)
    place, peaked = local_peaks(both)
    return np.unique((near - reach + place)[peaked])


# Choices of ours; no source.
SEARCH_S = 0.015  # around the expected moment, for wheelbase, speed and tyre effects
SAME_BUMP_S = 0.01  # a pair further than this from the delay of most pairs is none
FOOT_S = 0.1  # travel is least at most this long before the expected moment
DEEPEST_S = 0.1  # and is deepest at most this long after
FEWEST_SAMPLES = 2  # in that time: with fewer no bump is seen to go down and come up
REBOUND_S = 0.12  # fastest in rebound at most this long after
LOAD_S = 0.5  # load comes and goes more slowly than a bump: the median speed over so long is the load's
LOAD_COUNTS = 0.2  # of the peak speeds of both ends together: so much load makes a bump count half
SMOOTH_S = 0.016  # half of what is smoothed over to say when an end was fastest; how fast is read unsmoothed
PEAK_S = 0.012  # about then
BEND_S = 0.008  # on both sides of a peak, over which its bend is read
HANGING_S = (0.06, 0.02)  # before the bump: an end fully extended then may hang in the air
BEFORE_S, AFTER_S = 0.2, 0.8  # what is stacked
STACK_HZ = 250.0
ONSET_M_S2 = 3.0  # brake or drive came or went, when the acceleration changes by this much about a bump
ONSET_BEFORE_S, ONSET_AFTER_S = 0.3, 0.6
VISIT_S = 5.0  # bumps of one place this close together in time were met at once
PLACE_M = 20.0  # pairs this close together on the lap are one bump met again: distance differs so much by lap
ROWS = 256  # bumps cut out at a time
MEASURES = ("compression_mm_s", "depth_mm", "rebound_mm_s")


@dataclass(frozen=True)
class BumpPairs:
    """Bumps that both ends met, one row each.

    Parameters
    ----------
    bump : ndarray of int, shape (n_pairs,)
        When the front met it, as found in both ends together.
    sample : ndarray of int, shape (n_pairs,)
        When the front was fastest.
    rear_sample : ndarray of int, shape (n_pairs,)
        When the rear was.
    place : ndarray of int, shape (n_pairs,)
        Same number for the same bump on different laps.
    disturbed : ndarray of bool, shape (n_pairs,)
        Brake or drive came or went at the bump.
    stands_out : ndarray of shape (n_pairs,)
        How far the bump stands out of the road about it, in standard deviations.
    clear : ndarray of bool, shape (n_pairs,)
        Well above the ordinary roughness of this run's road, in shape and in speed, and met by both ends on the ground:
        these show the damping.
    hanging : ndarray of bool, shape (n_pairs,)
        An end was fully extended just before, so its wheel may have been in the air.
    weight : ndarray of shape (n_pairs,)
        How much a bump counts: 1 each time its place is met, shared by all bumps of that place then (a kerb has many);
        less where load was coming or going.
    response : mapping of end to mapping of str to ndarray of shape (n_pairs,)
        By `MEASURES`: peak compression speed, depth from the least travel just before, peak rebound speed (a
        magnitude). All less what load that comes or goes adds, the speeds less what sensor noise adds to a peak.
        [mm/s, mm, mm/s]
    noise_mm_s : mapping of end to float
        What sensor noise is left in a peak speed, as a standard deviation. [mm/s]
    travel_mm : mapping of end to ndarray of shape (n_clear, n_lags)
        Wheel travel about the clear bumps, each end on its own time, from the travel before the bump. [mm]
    lag_s : ndarray of shape (n_lags,)
        From when the axle meets the bump. [s]
    delay_residual_s : ndarray of shape (n_pairs,)
        How much later than wheelbase / speed the rear was fastest. [s]
    """

    bump: IntArray
    sample: IntArray
    rear_sample: IntArray
    place: IntArray
    disturbed: BoolArray
    stands_out: FloatArray
    clear: BoolArray
    hanging: BoolArray
    weight: FloatArray
    response: dict[End, dict[str, FloatArray]]
    noise_mm_s: dict[End, float]
    travel_mm: dict[End, FloatArray]
    lag_s: FloatArray

    delay_residual_s: FloatArray

    def __len__(self) -> int:
        """Number of pairs."""
        return len(self.sample)

    def during(self, first: int, stop: int) -> "BumpPairs":
        """The pairs whose bump the front met from sample ``first`` to before ``stop``, counted from ``first``."""
        here = self.chosen((self.bump >= first) & (self.bump < stop))
        return replace(
            here, bump=here.bump - first, sample=here.sample - first, rear_sample=here.rear_sample - first
        )

    def chosen(self, here: BoolArray) -> "BumpPairs":
        """Some of the pairs.

        Parameters
        ----------
        here : ndarray of bool, shape (n_pairs,)
        """
        return replace(
            self,
            bump=self.bump[here],
            sample=self.sample[here],
            rear_sample=self.rear_sample[here],
            place=self.place[here],
            disturbed=self.disturbed[here],
            stands_out=self.stands_out[here],
            clear=self.clear[here],
            hanging=self.hanging[here],
            weight=self.weight[here],
            response={
                end: {name: values[here] for name, values in found.items()}
                for end, found in self.response.items()
            },
            travel_mm={end: rows[here[self.clear]] for end, rows in self.travel_mm.items()},
            delay_residual_s=self.delay_residual_s[here],
        )


def find_pairs(motion: Motion, track: Track) -> BumpPairs | None:
    """Find the bumps of a run in both ends.

    Bumps are picked by both ends together, the rear moved back by its delay: picking by the front alone would
    favour bumps that happened to move the front more.

    Parameters
    ----------
    track : Track
        Its speed gives the delay.

    Returns
    -------
    BumpPairs or None
        None when an end or the speed is missing, or a bump passes between two samples.
    """
    if any(end not in motion.ends for end in ENDS) or not as_kept(track.speed_m_s).any_known:
        return None
    if motion.sample_rate_hz * DEEPEST_S < FEWEST_SAMPLES:
        return None
    road = _common_road(motion, track)
    return _pairs_of(road, motion, track, _find_bumps(road, motion, track))


def pairs_at(motion: Motion, track: Track, bumps: IntArray) -> BumpPairs:
    """What both ends did on bumps.

    Parameters
    ----------
    motion : Motion
        With both ends.
    bumps : ndarray of int, shape (n_bumps,)
        As from `find_pairs`.

    Returns
    -------
    BumpPairs
        Of the bumps that both ends met with valid samples all about them.
    """
    return _pairs_of(_common_road(motion, track), motion, track, bumps)


def _pairs_of(road: _CommonRoad, motion: Motion, track: Track, bumps: IntArray) -> BumpPairs:
    rate, n = motion.sample_rate_hz, len(motion.t_s)
    delay = np.nan_to_num(riding_delay_s(motion, track, bumps) * rate)
    before, after = round((BEFORE_S + SEARCH_S) * rate), round((AFTER_S + SEARCH_S) * rate)
    inside = (bumps > before) & (bumps + delay < n - after)
    bumps, delay = bumps[inside], delay[inside]
    here: dict[End, FloatArray] = {"front": bumps.astype(np.float64), "rear": bumps + delay}
    found = {end: _respond(motion, end, np.rint(here[end]).astype(np.int64)) for end in ENDS}
    good = np.logical_and.reduce([np.isfinite(list(found[end][0].values())).all(axis=0) for end in ENDS])
    residual = (found["rear"][1] - found["front"][1] - delay) / rate
    if good.any():  # the others were not the same bump
        good &= np.abs(residual - median(residual[good])) <= SAME_BUMP_S
    lags = np.arange(-round(BEFORE_S * rate), round(AFTER_S * rate) + 1, max(round(rate / STACK_HZ), 1))
    stands_out = _stands_out_by(road, bumps[good])
    peaks = {end: found[end][0]["compression_mm_s"][good] for end in ENDS}
    loads = {end: found[end][2][good] for end in ENDS}
    hanging = np.logical_or.reduce([_fully_extended(motion, end, found[end][1][good]) for end in ENDS])
    moving = is_moving(track)
    roughness_mm_s = sum(roughness_peak(motion.ends[end].wheel_speed_mm_s, moving) for end in ENDS)
    clear = (
        (stands_out >= clear_from(stands_out)) & (peaks["front"] + peaks["rear"] > roughness_mm_s) & ~hanging
    )
    place = _place(track.distance_m[bumps[good]], bumps[good])
    return BumpPairs(
        bump=bumps[good],
        sample=found["front"][1][good],
        rear_sample=found["rear"][1][good],
        place=place,
        disturbed=disturbed_at(track, bumps[good], rate),
        stands_out=stands_out,
        clear=clear,
        hanging=hanging,
        weight=_weight(loads, peaks) / _at_once(place, clear, bumps[good], round(VISIT_S * rate)),
        response={end: {name: values[good] for name, values in found[end][0].items()} for end in ENDS},
        noise_mm_s={end: _noise(motion, end)[0] for end in ENDS},
        travel_mm={end: _about(motion, end, here[end][good][clear], lags) for end in ENDS},
        lag_s=lags / rate,
        delay_residual_s=residual[good],
    )


def pairs_again(motion: Motion, track: Track, pairs: BumpPairs) -> BumpPairs:
    """The same bumps in another ride over the same road, sample by sample.

    Which bumps stand clear of the road and how much each counts stay as they were: a set-up changes what both ends do
    on a bump, not the bump.

    Parameters
    ----------
    motion : Motion
        With both ends.
    pairs : BumpPairs
        Of the first ride.

    Returns
    -------
    BumpPairs
        Those that have valid samples all about them in this ride too, with the responses of this ride.
    """
    delay = np.nan_to_num(riding_delay_s(motion, track, pairs.bump) * motion.sample_rate_hz)
    at = {"front": pairs.bump, "rear": np.rint(pairs.bump + delay).astype(np.int64)}
    response = {end: _respond(motion, end, at[end])[0] for end in ENDS}
    good = np.logical_and.reduce([np.isfinite(list(response[end].values())).all(axis=0) for end in ENDS])
    return replace(pairs, response=response).chosen(good)


def _load_mm_s(motion: Motion, end: End, unknown: IntArray, at: IntArray) -> FloatArray:
    """Speed at which load moves an end: the median over `LOAD_S`, which a bump is too short to change. [mm/s]"""
    half, speed = round(0.5 * LOAD_S * motion.sample_rate_hz), motion.ends[end].wheel_speed_mm_s
    found = np.empty(len(at))
    for first in range(0, len(at), ROWS):  # some at a time: what fits the cache costs half
        rows = around(speed, at[first : first + ROWS] - half, 2 * half + 1)
        rows.partition(half, axis=1)
        found[first : first + ROWS] = rows[:, half]
    return np.where(_all_known(unknown, len(speed), at - half, 2 * half + 1), found, np.nan)


def _weight(load_mm_s: dict[End, FloatArray], peak_mm_s: dict[End, FloatArray]) -> FloatArray:
    """Weight of bumps, one over the variance: 1 / (1 + (load / `LOAD_COUNTS`)^2), lower while load changes.

    What was subtracted for the load is uncertain by about as much; on simulated rides two bumps without it differ by
    about `LOAD_COUNTS` in their ratio.
    """
    share = np.sum([np.abs(load_mm_s[end]) / peak_mm_s[end] for end in ENDS], axis=0)
    return np.asarray(1.0 / (1.0 + (share / LOAD_COUNTS) ** 2))


def _at_once(place: IntArray, clear: BoolArray, sample: IntArray, apart: int) -> IntArray:
    """How many bumps of a kind one place held each time it was met."""
    order = np.lexsort((sample, clear, place))
    first = np.ones(len(order), dtype=bool)
    first[1:] = (
        (np.diff(place[order]) != 0)
        | (clear[order][1:] != clear[order][:-1])
        | (np.diff(sample[order]) > apart)
    )
    visit = np.empty(len(order), dtype=np.int64)
    visit[order] = np.cumsum(first)
    return np.asarray(np.bincount(visit)[visit], dtype=np.int64)


def _fully_extended(motion: Motion, end: End, fastest: IntArray) -> BoolArray:
    """Whether an end was at its extended limit just before it was fastest."""
    first, last = (round(before_s * motion.sample_rate_hz) for before_s in HANGING_S)
    rows = around(motion.ends[end].shaft_travel_mm, fastest - first, max(first - last, 1))
    return np.asarray(rows.min(axis=1) <= CONTACT_MM)


def _respond(
    motion: Motion, end: End, sample: IntArray
) -> tuple[dict[str, FloatArray], IntArray, FloatArray]:
    """What one end did on each bump, by `MEASURES`, NaN where not all of it is valid; when it was fastest; its load."""
    unknown = np.flatnonzero(~np.isfinite(motion.ends[end].wheel_speed_mm_s))
    at_once = max(1, round(16 * BLOCK / ((FOOT_S + DEEPEST_S) * motion.sample_rate_hz)))
    parts = [
        _respond_to_some(motion, end, unknown, sample[first : first + at_once])
        for first in range(0, max(len(sample), 1), at_once)
    ]
    measures, fastest, load = zip(*parts, strict=True)
    return (
        {name: np.concatenate([one[name] for one in measures]) for name in MEASURES},
        np.concatenate(fastest),
        np.concatenate(load),
    )


def _respond_to_some(
    motion: Motion, end: End, unknown: IntArray, sample: IntArray
) -> tuple[dict[str, FloatArray], IntArray, FloatArray]:
    rate, travel, speed = (
        motion.sample_rate_hz,
        motion.ends[end].wheel_travel_mm,
        motion.ends[end].wheel_speed_mm_s,
    )
    near, foot = max(round(SEARCH_S * rate), 1) + 1, round(FOOT_S * rate)
    deep, up = round(DEEPEST_S * rate), round(REBOUND_S * rate)
    place, peaked = local_peaks(_smoothed(speed, sample - near, 2 * near + 1, _smoothing(rate)))
    fastest, reach = sample - near + place, max(1, round(PEAK_S * rate))
    highest = fastest - reach + np.argmax(around(speed, fastest - reach, 2 * reach + 1), axis=1)
    lowest = sample + np.argmin(around(speed, sample, up), axis=1)
    load = _load_mm_s(motion, end, unknown, fastest)
    about = around(travel, sample - foot, foot + deep)
    about -= load[:, None] * (np.arange(foot + deep) - foot) / rate
    measures = {
        "compression_mm_s": _peak_mm_s(motion, end, highest, 1) - load,
        "depth_mm": about[:, foot:].max(axis=1) - about[:, :foot].min(axis=1),
        "rebound_mm_s": _peak_mm_s(motion, end, lowest, -1) + load,
    }
    length = 2 * (near + reach) + foot + max(deep, up)
    finite = _all_known(unknown, len(speed), sample - near - reach - foot, length)
    finite &= peaked & np.all([values > 0 for values in measures.values()], axis=0)
    return {name: np.where(finite, values, np.nan) for name, values in measures.items()}, fastest, load


def _smoothed(values: FloatArray, start: IntArray, length: int, weights: FloatArray) -> FloatArray:
    """As `around`, each value a weighted sum of those about it."""
    half = len(weights) // 2
    rows = around(values, start - half, length + 2 * half)
    columns = [rows[:, i : i + len(weights)] @ weights for i in range(length)]
    return np.column_stack(columns)


def _smoothing(rate: float) -> FloatArray:
    """Weights of a parabola fitted within `SMOOTH_S`, read in the middle.

    A. Savitzky, M. J. E. Golay, Anal. Chem. 36, 1627-1639, 1964, doi:10.1021/ac60214a047; closed form from memory.
    """
    m = max(1, round(SMOOTH_S * rate))
    k = np.arange(-m, m + 1)
    return np.asarray(3.0 * (3 * m**2 + 3 * m - 1 - 5 * k**2) / ((2 * m - 1) * (2 * m + 1) * (2 * m + 3)))


def _noise(motion: Motion, end: End) -> tuple[float, float]:
    """Standard deviation of what sensor noise makes of the wheel speed, and of its slope. [mm/s, mm/s2]"""
    rate = motion.sample_rate_hz
    derivative = differentiator(rate)
    noise_mm_s = float(np.nan_to_num(motion.ends[end].wheel_noise_mm_s))
    slopes = rate * np.diff(derivative.weights, prepend=0.0, append=0.0)
    return noise_mm_s, noise_mm_s / derivative.noise_gain * float(np.sqrt(slopes @ slopes))


def _peak_mm_s(motion: Motion, end: End, at: IntArray, sign: int) -> FloatArray:
    """Speed times ``sign`` at peaks by a parabola through three samples, less what taking the highest adds. [mm/s]

    Noise moves a peak to where its slope n' lifts the record most: by n' / curvature, and up by n'^2 / (2 curvature),
    at most by the noise itself. A highest value at the edge of its window is no peak and has no bias.
    """
    speed, rate = motion.ends[end].wheel_speed_mm_s, motion.sample_rate_hz
    reach = max(1, round(BEND_S * rate))
    before, left, here, right, after = (
        sign * speed[np.clip(at + lag, 0, len(speed) - 1)] for lag in (-reach, -1, 0, 1, reach)
    )
    is_peak = (here >= left) & (here >= right)
    between = np.where(is_peak, (left - right) ** 2 / 8 / np.maximum(2 * here - left - right, 1e-9), 0.0)
    curved = np.maximum((2 * here - before - after) * (rate / reach) ** 2, 1e-9)
    sd, slope_sd = _noise(motion, end)
    lifted = np.where(is_peak, np.minimum(slope_sd**2 / 2 / curved, sd), 0.0)
    return np.asarray(here + between - lifted)


def _about(motion: Motion, end: End, at: FloatArray, lags: IntArray) -> FloatArray:
    """Wheel travel about moments (fractions of a sample), less the line from before to after them."""
    travel = motion.ends[end].wheel_travel_mm
    few = max(1, len(lags) // 20)
    ramp = np.linspace(0.0, 1.0, len(lags))
    found = np.empty((len(at), len(lags)))
    for first in range(0, len(at), ROWS):  # some at a time: what fits the cache costs half
        here = slice(first, first + ROWS)
        place = at[here, None] + lags
        low = np.clip(place.astype(np.int64), 0, len(travel) - 2)
        cut = travel[low]
        cut += (place - low) * (travel[low + 1] - cut)
        before, after = cut[:, :few].mean(axis=1, keepdims=True), cut[:, -few:].mean(axis=1, keepdims=True)
        np.subtract(cut, before + (after - before) * ramp, out=found[here])
    return found


def disturbed_at(track: Track, sample: IntArray, rate: float) -> BoolArray:
    """Whether the acceleration along the track changed about each sample at ``rate`` [Hz]: brake or drive changed."""
    n, span = len(track.speed_m_s), max(round(ONSET_BEFORE_S * rate), 1)

    def acceleration(centre: IntArray) -> FloatArray:
        low, high = np.clip(centre - span // 2, 0, n - 1), np.clip(centre + span // 2, 0, n - 1)
        return np.asarray((track.speed_m_s[high] - track.speed_m_s[low]) * rate / np.maximum(high - low, 1))

    lags = np.arange(-ONSET_BEFORE_S, ONSET_AFTER_S + 1e-9, 0.5 * ONSET_BEFORE_S)
    seen = np.array([np.nan_to_num(acceleration(sample + round(lag * rate))) for lag in lags])
    return np.asarray(np.ptp(seen, axis=0) > ONSET_M_S2)


def _place(distance_m: FloatArray, sample: IntArray) -> IntArray:
    """One number per bump on the circuit; where distance is unknown every pair is its own."""
    found = -1 - sample
    known = np.flatnonzero(np.isfinite(distance_m))
    number, first_m = -1, -np.inf
    for i in known[np.argsort(distance_m[known], kind="stable")]:
        if distance_m[i] - first_m > PLACE_M:
            number, first_m = number + 1, distance_m[i]
        found[i] = number
    return found
