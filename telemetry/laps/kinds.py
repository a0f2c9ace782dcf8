"""What each lap is: timed, out of the pits, into them, aborted, or only a part of one."""

from typing import NamedTuple

import numpy as np

from telemetry.arrays import BoolArray, FloatArray
from telemetry.laps.lap import Lap, LapKind
from telemetry.laps.smooth import commonest

# Slower than this the motorcycle is not riding: pushed, in the pit box, on the stand. A choice of ours.
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
# Without a stop, a speed this even for so long around such a crossing is one held in a pit lane. Choices of ours.
HELD_M_S, HELD_S = 1.0, 5.0


class Span(NamedTuple):
    """A stretch between two crossings of the line, or between one and an end of the log. [s]"""

    number: int
    start_s: float
    end_s: float
    from_line: bool
    to_line: bool


def in_pits(times_s: FloatArray, t_s: FloatArray, speed_m_s: FloatArray) -> tuple[BoolArray, float]:
    """Which crossings of the line were made in the pit lane.

    Told by what happens there: the line is crossed much more slowly than usual, and the motorcycle comes so from a
    stop or goes so to one (the log's ends count as stops), or holds its speed.

    Parameters
    ----------
    times_s : ndarray of shape (n_crossings,)
        [s]
    t_s, speed_m_s : ndarray of shape (n_thin,)
        [s, m/s]

    Returns
    -------
    ndarray of bool, shape (n_crossings,)
    float
        The speed below which a crossing is slow. [m/s]
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


def kinds(
    spans: list[Span],
    t_s: FloatArray,
    speed_m_s: FloatArray,
    travelled_m: FloatArray | None,
    elsewhere: BoolArray,
    several: BoolArray,
    *,
    box_to_box: bool = False,
) -> tuple[Lap, ...]:
    """Laps with their kind.

    Parameters
    ----------
    t_s, speed_m_s : ndarray of shape (n_thin,)
        [s, m/s]
    travelled_m : ndarray of shape (n_thin,) or None
        Along the circuit. [m]
    elsewhere : ndarray of bool, shape (n_spans,)
        Laps known not to follow the others' line.
    several : ndarray of bool, shape (n_spans,)
        Known to be more than one lap.
    box_to_box : bool
        Laps are rides from stop to stop; no line is crossed.
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
