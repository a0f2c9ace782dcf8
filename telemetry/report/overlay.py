"""Runs over each other along the lap: mean travel and speed of each, and what laps of one run differ by anyway."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import ENDS, FloatArray
from telemetry.laps import lap_length_m, laps_at_pace
from telemetry.report.lap import M_S_TO_KM_H
from telemetry.report.usual import BAND_STEP_M, Column
from telemetry.summary import Summary

# The spread is smoothed over so many bins, since a few laps say little of it at one place. An own choice.
SMOOTHED_BINS = 7
# Half width of the range of nine of ten differences of two values with standard deviation 1: normal, 1.645 sqrt(2).
NINE_OF_TEN = 2.33
SPEED = "speed"


@dataclass(frozen=True)
class Overlay:
    """Several runs of one circuit, each as the mean over its laps at pace.

    Parameters
    ----------
    distance_m : ndarray of shape (n_bins,)
        Along the lap of the first run; the laps of others are stretched to its length.
    values : mapping of str to ndarray of shape (n_runs, n_bins)
        By "front" and "rear", wheel travel [mm], and "speed" [km/h]; NaN where nothing was measured.
    spread : mapping of str to ndarray of shape (n_bins,)
        Nine of ten differences between two laps of one run are within plus and minus this.
    laps : tuple of int
        How many laps of each run.
    """

    distance_m: FloatArray
    values: Mapping[str, FloatArray]
    spread: Mapping[str, FloatArray]
    laps: tuple[int, ...]

    def difference(self, name: str, run: int) -> FloatArray:
        """What a run has more than the first one."""
        return np.asarray(self.values[name][run] - self.values[name][0])

    def outside(self, name: str, run: int) -> np.ndarray:
        """Where a run differs from the first by more than laps of one run do."""
        return np.abs(self.difference(name, run)) > self.spread[name]


def overlay(runs: Sequence[tuple[Summary, Column]]) -> Overlay | None:
    """Runs over each other by distance; None where one of them has no lap at pace with its distance.

    Parameters
    ----------
    runs : sequence of (Summary, callable)
        The first is what the others are compared with; the callable gives a column of the traces.
    """
    length_m = lap_length_m(runs[0][0].laps)
    if length_m is None:
        return None
    bins = max(int(length_m / BAND_STEP_M), 1)
    by_lap: list[dict[str, FloatArray]] = []
    for summary, column in runs:
        found = _by_lap(summary, column, bins)
        if found is None:
            return None
        by_lap.append(found)
    names = [name for name in (*ENDS, SPEED) if all(name in found for found in by_lap)]
    if not names:
        return None
    return Overlay(
        (np.arange(bins) + 0.5) * length_m / bins,
        {name: np.array([_mean(found[name]) for found in by_lap]) for name in names},
        {name: NINE_OF_TEN * _lap_sd([found[name] for found in by_lap]) for name in names},
        tuple(len(next(iter(found.values()))) for found in by_lap),
    )


def _by_lap(summary: Summary, column: Column, bins: int) -> dict[str, FloatArray] | None:
    """Means in equal parts of the lap, a row a lap at pace."""
    length_m, laps = lap_length_m(summary.laps), [lap.lap for lap in laps_at_pace(summary.laps)]
    lap_of, distance_m = column("lap"), column("distance_m")
    if length_m is None or not laps or lap_of is None or distance_m is None:
        return None
    row = np.full(int(max(laps)) + 1, -1)
    row[laps] = np.arange(len(laps))
    known = np.isfinite(distance_m) & (lap_of >= 0) & (lap_of <= max(laps))
    use = np.flatnonzero(known)
    use = use[row[lap_of[use].astype(np.int64)] >= 0]
    part = np.clip((distance_m[use] * bins / length_m).astype(np.int64), 0, bins - 1)
    at = row[lap_of[use].astype(np.int64)] * bins + part
    wanted = [(str(end), f"{end}_wheel_mm", 1.0) for end in ENDS if summary.ends[end].judged]
    found = {}
    for name, source, factor in (*wanted, (SPEED, "speed_m_s", M_S_TO_KM_H)):
        values = column(source)
        if values is not None:
            found[name] = _means(at, factor * values[use], len(laps) * bins).reshape(len(laps), bins)
    return found or None


def _means(at: np.ndarray, values: FloatArray, cells: int) -> FloatArray:
    valid = np.isfinite(values)
    count = np.bincount(at[valid], minlength=cells)
    total = np.bincount(at[valid], weights=values[valid], minlength=cells)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _mean(laps: FloatArray) -> FloatArray:
    count = np.isfinite(laps).sum(axis=0)
    return np.where(count > 0, np.nansum(laps, axis=0) / np.maximum(count, 1), np.nan)


def _lap_sd(runs: Sequence[FloatArray]) -> FloatArray:
    """Standard deviation between laps of one run at each place, over all runs together; NaN without two laps."""
    squares = np.nansum([np.nansum((laps - _mean(laps)) ** 2, axis=0) for laps in runs], axis=0)
    freedom = np.sum([np.maximum(np.isfinite(laps).sum(axis=0) - 1, 0) for laps in runs], axis=0)
    window = np.ones(SMOOTHED_BINS)
    # the mean over neighbouring places, each with the laps it has
    total, count = (np.convolve(values, window, mode="same") for values in (squares, freedom.astype(float)))
    return np.where(count > 0, np.sqrt(total / np.maximum(count, 1)), np.nan)
