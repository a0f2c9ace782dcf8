"""Bottomed and topped out: where an end reached the limit of its travel."""

import numpy as np

from telemetry.arrays import BoolArray, FloatArray, IntArray
from telemetry.motion.motion import EndMotion
from telemetry.motion.summary import StopEvent

# Within this of the end of the stroke the damper counts as against it: the last part of a compressed bump
# stop, and more than sensor noise and zero error. A choice of ours; no source.
REACH_SHARE = 0.015
REACH_MIN_MM = 1.0
# Contacts closer than this are one: the end bouncing on its stop.
MERGE_S = 0.15
# Arrival speed is the fastest in this time before the contact.
ARRIVAL_S = 0.05


def runs_of(mask: BoolArray) -> IntArray:
    """Start and stop (one past the end) of every run of True, shape (n_runs, 2)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], mask.astype(np.int8), [0]))))
    return edges.reshape(-1, 2)


def _merged(pieces: IntArray, gap: int) -> list[tuple[int, int]]:
    joined: list[tuple[int, int]] = []
    for start, stop in pieces.tolist():
        if joined and start - joined[-1][1] < gap:
            joined[-1] = (joined[-1][0], stop)
        else:
            joined.append((start, stop))
    return joined


def find_stops(end: EndMotion, t_s: FloatArray, moving: BoolArray) -> tuple[StopEvent, ...]:
    """Every contact of one end with the limits of its travel while riding, in order of time.

    Parameters
    ----------
    end : EndMotion
    t_s : ndarray of shape (n_samples,)
        Uniform clock. [s]
    moving : ndarray of bool, shape (n_samples,)
        Contacts while standing (on a paddock stand, say) are not events.

    Returns
    -------
    tuple of StopEvent
        Place is not filled in: lap, distance, corner and phase are None.
    """
    rate = 1.0 / (t_s[1] - t_s[0])
    reach = max(REACH_SHARE * end.stroke_mm, REACH_MIN_MM)
    events: list[StopEvent] = []
    for kind, sign, at_stop in (
        ("bottomed", 1.0, end.shaft_travel_mm >= end.stroke_mm - reach),
        ("topped_out", -1.0, end.shaft_travel_mm <= reach),
    ):
        for start, stop in _merged(runs_of(at_stop & moving), round(MERGE_S * rate)):
            extreme = start + int(np.nanargmax(sign * end.shaft_travel_mm[start:stop]))
            arrival = end.wheel_speed_mm_s[max(start - round(ARRIVAL_S * rate), 0) : start + 1]
            arrival = arrival[np.isfinite(arrival)]
            events.append(
                StopEvent(
                    end=end.end,
                    kind="bottomed" if kind == "bottomed" else "topped_out",
                    time_s=float(t_s[extreme]),
                    duration_s=float((stop - start) / rate),
                    lap=None,
                    distance_m=None,
                    corner=None,
                    phase=None,
                    travel_mm=float(end.wheel_travel_mm[extreme]),
                    shaft_travel_mm=float(end.shaft_travel_mm[extreme]),
                    speed_mm_s=float(np.max(sign * arrival, initial=0.0)),
                )
            )
    return tuple(sorted(events, key=lambda event: event.time_s))
