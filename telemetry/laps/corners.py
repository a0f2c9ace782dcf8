"""Corners of the circuit, numbered in order of travel from the start of the lap."""

from dataclasses import dataclass

import numpy as np

from telemetry.arrays import BoolArray, FloatArray, IntArray
from telemetry.laps.lap import Corner
from telemetry.laps.smooth import runs_longer

# A corner is where the motorcycle leans more than this, for at least so long a stretch, and turns at least so far.
# Choices of ours.
CORNER_LEAN_DEG = 15.0
MIN_CORNER_M = 20.0
MIN_TURN_DEG = 10.0
# Two peaks of one lean are two corners when the lean between them falls below this share of the smaller.
DIP_SHARE = 0.6
# How far a corner's braking before it and drive after it reach at most.
BRAKING_REACH_M = 150.0
DRIVE_REACH_M = 120.0
CELL_M = 2.0
# Without lean or positions a corner is where the speed has fallen by this much and rises again.
SPEED_DIP_M_S = 3.0
GRAVITY_M_S2 = 9.81


@dataclass(frozen=True)
class MeanLap:
    """The mean of the complete laps, in cells evenly apart from the start of the lap.

    Parameters
    ----------
    speed_m_s, lean_deg : ndarray of shape (n_cells,) or None
        [m/s, deg]
    """

    length_m: float
    speed_m_s: FloatArray | None
    lean_deg: FloatArray | None


def mean_lap(
    distance_m: FloatArray,
    used: BoolArray,
    length_m: float,
    speed_m_s: FloatArray | None,
    lean_deg: FloatArray | None,
) -> MeanLap:
    """Mean speed and lean along the lap.

    Parameters
    ----------
    distance_m : ndarray of shape (n,)
        Since the start of the lap. [m]
    used : ndarray of bool, shape (n,)
        Inside complete laps.
    length_m : float
        Of the lap. [m]
    speed_m_s, lean_deg : ndarray of shape (n,) or None
        [m/s, deg]
    """
    n = max(round(length_m / CELL_M), 2)

    def along(values: FloatArray | None) -> FloatArray | None:
        if values is None:
            return None
        good = used & np.isfinite(values) & np.isfinite(distance_m)
        if np.count_nonzero(good) < 2:
            return None
        cell = np.floor(distance_m[good] / length_m * n).astype(np.int64) % n
        count = np.bincount(cell, minlength=n)
        filled = np.flatnonzero(count)
        mean = np.bincount(cell, values[good], n)[filled] / count[filled]
        return np.interp(np.arange(n), filled, mean, period=n)

    return MeanLap(length_m, along(speed_m_s), along(lean_deg))


def find_corners(lap: MeanLap) -> tuple[Corner, ...]:
    """Corners from the lean over the mean lap, or from its speed when the lean is not known."""
    if lap.lean_deg is not None:
        n, pieces = len(lap.lean_deg), _leaned(lap.lean_deg, lap.speed_m_s, lap.length_m)
    elif lap.speed_m_s is not None:
        n, pieces = len(lap.speed_m_s), _slow(lap.speed_m_s)
    else:
        return ()
    cell = lap.length_m / n
    # a corner belongs to the lap that its apex is in
    within = sorted((piece.moved(-n * (piece.apex // n)) for piece in pieces), key=lambda piece: piece.apex)
    return tuple(
        Corner(
            number=number,
            start_m=float((piece.start + 0.5) * cell),
            apex_m=float((piece.apex + 0.5) * cell),
            end_m=float((piece.end + 0.5) * cell),
            direction=piece.side,
        )
        for number, piece in enumerate(within, start=1)
    )


@dataclass(frozen=True)
class _Piece:
    """First, apex and last cell of a corner, and its side; cells run on beyond the lap for one over the line."""

    start: int
    apex: int
    end: int
    side: int

    def moved(self, cells: int) -> "_Piece":
        return _Piece(self.start + cells, self.apex + cells, self.end + cells, self.side)


def _leaned(lean: FloatArray, speed: FloatArray | None, length_m: float) -> list[_Piece]:
    """Corners where the mean lap leans and turns."""
    n = len(lean)
    cell = length_m / n
    # begin where the motorcycle is upright, so that no corner is cut in two by the start of the lap
    first = int(np.argmin(np.abs(lean)))
    lean = np.roll(lean, -first)
    turn = None
    if speed is not None:
        bend = GRAVITY_M_S2 * np.tan(np.radians(lean)) / np.maximum(np.roll(speed, -first), 3.0) ** 2
        turn = np.degrees(np.abs(bend)) * cell
    found = []
    for side in (-1, 1):
        for start, end in runs_longer(side * lean > CORNER_LEAN_DEG, 1):
            for a, b in _split(side * lean[start:end], start):
                if (b - a) * cell < MIN_CORNER_M or (turn is not None and turn[a:b].sum() < MIN_TURN_DEG):
                    continue
                apex = _apex(side * lean[a:b]) + a
                found.append(_Piece(a, apex, b - 1, side).moved(first))
    return found


def _apex(lean: FloatArray) -> int:
    """The middle of the part leaned nearly as far as it goes: a long steady corner has no sharper apex."""
    near = np.flatnonzero(lean >= 0.95 * lean.max())
    return int(round(float(np.mean(near))))


def _split(lean: FloatArray, start: int) -> list[tuple[int, int]]:
    """One stretch of lean as the corners it holds: cut where it dips deep between two peaks."""
    if len(lean) < 3:
        return [(start, start + len(lean))]
    from_left, from_right = np.maximum.accumulate(lean), np.maximum.accumulate(lean[::-1])[::-1]
    depth = lean / np.minimum(from_left, from_right)
    low = int(np.argmin(depth))
    if depth[low] >= DIP_SHARE:
        return [(start, start + len(lean))]
    return _split(lean[:low], start) + _split(lean[low:], start + low)


def _slow(speed: FloatArray) -> list[_Piece]:
    """Corners where the speed of the mean lap dips: from and to where it is within a tenth of its lowest there."""
    from scipy.signal import find_peaks

    first = int(np.argmax(speed))
    speed = np.roll(speed, -first)
    pieces = []
    for apex in find_peaks(-speed, prominence=SPEED_DIP_M_S)[0].tolist():
        fast = speed > 1.1 * speed[apex]
        start = apex - int(np.argmax(fast[apex::-1])) + 1
        end = apex + int(np.argmax(fast[apex:])) - 1
        pieces.append(_Piece(start, apex, max(end, apex), 0).moved(first))
    return pieces


def corner_at(distance_m: FloatArray, corners: tuple[Corner, ...], lap_length_m: float) -> IntArray:
    """Corner number for every sample, with the braking before it and the drive after it; 0 elsewhere.

    Parameters
    ----------
    distance_m : ndarray of shape (n_samples,)
        Since the start of the lap; NaN where unknown. [m]
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
