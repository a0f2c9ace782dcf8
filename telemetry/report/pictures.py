"""The pictures of the debrief: front above, rear below, both measured outwards from a centre line."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import ENDS, End, FloatArray
from telemetry.damping.oscillation import OscillationEvent
from telemetry.laps.lap import Corner
from telemetry.motion.summary import EndSummary, Histogram, StopEvent
from telemetry.report import svg
from telemetry.report.labels import beside

WIDTH = 720.0
_LEFT, _RIGHT = 40.0, 712.0
# Share of time outside the picture of speeds on each side that is tolerated; the text says how much it is.
_SPEED_TAIL = 0.002
_BAND = 11.0  # half of the band between the ends


@dataclass(frozen=True)
class LapTrace:
    """One lap to draw: ``x`` never falls and is in ``x_unit``; travel at the wheel, NaN where not valid. [mm]"""

    x: FloatArray
    x_unit: str
    travel_mm: Mapping[End, FloatArray]
    stroke_mm: Mapping[End, float]


def _missing(end: End, y: float) -> str:
    return svg.text((_LEFT + _RIGHT) / 2, y, f"no {end} travel sensor", class_="quiet", text_anchor="middle")


def _x_axis(scale: svg.Scale, y: float, label: str, values: Iterable[float]) -> list[str]:
    parts = [svg.line(scale.start, y, scale.stop, y, class_="axis")]
    for value in values:
        parts.append(svg.line(scale(value), y, scale(value), y + 4, class_="axis"))
        parts.append(svg.text(scale(value), y + 15, f"{value:g}", text_anchor="middle", class_="tick"))
    return [*parts, svg.text(scale.stop, y + 28, label, text_anchor="end", class_="quiet")]


def mirrored_travel(
    lap: LapTrace,
    corners: Iterable[Corner] = (),
    stops: Iterable[StopEvent] = (),
    oscillations: Iterable[OscillationEvent] = (),
) -> str:
    """Wheel travel of both ends over one lap: compression upwards in front, downwards at the rear.

    Parameters
    ----------
    corners : iterable of Corner
        Marked in the middle when the lap is drawn over distance.
    stops : iterable of StopEvent
        Of this lap: a filled wedge where an end bottomed; topped out, front a ring, rear an open square.
    oscillations : iterable of OscillationEvent
        Of this lap: a wave along the rear.

    Returns
    -------
    str
        SVG.
    """
    height, middle, reach = 356.0, 150.0, 125.0
    most = max(lap.stroke_mm.values(), default=125.0)
    x = svg.Scale(float(lap.x[0]), float(lap.x[-1]), _LEFT, _RIGHT)
    side: dict[End, svg.Scale] = {
        "front": svg.Scale(0.0, most, middle - _BAND, middle - reach - _BAND),
        "rear": svg.Scale(0.0, most, middle + _BAND, middle + reach + _BAND),
    }
    body: list[str] = []
    for end in ENDS:
        body += _travel_panel(lap, end, x, side[end])
    over_distance = lap.x_unit == "m"
    body += _corner_band(corners if over_distance else (), x, middle)
    body += _stop_marks(stops, lap, x, side)
    for event in oscillations:
        start = event.distance_m if over_distance else event.start_s
        if start is not None:
            body += _oscillation_mark(start, event, over_distance, x, middle + reach + _BAND)
    label = "distance in the lap [m]" if over_distance else "time in the run [s]"
    body += _x_axis(x, height - 32, label, svg.ticks(x.low, x.high, 10))
    return svg.picture(WIDTH, height, "Wheel travel over the lap, front above, rear below", body)


def _travel_panel(lap: LapTrace, end: End, x: svg.Scale, y: svg.Scale) -> list[str]:
    outward = -1 if end == "front" else 1
    body = []
    for value in svg.ticks(0.0, y.high, 3):
        body.append(svg.line(x.start, y(value), x.stop, y(value), class_="grid"))
        body.append(svg.text(x.start - 5, y(value) + 3.5, f"{value:g}", text_anchor="end", class_="tick"))
    title_y = y(y.high) + outward * (5 if outward < 0 else 14)
    if end not in lap.travel_mm:
        return [*body, _missing(end, (y.start + y.stop) / 2)]
    stroke = lap.stroke_mm[end]
    body.append(svg.line(x.start, y(stroke), x.stop, y(stroke), class_="stroke-end"))
    title = f"{end} wheel travel [mm], dashed: full stroke {stroke:.0f} mm"
    body.append(svg.text(x.start, title_y, title, class_=f"{end} name"))
    px, py = svg.thinned(lap.x, lap.travel_mm[end])
    px, py = x.array(px), y.array(py)
    body.append(svg.element("path", d=svg.area_path(px, py, y.start), class_=f"{end} area"))
    body.append(svg.element("path", d=svg.trace_path(px, py), class_=f"{end} trace"))
    return body


def _corner_band(corners: Iterable[Corner], x: svg.Scale, middle: float) -> list[str]:
    body = [
        svg.line(x.start, middle + side * _BAND, x.stop, middle + side * _BAND, class_="axis")
        for side in (-1, 1)
    ]
    for corner in corners:
        if x.low <= corner.apex_m <= x.high:
            label = str(corner.number)
            body.append(svg.text(x(corner.apex_m), middle + 4, label, text_anchor="middle", class_="corner"))
    return body


def _stop_marks(
    stops: Iterable[StopEvent], lap: LapTrace, x: svg.Scale, side: Mapping[End, svg.Scale]
) -> list[str]:
    body = []
    for stop in stops:
        at = stop.distance_m if lap.x_unit == "m" else stop.time_s
        if at is not None and stop.end in lap.travel_mm and x.low <= at <= x.high:
            y = side[stop.end](lap.stroke_mm[stop.end] if stop.kind == "bottomed" else 0.0)
            body.append(stop_symbol(x(at), y, stop.end, stop.kind))
    return body


def stop_symbol(x: float, y: float, end: End, kind: str) -> str:
    """A filled wedge pointing outwards where an end bottomed; topped out, front a ring, rear an open square."""
    if kind == "topped_out" and end == "front":
        return svg.element("circle", cx=x, cy=y, r=3.4, class_="front ring")
    if kind == "topped_out":
        return svg.element("rect", x=x - 3, y=y - 3, width=6, height=6, class_="rear ring")
    tip, base = (y - 8, y + 1) if end == "front" else (y + 8, y - 1)
    points = f"{x:.1f},{tip:.1f} {x - 5:.1f},{base:.1f} {x + 5:.1f},{base:.1f}"
    return svg.element("polygon", points=points, class_=f"{end} wedge")


def _oscillation_mark(
    start: float, event: OscillationEvent, over_distance: bool, x: svg.Scale, y: float
) -> list[str]:
    """A wave where the rear rang; its length is known in time, over distance it is drawn short."""
    left = x(start)
    width = 26.0 if over_distance else max(26.0, x(event.end_s) - x(start))
    return [
        wave(left, y + 27, width),
        svg.text(left - 4, y + 30, "rang", class_="rear tick", text_anchor="end"),
    ]


def wave(x: float, y: float, width: float) -> str:
    """A short wave: the sign for an oscillation."""
    at = np.linspace(0.0, 1.0, 41)
    return svg.element(
        "path",
        d=svg.trace_path(x + width * at, y + 4.0 * np.sin(2 * np.pi * max(2, round(width / 9)) * at)),
        class_="rear wave",
    )


def _steps(histogram: Histogram, x: svg.Scale, y: svg.Scale) -> tuple[FloatArray, FloatArray]:
    """Outline of a histogram inside the picture's range."""
    edges, share = np.asarray(histogram.edges), np.asarray(histogram.share)
    inside = (edges[1:] > x.low + 1e-9) & (edges[:-1] < x.high - 1e-9)
    left, right = np.clip(edges[:-1][inside], x.low, x.high), np.clip(edges[1:][inside], x.low, x.high)
    return x.array(np.column_stack([left, right]).ravel()), y.array(np.repeat(share[inside], 2))


def _back_to_back(
    histograms: Mapping[End, Histogram], x: svg.Scale, middle: float, reach: float
) -> tuple[list[str], dict[End, svg.Scale]]:
    """Histograms of both ends outwards from one axis, on the same scale of shares."""
    most = max((max(h.share) for h in histograms.values()), default=0.0) or 1.0
    scales: dict[End, svg.Scale] = {
        "front": svg.Scale(0.0, most, middle - _BAND, middle - reach),
        "rear": svg.Scale(0.0, most, middle + _BAND, middle + reach),
    }
    body: list[str] = []
    for end in ENDS:
        y = scales[end]
        if end not in histograms:
            body.append(_missing(end, (y.start + y.stop) / 2))
            continue
        for share in svg.ticks(0.0, most, 3)[1:]:
            body.append(svg.line(x.start, y(share), x.stop, y(share), class_="grid"))
            label = f"{100 * share:g} %"
            body.append(svg.text(x.start - 5, y(share) + 3.5, label, text_anchor="end", class_="tick"))
        px, py = _steps(histograms[end], x, y)
        body.append(svg.element("path", d=svg.area_path(px, py, y.start), class_=f"{end} area"))
        body.append(svg.element("path", d=svg.trace_path(px, py), class_=f"{end} trace"))
        body.append(
            svg.text(
                x.stop, y.stop + (4 if end == "front" else 2), end, class_=f"{end} name", text_anchor="end"
            )
        )
    for value in svg.ticks(x.low, x.high, 8):
        body.append(svg.text(x(value), middle + 4, f"{value:g}", text_anchor="middle", class_="tick"))
    body += [
        svg.line(x.start, middle + s * _BAND, x.stop, middle + s * _BAND, class_="axis") for s in (-1, 1)
    ]
    return body, scales


def speed_reach_mm_s(histograms: Iterable[Histogram]) -> float:
    """How far the picture of speeds must reach to hold all but a little of the time at both ends. [mm/s]"""
    reach = 250.0
    for histogram in histograms:
        edges, share = np.asarray(histogram.edges), np.asarray(histogram.share)
        outer = np.maximum(np.abs(edges[:-1]), np.abs(edges[1:]))
        for limit in np.arange(250.0, outer.max() + 1, 250.0):
            reach = max(reach, min(limit, outer.max()))
            if share[outer > limit].sum() <= _SPEED_TAIL:
                break
    return reach


def speed_histograms(ends: Mapping[End, EndSummary]) -> str:
    """Share of time at each wheel speed, front and rear back to back: rebound left, compression right.

    Returns
    -------
    str
        SVG.
    """
    histograms: dict[End, Histogram] = {end: s.wheel.speed_histogram for end, s in ends.items()}
    reach = speed_reach_mm_s(histograms.values())
    height, middle = 260.0, 122.0
    x = svg.Scale(-reach, reach, _LEFT, _RIGHT)
    body, _ = _back_to_back(histograms, x, middle, 110.0)
    body.insert(0, svg.line(x(0), 12, x(0), 232, class_="zero"))
    body.append(svg.text(x.start, height - 6, "← rebound", class_="quiet"))
    body.append(
        svg.text(
            x(0),
            height - 6,
            "wheel speed [mm/s], share of time per 25 mm/s",
            class_="quiet",
            text_anchor="middle",
        )
    )
    body.append(svg.text(x.stop, height - 6, "compression →", class_="quiet", text_anchor="end"))
    return svg.picture(WIDTH, height, "Share of time at each wheel speed, front above, rear below", body)


def travel_use(ends: Mapping[End, EndSummary]) -> str:
    """Share of time at each wheel travel, front and rear back to back, with median, 95 % and most.

    Returns
    -------
    str
        SVG.
    """
    histograms: dict[End, Histogram] = {end: s.wheel.travel_histogram for end, s in ends.items()}
    longest = max((s.wheel_stroke_mm for s in ends.values()), default=125.0)
    height, middle, reach = 260.0, 122.0, 110.0
    x = svg.Scale(0.0, 10.0 * np.ceil((longest + 4) / 10.0), _LEFT, _RIGHT)
    body, scales = _back_to_back(histograms, x, middle, reach)
    for end, summary in ends.items():
        y, travel = scales[end], summary.wheel.travel
        stroke = x(summary.wheel_stroke_mm)
        body.append(svg.line(stroke, y.start, stroke, y.stop, class_="stroke-end"))
        for value, words, level in (
            (travel.median_mm, "median", 0.92),
            (travel.p95_mm, "95 %", 0.62),
            (travel.max_mm, "most", 0.34),
        ):
            if np.isfinite(value):
                place = y.start + level * (y.stop - y.start)
                body.append(svg.line(x(value), y.start, x(value), place, class_=f"{end} mark"))
                near_edge = x(value) > x.stop - 60
                body.append(
                    svg.text(
                        x(value) + (-4 if near_edge else 4), place + (9 if end == "front" else 0),
                        f"{words} {value:.0f}", class_=f"{end} tick", text_anchor="end" if near_edge else "start",
                    )
                )  # fmt: skip
    label = "wheel travel [mm], share of time per 5 mm; dashed: full stroke"
    body.append(svg.text((x.start + x.stop) / 2, height - 6, label, class_="quiet", text_anchor="middle"))
    return svg.picture(WIDTH, height, "Share of time at each wheel travel, front above, rear below", body)


@dataclass(frozen=True)
class MapMark:
    """Something that happened at a place; ``kind`` is bottomed, topped_out or oscillation."""

    x_m: float
    y_m: float
    end: End
    kind: str


def track_map(
    x_m: FloatArray, y_m: FloatArray, corners: Iterable[tuple[int, float, float]], marks: Iterable[MapMark]
) -> str:
    """The lap seen from above, north up, with what happened where.

    Parameters
    ----------
    x_m, y_m : ndarray of shape (n_samples,)
        East and north; NaN where unknown. [m]
    corners : iterable of (number, x_m, y_m)

    Returns
    -------
    str
        SVG.
    """
    x_m, y_m = x_m[:: max(1, len(x_m) // 800)], y_m[:: max(1, len(y_m) // 800)]
    west, east, south, north = np.nanmin(x_m), np.nanmax(x_m), np.nanmin(y_m), np.nanmax(y_m)
    pixels = min(640.0 / max(east - west, 1.0), 250.0 / max(north - south, 1.0))
    height = (north - south) * pixels + 60.0
    left = (WIDTH - (east - west) * pixels) / 2

    def place(x: float, y: float) -> tuple[float, float]:
        return left + (x - west) * pixels, 30.0 + (north - y) * pixels

    px, py = left + (x_m - west) * pixels, 30.0 + (north - y_m) * pixels
    path = svg.trace_path(px, py)
    body = [svg.element("path", d=path, class_="road"), svg.element("path", d=path, class_="road-line")]
    known = np.isfinite(px) & np.isfinite(py)
    lx, ly, labels = px[known], py[known], list[tuple[float, float]]()
    for number, x, y in corners:
        cx, cy = place(x, y)
        labels.append(beside(lx, ly, int(np.argmin(np.hypot(lx - cx, ly - cy))), 17.0, labels))
        body.append(
            svg.text(labels[-1][0], labels[-1][1] + 4, str(number), class_="corner", text_anchor="middle")
        )
    for mark in marks:
        cx, cy = place(mark.x_m, mark.y_m)
        if mark.kind == "oscillation":
            body.append(svg.element("circle", cx=cx, cy=cy, r=9, class_="halo"))
            body.append(wave(cx - 9, cy, 18))
        else:
            body.append(stop_symbol(cx, cy, mark.end, mark.kind))
    return svg.picture(WIDTH, height, "The lap from above, north up, with corner numbers and events", body)
