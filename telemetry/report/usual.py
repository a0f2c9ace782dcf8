"""What is usual at each place of the lap, over the laps at pace, and how far one lap is from the others there."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import ENDS, End, FloatArray
from telemetry.laps import Corner, lap_length_m, laps_at_pace
from telemetry.report.places import Places
from telemetry.summary import Plane, Summary

# A bin of the usual band is so long: a braking bump fits into it, a corner has many. An own choice. [m]
BAND_STEP_M = 8.0
# Nine of ten samples of the laps at pace lie in the band.
INSIDE = (5.0, 95.0)
# Points of a small picture of one corner, and of its line of the chosen lap.
CORNER_POINTS = 90

Column = Callable[[str], FloatArray | None]


@dataclass(frozen=True)
class Usual:
    """Where nine of ten samples of the laps at pace lie, along the lap.

    Parameters
    ----------
    distance_m : ndarray of shape (n_bins,)
    low_mm, high_mm : mapping of end to ndarray of shape (n_bins,)
        NaN where nothing was measured.
    laps : int
        How many laps it is over.
    """

    distance_m: FloatArray
    low_mm: Mapping[End, FloatArray]
    high_mm: Mapping[End, FloatArray]
    laps: int


def usual_travel(summary: Summary, column: Column, plane: Plane) -> Usual | None:
    """The usual travel along the lap; None with fewer than two laps at pace, or without their distance."""
    length_m, laps = lap_length_m(summary.laps), laps_at_pace(summary.laps)
    lap_of, distance_m = column("lap"), column("distance_m")
    if length_m is None or len(laps) < 2 or lap_of is None or distance_m is None:
        return None
    inside = np.isin(lap_of, [lap.lap for lap in laps]) & np.isfinite(distance_m)
    bins = max(int(length_m / BAND_STEP_M), 1)
    which = np.clip((distance_m[inside] * bins / length_m).astype(np.int64), 0, bins - 1)
    low: dict[End, FloatArray] = {}
    high: dict[End, FloatArray] = {}
    for end in ENDS:
        travel = column(f"{end}_{plane}_mm")
        if travel is not None and summary.ends[end].judged:
            low[end], high[end] = binned_percentiles(which, travel[inside], bins, INSIDE)
    middle_m = (np.arange(bins) + 0.5) * length_m / bins
    return Usual(middle_m, low, high, len(laps)) if low else None


def binned_percentiles(
    which: np.ndarray, values: FloatArray, bins: int, percentiles: tuple[float, float]
) -> tuple[FloatArray, FloatArray]:
    """Two percentiles of the values (NaN left out) in each bin: the sample next to the rank; NaN for an empty bin."""
    known = np.isfinite(values)
    which, values = which[known], values[known]
    order = np.lexsort((values, which))
    which, values = which[order], values[order]
    edges = np.searchsorted(which, np.arange(bins + 1))
    count = np.diff(edges)
    found = []
    for percentile in percentiles:
        rank = edges[:-1] + np.round(percentile / 100 * np.maximum(count - 1, 0)).astype(np.int64)
        at = np.minimum(rank, max(len(values) - 1, 0))
        found.append(np.where(count > 0, values[at] if len(values) else np.nan, np.nan))
    return found[0], found[1]


@dataclass(frozen=True)
class CornerLaps:
    """One corner over all laps at pace.

    Parameters
    ----------
    span_m : (float, float)
        What is shown of the lap. [m]
    laps : tuple of int
        In the order of the rows of ``travel_mm``.
    travel_mm : mapping of end to ndarray of shape (n_laps, n_points)
        Mean over each point's stretch.
    unlike_mm : float
        How far the chosen lap is from the mean of the others, RMS over both ends; without a chosen lap, how far the
        laps are apart. NaN where it cannot be told.
    deepest_mm : mapping of end to ndarray of shape (n_laps,)
        Deepest travel of each lap; NaN where nothing was measured.
    """

    corner: Corner
    span_m: tuple[float, float]
    laps: tuple[int, ...]
    travel_mm: Mapping[End, FloatArray]
    unlike_mm: float
    deepest_mm: Mapping[End, FloatArray]


def corner_laps(summary: Summary, column: Column, plane: Plane, chosen: int | None) -> tuple[CornerLaps, ...]:
    """Every corner over all laps at pace, the one in which the chosen lap is most unlike the others first."""
    lap_of, distance_m = column("lap"), column("distance_m")
    laps = [lap.lap for lap in laps_at_pace(summary.laps)]
    if chosen is not None and chosen not in laps:
        laps.append(chosen)
    if lap_of is None or distance_m is None or not laps:
        return ()
    travel = {end: found for end in ENDS if (found := column(f"{end}_{plane}_mm")) is not None}
    rows = {lap: np.flatnonzero(lap_of == lap) for lap in laps}
    places = Places(summary)
    corners: list[CornerLaps] = []
    for corner in summary.corners:
        low, high = places.corner_span_m(corner)
        along = {
            end: np.array([_means(distance_m[rows[lap]], values[rows[lap]], low, high) for lap in laps])
            for end, values in travel.items()
            if summary.ends[end].judged
        }
        inside = [rows[lap][(distance_m[rows[lap]] >= low) & (distance_m[rows[lap]] <= high)] for lap in laps]
        deepest = {end: np.array([_deepest(travel[end][here]) for here in inside]) for end in along}
        unlike = _unlike(along, laps, chosen)
        corners.append(CornerLaps(corner, (low, high), tuple(laps), along, unlike, deepest))
    return tuple(sorted(corners, key=lambda one: -one.unlike_mm if np.isfinite(one.unlike_mm) else np.inf))


def _deepest(travel_mm: FloatArray) -> float:
    known = travel_mm[np.isfinite(travel_mm)]
    return float(known.max()) if len(known) else float("nan")


def _means(distance_m: FloatArray, values: FloatArray, low: float, high: float) -> FloatArray:
    """Mean of the values at each of `CORNER_POINTS` points from low to high; NaN where there is none."""
    use = np.isfinite(values) & (distance_m >= low) & (distance_m <= high)
    at = np.clip(
        ((distance_m[use] - low) * CORNER_POINTS / (high - low)).astype(np.int64), 0, CORNER_POINTS - 1
    )
    count = np.bincount(at, minlength=CORNER_POINTS)
    total = np.bincount(at, weights=values[use], minlength=CORNER_POINTS)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _unlike(along: Mapping[End, FloatArray], laps: list[int], chosen: int | None) -> float:
    squares = []
    for travel in along.values():
        if chosen is None:
            apart = (
                travel - np.nanmean(travel, axis=0)
                if np.isfinite(travel).any(axis=0).all()
                else travel * np.nan
            )
        else:
            own = laps.index(chosen)
            others = np.delete(travel, own, axis=0)
            known = np.isfinite(others).any(axis=0)
            apart = travel[own, known] - np.nanmean(others[:, known], axis=0) if known.any() else np.array([])
        squares.append(np.ravel(apart) ** 2)
    every = np.concatenate(squares) if squares else np.array([])
    every = every[np.isfinite(every)]
    return float(np.sqrt(every.mean())) if len(every) and len(laps) > 1 else float("nan")
