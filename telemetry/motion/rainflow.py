"""Turning points and rainflow counting after ASTM E1049-85 (section 5.4.4), on whole arrays.

A range is a closed cycle when it is less than the range before it and no more than the one after: then it goes,
and its neighbours become one. Ranges that qualify never touch, and which goes first changes nothing, so every
pass takes all of them at once; a package's loop over single points takes ten times as long.
"""

from dataclasses import dataclass

import numpy as np

from telemetry.arrays import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class Cycles:
    """Counted cycles: from one value to another and back (count 1), or one way only (count 0.5).

    All arrays of shape (n_cycles,).
    """

    start: FloatArray
    end: FloatArray
    count: FloatArray

    @property
    def range(self) -> FloatArray:
        """Size of each cycle, never negative."""
        return np.abs(self.end - self.start)


def _closed(values: FloatArray) -> BoolArray:
    """Which ranges between neighbouring values are closed cycles, shape (n_values - 1,)."""
    size = np.abs(np.diff(values))
    closed = np.zeros(len(size), dtype=bool)
    closed[1:-1] = (size[1:-1] < size[:-2]) & (size[1:-1] <= size[2:])
    return closed


def _without(closed: BoolArray) -> BoolArray:
    """Which values stay when the two of every closed range go."""
    stays = np.ones(len(closed) + 1, dtype=bool)
    stays[:-1] &= ~closed
    stays[1:] &= ~closed
    return stays


def turning_points(values: FloatArray, hysteresis: float = 0.0) -> IntArray:
    """Where a record turns round by more than a hysteresis.

    Parameters
    ----------
    values : ndarray of shape (n_samples,)
        All valid.
    hysteresis : float
        Closed cycles and ends smaller than this are left out, so that noise makes no turning points.

    Returns
    -------
    ndarray of int, shape (n_points,)
        Samples, in order; values rise and fall in turn. Fewer than two where nothing moves so far.
    """
    if len(values) < 2:
        return np.empty(0, dtype=np.int64)
    change = np.flatnonzero(np.diff(values))  # the last sample of every level
    at = np.append(change, len(values) - 1) if len(change) else np.empty(0, dtype=np.int64)
    rising = np.diff(values[at]) > 0
    at = at[np.concatenate(([True], rising[1:] != rising[:-1], [True]))] if len(at) > 1 else at
    while len(at) > 3:
        small = _closed(values[at]) & (np.abs(np.diff(values[at])) < hysteresis)
        if not small.any():
            break
        at = at[_without(small)]
    # what is left of small ranges stands at the two ends, growing inwards
    large = np.flatnonzero(np.abs(np.diff(values[at])) >= hysteresis)
    return at[large[0] : large[-1] + 2] if len(large) else at[:0]


def rainflow(points: FloatArray) -> Cycles:
    """Count the cycles of a series of turning points.

    Parameters
    ----------
    points : ndarray of shape (n_points,)
        Rising and falling in turn, as `turning_points` gives them.

    Returns
    -------
    Cycles
        Closed cycles first, then the half cycles of what is left.

    References
    ----------
    .. [1] ASTM E1049-85, Standard Practices for Cycle Counting in Fatigue Analysis, 5.4.4.
    """
    starts, ends = [], []
    while len(points) > 3:
        closed = _closed(points)
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
