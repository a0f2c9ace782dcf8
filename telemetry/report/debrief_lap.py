"""What a debrief draws of one lap: the mirrored travel, and the map with the events of all laps."""

from collections.abc import Iterator, Mapping

import numpy as np

from telemetry.arrays import End, FloatArray
from telemetry.motion import StopEvent, judged_ends
from telemetry.report import page
from telemetry.report.pictures import LapTrace, MapMark, mirrored_travel, track_map
from telemetry.report.words import best_lap, named_corners
from telemetry.summary import LapSummary, Summary, Traces
from telemetry.wording import lap_time


def lap_travel(summary: Summary, traces: Traces) -> str:
    """Section with the travel of both ends over the best lap, or the whole run where there is none.

    Returns
    -------
    str
        HTML; "" without travel.
    """
    lap = best_lap(summary)
    inside = _inside(traces, lap)
    distance_m = traces["distance_m"][inside]
    over_distance = lap is not None and bool(np.isfinite(distance_m).all()) and len(distance_m) > 1
    x = np.maximum.accumulate(distance_m) if over_distance else traces["t_s"][inside]
    ends = judged_ends(summary.ends)
    if len(x) < 2:
        return ""
    travel: Mapping[End, FloatArray] = {end: traces[f"{end}_wheel_mm"][inside] for end in ends}
    trace = LapTrace(
        x, "m" if over_distance else "s", travel, {end: s.wheel_stroke_mm for end, s in ends.items()}
    )
    here = lap.lap if lap else None
    drawn = mirrored_travel(
        trace,
        summary.corners,
        (stop for stop in _stops_of(summary) if here is None or stop.lap == here),
        (event for event in summary.oscillation.events if here is None or event.lap == here),
    )
    return page.section(
        f"Wheel travel over {_lap_name(lap)}",
        page.figure(
            drawn,
            "Front above, rear below, both measured outwards from full extension: ends that move together draw a "
            "symmetrical picture. Numbers in the middle are corners; a wedge is bottomed, a ring (front) or square "
            "(rear) is topped out, a wave is where the rear rang. Gaps are samples that were masked.",
        ),
    )


def lap_map(summary: Summary, traces: Traces) -> str:
    """Section with the map of the best lap and what happened where.

    Returns
    -------
    str
        HTML.
    """
    lap = best_lap(summary)
    inside = _inside(traces, lap)
    title = "Where on the lap"
    if "x_m" not in traces or "y_m" not in traces:
        return page.section(title, page.paragraph("The log has no position, so there is no map."))
    x, y, distance = traces["x_m"][inside], traces["y_m"][inside], traces["distance_m"][inside]
    known = np.isfinite(x) & np.isfinite(y)
    if np.count_nonzero(known) < 2:
        return page.section(title, page.paragraph("The log's position is not usable, so there is no map."))
    at = known & np.isfinite(distance)

    def place(distance_m: float) -> tuple[float, float]:
        where = np.interp(distance_m, np.maximum.accumulate(distance[at]), np.arange(np.count_nonzero(at)))
        return float(x[at][round(float(where))]), float(y[at][round(float(where))])

    corners = [(c.number, *place(c.apex_m)) for c in summary.corners] if at.any() else []
    marks = [MapMark(*_position(traces, stop.time_s), stop.end, stop.kind) for stop in _stops_of(summary)] + [
        MapMark(*_position(traces, event.start_s), "rear", "oscillation")
        for event in summary.oscillation.events
    ]
    marks = [mark for mark in marks if np.isfinite(mark.x_m) and np.isfinite(mark.y_m)]
    return page.section(
        title,
        page.figure(
            track_map(x, y, corners, marks),
            f"Line of {_lap_name(lap)}, north up; events of all laps. Violet is the front, ochre the rear. "
            "Wedge up: front bottomed; wedge down: rear bottomed; ring: front topped out; square: rear topped "
            f"out; wave: rear rang. {named_corners(summary.corners)}".strip(),
        ),
    )


def _inside(traces: Traces, lap: LapSummary | None) -> slice:
    """The samples of a lap, of the whole run without one."""
    if lap is None:
        return slice(None)
    first, last = np.searchsorted(traces["t_s"], [lap.start_s, lap.end_s])
    return slice(int(first), int(last)) if last > first else slice(None)


def _lap_name(lap: LapSummary | None) -> str:
    if lap is None:
        return "the whole run"
    return f"lap {lap.lap}, {lap_time(lap.time_s)}" + ("" if lap.complete else " (not a complete lap)")


def _stops_of(summary: Summary) -> Iterator[StopEvent]:
    for end in summary.ends.values():
        yield from (*end.bottomed, *end.topped_out)


def _position(traces: Traces, time_s: float) -> tuple[float, float]:
    index = min(int(np.searchsorted(traces["t_s"], time_s)), len(traces["t_s"]) - 1)
    return float(traces["x_m"][index]), float(traces["y_m"][index])
