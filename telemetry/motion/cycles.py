"""Compression and rebound strokes of one end: how deep, how fast, from which travel to which."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from telemetry.arrays import ENDS, BoolArray, End, FloatArray, IntArray
from telemetry.decimals import Numbers
from telemetry.motion.motion import EndMotion, Motion
from telemetry.motion.stops import runs_of
from telemetry.motion.summary import PackingEvent, StrokeClass, Strokes, StrokeSide
from telemetry.numeric import BLOCK, median, quantile

# Least wheel travel of a stroke: seals stick and tyres vibrate. Own choice.
LEAST_MM = 1.0
# White noise on a log of hours spans about eleven of its standard deviations.
NOISE_SPANS = 12.0
DEPTH_EDGES_MM = (5.0, 10.0, 20.0, 40.0)
MATRIX_BIN_MM = 10.0

# A bump is a compression stroke of so much at the wheel, and a run of them one at least each so often. All of these
# are own choices, from simulated machines with normal and with four times the rebound damping.
BUMP_MM = 6.0
APART_S = 0.4
LEAST_BUMPS = 4
# Least depth below the ride height, and least reduction of the fastest rebound.
SINK_MM = 3.0
SLOW_SHARE = 0.7
# Ride height is the mean travel over so long before the run, and from so long after it, when it has come back.
BEFORE_S, AFTER_S = 0.5, (0.4, 0.9)
# Largest change of the speed's slope from before to after: load transfer is the same.
STEADY_M_S2 = 2.0
SLOPE_S = 0.5
# The other end sinks less than this share of what this one does.
OTHER_SHARE = 0.5


@dataclass(frozen=True)
class Cycles:
    """Counted cycles, shape (n_cycles,): from one value to another and back (count 1), or one way only (count 0.5)."""

    start: FloatArray
    end: FloatArray
    count: FloatArray

    @property
    def range(self) -> FloatArray:
        """Size of each cycle, never negative."""
        return np.abs(self.end - self.start)


def _closed(size: FloatArray) -> BoolArray:
    """Mask of the ranges between neighbouring values that are closed cycles, from their sizes."""
    closed = np.zeros(len(size), dtype=bool)
    closed[1:-1] = (size[1:-1] < size[:-2]) & (size[1:-1] <= size[2:])
    return closed


def _without(closed: BoolArray) -> BoolArray:
    """Mask of the values that stay when the two of every closed range are removed."""
    stays = np.ones(len(closed) + 1, dtype=bool)
    stays[:-1] &= ~closed
    stays[1:] &= ~closed
    return stays


def turning_points(values: FloatArray, hysteresis: float = 0.0) -> IntArray:
    """Samples at which a record without NaN turns, less cycles and ends below ``hysteresis``; under two at rest."""
    if len(values) < 2:
        return np.empty(0, dtype=np.int64)
    at, heights = _turns(values)
    while len(at) > 3:
        size = np.abs(np.diff(heights))
        small = _closed(size) & (size < hysteresis)
        if not small.any():
            break
        stays = _without(small)
        at, heights = at[stays], heights[stays]
    # the remaining small ranges are at the two ends, growing inwards
    large = np.flatnonzero(np.abs(np.diff(heights)) >= hysteresis)
    return at[large[0] : large[-1] + 2] if len(large) else at[:0]


def _turns(values: FloatArray) -> tuple[IntArray, FloatArray]:
    """Both ends of a record and every sample at which it turns, the last one of a level; and the values there."""
    parts, level = [np.zeros(1, dtype=np.int64)], False
    for first in range(0, len(values) - 2, BLOCK):
        step = np.diff(values[first : first + BLOCK + 2])
        turn = step[1:] * step[:-1]
        parts.append(np.flatnonzero(turn <= 0) + first + 1)
        level = level or not turn[parts[-1] - first - 1].all()
    at = np.concatenate([*parts, [len(values) - 1]])
    if level or len(at) == 2:
        at = np.append(at[:-1][np.diff(values[at]) != 0], at[-1])  # the last sample of every level
        at = at if len(at) > 1 else at[:0]
        rising = np.diff(values[at]) > 0
        at = at[np.concatenate(([True], rising[1:] != rising[:-1], [True]))] if len(at) > 1 else at
    return at, values[at]


def rainflow(points: FloatArray) -> Cycles:
    """Cycles of turning points: closed ones first, then the half cycles of the residue (ASTM E1049-85, 5.4.4)."""
    starts, ends = [], []
    while len(points) > 3:
        closed = _closed(np.abs(np.diff(points)))
        at = np.flatnonzero(closed)
        if not len(at):
            break
        starts.append(points[at])
        ends.append(points[at + 1])
        points = points[_without(closed)]
    whole = sum(len(found) for found in starts)
    return Cycles(
        np.concatenate([*starts, points[:-1]]),
        np.concatenate([*ends, points[1:]]),
        np.concatenate([np.ones(whole), np.full(max(len(points) - 1, 0), 0.5)]),
    )


@dataclass(frozen=True)
class StrokeList:
    """Strokes of one end in order of time; arrays of shape (n_strokes,)."""

    start: IntArray  # sample of a turning point of wheel travel
    end: IntArray
    change_mm: FloatArray  # positive in compression
    peak_mm_s: FloatArray  # largest wheel speed in the stroke's direction, not negative


def hysteresis_mm(end: EndMotion) -> float:
    """Least wheel travel of a stroke. [mm]"""
    ratio = end.wheel_stroke_mm / end.stroke_mm
    if np.isnan(ratio):  # the stroke is not known
        ratio = end.wheel_noise_mm_s / max(end.shaft_noise_mm_s, 1e-9)
    return max(LEAST_MM, NOISE_SPANS * end.travel_noise_mm * ratio)


@dataclass(frozen=True)
class Turns:
    """Turning points of the wheel travel in one stretch without a gap, at least two, and the speeds between them."""

    at: IntArray  # samples, shape (n,)
    most_mm_s: FloatArray  # wheel speed from one to before the next, shape (n - 1,)
    least_mm_s: FloatArray


def find_turns(end: EndMotion, selected: BoolArray) -> list[Turns]:
    """Turning points at least `LEAST_MM` apart in every stretch of selected valid samples without a gap.

    Parameters
    ----------
    selected : ndarray of bool, shape (n_samples,)
    """
    found = []
    for start, stop in runs_of(selected & end.valid).tolist():
        at = start + turning_points(end.wheel_travel_mm[start:stop], LEAST_MM)
        if len(at) > 1:
            speed, cut = end.wheel_speed_mm_s[at[0] : at[-1]], at[:-1] - at[0]
            found.append(Turns(at, np.maximum.reduceat(speed, cut), np.minimum.reduceat(speed, cut)))
    return found


def larger(end: EndMotion, turns: Sequence[Turns], least_mm: float) -> list[Turns]:
    """Turning points at least ``least_mm`` apart, which must not be below `LEAST_MM`: they are among the others."""
    found = []
    for all_of_them in turns:
        kept = turning_points(end.wheel_travel_mm[all_of_them.at], least_mm)
        if len(kept) > 1:
            between, cut = slice(kept[0], kept[-1]), kept[:-1] - kept[0]
            most = np.maximum.reduceat(all_of_them.most_mm_s[between], cut)
            least = np.minimum.reduceat(all_of_them.least_mm_s[between], cut)
            found.append(Turns(all_of_them.at[kept], most, least))
    return found


def stroke_list(end: EndMotion, turns: Sequence[Turns]) -> StrokeList:
    """Strokes of one end between its turning points."""
    changes = [np.diff(end.wheel_travel_mm[one.at]) for one in turns]
    peaks = [
        np.maximum(np.where(change > 0, one.most_mm_s, -one.least_mm_s), 0.0)
        for one, change in zip(turns, changes, strict=True)
    ]
    return StrokeList(
        np.concatenate([np.empty(0, dtype=np.int64), *(one.at[:-1] for one in turns)]),
        np.concatenate([np.empty(0, dtype=np.int64), *(one.at[1:] for one in turns)]),
        np.concatenate([np.empty(0), *changes]),
        np.concatenate([np.empty(0), *peaks]),
    )


def from_to(cycles: Cycles, edges: FloatArray) -> FloatArray:
    """Strokes from each bin (row) to each other (column), outer bins open; a closed cycle is one stroke either way."""
    bins = len(edges) - 1
    first, last = (
        np.clip(((values - edges[0]) / (edges[1] - edges[0])).astype(np.int64), 0, bins - 1)
        for values in (cycles.start, cycles.end)
    )
    there = np.bincount(first * bins + last, minlength=bins * bins).reshape(bins, bins)
    closed = cycles.count == 1.0
    back = np.bincount(last[closed] * bins + first[closed], minlength=bins * bins).reshape(bins, bins)
    return (there + back).astype(np.float64)


def strokes(end: EndMotion, selected: BoolArray, found: Sequence[Turns] | None = None) -> Strokes:
    """Strokes of one end by depth, peak speed, and travel from and to.

    Parameters
    ----------
    selected : ndarray of bool, shape (n_samples,)
    found : sequence of Turns, optional
        From `find_turns` over the same samples; looked for here by default.
    """
    least = hysteresis_mm(end)
    turns = larger(end, find_turns(end, selected) if found is None else found, least)
    all_strokes = stroke_list(end, turns)
    most_mm = end.wheel_stroke_mm
    if not np.isfinite(most_mm):  # as deep as it went
        most_mm = float(np.max(end.wheel_travel_mm[selected & end.valid], initial=0.0))
    edges = np.arange(0.0, most_mm + MATRIX_BIN_MM, MATRIX_BIN_MM)
    matrix, total = np.zeros((len(edges) - 1, len(edges) - 1)), 0.0
    for one in turns:
        cycles = rainflow(end.wheel_travel_mm[one.at])
        matrix += from_to(cycles, edges)
        total += float(cycles.count.sum())
    between = tuple(edge for edge in DEPTH_EDGES_MM if edge > least)
    lower, upper = (least, *between), (*between, float(np.ceil(most_mm)))
    depth = np.abs(all_strokes.change_mm)
    return Strokes(
        hysteresis_mm=least,
        classes=tuple(
            StrokeClass(
                low,
                high,
                *(
                    _side(
                        all_strokes.peak_mm_s[
                            (depth >= low) & ((depth < high) | last) & (way * all_strokes.change_mm > 0)
                        ]
                    )
                    for way in (1, -1)
                ),
            )
            for low, high, last in zip(lower, upper, (False,) * len(between) + (True,), strict=True)
        ),
        edges_mm=tuple(edges.tolist()),
        from_to=tuple(tuple(row) for row in matrix.tolist()),
        cycles=total,
    )


def _side(peak_mm_s: FloatArray) -> StrokeSide:
    if not len(peak_mm_s):
        return StrokeSide(0, None, None)
    return StrokeSide(len(peak_mm_s), median(peak_mm_s), quantile(peak_mm_s, 0.95))


def _mean_mm(end: EndMotion, start: int, stop: int) -> float:
    """Mean wheel travel of an end over samples; NaN when nothing there is valid, or it lies beyond the record."""
    travel = end.wheel_travel_mm[max(start, 0) : stop]
    valid = travel[np.isfinite(travel)]
    within = start >= 0 and stop <= len(end.wheel_travel_mm)
    return float(valid.mean()) if within and len(valid) else float("nan")


def find_packing(
    motion: Motion,
    moving: BoolArray,
    speed_m_s: FloatArray | Numbers,
    found: Mapping[End, Sequence[Turns]] | None = None,
) -> tuple[PackingEvent, ...]:
    """Every run of bumps over which an end packed, in order of time, without its place.

    Parameters
    ----------
    moving, speed_m_s : ndarray of shape (n_samples,)
        No events where the ground speed is NaN: braking looks the same. [m/s]
    found : mapping of end to sequence of Turns, optional
        From `find_turns` over the moving samples; looked for here by default.
    """
    events = []
    for name, end in motion.ends.items():
        other = next((motion.ends[o] for o in ENDS if o != name and o in motion.ends), None)
        turns = larger(end, find_turns(end, moving) if found is None else found[name], BUMP_MM)
        events += _of_end(end, motion.sample_rate_hz, stroke_list(end, turns), other, speed_m_s)
    return tuple(sorted(events, key=lambda event: event.start_s))


def _of_end(
    end: EndMotion, rate: float, strokes: StrokeList, other: EndMotion | None, speed_m_s: FloatArray | Numbers
) -> list[PackingEvent]:
    down = strokes.change_mm > 0
    at, trough = strokes.start[down], end.wheel_travel_mm[strokes.start[down]]
    if len(at) < LEAST_BUMPS:
        return []
    near = np.diff(at) <= round(APART_S * rate)
    starts = np.flatnonzero(sliding_window_view(near, LEAST_BUMPS - 1).all(axis=1))
    before_mm = _means_before_mm(end, at[starts], round(BEFORE_S * rate))
    # it has to be deeper than before from bump to bump
    least = sliding_window_view(trough, LEAST_BUMPS - 1)[starts + 1].min(axis=1)
    sunk = least > before_mm + SINK_MM
    events: list[PackingEvent] = []
    free_from = 0
    for first, before in zip(starts[sunk].tolist(), before_mm[sunk].tolist(), strict=True):
        if first < free_from:
            continue
        last = first
        # the run continues while the next bump is near and the end has not recovered
        while last + 1 < len(at) and near[last] and trough[last + 1] > before + SINK_MM:
            last += 1
        event = _event(end, strokes, (int(at[first]), int(at[last])), before, other, speed_m_s, rate)
        if event is not None:
            events.append(event)
            free_from = last + 1
    return events


def _means_before_mm(end: EndMotion, at: IntArray, span: int) -> FloatArray:
    """Mean wheel travel over so many samples before each of some, as `_mean_mm`."""
    found = np.full(len(at), np.nan)
    inside = at >= span
    if span and inside.any():
        between = np.column_stack([at[inside] - span, at[inside]]).ravel()
        found[inside] = np.add.reduceat(end.wheel_travel_mm, between)[::2] / span
    for i in np.flatnonzero(np.isnan(found)).tolist():  # not all of it is valid
        found[i] = _mean_mm(end, int(at[i]) - span, int(at[i]))
    return found


def _event(
    end: EndMotion,
    strokes: StrokeList,
    run: tuple[int, int],
    before: float,
    other: EndMotion | None,
    speed_m_s: FloatArray | Numbers,
    rate: float,
) -> PackingEvent | None:
    start, stop = run
    later, latest = (stop + round(s * rate) for s in AFTER_S)
    ride_height = max(before, _mean_mm(end, later, latest))
    inside = slice(*strokes.start.searchsorted((start, stop)).tolist())
    change, peak = strokes.change_mm[inside], strokes.peak_mm_s[inside]
    down, up = change > 0, change < 0
    if not down.any() or not up.any():
        return None
    troughs = end.wheel_travel_mm[strokes.end[inside][up]]
    sink = median(troughs) - ride_height
    compression, rebound = (median(peak[way]) for way in (down, up))
    if not sink >= SINK_MM or rebound > SLOW_SHARE * compression:
        return None
    if not _steady(speed_m_s[start - round(BEFORE_S * rate) : latest + 1], rate):
        return None
    if other is not None:
        there = max(_mean_mm(other, start - round(BEFORE_S * rate), start), _mean_mm(other, later, latest))
        own_mm, other_mm = (_mean_mm(one, start, stop) for one in (end, other))
        if not other_mm - there < OTHER_SHARE * (own_mm - ride_height):
            return None
    return PackingEvent(
        end=end.end,
        start_s=start / rate,
        end_s=stop / rate,
        lap=None,
        distance_m=None,
        corner=None,
        phase=None,
        bumps=int(down.sum()) + 1,
        sink_mm=sink,
        compression_mm_s=compression,
        rebound_mm_s=rebound,
    )


def _steady(speed_m_s: FloatArray, rate: float) -> bool:
    """True if the slope of the speed is constant; False without speed."""
    step = max(1, round(SLOPE_S * rate / 2))
    at = speed_m_s[::step]
    slope = (at[2:] - at[:-2]) / (2 * step / rate)
    return len(slope) > 1 and bool(np.ptp(slope) <= STEADY_M_S2)
