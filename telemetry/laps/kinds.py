"""What each lap is: timed, out of the pits, into them, aborted, or only a part of one."""

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


def kinds(
    spans: list[tuple[int, float, float, bool]],
    t_s: FloatArray,
    speed_m_s: FloatArray,
    travelled_m: FloatArray | None,
    elsewhere: BoolArray,
) -> tuple[Lap, ...]:
    """Laps with their kind.

    Parameters
    ----------
    spans : list of tuple
        Number, start and end [s], and whether the lap goes from the line to the line.
    t_s, speed_m_s : ndarray of shape (n_thin,)
        [s, m/s]
    travelled_m : ndarray of shape (n_thin,) or None
        Along the circuit. [m]
    elsewhere : ndarray of bool, shape (n_spans,)
        Laps known not to follow the others' line.

    Returns
    -------
    tuple of Lap
    """
    slow = np.concatenate(([0.0], np.cumsum(speed_m_s < MOVING_M_S))) * (t_s[1] - t_s[0])
    starts, ends = np.array([s[1] for s in spans]), np.array([s[2] for s in spans])
    first, last = np.searchsorted(t_s, starts), np.searchsorted(t_s, ends)
    stopped = slow[last] - slow[first]
    lengths = np.full(len(spans), np.nan)
    if travelled_m is not None:
        lengths = np.interp(ends, t_s, travelled_m) - np.interp(starts, t_s, travelled_m)
    whole = np.array([s[3] for s in spans]) & ~elsewhere
    riding = whole & (stopped < LEAST_STOP_S)
    usual = riding if riding.any() else whole
    time = length = np.nan
    if usual.any() and travelled_m is not None:
        length = commonest(lengths[usual], SAME_CIRCUIT)
        usual = usual & (np.abs(lengths - length) <= SAME_CIRCUIT * length)
    if usual.any():
        time = float(np.median((ends - starts)[usual]))
    laps = []
    for i, (number, start, end, from_line_to_line) in enumerate(spans):
        inside = slice(first[i], last[i])
        kind = _kind(
            from_line_to_line,
            stopped[i] >= LEAST_STOP_S,
            t_s[inside],
            speed_m_s[inside],
            starts_log=i == 0,
        )
        other_length = abs(lengths[i] - length) > SAME_CIRCUIT * length
        # a whole number of laps is a crossing that was missed
        missed = other_length and abs(lengths[i] / length - round(lengths[i] / length)) <= SAME_CIRCUIT
        if elsewhere[i] or (kind == "timed" and other_length and not missed):
            kind = "elsewhere"
        elif kind == "timed" and (missed or abs(end - start - time) > LAP_TIME_SPREAD * time):
            kind = "aborted"
        laps.append(
            Lap(
                lap=number,
                start_s=start,
                end_s=end,
                distance_m=None if np.isnan(lengths[i]) else float(lengths[i]),
                complete=kind == "timed",
                kind=kind,
                stopped_s=float(stopped[i]),
            )
        )
    return tuple(laps)


def _kind(
    from_line_to_line: bool, stops: bool, t_s: FloatArray, speed_m_s: FloatArray, *, starts_log: bool
) -> LapKind:
    if from_line_to_line and not stops:
        return "timed"
    if not len(t_s):
        return "part"
    still = speed_m_s < MOVING_M_S
    if not from_line_to_line and not stops and not (still[0] or still[-1]):
        return "part"
    # where the middle of the standing lies tells the way out of the pits from the way into them
    middle = float(np.mean(t_s[still])) if still.any() else 0.5 * (t_s[0] + t_s[-1])
    ridden_before = float(np.sum(speed_m_s[t_s < middle]))
    share = ridden_before / max(float(np.sum(speed_m_s)), 1e-9)
    if share < 1 / 3:
        return "out"
    if share > 2 / 3:
        return "in"
    return "aborted" if from_line_to_line else ("out" if starts_log else "in")
