"""Pictures of one lap as data: the travel of both ends along it, and its map with the events of all laps."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import End, FloatArray
from telemetry.damping.oscillation import OscillationEvent
from telemetry.laps import Corner
from telemetry.motion import StopEvent, judged_ends
from telemetry.report.blocks import Figure, Medium, Section, Sentence, section
from telemetry.summary import LapSummary, Summary, Traces
from telemetry.wording import lap_time, lap_words


@dataclass(frozen=True)
class LapPicture:
    """Travel of both ends over one lap.

    Parameters
    ----------
    x : ndarray of shape (n_samples,)
        Never falling, in ``x_unit``.
    travel_mm : mapping of end to ndarray
        At the wheel, NaN where not valid. [mm]
    corners : tuple of Corner
        Empty where ``x`` is no distance.
    """

    x: FloatArray
    x_unit: str
    travel_mm: Mapping[End, FloatArray]
    stroke_mm: Mapping[End, float]
    corners: tuple[Corner, ...] = ()
    stops: tuple[StopEvent, ...] = ()
    oscillations: tuple[OscillationEvent, ...] = ()


@dataclass(frozen=True)
class MapMark:
    """Something that happened at a place; ``kind`` is bottomed, topped_out or oscillation. [m]"""

    x_m: float
    y_m: float
    end: End
    kind: str


@dataclass(frozen=True)
class MapPicture:
    """The lap seen from above, north up: east and north, NaN where unknown; corners by number. [m]"""

    x_m: FloatArray
    y_m: FloatArray
    corners: tuple[tuple[int, float, float], ...]
    marks: tuple[MapMark, ...]


def best_lap(summary: Summary) -> LapSummary | None:
    """The quickest complete lap, or the longest part lap where none is complete."""
    complete = [lap for lap in summary.laps if lap.complete]
    if complete:
        return min(complete, key=lambda lap: lap.time_s)
    return max(summary.laps, key=lambda lap: lap.time_s, default=None)


def lap_travel(summary: Summary, traces: Traces) -> Section | None:
    """The travel of both ends over the best lap, or the whole run where there is none."""
    lap = best_lap(summary)
    inside = _inside(traces, lap)
    distance_m = traces["distance_m"][inside]
    over_distance = lap is not None and bool(np.isfinite(distance_m).all()) and len(distance_m) > 1
    x = np.maximum.accumulate(distance_m) if over_distance else traces["t_s"][inside]
    if len(x) < 2:
        return None
    ends = judged_ends(summary.ends)
    here = lap.lap if lap else None
    picture = LapPicture(
        x,
        "m" if over_distance else "s",
        {end: traces[f"{end}_wheel_mm"][inside] for end in ends},
        {end: s.wheel_stroke_mm for end, s in ends.items()},
        summary.corners if over_distance else (),
        tuple(stop for stop in _stops(summary) if here is None or stop.lap == here),
        tuple(event for event in summary.oscillation.events if here is None or event.lap == here),
    )
    words = (
        "Front above, rear below, both measured outwards from full extension: ends that move together draw a "
        "symmetrical picture. Numbers in the middle are corners; a wedge is bottomed, a ring (front) or square "
        "(rear) is topped out, a wave is where the rear rang. Gaps are samples that were masked."
    )
    title = f"Wheel travel over {_lap_name(lap)}"
    return section("travel", title, Figure("lap", picture, words), medium=Medium.PAPER)


def lap_map(summary: Summary, traces: Traces) -> Section | None:
    """The map of the best lap and what happened where."""
    title, lap = "Where on the lap", best_lap(summary)
    inside = _inside(traces, lap)
    if "x_m" not in traces or "y_m" not in traces:
        no_map = Sentence("The log has no position, so there is no map.")
        return section("map", title, no_map, medium=Medium.PAPER)
    x, y, distance = traces["x_m"][inside], traces["y_m"][inside], traces["distance_m"][inside]
    known = np.isfinite(x) & np.isfinite(y)
    if np.count_nonzero(known) < 2:
        no_map = Sentence("The log's position is not usable, so there is no map.")
        return section("map", title, no_map, medium=Medium.PAPER)
    at = known & np.isfinite(distance)

    def place(distance_m: float) -> tuple[float, float]:
        where = np.interp(distance_m, np.maximum.accumulate(distance[at]), np.arange(np.count_nonzero(at)))
        return float(x[at][round(float(where))]), float(y[at][round(float(where))])

    marks = [MapMark(*_position(traces, stop.time_s), stop.end, stop.kind) for stop in _stops(summary)] + [
        MapMark(*_position(traces, event.start_s), "rear", "oscillation")
        for event in summary.oscillation.events
    ]
    picture = MapPicture(
        x,
        y,
        tuple((c.number, *place(c.apex_m)) for c in summary.corners) if at.any() else (),
        tuple(mark for mark in marks if np.isfinite(mark.x_m) and np.isfinite(mark.y_m)),
    )
    words = (
        f"Line of {_lap_name(lap)}, north up; events of all laps. Violet is the front, ochre the rear. Wedge up: front "
        "bottomed; wedge down: rear bottomed; ring: front topped out; square: rear topped out; wave: rear rang."
    )
    return section("map", title, Figure("map", picture, words), medium=Medium.PAPER)


def _inside(traces: Traces, lap: LapSummary | None) -> slice:
    """The samples of a lap, of the whole run without one."""
    if lap is None:
        return slice(None)
    first, last = np.searchsorted(traces["t_s"], [lap.start_s, lap.end_s])
    return slice(int(first), int(last)) if last > first else slice(None)


def _lap_name(lap: LapSummary | None) -> str:
    if lap is None:
        return "the whole run"
    return f"lap {lap_words(lap.lap, lap.complete, lap.kind)}, {lap_time(lap.time_s)}"


def _stops(summary: Summary) -> Iterator[StopEvent]:
    for end in summary.ends.values():
        yield from (*end.bottomed, *end.topped_out)


def _position(traces: Traces, time_s: float) -> tuple[float, float]:
    index = min(int(np.searchsorted(traces["t_s"], time_s)), len(traces["t_s"]) - 1)
    return float(traces["x_m"][index]), float(traces["y_m"][index])


def beside(
    x_m: FloatArray, y_m: FloatArray, at: int, offset_m: float, others: Sequence[tuple[float, float]] = ()
) -> tuple[float, float]:
    """A point for a label beside the line, on the side where there is more room.

    Parameters
    ----------
    x_m, y_m : ndarray of shape (n_points,)
        The line.
    at : int
        Where on it.
    offset_m : float
        How far beside.
    others : sequence of (float, float)
        Labels that stand already.
    """
    low, high = max(at - 8, 0), min(at + 8, len(x_m) - 1)
    along = np.array([x_m[high] - x_m[low], y_m[high] - y_m[low]])
    across = offset_m * np.array([-along[1], along[0]]) / (float(np.hypot(*along)) or 1.0)
    taken = np.concatenate([np.stack([x_m, y_m], axis=-1), np.reshape(others, (-1, 2))])
    sides = [np.array([x_m[at], y_m[at]]) + side * across for side in (1.0, -1.0)]
    room = [float(np.min(np.hypot(*(taken - side).T))) for side in sides]
    # With about equal room the outside of the map is the better place.
    middle = np.array([np.mean(x_m), np.mean(y_m)])
    outside = int(np.argmax([np.hypot(*(side - middle)) for side in sides]))
    room[outside] += 0.2 * offset_m
    best = int(np.argmax(room))
    return float(sides[best][0]), float(sides[best][1])
