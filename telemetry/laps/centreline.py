"""The circuit's centre line: a closed curve through the positions of many laps, and the place along it."""

from dataclasses import dataclass

import numpy as np

from telemetry.arrays import FloatArray, IntArray
from telemetry.laps.smooth import penalised, robust_sd, sums_at

# Points of the line are about so far apart. [m]
STEP_M = 1.0
# Waves of the line ridden in less time than one of these are taken for noise of the positions: in time, not in
# metres, because a line bends most where it is ridden slowly. Which one is decided by how well a line through
# every other position foretells the rest. [s]
SHORTEST_WAVES_S = (0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0)
ORDER = 3
# A position whose nearest point of the line is still so far ahead or behind when the search ends is not beside it.
OPPOSITE_M = 6.0
# Share of the lap over which data are repeated beyond both ends, so that the line closes smoothly.
OVERLAP = 0.1


@dataclass(frozen=True)
class CentreLine:
    """A closed line, points evenly apart along its arc; 0 is the first.

    Parameters
    ----------
    x_m, y_m : ndarray of shape (n_points,)
        East and north of the run's origin; the point after the last is the first. [m]
    length_m : float
        Once round. [m]
    """

    x_m: FloatArray
    y_m: FloatArray
    length_m: float

    @property
    def step_m(self) -> float:
        """Between points. [m]"""
        return self.length_m / len(self.x_m)

    def at(self, place_m: FloatArray, values: FloatArray) -> FloatArray:
        """One of the line's arrays at places that may run over many laps."""
        index = np.asarray(place_m) / self.step_m
        low = np.floor(index).astype(np.int64)
        share = index - low
        n = len(values)
        before, after = values[low % n], values[(low + 1) % n]
        return np.asarray(before + share * (after - before))

    @property
    def tangent(self) -> tuple[FloatArray, FloatArray]:
        """East and north part of the direction of travel at each point."""
        east = np.roll(self.x_m, -1) - np.roll(self.x_m, 1)
        north = np.roll(self.y_m, -1) - np.roll(self.y_m, 1)
        length = np.maximum(np.hypot(east, north), 1e-9)
        return east / length, north / length

    @property
    def curvature_1_m(self) -> FloatArray:
        """Positive in corners to the right. [1/m]"""
        east, north = self.tangent
        ahead = np.roll(east, -1) * north - np.roll(north, -1) * east
        behind = east * np.roll(north, 1) - north * np.roll(east, 1)
        turn = np.arcsin(np.clip(0.5 * (ahead + behind), -1.0, 1.0))
        return np.asarray(turn / self.step_m)

    def from_place(self, place_m: float) -> "CentreLine":
        """The same line with its 0 at a place."""
        place = place_m + self.step_m * np.arange(len(self.x_m), dtype=np.float64)
        return CentreLine(self.at(place, self.x_m), self.at(place, self.y_m), self.length_m)

    def project(
        self, east_m: FloatArray, north_m: FloatArray, guess_m: FloatArray, window_m: float
    ) -> tuple[FloatArray, FloatArray]:
        """Place along the line of positions, near where they are expected.

        Parameters
        ----------
        east_m, north_m, guess_m : ndarray of shape (n,)
            Position and expected place; the place may run over many laps. [m]
        window_m : float
            How far the guess may be out. [m]

        Returns
        -------
        place_m : ndarray of shape (n,)
            Runs over as many laps as the guess. [m]
        aside_m : ndarray of shape (n,)
            Distance from the line, positive to its right; infinite where no point near the guess is opposite. [m]
        """
        place = np.asarray(guess_m, dtype=np.float64).copy()
        if window_m > 0.0:
            nearest = np.full(len(place), np.inf)
            for offset in np.arange(-window_m, window_m + 1.0, 6.0):
                trial = guess_m + offset
                away = np.hypot(east_m - self.at(trial, self.x_m), north_m - self.at(trial, self.y_m))
                closer = away < nearest
                place[closer], nearest[closer] = trial[closer], away[closer]
        along_east, along_north = self.tangent
        for _ in range(4):
            east, north = self.at(place, along_east), self.at(place, along_north)
            off_east, off_north = east_m - self.at(place, self.x_m), north_m - self.at(place, self.y_m)
            place += np.clip(off_east * east + off_north * north, -6.0, 6.0)
        aside = off_east * north - off_north * east
        return place, np.where(np.abs(off_east * east + off_north * north) < OPPOSITE_M, aside, np.inf)


def fit_line(
    along_s: FloatArray, east_m: FloatArray, north_m: FloatArray, lap_s: float, lap_m: float
) -> CentreLine:
    """The closed line through positions of one or more laps.

    Parameters
    ----------
    along_s : ndarray of shape (n,)
        Where along the lap each position is, 0 to ``lap_s``, as time of the mean lap: the same place is the same
        time in every lap. [s]
    east_m, north_m : ndarray of shape (n,)
        [m]
    lap_s, lap_m : float
        Time and, roughly, length of the mean lap. [s, m]
    """
    order = np.argsort(along_s)
    grid = _Grid(lap_s, max(round(lap_m / STEP_M), 8))
    along, position = along_s[order], np.column_stack((east_m[order], north_m[order]))
    wave = _best_wave(grid, along, position)
    weight = np.ones(len(along))
    for _ in range(3):
        line = grid.smooth(along, position, weight, wave)
        away = np.hypot(*(position - grid.at(line, along)).T)
        weight = 1.0 / (1.0 + (away / (3.0 * max(robust_sd(away), 0.1))) ** 2)
    return _evenly(line)


def _best_wave(grid: "_Grid", along: FloatArray, position: FloatArray) -> float:
    """The shortest wave to keep: the one whose line through every other position is nearest to the rest."""
    even, odd = slice(0, None, 2), slice(1, None, 2)

    def miss(wave: float) -> float:
        total = 0.0
        for learn, test in ((even, odd), (odd, even)):
            line = grid.smooth(along[learn], position[learn], np.ones(len(along[learn])), wave)
            away = np.hypot(*(position[test] - grid.at(line, along[test])).T)
            total += float(np.mean(np.minimum(away, 3.0 * np.median(away)) ** 2))
        return total

    return min(SHORTEST_WAVES_S, key=miss)


@dataclass(frozen=True)
class _Grid:
    """Points round the lap, evenly apart in time of the mean lap."""

    lap_s: float
    n: int

    def _cells(self, along: FloatArray) -> tuple[IntArray, FloatArray]:
        index = along % self.lap_s * (self.n / self.lap_s)
        low = np.minimum(np.floor(index).astype(np.int64), self.n - 1)
        return low, index - low

    def at(self, line: FloatArray, along: FloatArray) -> FloatArray:
        """Points of a line of shape (n, 2) at times along the lap."""
        low, share = self._cells(along)
        return np.asarray((1 - share)[:, None] * line[low] + share[:, None] * line[(low + 1) % self.n])

    def smooth(
        self, along: FloatArray, position: FloatArray, weight: FloatArray, wave_s: float
    ) -> FloatArray:
        """The closed line through positions, of which waves of ``wave_s`` are halved; shape (n, 2)."""
        n, overlap = self.n, max(round(OVERLAP * self.n), 3)
        low, share = self._cells(along)

        def around(values: FloatArray) -> FloatArray:
            return np.concatenate((values[-overlap:], values, values[:overlap]))

        def sums(near: FloatArray, far: FloatArray) -> FloatArray:
            return around(sums_at(low, near, n) + np.roll(sums_at(low, far, n), 1))

        diagonal = sums(weight * (1 - share) ** 2, weight * share**2)
        beside = around(sums_at(low, weight * share * (1 - share), n))[:-1]
        right = np.column_stack([sums(weight * (1 - share) * v, weight * share * v) for v in position.T])
        waves = wave_s * n / self.lap_s / (2 * np.pi)  # in steps of the grid, a radian long
        penalty = float(np.sum(weight)) / n * waves ** (2 * ORDER)
        return penalised(diagonal, beside, right, penalty, ORDER)[overlap : overlap + n]


def _evenly(line: FloatArray) -> CentreLine:
    """The line with points evenly apart along its own arc."""
    closed = np.vstack((line, line[:1]))
    arc = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))))
    n = max(round(arc[-1] / STEP_M), 8)
    place = np.arange(n) * arc[-1] / n
    return CentreLine(
        np.interp(place, arc, closed[:, 0]), np.interp(place, arc, closed[:, 1]), float(arc[-1])
    )


def nearest_m(line: CentreLine, east_m: FloatArray, north_m: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Distance of positions to the nearest of the line's points, and the place of that. [m, m]"""
    every = max(1, round(6.0 / line.step_m))
    x, y = line.x_m[::every], line.y_m[::every]
    away = np.hypot(east_m[:, None] - x, north_m[:, None] - y)
    best = np.argmin(away, axis=1)
    return away[np.arange(len(best)), best], best * every * line.step_m
