"""Compression and rebound strokes of one end: how deep, how fast, from which travel to which."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import BoolArray, FloatArray, IntArray
from telemetry.motion.motion import EndMotion
from telemetry.motion.rainflow import Cycles, rainflow, turning_points
from telemetry.motion.stops import runs_of
from telemetry.motion.summary import StrokeClass, Strokes, StrokeSide

# Less than this at the wheel is no stroke: seals stick and tyres buzz. A choice of ours.
LEAST_MM = 1.0
# White noise on a log of hours spans about eleven of its standard deviations.
NOISE_SPANS = 12.0
DEPTH_EDGES_MM = (5.0, 10.0, 20.0, 40.0)
MATRIX_BIN_MM = 10.0


@dataclass(frozen=True)
class StrokeList:
    """Strokes of one end in order of time; arrays of shape (n_strokes,).

    ``start`` and ``end`` are samples of turning points of the wheel travel; ``change_mm`` is positive in
    compression; ``peak_mm_s`` is the largest wheel speed in the stroke's direction, not negative.
    """

    start: IntArray
    end: IntArray
    change_mm: FloatArray
    peak_mm_s: FloatArray


def hysteresis_mm(end: EndMotion) -> float:
    """What moves less than this at the wheel is no stroke. [mm]"""
    ratio = end.wheel_stroke_mm / end.stroke_mm
    return max(LEAST_MM, NOISE_SPANS * end.travel_noise_mm * ratio)


def _turns(end: EndMotion, selected: BoolArray, least_mm: float) -> Iterator[IntArray]:
    """Turning points of every stretch without a gap."""
    for start, stop in runs_of(selected & end.valid).tolist():
        yield start + turning_points(end.wheel_travel_mm[start:stop], least_mm)


def stroke_list(end: EndMotion, selected: BoolArray, least_mm: float) -> StrokeList:
    """Every stroke of one end, from one turning point to the next.

    Parameters
    ----------
    selected : ndarray of bool, shape (n_samples,)
        Strokes do not reach over what is not selected or not valid.
    least_mm : float
        Hysteresis: what moves less at the wheel is no stroke. [mm]
    """
    starts, ends, peaks = [], [], []
    for at in _turns(end, selected, least_mm):
        if len(at) < 2:
            continue
        stretch = slice(int(at[0]), int(at[-1]))
        speed = end.wheel_speed_mm_s[stretch]
        rising = np.diff(end.wheel_travel_mm[at]) > 0
        cut = at[:-1] - at[0]
        most, least = np.maximum.reduceat(speed, cut), np.minimum.reduceat(speed, cut)
        starts.append(at[:-1])
        ends.append(at[1:])
        peaks.append(np.maximum(np.where(rising, most, -least), 0.0))
    start, stop = _joined(starts), _joined(ends)
    return StrokeList(
        start,
        stop,
        end.wheel_travel_mm[stop] - end.wheel_travel_mm[start],
        np.concatenate(peaks) if peaks else np.empty(0),
    )


def _joined(parts: list[IntArray]) -> IntArray:
    return np.concatenate(parts) if parts else np.empty(0, dtype=np.int64)


def from_to(cycles: Cycles, edges: FloatArray) -> FloatArray:
    """Strokes from each bin to each other: a closed cycle is one stroke either way, a half cycle one stroke.

    Parameters
    ----------
    edges : ndarray of shape (n_bins + 1,)
        Evenly spaced; values beyond count in the outermost bins.

    Returns
    -------
    ndarray of shape (n_bins, n_bins)
        Row: from; column: to.
    """
    bins = len(edges) - 1
    first, last = (
        np.clip(((values - edges[0]) / (edges[1] - edges[0])).astype(np.int64), 0, bins - 1)
        for values in (cycles.start, cycles.end)
    )
    there = np.bincount(first * bins + last, minlength=bins * bins).reshape(bins, bins)
    closed = cycles.count == 1.0
    back = np.bincount(last[closed] * bins + first[closed], minlength=bins * bins).reshape(bins, bins)
    return (there + back).astype(np.float64)


def strokes(end: EndMotion, selected: BoolArray) -> Strokes:
    """Strokes of one end by depth, peak speed, and travel from and to.

    Parameters
    ----------
    selected : ndarray of bool, shape (n_samples,)
    """
    least = hysteresis_mm(end)
    found = stroke_list(end, selected, least)
    edges = np.arange(0.0, end.wheel_stroke_mm + MATRIX_BIN_MM, MATRIX_BIN_MM)
    matrix, total = np.zeros((len(edges) - 1, len(edges) - 1)), 0.0
    for at in _turns(end, selected, least):
        cycles = rainflow(end.wheel_travel_mm[at])
        matrix += from_to(cycles, edges)
        total += float(cycles.count.sum())
    between = tuple(edge for edge in DEPTH_EDGES_MM if edge > least)
    lower, upper = (least, *between), (*between, float(np.ceil(end.wheel_stroke_mm)))
    depth = np.abs(found.change_mm)
    return Strokes(
        hysteresis_mm=least,
        classes=tuple(
            StrokeClass(
                low,
                high,
                *(
                    _side(
                        found.peak_mm_s[
                            (depth >= low) & ((depth < high) | last) & (way * found.change_mm > 0)
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
    p50, p95 = np.percentile(peak_mm_s, [50, 95])
    return StrokeSide(len(peak_mm_s), float(p50), float(p95))
