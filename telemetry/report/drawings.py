"""Pictures drawn as SVG for paper: a table of functions by kind of picture."""

from collections.abc import Callable, Iterable
from typing import Any

import numpy as np

from telemetry.arrays import ENDS, End
from telemetry.report import svg
from telemetry.report.figures import Curve, Drawing, Halves, Upright
from telemetry.report.lap import Small, TrackPicture, TravelPicture, thinned
from telemetry.report.season import MARKS, SeasonPicture

WIDTH = 720.0
_LEFT, _RIGHT = 40.0, 712.0
_BAND = 11.0  # half of the band between the ends


def drawn(picture: Any) -> str:
    """A picture as SVG."""
    return DRAW[type(picture)](picture)


def _missing(end: End, y: float) -> str:
    return svg.text((_LEFT + _RIGHT) / 2, y, f"no {end} travel sensor", class_="quiet", text_anchor="middle")


def _x_axis(scale: svg.Scale, y: float, label: str, values: Iterable[float]) -> list[str]:
    parts = [svg.line(scale.start, y, scale.stop, y, class_="axis")]
    for value in values:
        parts.append(svg.line(scale(value), y, scale(value), y + 4, class_="axis"))
        parts.append(svg.text(scale(value), y + 15, svg.tick(value), text_anchor="middle", class_="tick"))
    return [*parts, svg.text(scale.stop, y + 28, label, text_anchor="end", class_="quiet")]


def _lap(picture: TravelPicture, reach: float = 125.0) -> str:
    """Wheel travel of both ends over one lap: compression upwards in front, downwards at the rear.

    Filled wedge: bottomed; front ring or rear open square: topped out; wave: the rear rang.
    """
    height, middle = 106.0 + 2 * reach, 25.0 + reach
    most = max(picture.stroke_mm.values(), default=125.0)
    x = svg.Scale(float(picture.x[0]), float(picture.x[-1]), _LEFT, _RIGHT)
    side: dict[End, svg.Scale] = {
        "front": svg.Scale(0.0, most, middle - _BAND, middle - reach - _BAND),
        "rear": svg.Scale(0.0, most, middle + _BAND, middle + reach + _BAND),
    }
    body = [part for end in ENDS for part in _travel_panel(picture, end, x, side[end])]
    body += [
        svg.line(_LEFT, middle + way * _BAND, _RIGHT, middle + way * _BAND, class_="axis") for way in (-1, 1)
    ]
    body += [
        svg.text(x((band.x0 + band.x1) / 2), middle + 4, band.label, text_anchor="middle", class_="corner")
        for band in picture.corners
    ]
    for mark in picture.marks:
        at = picture.stroke_mm.get(mark.end, most) if mark.kind == "bottomed" else 0.0
        body.append(_stop_symbol(x(mark.x), side[mark.end](at), mark.end, mark.kind))
    for band in picture.unsettled:
        left = x(band.x0)
        foot = middle + reach + _BAND
        body.append(_wave(left, foot + 27, max(26.0, x(band.x1) - left)))
        body.append(svg.text(left - 4, foot + 30, "rang", class_="rear tick", text_anchor="end"))
    body += _x_axis(x, height - 32, picture.x_title, svg.ticks(x.low, x.high, 10))
    return svg.picture(WIDTH, height, "Wheel travel over the lap, front above, rear below", body)


def _travel_panel(picture: TravelPicture, end: End, x: svg.Scale, y: svg.Scale) -> list[str]:
    outward = -1 if end == "front" else 1
    body = [svg.level_axis(y, x.start, x.stop, "mm", 3)]
    title_y = y(y.high) + outward * (5 if outward < 0 else 14)
    if end not in picture.travel_mm:
        return [*body, _missing(end, (y.start + y.stop) / 2)]
    title = f"{end} wheel travel [mm]"
    if (stroke := picture.stroke_mm.get(end)) is not None:
        body.append(svg.line(x.start, y(stroke), x.stop, y(stroke), class_="stroke-end"))
        title += f", dashed: full stroke {stroke:.0f} mm"
    body.append(svg.text(x.start, title_y, title, class_=f"{end} name"))
    px, py = thinned(picture.x, picture.travel_mm[end])
    px, py = x.array(px), y.array(py)
    body.append(svg.element("path", d=svg.area_path(px, py, y.start), class_=f"{end} area"))
    body.append(svg.element("path", d=svg.trace_path(px, py), class_=f"{end} trace"))
    return body


def _stop_symbol(x: float, y: float, end: End, kind: str) -> str:
    """A filled wedge pointing outwards where an end bottomed; topped out, front a ring, rear an open square."""
    if kind == "topped_out" and end == "front":
        return svg.element("circle", cx=x, cy=y, r=3.4, class_="front ring")
    if kind == "topped_out":
        return svg.element("rect", x=x - 3, y=y - 3, width=6, height=6, class_="rear ring")
    tip, base = (y - 8, y + 1) if end == "front" else (y + 8, y - 1)
    points = f"{x:.1f},{tip:.1f} {x - 5:.1f},{base:.1f} {x + 5:.1f},{base:.1f}"
    return svg.element("polygon", points=points, class_=f"{end} wedge")


def _wave(x: float, y: float, width: float) -> str:
    """A short wave: the sign for an oscillation."""
    at = np.linspace(0.0, 1.0, 41)
    return svg.element(
        "path",
        d=svg.trace_path(x + width * at, y + 4.0 * np.sin(2 * np.pi * max(2, round(width / 9)) * at)),
        class_="rear wave",
    )


def _halves(picture: Halves) -> str:
    """Both halves back to back, outwards from the middle on one scale."""
    height, middle, reach = 270.0, 126.0, 110.0
    x = svg.Scale(*picture.x_range, _LEFT, _RIGHT)
    sides: dict[End, svg.Scale] = {
        "front": svg.Scale(-picture.below, picture.top, middle - _BAND, middle - reach),
        "rear": svg.Scale(-picture.below, picture.top, middle + _BAND, middle + reach),
    }
    body = []
    for shade in picture.shades:
        y = sides[shade.end]
        body.append(_box(x(shade.low), x(shade.high), y.start, y.stop))
        words_y = y.stop + (10 if shade.end == "front" else -3)
        body.append(svg.text(x(shade.low) + 3, words_y, shade.words, class_="quiet"))
    for end in ENDS:
        body += _half_axis(picture, end, sides[end], x)
    for curve in sorted(picture.curves, key=lambda one: one.own):
        body += _curve(curve, x, sides[curve.half])
    for upright in picture.uprights:
        body += _upright(upright, picture, x, sides[upright.end])
    if picture.zero:
        body.append(svg.line(x(0.0), middle - reach, x(0.0), middle + reach, class_="zero"))
    body.append(svg.across_axis(x, middle + 4, svg.unit_of_title(picture.x_title), 8))
    foot = height - 6
    left, right = picture.headings or ("", "")
    body += [
        svg.text(x.start, foot, left, class_="quiet"),
        svg.text((x.start + x.stop) / 2, foot, _axes_words(picture), class_="quiet", text_anchor="middle"),
        svg.text(x.stop, foot, right, class_="quiet", text_anchor="end"),
    ]
    return svg.picture(WIDTH, height, picture.title, body)


def _axes_words(picture: Halves) -> str:
    """What is along and what is outwards."""
    outwards = {"%": "share of the time [%]"}.get(picture.unit, f"[{picture.unit}]" if picture.unit else "")
    return f"{picture.x_title}; outwards: {outwards}" if outwards else picture.x_title


def _box(x0: float, x1: float, y0: float, y1: float) -> str:
    low, high = min(y0, y1), max(y0, y1)
    return svg.element("rect", x=x0, y=low, width=x1 - x0, height=high - low, class_="shade")


def _half_axis(picture: Halves, end: End, y: svg.Scale, x: svg.Scale) -> list[str]:
    name_y = y.stop + (4 if end == "front" else 2)
    if end not in picture.ends:
        return [_missing(end, (y.start + y.stop) / 2)]
    body = [svg.line(x.start, y(0.0), x.stop, y(0.0), class_="axis")]
    body.append(svg.level_axis(y, x.start, x.stop, picture.unit, 3, zero=False))
    body.append(svg.text(x.stop, name_y, end, class_=f"{end} name", text_anchor="end"))
    return body


def _curve(curve: Curve, x: svg.Scale, y: svg.Scale) -> list[str]:
    inside = (curve.x >= x.low - 1e-9) & (curve.x <= x.high + 1e-9)
    px, py = thinned(curve.x[inside], curve.y[inside])
    px, py = x.array(px), y.array(py)
    line = svg.element(
        "path", d=svg.trace_path(px, py), class_=f"{curve.end} {'trace' if curve.own else 'other'}"
    )
    if not curve.own:
        return [line]
    return [svg.element("path", d=svg.area_path(px, py, y(0.0)), class_=f"{curve.end} area"), line]


def _upright(upright: Upright, picture: Halves, x: svg.Scale, y: svg.Scale) -> list[str]:
    at = x(upright.x)
    if upright.look != "mark":
        return [svg.line(at, y.start, at, y.stop, class_="stroke-end" if upright.look == "dash" else "zero")]
    marks = [one.x for one in picture.uprights if one.end == upright.end and one.look == "mark"]
    level = 0.95 - 0.3 * sorted(marks).index(
        upright.x
    )  # one below the other, so that their words do not meet
    tip = y.start + level * (y.stop - y.start)
    near_edge = at > x.stop - 90
    words = svg.text(
        at + (-4 if near_edge else 4), tip + (9 if upright.end == "front" else 0), upright.words,
        class_=f"{upright.end} tick", text_anchor="end" if near_edge else "start",
    )  # fmt: skip
    return [svg.line(at, y.start, at, tip, class_=f"{upright.end} mark"), words]


def _map(picture: TrackPicture) -> str:
    """The lap seen from above, north up, with what happened where."""
    west, east, south, north = (
        float(edge(values)) for values in (picture.x_m, picture.y_m) for edge in (np.nanmin, np.nanmax)
    )
    pixels = min(640.0 / max(east - west, 1.0), 250.0 / max(north - south, 1.0))
    height = (north - south) * pixels + 60.0
    left = (WIDTH - (east - west) * pixels) / 2
    x = svg.Scale(west, east, left, left + (east - west) * pixels)
    y = svg.Scale(south, north, height - 30.0, 30.0)
    path = svg.trace_path(x.array(picture.x_m), y.array(picture.y_m))
    body = [svg.element("path", d=path, class_="road"), svg.element("path", d=path, class_="road-line")]
    for ribbon in picture.ribbons:
        rang = svg.trace_path(x.array(ribbon.x_m), y.array(ribbon.y_m))
        body.append(svg.element("path", d=rang, class_="rear wave", stroke_dasharray="4 3", stroke_width="6"))
    body += [
        svg.text(x(label.x_m), y(label.y_m) + 4, label.text, class_="corner", text_anchor="middle")
        for label in picture.corners
    ]
    body += [_stop_symbol(x(spot.x_m), y(spot.y_m), spot.end, spot.kind) for spot in picture.spots]
    return svg.picture(WIDTH, height, "The lap from above, north up, with corner numbers and events", body)


def _season(picture: SeasonPicture) -> str:
    """A mark a run in groups from left to right, with the range of its laps."""
    top, foot, height = 14.0, 212.0, 290.0
    x = svg.Scale(-0.7, picture.width - 0.3, _LEFT + 12, _RIGHT)
    y = svg.Scale(*picture.range, foot, top)
    body = [svg.text(_LEFT - 30, top - 4, picture.y_title, class_="quiet")]
    for value in svg.ticks(y.low, y.high, 5):
        body.append(svg.line(x.start, y(value), x.stop, y(value), class_="grid"))
        body.append(svg.text(x.start - 5, y(value) + 3.5, svg.tick(value), text_anchor="end", class_="tick"))
    for group, places in zip(picture.groups, picture.places, strict=True):
        values = [point.value for point in group.points if point.value is not None]
        mean, left, right = y(sum(values) / len(values)), x(places[0] - 0.45), x(places[-1] + 0.45)
        body.append(svg.line(left, foot, right, foot, class_="axis"))
        body.append(svg.line(left, mean, right, mean, class_="zero"))
        for point, place in zip(group.points, places, strict=True):
            if point.value is None:
                continue
            if point.low is not None and point.high is not None:
                body.append(svg.line(x(place), y(point.low), x(place), y(point.high), class_="axis"))
            mark = picture.bikes.index(point.bike) % len(MARKS)
            body.append(_mark(x(place), y(point.value), mark, filled=point.laps > 0))
    for at, words in picture.labels(24):
        name = words if len(words) <= 18 else f"{words[:17]}…"
        turned = f"rotate(-35 {x(at):.1f} {foot + 12:.1f})"
        body.append(
            svg.text(x(at), foot + 12, name, class_="tick", text_anchor="end", transform=turned)
            if len(picture.groups) > 5
            else svg.text(x(at), foot + 15, name, class_="tick", text_anchor="middle")
        )
    return svg.picture(WIDTH, height if len(picture.groups) > 5 else 236.0, picture.title, body)


def _mark(x: float, y: float, kind: int, *, filled: bool) -> str:
    """The mark of a bike, the kinds of `MARKS`; open where it stands for a whole run."""
    size = 4.0
    angles = {1: (0, 90, 180, 270), 2: (45, 135, 225, 315), 3: (90, 210, 330)}
    if kind == 0:
        return svg.element("circle", cx=x, cy=y, r=size, class_="dot" if filled else "dot open")
    if kind in angles:
        turned = np.radians(angles[kind])
        at = " ".join(f"{x + 1.25 * size * np.cos(a):.1f},{y - 1.25 * size * np.sin(a):.1f}" for a in turned)
        return svg.element("polygon", points=at, class_="dot" if filled else "dot open")
    angles_of = np.radians(np.arange(0, 180, 90 if kind == 4 else 60) + (45 if kind == 4 else 0))
    d = "".join(
        f"M{x - 5 * np.cos(a):.1f},{y - 5 * np.sin(a):.1f} {x + 5 * np.cos(a):.1f},{y + 5 * np.sin(a):.1f}"
        for a in angles_of
    )
    return svg.element("path", d=d, class_="dot")


DRAW: dict[type, Callable[[Any], str]] = {
    TravelPicture: _lap,
    Small: lambda small: _lap(small.picture, 82.0),
    Halves: _halves,
    TrackPicture: _map,
    SeasonPicture: _season,
    Drawing: lambda picture: str(picture.svg),
}
