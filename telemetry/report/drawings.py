"""Pictures drawn as SVG for paper, by kind of picture, and the small writer of SVG they use; text is escaped."""

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from html import escape
from typing import Any

import numpy as np

from telemetry.arrays import ENDS, End, FloatArray
from telemetry.report.figures import MARKS, Curve, Drawing, Halves, SeasonPicture, Upright
from telemetry.report.lap import TrackPicture, TravelPicture, pieces, thinned


def svg_element(name: str, *children: str, **attributes: str | float) -> str:
    """One element. ``stroke_width`` becomes stroke-width, ``class_`` class; children are SVG already."""
    written = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escape(_short(value))}"' for key, value in attributes.items()
    )
    return f"<{name}{written}>{''.join(children)}</{name}>" if children else f"<{name}{written}/>"


def _short(value: str | float) -> str:
    return value if isinstance(value, str) else f"{value:.2f}".rstrip("0").rstrip(".")


def svg_text(x: float, y: float, words: str, **attributes: str | float) -> str:
    """A line of text with its baseline at (x, y)."""
    return svg_element("text", escape(words), x=x, y=y, **attributes)


def svg_line(x1: float, y1: float, x2: float, y2: float, **attributes: str | float) -> str:
    """A straight line."""
    return svg_element("line", x1=x1, y1=y1, x2=x2, y2=y2, **attributes)


def svg_picture(width: float, height: float, title: str, body: Iterable[str]) -> str:
    """The whole picture, as wide as the page allows; ``title`` says in a sentence what it shows."""
    return svg_element(
        "svg",
        svg_element("title", escape(title)),
        *body,
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {width:g} {height:g}",
        role="img",
    )


@dataclass(frozen=True)
class Scale:
    """A straight map from values ``low..high`` to places ``start..stop`` in the picture."""

    low: float
    high: float
    start: float
    stop: float

    @property
    def _per_value(self) -> float:
        """Places to a value; 0 where the range is no range: all values then stand at the start."""
        span = self.high - self.low
        return (self.stop - self.start) / span if np.isfinite(span) and span != 0 else 0.0

    def __call__(self, value: float) -> float:
        """Place of one value."""
        return self.start + (value - self.low) * self._per_value

    def array(self, values: FloatArray) -> FloatArray:
        """Places of many values."""
        return self.start + (values - self.low) * self._per_value


def ticks(low: float, high: float, about: int = 6) -> list[float]:
    """Round values (steps of 1, 2 or 5 times a power of ten) within a range.

    >>> ticks(0, 119)
    [0.0, 20.0, 40.0, 60.0, 80.0, 100.0]
    """
    if not (np.isfinite(high - low) and high > low):
        return []
    raw = (high - low) / max(about, 1)
    power = 10.0 ** np.floor(np.log10(raw))
    larger = [m * power for m in (0.5, 1.0, 2.0, 5.0, 10.0)]
    at = next(k for k, step in enumerate(larger) if step >= raw * 0.999)
    return _multiples(low, high, larger[at]) or _multiples(low, high, larger[at - 1])


def _multiples(low: float, high: float, step: float) -> list[float]:
    first, last = int(np.ceil(low / step - 1e-9)), int(np.floor(high / step + 1e-9))
    return [float(k * step) for k in range(first, last + 1)]


def level_axis(
    y: Scale, left: float, right: float, unit: str, about: int, *, zero: bool = True, per: float = 1
) -> str:
    """Level lines at ``about`` round values, with the values at their left: a group that says its scale.

    ``unit`` is that of the values, ``per`` how many of it are one of the scale, ``zero`` whether there is a line at 0.
    """
    low, high = y.low if zero else 0.0, y.high
    parts = []
    for value in ticks(low * per, high * per, about):
        if value == 0 and not zero:
            continue
        at = y(value / per)
        parts.append(svg_line(left, at, right, at, class_="grid"))
        parts.append(svg_text(left - 5, at + 3.5, tick(value), text_anchor="end", class_="tick"))
    scale = (y.low, y.high, y.start, y.stop, left, right, about, int(zero))
    return svg_element("g", *parts, data_level=_axis_text((*scale, unit)))


_TICK_HALF = 8.0  # about half the width of a value at an axis


def across_axis(x: Scale, y: float, unit: str, about: int, *, per: float = 1) -> str:
    """Round values along a level line with their middle over their place; as of `level_axis`.

    A value at the right end stands before its place, so that the edge of the picture does not cut it.
    """
    parts = []
    for value in ticks(x.low * per, x.high * per, about):
        place = x(value / per)
        anchor = "end" if x.stop - place < _TICK_HALF else "middle"
        parts.append(svg_text(place, y, tick(value), text_anchor=anchor, class_="tick"))
    scale = (x.low, x.high, x.start, x.stop, y, about)
    return svg_element("g", *parts, data_across=_axis_text((*scale, unit)))


def _axis_text(values: Iterable[str | float]) -> str:
    return " ".join(one if isinstance(one, str) else f"{one:.6g}" for one in values)


_AXIS = re.compile(r'<g data-(level|across)="([^"]*)">.*?</g>', re.DOTALL)


def with_other_axes(picture: str, per: Callable[[str], float | None]) -> str:
    """A picture of which the axes stand in other units, with round values again.

    ``per`` gives how many of the other unit are one of a unit; None where the unit stays.
    """

    def anew(found: re.Match[str]) -> str:
        factor = per(found[2].split(" ")[-1])
        if factor is None:
            return found[0]
        *numbers, unit = found[2].split(" ")
        low, high, start, stop, *rest = map(float, numbers)
        scale = Scale(low, high, start, stop)
        if found[1] == "across":
            return across_axis(scale, rest[0], unit, int(rest[1]), per=factor)
        left, right, about, zero = rest
        return level_axis(scale, left, right, unit, int(about), zero=bool(zero), per=factor)

    return _AXIS.sub(anew, picture)


def unit_of_title(title: str) -> str:
    """The unit in brackets at the end of a title; "" where there is none."""
    return title.rpartition("[")[2].rstrip("]") if title.endswith("]") else ""


def tick(value: float) -> str:
    """A round value as it is written at an axis."""
    return f"{round(value, 9):g}".replace("-", "−")


def trace_path(x: FloatArray, y: FloatArray) -> str:
    """Path data of a trace in places; a gap in ``y`` lifts the pen."""
    parts = []
    for part in pieces(np.isfinite(y)):
        points = " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x[part], y[part], strict=True))
        parts.append(f"M{points}")
    return "".join(parts)


def area_path(x: FloatArray, y: FloatArray, base: float) -> str:
    """Path data of the area between a trace and a base line, one for each stretch without gaps."""
    parts = []
    for part in pieces(np.isfinite(y)):
        points = " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x[part], y[part], strict=True))
        parts.append(f"M{x[part][0]:.1f},{base:.1f} {points} {x[part][-1]:.1f},{base:.1f}Z")
    return "".join(parts)


WIDTH = 720.0
_LEFT, _RIGHT = 40.0, 712.0
_BAND = 11.0  # half of the band between the ends


def drawn(picture: Any) -> str:
    """A picture as SVG."""
    return DRAW[type(picture)](picture)


def _missing(end: End, y: float) -> str:
    return svg_text((_LEFT + _RIGHT) / 2, y, f"no {end} travel sensor", class_="quiet", text_anchor="middle")


def _x_axis(scale: Scale, y: float, label: str, values: Iterable[float]) -> list[str]:
    parts = [svg_line(scale.start, y, scale.stop, y, class_="axis")]
    for value in values:
        parts.append(svg_line(scale(value), y, scale(value), y + 4, class_="axis"))
        parts.append(svg_text(scale(value), y + 15, tick(value), text_anchor="middle", class_="tick"))
    return [*parts, svg_text(scale.stop, y + 28, label, text_anchor="end", class_="quiet")]


def _lap(picture: TravelPicture) -> str:
    """Wheel travel of both ends over one lap: compression upwards in front, downwards at the rear.

    Filled wedge: bottomed; front ring or rear open square: topped out; wave: rear not settled.
    """
    reach = 82.0 if picture.small else 125.0
    height, middle = 106.0 + 2 * reach, 25.0 + reach
    most = max(picture.stroke_mm.values(), default=125.0)
    x = Scale(float(picture.x[0]), float(picture.x[-1]), _LEFT, _RIGHT)
    side: dict[End, Scale] = {
        "front": Scale(0.0, most, middle - _BAND, middle - reach - _BAND),
        "rear": Scale(0.0, most, middle + _BAND, middle + reach + _BAND),
    }
    body = [part for end in ENDS for part in _travel_panel(picture, end, x, side[end])]
    body += [
        svg_line(_LEFT, middle + way * _BAND, _RIGHT, middle + way * _BAND, class_="axis") for way in (-1, 1)
    ]
    body += [
        svg_text(x((band.x0 + band.x1) / 2), middle + 4, band.label, text_anchor="middle", class_="corner")
        for band in picture.corners
    ]
    for mark in picture.marks:
        at = picture.stroke_mm.get(mark.end, most) if mark.kind == "bottomed" else 0.0
        body.append(_stop_symbol(x(mark.x), side[mark.end](at), mark.end, mark.kind))
    for band in picture.unsettled:
        left = x(band.x0)
        foot = middle + reach + _BAND
        body.append(_wave(left, foot + 27, max(26.0, x(band.x1) - left)))
        body.append(svg_text(left - 4, foot + 30, "not settled", class_="rear tick", text_anchor="end"))
    body += _x_axis(x, height - 32, picture.x_title, ticks(x.low, x.high, 10))
    return svg_picture(WIDTH, height, "Wheel travel over the lap, front above, rear below", body)


def _travel_panel(picture: TravelPicture, end: End, x: Scale, y: Scale) -> list[str]:
    outward = -1 if end == "front" else 1
    body = [level_axis(y, x.start, x.stop, "mm", 3)]
    title_y = y(y.high) + outward * (5 if outward < 0 else 14)
    if end not in picture.travel_mm:
        return [*body, _missing(end, (y.start + y.stop) / 2)]
    title = f"{end} wheel travel [mm]"
    if (stroke := picture.stroke_mm.get(end)) is not None:
        body.append(svg_line(x.start, y(stroke), x.stop, y(stroke), class_="stroke-end"))
        title += f", dashed: full stroke {stroke:.0f} mm"
    body.append(svg_text(x.start, title_y, title, class_=f"{end} name"))
    px, py = thinned(picture.x, picture.travel_mm[end])
    px, py = x.array(px), y.array(py)
    body.append(svg_element("path", d=area_path(px, py, y.start), class_=f"{end} area"))
    body.append(svg_element("path", d=trace_path(px, py), class_=f"{end} trace"))
    return body


def _stop_symbol(x: float, y: float, end: End, kind: str) -> str:
    """A filled wedge pointing outwards where an end bottomed; topped out, front a ring, rear an open square."""
    if kind == "topped_out" and end == "front":
        return svg_element("circle", cx=x, cy=y, r=3.4, class_="front ring")
    if kind == "topped_out":
        return svg_element("rect", x=x - 3, y=y - 3, width=6, height=6, class_="rear ring")
    tip, base = (y - 8, y + 1) if end == "front" else (y + 8, y - 1)
    points = f"{x:.1f},{tip:.1f} {x - 5:.1f},{base:.1f} {x + 5:.1f},{base:.1f}"
    return svg_element("polygon", points=points, class_=f"{end} wedge")


def _wave(x: float, y: float, width: float) -> str:
    """A short wave: the sign for an oscillation."""
    at = np.linspace(0.0, 1.0, 41)
    return svg_element(
        "path",
        d=trace_path(x + width * at, y + 4.0 * np.sin(2 * np.pi * max(2, round(width / 9)) * at)),
        class_="rear wave",
    )


def _halves(picture: Halves) -> str:
    """Both halves back to back, outwards from the middle on one scale."""
    height, middle, reach = 270.0, 126.0, 110.0
    x = Scale(*picture.x_range, _LEFT, _RIGHT)
    sides: dict[End, Scale] = {
        "front": Scale(-picture.below, picture.top, middle - _BAND, middle - reach),
        "rear": Scale(-picture.below, picture.top, middle + _BAND, middle + reach),
    }
    body = []
    for shade in picture.shades:
        y = sides[shade.end]
        body.append(_box(x(shade.low), x(shade.high), y.start, y.stop))
        words_y = y.stop + (10 if shade.end == "front" else -3)
        body.append(svg_text(x(shade.low) + 3, words_y, shade.words, class_="quiet"))
    for end in ENDS:
        body += _half_axis(picture, end, sides[end], x)
    for curve in sorted(picture.curves, key=lambda one: one.own):
        body += _curve(curve, x, sides[curve.half])
    for upright in picture.uprights:
        body += _upright(upright, picture, x, sides[upright.end])
    if picture.zero:
        body.append(svg_line(x(0.0), middle - reach, x(0.0), middle + reach, class_="zero"))
    body.append(across_axis(x, middle + 4, unit_of_title(picture.x_title), 8))
    foot = height - 6
    left, right = picture.headings or ("", "")
    body += [
        svg_text(x.start, foot, left, class_="quiet"),
        svg_text((x.start + x.stop) / 2, foot, _axes_words(picture), class_="quiet", text_anchor="middle"),
        svg_text(x.stop, foot, right, class_="quiet", text_anchor="end"),
    ]
    return svg_picture(WIDTH, height, picture.title, body)


def _axes_words(picture: Halves) -> str:
    """What is along and what is outwards."""
    outwards = {"%": "share of the time [%]"}.get(picture.unit, f"[{picture.unit}]" if picture.unit else "")
    return f"{picture.x_title}; outwards: {outwards}" if outwards else picture.x_title


def _box(x0: float, x1: float, y0: float, y1: float) -> str:
    low, high = min(y0, y1), max(y0, y1)
    return svg_element("rect", x=x0, y=low, width=x1 - x0, height=high - low, class_="shade")


def _half_axis(picture: Halves, end: End, y: Scale, x: Scale) -> list[str]:
    name_y = y.stop + (4 if end == "front" else 2)
    if end not in picture.ends:
        return [_missing(end, (y.start + y.stop) / 2)]
    body = [svg_line(x.start, y(0.0), x.stop, y(0.0), class_="axis")]
    body.append(level_axis(y, x.start, x.stop, picture.unit, 3, zero=False))
    body.append(svg_text(x.stop, name_y, end, class_=f"{end} name", text_anchor="end"))
    return body


def _curve(curve: Curve, x: Scale, y: Scale) -> list[str]:
    inside = (curve.x >= x.low - 1e-9) & (curve.x <= x.high + 1e-9)
    px, py = thinned(curve.x[inside], curve.y[inside])
    px, py = x.array(px), y.array(py)
    line = svg_element(
        "path", d=trace_path(px, py), class_=f"{curve.end} {'trace' if curve.own else 'other'}"
    )
    if not curve.own:
        return [line]
    return [svg_element("path", d=area_path(px, py, y(0.0)), class_=f"{curve.end} area"), line]


def _upright(upright: Upright, picture: Halves, x: Scale, y: Scale) -> list[str]:
    at = x(upright.x)
    if upright.look != "mark":
        return [svg_line(at, y.start, at, y.stop, class_="stroke-end" if upright.look == "dash" else "zero")]
    marks = [one.x for one in picture.uprights if one.end == upright.end and one.look == "mark"]
    level = 0.95 - 0.3 * sorted(marks).index(
        upright.x
    )  # one below the other, so that their words do not meet
    tip = y.start + level * (y.stop - y.start)
    near_edge = at > x.stop - 90
    words = svg_text(
        at + (-4 if near_edge else 4), tip + (9 if upright.end == "front" else 0), upright.words,
        class_=f"{upright.end} tick", text_anchor="end" if near_edge else "start",
    )  # fmt: skip
    return [svg_line(at, y.start, at, tip, class_=f"{upright.end} mark"), words]


def _map(picture: TrackPicture) -> str:
    """The lap seen from above, north up, with what happened where."""
    west, east, south, north = (
        float(edge(values)) for values in (picture.x_m, picture.y_m) for edge in (np.nanmin, np.nanmax)
    )
    pixels = min(640.0 / max(east - west, 1.0), 250.0 / max(north - south, 1.0))
    height = (north - south) * pixels + 60.0
    left = (WIDTH - (east - west) * pixels) / 2
    x = Scale(west, east, left, left + (east - west) * pixels)
    y = Scale(south, north, height - 30.0, 30.0)
    path = trace_path(x.array(picture.x_m), y.array(picture.y_m))
    body = [svg_element("path", d=path, class_="road"), svg_element("path", d=path, class_="road-line")]
    for ribbon in picture.ribbons:
        rang = trace_path(x.array(ribbon.x_m), y.array(ribbon.y_m))
        body.append(svg_element("path", d=rang, class_="rear wave", stroke_dasharray="4 3", stroke_width="6"))
    body += [
        svg_text(x(label.x_m), y(label.y_m) + 4, label.text, class_="corner", text_anchor="middle")
        for label in picture.corners
    ]
    body += [_stop_symbol(x(spot.x_m), y(spot.y_m), spot.end, spot.kind) for spot in picture.spots]
    return svg_picture(WIDTH, height, "The lap from above, north up, with corner numbers and events", body)


def _season(picture: SeasonPicture) -> str:
    """A mark a run in groups from left to right, with the range of its laps."""
    top, foot, height = 14.0, 212.0, 290.0
    x = Scale(-0.7, picture.width - 0.3, _LEFT + 12, _RIGHT)
    y = Scale(*picture.range, foot, top)
    body = [svg_text(_LEFT - 30, top - 4, picture.y_title, class_="quiet")]
    for value in ticks(y.low, y.high, 5):
        body.append(svg_line(x.start, y(value), x.stop, y(value), class_="grid"))
        body.append(svg_text(x.start - 5, y(value) + 3.5, tick(value), text_anchor="end", class_="tick"))
    for group, places in zip(picture.groups, picture.places, strict=True):
        values = [point.value for point in group.points if point.value is not None]
        mean, left, right = y(sum(values) / len(values)), x(places[0] - 0.45), x(places[-1] + 0.45)
        body.append(svg_line(left, foot, right, foot, class_="axis"))
        body.append(svg_line(left, mean, right, mean, class_="zero"))
        for point, place in zip(group.points, places, strict=True):
            if point.value is None:
                continue
            if point.low is not None and point.high is not None:
                body.append(svg_line(x(place), y(point.low), x(place), y(point.high), class_="axis"))
            mark = picture.bikes.index(point.bike) % len(MARKS)
            body.append(_mark(x(place), y(point.value), mark, filled=point.laps > 0))
    for at, words in picture.labels(24):
        name = words if len(words) <= 18 else f"{words[:17]}…"
        turned = f"rotate(-35 {x(at):.1f} {foot + 12:.1f})"
        body.append(
            svg_text(x(at), foot + 12, name, class_="tick", text_anchor="end", transform=turned)
            if len(picture.groups) > 5
            else svg_text(x(at), foot + 15, name, class_="tick", text_anchor="middle")
        )
    return svg_picture(WIDTH, height if len(picture.groups) > 5 else 236.0, picture.title, body)


def _mark(x: float, y: float, kind: int, *, filled: bool) -> str:
    """The mark of a bike, the kinds of `MARKS`; open where it stands for a whole run."""
    size = 4.0
    angles = {1: (0, 90, 180, 270), 2: (45, 135, 225, 315), 3: (90, 210, 330)}
    if kind == 0:
        return svg_element("circle", cx=x, cy=y, r=size, class_="dot" if filled else "dot open")
    if kind in angles:
        turned = np.radians(angles[kind])
        at = " ".join(f"{x + 1.25 * size * np.cos(a):.1f},{y - 1.25 * size * np.sin(a):.1f}" for a in turned)
        return svg_element("polygon", points=at, class_="dot" if filled else "dot open")
    angles_of = np.radians(np.arange(0, 180, 90 if kind == 4 else 60) + (45 if kind == 4 else 0))
    d = "".join(
        f"M{x - 5 * np.cos(a):.1f},{y - 5 * np.sin(a):.1f} {x + 5 * np.cos(a):.1f},{y + 5 * np.sin(a):.1f}"
        for a in angles_of
    )
    return svg_element("path", d=d, class_="dot")


DRAW: dict[type, Callable[[Any], str]] = {
    TravelPicture: _lap,
    Halves: _halves,
    TrackPicture: _map,
    SeasonPicture: _season,
    Drawing: lambda picture: str(picture.svg),
}
