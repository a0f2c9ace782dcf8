"""Corners of the circuit, what is riding and what is not, and the phases of a corner."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from telemetry.arrays import BoolArray, FloatArray, IntArray
from telemetry.constants import GRAVITY_M_S2
from telemetry.laps.lap import PHASES, Corner, Lap, LapKind
from telemetry.laps.smooth import commonest, moving_mean, runs_longer

# A corner is where the motorcycle leans more than this, for at least so long a stretch, and turns at least so far.
# Own choices.
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

# Slower than this the motorcycle is not riding: pushed, in the pit box, on the stand. Own choice.
MOVING_M_S = 5.0
# A lap whose time is further from the middle one than this share is no lap at speed.
LAP_TIME_SPREAD = 0.25
# Shorter is a slip of the wheel or a hairpin taken at walking pace, not a stop.
LEAST_STOP_S = 2.0
# A lap whose length is further from the middle one was not ridden round the same circuit.
SAME_CIRCUIT = 0.03
# Whoever crosses the line below this share of the usual speed there, and stays below it from or to a stop, comes out of
# the pits or goes into them. At the share itself a lap out loses v (1 - share)^2 / 2a, about a second, to a flying one.
# Where the line is slow itself a larger share counts at speeds that are held in pit lanes: limits there are up to
# 80 km/h. Common practice, no source.
PIT_SHARE, SLOW_LINE_SHARE, FASTEST_PIT_M_S = 0.6, 0.75, 80 / 3.6
# Without a stop, a speed this even for so long around such a crossing is one held in a pit lane. Own choices.
HELD_M_S, HELD_S = 1.0, 5.0

BRAKING, ENTRY, MID, DRIVE, STRAIGHT = range(len(PHASES))
# Own choices, from what the words mean on a circuit; no source.
LEANING_DEG = 15.0
MID_SHARE_OF_PEAK_LEAN = 0.85
BRAKING_M_S2 = -3.0
DRIVING_M_S2 = 1.5
BRAKE_SHARE = 0.08
SMOOTH_S = 0.4
EXIT_S = 2.0
# An accelerometer that agrees less with the speed (correlation) shows something else.
SAME_ACCELERATION = 0.7


@dataclass(frozen=True)
class MeanLap:
    """Mean speed and lean of the complete laps, in cells evenly apart from the start of the lap; shape (n_cells,)."""

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
    """Mean speed and lean along the lap over the ``used`` samples, those inside complete laps."""
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
    """Corners from the lean over the mean lap, or from its speed without lean."""
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
    """Middle of the part with at least 95 % of the largest lean."""
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
    """Corner number of every sample, including the braking before it and the drive after it; 0 elsewhere."""
    number = np.zeros(len(distance_m), dtype=np.int64)
    least_m = np.fmin.reduce(distance_m, initial=np.inf)
    most_m = np.fmax.reduce(distance_m, initial=-np.inf)
    for index, corner in enumerate(corners):
        before = corners[index - 1].end_m - (lap_length_m if index == 0 else 0.0)
        after = corners[(index + 1) % len(corners)].start_m + (
            lap_length_m if index == len(corners) - 1 else 0.0
        )
        start = corner.start_m - min(BRAKING_REACH_M, (corner.start_m - before) / 2)
        end = corner.end_m + min(DRIVE_REACH_M, (after - corner.end_m) / 2)
        for turn in (-lap_length_m, 0.0, lap_length_m):
            if start + turn <= most_m and end + turn >= least_m:
                number[(distance_m >= start + turn) & (distance_m <= end + turn)] = corner.number
    return number


class Span(NamedTuple):
    """A stretch between two crossings of the line, or between one and an end of the log. [s]"""

    number: int
    start_s: float
    end_s: float
    from_line: bool
    to_line: bool


def in_pits(times_s: FloatArray, t_s: FloatArray, speed_m_s: FloatArray) -> tuple[BoolArray, float]:
    """Mask of the crossings in the pit lane, and the speed below which a crossing is slow. [m/s]

    In the pits: much slower than usual, and beside a stop (or an end of the log), or at a held speed.
    """
    if not len(times_s):
        return np.zeros(0, dtype=bool), 0.0
    step = t_s[1] - t_s[0]
    rows = np.clip(np.searchsorted(t_s, times_s), 0, len(t_s) - 1)
    at = speed_m_s[rows]
    # the middle of the faster half: of an outing of one lap two crossings in three are in the pit lane
    usual = float(np.median(at[at >= np.median(at)]))
    limit = max(PIT_SHARE * usual, min(SLOW_LINE_SHARE * usual, FASTEST_PIT_M_S))
    slow, still = speed_m_s < limit, speed_m_s < MOVING_M_S
    changes = np.concatenate(([0], np.flatnonzero(np.diff(slow)) + 1, [len(slow)]))
    found = np.zeros(len(times_s), dtype=bool)
    for i, row in enumerate(rows.tolist()):
        if not slow[row]:
            continue
        after = int(np.searchsorted(changes, row, side="right"))
        first, stop = int(changes[after - 1]), int(changes[after])
        stands = np.count_nonzero(still[first:stop]) * step >= LEAST_STOP_S
        around = speed_m_s[max(0, row - round(HELD_S / 2 / step)) : row + round(HELD_S / 2 / step)]
        found[i] = stands or first == 0 or stop == len(slow) or float(np.ptp(around)) <= HELD_M_S
    return found, limit


def classified_laps(
    spans: list[Span],
    t_s: FloatArray,
    speed_m_s: FloatArray,
    travelled_m: FloatArray | None,
    elsewhere: BoolArray,
    several: BoolArray,
    *,
    box_to_box: bool = False,
) -> tuple[Lap, ...]:
    """Laps with their kind; ``box_to_box`` laps are rides from stop to stop without a line.

    ``elsewhere`` marks laps known not to follow the others' line, ``several`` spans of more than one lap.
    """
    slow = np.concatenate(([0.0], np.cumsum(speed_m_s < MOVING_M_S))) * (t_s[1] - t_s[0])
    starts, ends = np.array([s.start_s for s in spans]), np.array([s.end_s for s in spans])
    first, last = np.searchsorted(t_s, starts), np.searchsorted(t_s, ends)
    stopped = slow[last] - slow[first]
    lengths = np.full(len(spans), np.nan)
    if travelled_m is not None:
        lengths = np.interp(ends, t_s, travelled_m) - np.interp(starts, t_s, travelled_m)
    lined = [] if box_to_box else spans
    crossed = np.unique([s.start_s for s in lined if s.from_line] + [s.end_s for s in lined if s.to_line])
    pits, limit = in_pits(crossed, t_s, speed_m_s)
    in_the_pits = set(crossed[pits].tolist())
    whole = np.array([s.from_line and s.to_line for s in spans]) & ~elsewhere & ~several
    at_speed = np.array([not in_the_pits & {s.start_s, s.end_s} for s in spans])
    riding = whole & at_speed & (stopped < LEAST_STOP_S)
    usual = riding if riding.any() else whole
    time = length = np.nan
    if usual.any() and travelled_m is not None:
        length = commonest(lengths[usual], SAME_CIRCUIT)
        usual = usual & (np.abs(lengths - length) <= SAME_CIRCUIT * length)
    if usual.any():
        time = float(np.median((ends - starts)[usual]))
    laps = []
    for i, span in enumerate(spans):
        inside = slice(first[i], last[i])
        kind = _kind(
            span,
            stopped[i] >= LEAST_STOP_S,
            t_s[inside],
            speed_m_s[inside],
            in_the_pits,
            limit,
            starts_log=i == 0,
        )
        other_length = abs(lengths[i] - length) > SAME_CIRCUIT * length
        # a whole number of laps is a crossing that was missed
        missed = several[i] or (
            other_length
            and length > 0.0
            and abs(lengths[i] / length - round(lengths[i] / length)) <= SAME_CIRCUIT
        )
        if elsewhere[i] or (kind == "timed" and other_length and not missed):
            kind = "elsewhere"
        elif kind == "timed" and missed:
            kind = "several"
        elif kind == "timed" and abs(span.end_s - span.start_s - time) > LAP_TIME_SPREAD * time:
            kind = "aborted"
        laps.append(
            Lap(
                lap=span.number,
                start_s=span.start_s,
                end_s=span.end_s,
                distance_m=None if np.isnan(lengths[i]) else float(lengths[i]),
                complete=kind == "timed",
                kind=kind,
                stopped_s=float(stopped[i]),
            )
        )
    return tuple(laps)


def _kind(
    span: Span,
    stops: bool,
    t_s: FloatArray,
    speed_m_s: FloatArray,
    in_the_pits: set[float],
    limit_m_s: float,
    *,
    starts_log: bool,
) -> LapKind:
    out, into = span.start_s in in_the_pits, span.end_s in in_the_pits
    if (out or into) and len(t_s) and float(speed_m_s.max()) < limit_m_s:
        return "pits"
    whole = span.from_line and span.to_line
    if whole and not stops:
        return "out" if out else "in" if into else "timed"
    if not len(t_s):
        return "part"
    still = speed_m_s < MOVING_M_S
    if not whole and not stops and not (still[0] or still[-1]):
        return "out" if out else "in" if into else "part"
    # where the middle of the standing lies tells the way out of the pits from the way into them
    middle = float(np.mean(t_s[still])) if still.any() else 0.5 * (t_s[0] + t_s[-1])
    ridden_before = float(np.sum(speed_m_s[t_s < middle]))
    share = ridden_before / max(float(np.sum(speed_m_s)), 1e-9)
    if share < 1 / 3:
        return "out"
    if share > 2 / 3:
        return "in"
    return "aborted" if whole else ("out" if starts_log else "in")


def longitudinal_m_s2(speed_m_s: FloatArray, sample_rate_hz: float) -> FloatArray:
    """Acceleration along the track from a smoothed speed. [m/s2]"""
    return np.gradient(moving_mean(speed_m_s, max(round(SMOOTH_S * sample_rate_hz), 3))) * sample_rate_hz


def measured_m_s2(
    measured_m_s2: FloatArray, by_speed_m_s2: FloatArray | None, sample_rate_hz: float
) -> FloatArray | None:
    """Acceleration along the motorcycle from an accelerometer, smoothed, if it agrees with that from the speed. [m/s2]

    Positive forwards, shape (n_samples,). None if it is turned round, mounted across, or shows something else;
    ``by_speed_m_s2`` is None without a speed to compare with.
    """
    smooth = moving_mean(measured_m_s2, max(round(SMOOTH_S * sample_rate_hz), 3))
    if by_speed_m_s2 is None:
        return smooth if np.isfinite(smooth).any() else None
    both = np.isfinite(smooth) & np.isfinite(by_speed_m_s2)
    if np.count_nonzero(both) < 10 or np.ptp(smooth[both]) == 0.0:
        return None
    return smooth if np.corrcoef(smooth[both], by_speed_m_s2[both])[0, 1] >= SAME_ACCELERATION else None


def phases_from_lean(
    lean_deg: FloatArray, braking: BoolArray, driving: BoolArray, sample_rate_hz: float
) -> IntArray:
    """Phases from the lean as index into PHASES, -1 where it is unknown.

    Entry until the lean is within 15 % of its peak, mid-corner while it stays there, then drive. Upright: braking,
    driving (the exit that goes on) or straight.
    """
    signed = moving_mean(lean_deg, max(round(SMOOTH_S * sample_rate_hz), 3))
    valid = np.isfinite(signed)
    signed[~valid] = 0.0
    phase = np.full(len(signed), STRAIGHT, dtype=np.int8)
    phase[braking] = BRAKING
    for side in (-1.0, 1.0):
        lean = side * signed
        for start, end in runs_longer(lean > LEANING_DEG, 1):
            middle = start + np.flatnonzero(lean[start:end] >= MID_SHARE_OF_PEAK_LEAN * lean[start:end].max())
            # later dips below 85 % between two peaks are still the middle
            phase[start : middle[0]] = ENTRY
            phase[middle[0] : middle[-1] + 1] = MID
            phase[middle[-1] + 1 : end] = DRIVE
    leaning = np.abs(signed) > LEANING_DEG
    phase[_exits(leaning, phase, driving, round(EXIT_S * sample_rate_hz))] = DRIVE
    phase[~valid] = -1
    return phase


def _exits(leaning: BoolArray, phase: IntArray, driving: BoolArray, longest: int) -> BoolArray:
    """Upright driving that directly follows a corner, for at most ``longest`` samples."""
    exits = np.zeros(len(leaning), dtype=bool)
    for end in (np.flatnonzero(leaning[:-1] & ~leaning[1:]) + 1).tolist():
        stop = min(end + longest, len(leaning))
        goes_on = driving[end:stop] & (phase[end:stop] == STRAIGHT)
        length = int(np.argmin(goes_on)) if not goes_on.all() else stop - end
        exits[end : end + length] = True
    return exits


def phases_from_speed(acceleration_m_s2: FloatArray) -> IntArray:
    """Phases from acceleration as index into PHASES, -1 if unknown; no entry: turn-in does not show in the speed."""
    a = np.nan_to_num(acceleration_m_s2)
    phase = np.full(len(a), STRAIGHT)
    phase[a < BRAKING_M_S2] = BRAKING
    phase[a > DRIVING_M_S2] = DRIVE
    edges = np.flatnonzero(np.diff(phase)) + 1
    starts, stops = np.concatenate(([0], edges)), np.concatenate((edges, [len(phase)]))
    for index in range(1, len(starts) - 1):
        before, here, after = phase[starts[index - 1]], phase[starts[index]], phase[starts[index + 1]]
        if here == STRAIGHT and before == BRAKING and after == DRIVE:
            phase[starts[index] : stops[index]] = MID
    phase[~np.isfinite(acceleration_m_s2)] = -1
    return phase


def is_braking(brake: FloatArray | None, acceleration_m_s2: FloatArray) -> BoolArray:
    """Brake applied, from the brake channel where there is one, else from the deceleration."""
    if brake is not None and np.isfinite(brake).any():
        low, high = np.nanpercentile(brake, [5, 99.5])
        if high > low:
            return np.asarray(np.nan_to_num(brake, nan=low) > low + BRAKE_SHARE * (high - low))
    return np.asarray(np.nan_to_num(acceleration_m_s2) < BRAKING_M_S2)


def lean_from_curvature(curvature_1_m: FloatArray, speed_m_s: FloatArray) -> FloatArray:
    """Lean of the line from contact point to centre of mass, atan(v^2 x curvature / g), right positive. [deg]"""
    return np.degrees(np.arctan(speed_m_s**2 * curvature_1_m / GRAVITY_M_S2))


def lean_from_path(
    east_m: FloatArray, north_m: FloatArray, speed_m_s: FloatArray, sample_rate_hz: float
) -> FloatArray:
    """Lean that balances the bends of a ride's own path, right positive, shape (n_samples,). [deg]"""
    width = max(round(0.5 * sample_rate_hz), 3)
    east, north = np.gradient(moving_mean(east_m, width)), np.gradient(moving_mean(north_m, width))
    valid = np.isfinite(east) & np.isfinite(north)
    heading = np.full(len(east), np.nan)
    heading[valid] = np.unwrap(np.arctan2(north[valid], east[valid]))
    yaw_rate = np.gradient(moving_mean(heading, width)) * sample_rate_hz
    return np.degrees(np.arctan(-speed_m_s * yaw_rate / GRAVITY_M_S2))
