"""Positions in metres on the ground: fixes, jumps and gaps of GPS, and the centre line through them."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from telemetry.arrays import BoolArray, FloatArray, IntArray
from telemetry.decimals import kept_of
from telemetry.laps.smooth import moving_mean, penalised_fit, robust_sd, sums_at
from telemetry.notes import QualityNote
from telemetry.numeric import BLOCK, median
from telemetry.signals import Run

# Positions on the plane: east is real, north imaginary.
ComplexArray = npt.NDArray[np.complex128]

# WGS 84 ellipsoid (NGA.STND.0036): semi-major axis and flattening.
WGS84_A_M = 6378137.0
WGS84_F = 1 / 298.257223563

# Bends smaller than this in the line between fixes are rounding, larger ones are a fix. [m]
KINK_M = 1e-6
# Two fixes may be this much further apart than the wheels say before one of them is wrong. Own choices: noise,
# and a wheel that locks under braking.
FURTHER_SHARE, FURTHER_M = 1.3, 8.0
# A displaced stretch that lasts longer is another place, not a jump.
LONGEST_JUMP_S = 30.0
# Receivers give up to this many fixes a second that are their own. Common practice, no source.
MOST_FIXES_HZ = 25.0
# Positions with fewer samples from one to the next are taken to be logged in every sample.
EVERY_ROW = 1.5
# Shortest pause of the fixes, while the motorcycle moves, that gets a note.
DROPOUT_S = 1.5

# Points of the line are about so far apart. [m]
STEP_M = 1.0
# Waves of the line ridden in less time than one of these are taken for noise of the positions: in time, not in
# metres, because a line bends most where it is ridden slowly. Which one is decided by how well a line through
# every other position foretells the rest. [s]
SHORTEST_WAVES_S = (0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0)
# The wave is chosen on about so many of the other positions at most, evenly apart: enough to choose one of seven.
# Own choice.
MOST_FORETOLD = 20_000
ORDER = 3
# A position whose nearest point of the line is still so far ahead or behind when the search ends is not beside it.
OPPOSITE_M = 6.0
# Share of the lap over which data are repeated beyond both ends, so that the line closes smoothly.
OVERLAP = 0.1


def radii_m(latitude_deg: float) -> tuple[float, float]:
    """Radii of curvature of the WGS 84 ellipsoid: meridian M and prime vertical N. [m]"""
    e2 = WGS84_F * (2 - WGS84_F)
    w = np.sqrt(1 - e2 * np.sin(np.radians(latitude_deg)) ** 2)
    return float(WGS84_A_M * (1 - e2) / w**3), float(WGS84_A_M / w)


def to_plane_m(
    latitude_deg: FloatArray, longitude_deg: FloatArray, origin_deg: tuple[float, float]
) -> tuple[FloatArray, FloatArray]:
    """East and north on the tangent plane at the origin, exact to a few millimetres over a circuit. [m]"""
    meridian, normal = radii_m(origin_deg[0])
    north = np.radians(latitude_deg - origin_deg[0]) * meridian
    east = np.radians(longitude_deg - origin_deg[1]) * normal * np.cos(np.radians(origin_deg[0]))
    return east, north


@dataclass(frozen=True)
class Fixes:
    """Positions as logged, each of shape (n_fixes,), on the tangent plane at the run's first fix."""

    t_s: FloatArray
    east_m: FloatArray
    north_m: FloatArray
    origin_deg: tuple[float, float]  # latitude and longitude of the first fix
    rate_hz: float

    def only(self, kept: BoolArray) -> "Fixes":
        """Some of them."""
        return replace(self, t_s=self.t_s[kept], east_m=self.east_m[kept], north_m=self.north_m[kept])

    def earlier(self, delay_s: float) -> "Fixes":
        """The same places, that much earlier."""
        return replace(self, t_s=self.t_s - delay_s)


def find_fixes(run: Run) -> Fixes | None:
    """The logged fixes of a run, not the values interpolated between them (those cut corners); None without any."""
    names = ("latitude_deg", "longitude_deg")
    if any(name not in run.channels for name in names):
        return None
    latitude, longitude = (kept_of(run.channels, name) for name in names)
    rate = min(run.channel_rate_hz.get(name, run.sample_rate_hz) for name in names)
    # A receiver has no more fixes than this; more rows only repeat or smooth them.
    step = max(1, int(np.ceil(rate / MOST_FIXES_HZ - 0.1)))
    period = run.sample_rate_hz / rate
    if period < EVERY_ROW and not (latitude.missing or longitude.missing):
        rows: IntArray = np.arange(0, len(latitude), step)
    else:
        rows = _logged_rows(latitude.values, longitude.values, period)
        rows = rows[np.isfinite(latitude[rows]) & np.isfinite(longitude[rows])][::step]
    rate /= step
    if len(rows) < 2:
        return None
    latitude_deg, longitude_deg = latitude[rows], longitude[rows]
    origin = (float(latitude_deg[0]), float(longitude_deg[0]))
    east, north = to_plane_m(latitude_deg, longitude_deg, origin)
    return Fixes(run.t_s[rows], east, north, origin, rate)


def _logged_rows(latitude: FloatArray, longitude: FloatArray, period: float) -> IntArray:
    """Samples at which a fix was logged."""
    n = len(latitude)
    if period < EVERY_ROW:
        return np.arange(n)
    every = round(period)
    if abs(period - every) < 1e-3:
        look = min(n, 200 * every)
        ends = [_kinks(latitude[part], longitude[part]) for part in (slice(0, look), slice(n - look, n))]
        phases = {int(p) for p in np.unique(ends[0] % every)} | {
            int(p) for p in np.unique((n - look + ends[1]) % every)
        }
        if len(phases) == 1:
            return np.arange(phases.pop(), n, every)
    kinks = _kinks(latitude, longitude)
    # a logger that rounds or smooths its positions shows none or too many: any sample is as good then
    if 0.5 * n / period < len(kinks) < 1.5 * n / period:
        return kinks
    return np.arange(0, n, every)


def _kinks(latitude: FloatArray, longitude: FloatArray) -> IntArray:
    bend = np.abs(np.diff(latitude, n=2)) + np.abs(np.diff(longitude, n=2))
    bend = np.nan_to_num(bend) * 111e3
    peak = (bend > KINK_M) & (bend >= np.append(0.0, bend[:-1])) & (bend > np.append(bend[1:], 0.0))
    return np.flatnonzero(peak) + 1


def without_jumps(fixes: Fixes, travelled_m: FloatArray | None, notes: list[QualityNote]) -> Fixes:
    """Leave out fixes that the motorcycle cannot have reached, by wheel distance or else the usual step. Adds notes."""
    step = np.hypot(np.diff(fixes.east_m), np.diff(fixes.north_m))
    if travelled_m is None:
        interval = np.diff(fixes.t_s)
        travelled_m = np.concatenate(([0.0], np.cumsum(1.2 * _usual_speed(step, interval) * interval)))
    reach = FURTHER_SHARE * np.diff(travelled_m) + FURTHER_M
    breaks = np.flatnonzero(step > reach) + 1
    if not len(breaks):
        return fixes
    starts, ends = np.concatenate(([0], breaks)), np.concatenate((breaks, [len(fixes.t_s)]))
    kept = np.zeros(len(fixes.t_s), dtype=bool)
    for piece in _longest_chain(fixes, travelled_m, starts, ends):
        kept[starts[piece] : ends[piece]] = True
    left_out = [
        (float(fixes.t_s[a]), float(fixes.t_s[b - 1]))
        for a, b in zip(starts, ends, strict=True)
        if not kept[a]
    ]
    if left_out:
        largest = float(np.max(step[breaks - 1]))
        where = ", ".join(f"{a:.1f} to {b:.1f} s" for a, b in left_out[:3])
        message = (
            f"The position jumps by up to {largest:.0f} m, further than the motorcycle can have gone: "
            f"{int((~kept).sum())} fixes are left out ({where}{', ...' if len(left_out) > 3 else ''})."
        )
        notes.append(
            QualityNote("warning", "gps_jump", message, start_s=left_out[0][0], end_s=left_out[-1][1])
        )
    return fixes.only(kept)


def _usual_speed(step_m: FloatArray, interval_s: FloatArray) -> FloatArray:
    """Speed from fix to fix without its spikes: the middle of 9. [m/s]"""
    speed = step_m / np.maximum(interval_s, 1e-3)
    padded = np.pad(speed, 4, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, 9), axis=1))


def _longest_chain(fixes: Fixes, travelled_m: FloatArray, starts: IntArray, ends: IntArray) -> list[int]:
    """Pieces between breaks that can follow one another and hold the most fixes; long ones can follow anything."""
    count = ends - starts
    lasts = fixes.t_s[ends - 1] - fixes.t_s[starts] > LONGEST_JUMP_S
    best, came_from = count.astype(np.int64), np.full(len(starts), -1)
    for i in range(1, len(starts)):
        before = np.arange(max(0, i - 50), i)
        away = np.hypot(
            fixes.east_m[starts[i]] - fixes.east_m[ends[before] - 1],
            fixes.north_m[starts[i]] - fixes.north_m[ends[before] - 1],
        )
        gone = travelled_m[starts[i]] - travelled_m[ends[before] - 1]
        can = (away <= FURTHER_SHARE * gone + FURTHER_M) | (lasts[before] & lasts[i])
        if can.any():
            best_before = before[can][np.argmax(best[before[can]])]
            if best[best_before] > 0:
                best[i] += best[best_before]
                came_from[i] = best_before
    chain = [int(np.argmax(best))]
    while came_from[chain[-1]] >= 0:
        chain.append(int(came_from[chain[-1]]))
    return chain[::-1]


def dropouts(fixes: Fixes, moving_at: BoolArray, notes: list[QualityNote]) -> None:
    """Add a note for pauses of the fixes while the motorcycle moves."""
    pause = np.diff(fixes.t_s)
    long = np.flatnonzero((pause > max(DROPOUT_S, 3.0 / fixes.rate_hz)) & moving_at[:-1] & moving_at[1:])
    if not len(long):
        return
    where = ", ".join(f"{fixes.t_s[i]:.1f} to {fixes.t_s[i + 1]:.1f} s" for i in long[:3].tolist())
    message = (
        f"No position for {pause[long].sum():.1f} s while riding ({where}{', ...' if len(long) > 3 else ''}): "
        "the place there goes on by the speed."
    )
    notes.append(
        QualityNote(
            "info",
            "gps_dropout",
            message,
            start_s=float(fixes.t_s[long[0]]),
            end_s=float(fixes.t_s[long[-1] + 1]),
        )
    )


def path_speed(fixes: Fixes, t_s: FloatArray) -> FloatArray:
    """Ground speed from positions alone, at evenly spaced instants. [m/s]"""
    rate = 1.0 / (t_s[1] - t_s[0])
    width = max(round(0.5 * rate), 3)
    east, north = (moving_mean(np.interp(t_s, fixes.t_s, v), width) for v in (fixes.east_m, fixes.north_m))
    speed = np.hypot(np.gradient(east), np.gradient(north)) * rate
    # near the ends average and slope reach beyond what is known: hold the last values that are whole
    edge = (0.5 * width + 1.0) / rate
    first, last = max(t_s[0], fixes.t_s[0]) + edge, min(t_s[-1], fixes.t_s[-1]) - edge
    inside = np.clip(t_s, first, max(first, last))
    return np.asarray(np.interp(inside, t_s, speed))


def _between(values: npt.NDArray[Any], cells: tuple[IntArray, FloatArray]) -> npt.NDArray[Any]:
    """Values round a closed line, the first again at its end: after which point, and how far on the way to the next."""
    low, share = cells
    found = values.take(low + 1)
    before = values.take(low)
    found -= before
    found *= share
    found += before
    return found


def _closed(values: npt.NDArray[Any]) -> npt.NDArray[Any]:
    return np.append(values, values[:1])


def _apart_m(here: ComplexArray, there: ComplexArray) -> FloatArray:
    way = here - there
    return np.hypot(way.real, way.imag)


@dataclass(frozen=True)
class CentreLine:
    """A closed line: points evenly apart along its arc, east and north of the run's origin; 0 is the first."""

    x_m: FloatArray
    y_m: FloatArray
    length_m: float

    @property
    def step_m(self) -> float:
        """Between points. [m]"""
        return self.length_m / len(self.x_m)

    def at(self, place_m: FloatArray, values: FloatArray) -> FloatArray:
        """One of the line's arrays at places that may run over many laps."""
        return _between(_closed(values), self._cells(place_m))

    def _cells(self, place_m: FloatArray) -> tuple[IntArray, FloatArray]:
        """Point before each place, and how far it lies on the way to the next, 0 to 1."""
        index = np.asarray(place_m) / self.step_m
        low = np.floor(index)
        return low.astype(np.int64) % len(self.x_m), index - low

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
        """Place along the line within ``window_m`` of the guess, and distance from it, right positive. [m]

        The guess may run over many laps; the distance is infinite where no point near it is opposite.
        """
        east, north = self.tangent
        line, tangent = _closed(self.x_m + 1j * self.y_m), _closed(east + 1j * north)
        place, aside = np.empty(len(guess_m)), np.empty(len(guess_m))
        for first in range(0, len(guess_m), BLOCK):
            here = slice(first, first + BLOCK)
            position, at = east_m[here] + 1j * north_m[here], guess_m[here]
            at = self._nearest(line, position, at, window_m) if window_m > 0.0 else at
            for _ in range(4):
                cells = self._cells(at)
                off, ahead = position - _between(line, cells), _between(tangent, cells)
                along = off.real * ahead.real + off.imag * ahead.imag
                at = at + np.clip(along, -6.0, 6.0)
            beside = off.real * ahead.imag - off.imag * ahead.real
            place[here], aside[here] = at, np.where(np.abs(along) < OPPOSITE_M, beside, np.inf)
        return place, aside

    def _nearest(
        self, line: ComplexArray, position: ComplexArray, guess_m: FloatArray, window_m: float
    ) -> FloatArray:
        """Place of the nearest point of a closed line of those every 6 m within ``window_m`` of the guess. [m]"""
        place, nearest = guess_m.copy(), np.full(len(guess_m), np.inf)
        for offset in np.arange(-window_m, window_m + 1.0, 6.0):
            trial = guess_m + offset
            away = position - _between(line, self._cells(trial))
            square = away.real**2 + away.imag**2
            closer = square < nearest
            np.copyto(place, trial, where=closer)
            np.copyto(nearest, square, where=closer)
        return place


def fit_line(
    along_s: FloatArray, east_m: FloatArray, north_m: FloatArray, lap_s: float, lap_m: float
) -> CentreLine:
    """Closed line through positions of laps about ``lap_m`` long; ``along_s`` is their place as mean lap's time."""
    order = np.argsort(along_s)
    grid = _Grid(lap_s, max(round(lap_m / STEP_M), 8))
    along, position = along_s[order], east_m[order] + 1j * north_m[order]
    wave = _best_wave(grid, along, position)
    weight, cells = np.ones(len(along)), grid.cells(along)
    for _ in range(3):
        line = grid.smooth(grid.sums(cells, position, weight), wave)
        away = _apart_m(position, grid.at(line, cells))
        weight = 1.0 / (1.0 + (away / (3.0 * max(robust_sd(away), 0.1))) ** 2)
    return _evenly(line)


def _best_wave(grid: "_Grid", along: FloatArray, position: ComplexArray) -> float:
    """The shortest wave to keep: the one whose line through every other position is nearest to the rest."""
    every = 2 * max(1, len(along) // (2 * MOST_FORETOLD))
    halves = [
        (
            grid.sums(grid.cells(along[learn::2]), position[learn::2], np.ones(len(along[learn::2]))),
            grid.cells(along[test::every]),
            position[test::every],
        )
        for learn, test in ((0, 1), (1, 0))
    ]

    def miss(wave: float) -> float:
        total = 0.0
        for learned, cells, seen in halves:
            away = _apart_m(seen, grid.at(grid.smooth(learned, wave), cells))
            total += float(np.mean(np.minimum(away, 3.0 * median(away)) ** 2))
        return total

    return min(SHORTEST_WAVES_S, key=miss)


@dataclass(frozen=True)
class _Grid:
    """Points round the lap, evenly apart in time of the mean lap."""

    lap_s: float
    n: int

    def cells(self, along: FloatArray) -> tuple[IntArray, FloatArray]:
        """Point before each time along the lap, and how far it lies on the way to the next, 0 to 1."""
        index = along % self.lap_s * (self.n / self.lap_s)
        low = np.minimum(np.floor(index).astype(np.int64), self.n - 1)
        return low, index - low

    def at(self, line: ComplexArray, cells: tuple[IntArray, FloatArray]) -> ComplexArray:
        """Points of a line in cells."""
        low, share = cells
        return np.asarray((1 - share) * line.take(low) + share * np.roll(line, -1).take(low))

    def sums(self, cells: tuple[IntArray, FloatArray], position: ComplexArray, weight: FloatArray) -> "_Sums":
        """What `smooth` needs of positions in cells, and their weights."""
        n, overlap = self.n, max(round(OVERLAP * self.n), 3)
        low, share = cells
        rest = 1 - share
        near, far = weight * rest, weight * share

        def around(values: FloatArray) -> FloatArray:
            return np.concatenate((values[-overlap:], values, values[:overlap]))

        def both(here: FloatArray, ahead: FloatArray) -> FloatArray:
            return around(sums_at(low, here, n) + np.roll(sums_at(low, ahead, n), 1))

        return _Sums(
            both(weight * rest**2, weight * share**2),
            around(sums_at(low, far * rest, n))[:-1],
            np.column_stack([both(near * v, far * v) for v in (position.real, position.imag)]),
            float(np.sum(weight)) / n,
            slice(overlap, overlap + n),
        )

    def smooth(self, sums: "_Sums", wave_s: float) -> ComplexArray:
        """The closed line through positions, of which waves of ``wave_s`` are halved; shape (n,)."""
        waves = wave_s * self.n / self.lap_s / (2 * np.pi)  # in steps of the grid, a radian long
        penalty = sums.mean_weight * waves ** (2 * ORDER)
        east, north = penalised_fit(sums.diagonal, sums.beside, sums.right, penalty, ORDER)[sums.lap].T
        return np.asarray(east + 1j * north)


@dataclass(frozen=True)
class _Sums:
    """Normal equations of a line through positions, repeated beyond both ends of the lap."""

    diagonal: FloatArray
    beside: FloatArray
    right: FloatArray
    mean_weight: float
    lap: slice  # without what is repeated


def _evenly(line: ComplexArray) -> CentreLine:
    """Line resampled to equal spacing along its arc."""
    closed = np.append(line, line[0])
    arc = np.concatenate(([0.0], np.cumsum(_apart_m(closed[1:], closed[:-1]))))
    n = max(round(arc[-1] / STEP_M), 8)
    place = np.arange(n) * arc[-1] / n
    return CentreLine(np.interp(place, arc, closed.real), np.interp(place, arc, closed.imag), float(arc[-1]))


def nearest_m(line: CentreLine, east_m: FloatArray, north_m: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Distance of positions to the nearest of the line's points, and the place of that. [m, m]"""
    every = max(1, round(6.0 / line.step_m))
    x, y = line.x_m[::every], line.y_m[::every]
    away = np.hypot(east_m[:, None] - x, north_m[:, None] - y)
    best = np.argmin(away, axis=1)
    return away[np.arange(len(best)), best], best * every * line.step_m
