"""Packing: an end that comes back too slowly over a run of bumps and rides lower and lower.

Told from a load (brake, lean, a hollow), under which an end rides low as well, by four things at once: even the
least travel between the bumps stays deeper than the ride height before and after the run; rebound is slower than
compression; the motorcycle neither brakes nor drives harder meanwhile; and the other end does not sink with it.
"""

import numpy as np

from telemetry.arrays import ENDS, BoolArray, FloatArray
from telemetry.motion.motion import EndMotion, Motion
from telemetry.motion.strokes import StrokeList, stroke_list
from telemetry.motion.summary import PackingEvent

# A bump is a compression stroke of so much at the wheel, and a run of them one at least each so often. All of these
# are choices of ours, made on simulated machines with their own and with four times their rebound damping.
BUMP_MM = 6.0
APART_S = 0.4
LEAST_BUMPS = 4
# How much deeper than the ride height it stays, and how much slower rebound is at its fastest.
SINK_MM = 3.0
SLOW_SHARE = 0.7
# Ride height is the mean travel over so long before the run, and from so long after it, when it has come back.
BEFORE_S, AFTER_S = 0.5, (0.4, 0.9)
# The speed's slope may differ by so much from before to after: load transfer is the same.
STEADY_M_S2 = 2.0
SLOPE_S = 0.5
# The other end sinks less than this share of what this one does.
OTHER_SHARE = 0.5


class _Mean:
    """Mean travel of one end between any two samples, NaN left out."""

    def __init__(self, travel_mm: FloatArray) -> None:
        known = np.isfinite(travel_mm)
        self._sum = np.concatenate(([0.0], np.cumsum(np.where(known, travel_mm, 0.0))))
        self._count = np.concatenate(([0], np.cumsum(known)))

    def over(self, start: int, stop: int) -> float:
        """NaN when nothing there is valid, or it lies beyond the record."""
        if start < 0 or stop >= len(self._sum) or self._count[stop] == self._count[start]:
            return float("nan")
        return float((self._sum[stop] - self._sum[start]) / (self._count[stop] - self._count[start]))


def find_packing(motion: Motion, moving: BoolArray, speed_m_s: FloatArray) -> tuple[PackingEvent, ...]:
    """Every run of bumps over which an end packed, in order of time.

    Parameters
    ----------
    moving : ndarray of bool, shape (n_samples,)
    speed_m_s : ndarray of shape (n_samples,)
        Ground speed. Where it is not known nothing is found: braking looks the same. [m/s]

    Returns
    -------
    tuple of PackingEvent
        Place is not filled in: lap, distance, corner and phase are None.
    """
    means = {name: _Mean(end.wheel_travel_mm) for name, end in motion.ends.items()}
    found = []
    for name, end in motion.ends.items():
        other = next((means[o] for o in ENDS if o != name and o in means), None)
        found += _of_end(end, motion, stroke_list(end, moving, BUMP_MM), means[name], other, speed_m_s)
    return tuple(sorted(found, key=lambda event: event.start_s))


def _of_end(
    end: EndMotion,
    motion: Motion,
    strokes: StrokeList,
    own: _Mean,
    other: _Mean | None,
    speed_m_s: FloatArray,
) -> list[PackingEvent]:
    rate = motion.sample_rate_hz
    down = strokes.change_mm > 0
    at, trough = strokes.start[down], end.wheel_travel_mm[strokes.start[down]]
    apart = round(APART_S * rate)
    events: list[PackingEvent] = []
    first = 0
    while first + LEAST_BUMPS <= len(at):
        before = own.over(int(at[first]) - round(BEFORE_S * rate), int(at[first]))
        last = first
        # the run goes on while the next bump is near and meets an end that has not come back
        while last + 1 < len(at) and at[last + 1] - at[last] <= apart and trough[last + 1] > before + SINK_MM:
            last += 1
        event = None
        if last - first + 1 >= LEAST_BUMPS:
            event = _event(end, strokes, (int(at[first]), int(at[last])), before, own, other, speed_m_s, rate)
        if event is not None:
            events.append(event)
        first = last + 1 if event is not None else first + 1
    return events


def _event(
    end: EndMotion,
    strokes: StrokeList,
    run: tuple[int, int],
    before: float,
    own: _Mean,
    other: _Mean | None,
    speed_m_s: FloatArray,
    rate: float,
) -> PackingEvent | None:
    start, stop = run
    later, latest = (stop + round(s * rate) for s in AFTER_S)
    ride_height = max(before, own.over(later, latest))
    inside = (strokes.start >= start) & (strokes.start < stop)
    down = inside & (strokes.change_mm > 0)
    up = inside & (strokes.change_mm < 0)
    if not down.any() or not up.any():
        return None
    troughs = end.wheel_travel_mm[strokes.end[up]]
    sink = float(np.median(troughs)) - ride_height
    compression, rebound = (float(np.median(strokes.peak_mm_s[way])) for way in (down, up))
    if not sink >= SINK_MM or rebound > SLOW_SHARE * compression:
        return None
    if not _steady(speed_m_s[start - round(BEFORE_S * rate) : latest + 1], rate):
        return None
    if other is not None:
        there = max(other.over(start - round(BEFORE_S * rate), start), other.over(later, latest))
        if not other.over(start, stop) - there < OTHER_SHARE * (own.over(start, stop) - ride_height):
            return None
    return PackingEvent(
        end=end.end,
        start_s=start / rate,
        end_s=stop / rate,
        lap=None,
        distance_m=None,
        corner=None,
        phase=None,
        bumps=int(down.sum()) + 1,
        sink_mm=sink,
        compression_mm_s=compression,
        rebound_mm_s=rebound,
    )


def _steady(speed_m_s: FloatArray, rate: float) -> bool:
    """Whether the slope of the speed stays the same; not where the speed is not known."""
    step = max(1, round(SLOPE_S * rate / 2))
    at = speed_m_s[::step]
    slope = (at[2:] - at[:-2]) / (2 * step / rate)
    return len(slope) > 1 and bool(np.ptp(slope) <= STEADY_M_S2)
