"""Corners of the circuit, numbered in order of travel from the start of the lap."""

import numpy as np

from telemetry.arrays import FloatArray, IntArray
from telemetry.laps.lap import Corner

# A corner is where the motorcycle leans more than this for at least so long a stretch. Choices of ours.
CORNER_LEAN_DEG = 15.0
MIN_CORNER_M = 20.0
JOIN_M = 15.0
# How far a corner's braking before it and drive after it reach at most.
BRAKING_REACH_M = 150.0
DRIVE_REACH_M = 120.0
GRID_M = 2.0


def find_corners(distance_m: FloatArray, lean_deg: FloatArray) -> tuple[Corner, ...]:
    """Corners from the lean over one lap.

    Parameters
    ----------
    distance_m : ndarray of shape (n_samples,)
        Since the start of the lap, never falling. [m]
    lean_deg : ndarray of shape (n_samples,)
        Right side down positive. [deg]

    Returns
    -------
    tuple of Corner
    """
    known = np.isfinite(distance_m) & np.isfinite(lean_deg)
    if np.count_nonzero(known) < 2:
        return ()
    grid = np.arange(0.0, distance_m[known].max(), GRID_M)
    lean = np.interp(grid, distance_m[known], lean_deg[known])
    side = np.where(np.abs(lean) > CORNER_LEAN_DEG, np.sign(lean), 0.0)
    changes = np.flatnonzero(np.diff(np.concatenate(([0.0], side, [0.0]))))
    pieces: list[tuple[int, int]] = []
    for start, stop in zip(changes[:-1].tolist(), changes[1:].tolist(), strict=True):
        if side[start] == 0:
            continue
        joins = pieces and (start - pieces[-1][1]) * GRID_M < JOIN_M and side[pieces[-1][0]] == side[start]
        if joins:
            pieces[-1] = (pieces[-1][0], stop)
        else:
            pieces.append((start, stop))
    corners: list[Corner] = []
    for start, stop in pieces:
        if (stop - start) * GRID_M < MIN_CORNER_M:
            continue
        apex = start + int(np.argmax(np.abs(lean[start:stop])))
        corners.append(
            Corner(
                number=len(corners) + 1,
                start_m=float(grid[start]),
                apex_m=float(grid[apex]),
                end_m=float(grid[stop - 1]),
                direction=int(side[start]),
            )
        )
    return tuple(corners)


def corner_at(distance_m: FloatArray, corners: tuple[Corner, ...], lap_length_m: float) -> IntArray:
    """Corner number for every sample, with the braking before it and the drive after it; 0 elsewhere.

    Parameters
    ----------
    distance_m : ndarray of shape (n_samples,)
        Since the start of the lap; NaN where unknown. [m]
    corners : tuple of Corner
    lap_length_m : float
        [m]

    Returns
    -------
    ndarray of int, shape (n_samples,)
    """
    number = np.zeros(len(distance_m), dtype=np.int64)
    for index, corner in enumerate(corners):
        before = corners[index - 1].end_m - (lap_length_m if index == 0 else 0.0)
        after = corners[(index + 1) % len(corners)].start_m + (
            lap_length_m if index == len(corners) - 1 else 0.0
        )
        start = corner.start_m - min(BRAKING_REACH_M, (corner.start_m - before) / 2)
        end = corner.end_m + min(DRIVE_REACH_M, (after - corner.end_m) / 2)
        for turn in (-lap_length_m, 0.0, lap_length_m):
            number[(distance_m >= start + turn) & (distance_m <= end + turn)] = corner.number
    return number
