"""A small writer of SVG: elements, scales, paths. Everything that goes in as text comes out escaped."""

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from html import escape

import numpy as np

from telemetry.arrays import BoolArray, FloatArray
from telemetry.signals import runs


def element(name: str, *children: str, **attributes: str | float) -> str:
    """One element. ``stroke_width`` becomes stroke-width, ``class_`` class; children are SVG already."""
    written = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escape(_short(value))}"' for key, value in attributes.items()
    )
    return f"<{name}{written}>{''.join(children)}</{name}>" if children else f"<{name}{written}/>"


def _short(value: str | float) -> str:
    return value if isinstance(value, str) else f"{value:.2f}".rstrip("0").rstrip(".")


def text(x: float, y: float, words: str, **attributes: str | float) -> str:
    """A line of text with its baseline at (x, y)."""
    return element("text", escape(words), x=x, y=y, **attributes)


def line(x1: float, y1: float, x2: float, y2: float, **attributes: str | float) -> str:
    """A straight line."""
    return element("line", x1=x1, y1=y1, x2=x2, y2=y2, **attributes)


def picture(width: float, height: float, title: str, body: Iterable[str]) -> str:
    """The whole picture, as wide as the page allows; ``title`` says in a sentence what it shows."""
    return element(
        "svg",
        element("title", escape(title)),
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
    """Level lines at round values, with the values at their left: a group that says its scale.

    Parameters
    ----------
    unit : str
        Of the values; "" for none.
    about : int
        So many lines.
    zero : bool
        Also one at 0.
    per : float
        How many of the unit are one of the scale: 1 in the scale's own.
    """
    low, high = y.low if zero else 0.0, y.high
    parts = []
    for value in ticks(low * per, high * per, about):
        if value == 0 and not zero:
            continue
        at = y(value / per)
        parts.append(line(left, at, right, at, class_="grid"))
        parts.append(text(left - 5, at + 3.5, tick(value), text_anchor="end", class_="tick"))
    scale = (y.low, y.high, y.start, y.stop, left, right, about, int(zero))
    return element("g", *parts, data_level=_said((*scale, unit)))


def across_axis(x: Scale, y: float, unit: str, about: int, *, per: float = 1) -> str:
    """Round values along a level line with their middle over their place; as of `level_axis`."""
    parts = [
        text(x(value / per), y, tick(value), text_anchor="middle", class_="tick")
        for value in ticks(x.low * per, x.high * per, about)
    ]
    scale = (x.low, x.high, x.start, x.stop, y, about)
    return element("g", *parts, data_across=_said((*scale, unit)))


def _said(values: Iterable[str | float]) -> str:
    return " ".join(one if isinstance(one, str) else f"{one:.6g}" for one in values)


_AXIS = re.compile(r'<g data-(level|across)="([^"]*)">.*?</g>', re.DOTALL)


def with_other_axes(picture: str, per: Callable[[str], float | None]) -> str:
    """A picture of which the axes stand in other units, with round values again.

    Parameters
    ----------
    per : callable
        How many of the other unit are one of a unit; None where the unit stays.
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


def pieces(mask: BoolArray) -> list[slice]:
    """Where a mask is true without a gap.

    >>> pieces(np.array([True, False, True, True]))
    [slice(0, 1, None), slice(2, 4, None)]
    """
    starts, stops = runs(mask)
    return [slice(int(a), int(b)) for a, b in zip(starts, stops, strict=True)]


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
