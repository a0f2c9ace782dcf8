"""Runs compared: every lap a dot, before above and open, after below and filled; and the runs along the lap."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import plotly.graph_objects as go

from dashboard.figures.along import full_range, reading_axis
from dashboard.theme import Theme, across, box, error_bars, layout, template, words
from telemetry.arrays import ENDS, End, FloatArray
from telemetry.report import CLEAR, Band, Overlay
from telemetry.setup import MetricComparison
from telemetry.summary import number, signed

# Height of one row of dots on the screen. [px]
ROW_PX = 74
FOOT_PX = 60


@dataclass(frozen=True)
class Dots:
    """One number over the laps of both runs, and what is said of it."""

    label: str
    verdict: str
    before: tuple[tuple[int, float], ...]
    after: tuple[tuple[int, float], ...]
    before_mean: float | None
    after_mean: float | None
    end: End | None = None
    clear: bool = False


def height_px(rows: int) -> int:
    """Height the picture needs. [px]"""
    return ROW_PX * rows + FOOT_PX


def lap_dots(
    rows: list[Dots], theme: Theme, *, x_title: str, digits: int, line_at: float | None = None
) -> go.Figure:
    """Rows of dots on one axis, from top to bottom.

    ``digits`` are of a read-out; ``line_at`` is a value worth a line, such as 1 for a ratio.
    """
    nothing = {"text": "Not known in either run.", "x": 0.5, "xref": "paper", "y": 0, "showarrow": False}
    unit = x_title.rpartition("[")[2].rstrip("]") if "[" in x_title else ""
    return go.Figure(
        data=[
            mark for place, row in enumerate(rows) for mark in _row(place, row, theme, f".{digits}f}} {unit}")
        ],
        layout=layout(
            theme,
            (10, 10, 4 if line_at is None else 22, 46),
            xaxis={"title": {"text": x_title}, "fixedrange": True, "zeroline": False, "visible": bool(rows)},
            yaxis={"visible": False, "fixedrange": True, "range": [max(len(rows), 1) - 0.5, -0.58]},
            shapes=_rules(len(rows), line_at, theme),
            annotations=[
                *([_row_label(place, row, theme) for place, row in enumerate(rows)] or [nothing]),
                *(arrow for place, row in enumerate(rows) if (arrow := _arrow(place, row, theme))),
                *([_aim(line_at, theme)] if line_at is not None and rows else []),
            ],
        ),
    )


def _row(place: int, row: Dots, theme: Theme, written: str) -> list[go.Scatter]:
    """Before above after, each with its mean."""
    colour = theme.of(row.end)
    marks = [
        _dots(row.before, "before", "circle-open", place + 0.02, colour, written),
        _dots(row.after, "after", "circle", place + 0.30, colour, written),
    ]
    means = (("before", row.before_mean, place + 0.02), ("after", row.after_mean, place + 0.30))
    return [*marks, *(_mean(mean, name, y, theme, written) for name, mean, y in means if mean is not None)]


def _arrow(place: int, row: Dots, theme: Theme) -> dict | None:
    """From the mean before to the mean after."""
    if row.before_mean is None or row.after_mean is None:
        return None
    return {
        "x": row.after_mean,
        "y": place + 0.30,
        "ax": row.before_mean,
        "ay": place + 0.02,
        "axref": "x",
        "ayref": "y",
        "text": "",
        "showarrow": True,
        "arrowhead": 2,
        "arrowwidth": 1.4,
        "arrowcolor": theme.ink if row.clear else theme.soft,
    }


def _aim(at: float, theme: Theme) -> dict:
    said = "aim 1: both ends alike" if at == 1 else f"aim {at:g}"
    return words(said, theme.soft, x=at, y=1, yanchor="bottom")


def _row_label(place: int, row: Dots, theme: Theme) -> dict:
    word = {"front": theme.front_word, "rear": theme.rear_word}.get(row.end or "", theme.ink)
    return {
        "x": 0,
        "xref": "paper",
        "xanchor": "left",
        "y": place - 0.34,
        "yanchor": "middle",
        "align": "left",
        "showarrow": False,
        "text": f"{row.label}: <b>{row.verdict}</b>" if row.clear else f"{row.label}: {row.verdict}",
        "font": {"color": word, "size": 13},
    }


def _rules(rows: int, line_at: float | None, theme: Theme) -> list[dict]:
    """Lines between rows, and the one worth comparing with."""
    rule = {"color": theme.rule, "width": 1}
    between = [
        {
            "type": "line",
            "xref": "paper",
            "x0": 0,
            "x1": 1,
            "y0": place - 0.55,
            "y1": place - 0.55,
            "line": rule,
        }
        for place in range(1, rows)
    ]
    return between if line_at is None else [*between, across(line_at, 0, 1, theme.soft, 1.2, "dash")]


def _dots(
    laps: tuple[tuple[int, float], ...], name: str, symbol: str, y: float, colour: str, written: str
) -> go.Scatter:
    return go.Scatter(
        x=[value for _, value in laps],
        y=[y] * len(laps),
        text=[f"{name}, lap {lap}" for lap, _ in laps],
        mode="markers",
        marker={"symbol": symbol, "size": 12, "color": colour, "opacity": 0.85,
                "line": {"width": 2 if name == "before" else 0.5, "color": colour}},
        hovertemplate=f"%{{text}}: %{{x:{written}<extra></extra>",
        name=name,
    )  # fmt: skip


def _mean(mean: float, name: str, y: float, theme: Theme, written: str) -> go.Scatter:
    return go.Scatter(
        x=[mean],
        y=[y],
        mode="markers",
        marker={"symbol": "line-ns", "size": 22, "line": {"width": 2, "color": theme.ink}},
        hovertemplate=f"{name}, mean: %{{x:{written}<extra></extra>",
        name=f"{name} mean",
    )


# Height of one corner, and of the axis below them. [px]
CORNER_PX, AXIS_PX = 30, 66


def corner_pairs(places: Sequence[MetricComparison], theme: Theme) -> go.Figure:
    """Ride height by corner, from before (open) to after (filled), the corner that changed most on top."""
    by_corner: dict[str, list[MetricComparison]] = {}
    for row in places:
        if row.key.endswith(("front_mm", "rear_mm")) and row.difference is not None:
            by_corner.setdefault(row.label.partition(", ")[2], []).append(row)
    names = sorted(by_corner, key=lambda name: -max(abs(row.difference or 0.0) for row in by_corner[name]))
    rows = [
        (at + (0.17 if row.label.startswith("rear") else -0.17), row)
        for at, name in enumerate(names)
        for row in by_corner[name]
    ]
    return go.Figure(
        data=[mark for at, row in rows for mark in _pair(at, row, theme)],
        layout=_listed(names, theme, "ride height at the wheel [mm]"),
    )


def _pair(at: float, row: MetricComparison, theme: Theme) -> list[go.Scatter]:
    end: End = "rear" if row.label.startswith("rear") else "front"
    clear = row.verdict in CLEAR
    colour = theme.of(end) if clear else theme.soft
    shape = "diamond" if end == "rear" else "circle"
    said = f"{row.label}: {number(row.a.mean, 1)} → {number(row.b.mean, 1, 'mm')}, {row.verdict}"
    return [
        go.Scatter(
            x=[row.a.mean, row.b.mean],
            y=[at, at],
            name=row.label,
            text=[said, said],
            mode="lines+markers",
            line={"color": colour, "width": 2.4 if clear else 1.2},
            marker={"symbol": [f"{shape}-open", shape], "size": 11, "color": theme.of(end),
                    "line": {"width": 1.6, "color": theme.of(end)}},
            hovertemplate="%{text}<extra></extra>",
        )
    ]  # fmt: skip


def time_changes(sections: Sequence[MetricComparison], theme: Theme) -> go.Figure:
    """What each section of the lap takes more or less after than before, with its 95 % interval."""
    told = [row for row in sections if row.difference is not None and row.ci95 is not None]
    clear = [row.verdict in CLEAR for row in told]
    return go.Figure(
        data=[
            go.Scatter(
                x=[row.difference for row in told],
                y=list(range(len(told))),
                text=[
                    f"{row.label.removeprefix('time, ')}: {number(row.a.mean, 2)} → {number(row.b.mean, 2, 's')}, "
                    f"{signed(row.difference or 0.0, 2, 's')}"
                    for row in told
                ],
                name="change of time",
                mode="markers",
                marker={"size": 10, "color": [theme.ink if one else theme.soft for one in clear],
                        "symbol": ["diamond" if one else "circle-open" for one in clear]},
                error_x=error_bars([_arms(row)[1] for row in told], [_arms(row)[0] for row in told], theme.soft),
                hovertemplate="%{text}<extra></extra>",
            )
        ],
        layout={
            **_listed([row.label.removeprefix("time, ") for row in told], theme, "time after less before [s]"),
            "shapes": [across(0, 0, 1, theme.ink, 1.2)],
        },
    )  # fmt: skip


def _arms(row: MetricComparison) -> tuple[float, float]:
    low, high = row.ci95 or (0.0, 0.0)
    difference = row.difference or 0.0
    return difference - low, high - difference


def _listed(names: Sequence[str], theme: Theme, title: str) -> dict:
    """A row a name, from the top."""
    return layout(
        theme,
        (10, 14, 6, 46),
        xaxis={"title": {"text": title}, "fixedrange": True, "zeroline": False},
        yaxis={
            "range": [max(len(names), 1) - 0.4, -0.6],
            "tickvals": list(range(len(names))),
            "ticktext": [_short(name) for name in names],
            "fixedrange": True,
            "showgrid": False,
            "zeroline": False,
        },
    )


def _short(name: str) -> str:
    """A corner as far as there is room: "2 Mill", or "corner 2" without a name."""
    place, _, named = name.partition(" (")
    return f"{place.removeprefix('corner ')} {named.removesuffix(')')}" if named else place


_PANELS = {"front": (0.60, 1.0), "rear": (0.20, 0.60), "speed": (0.0, 0.15)}
# Differences: each end has its own zero line, so there is room between them.
_APART = {"front": (0.64, 1.0), "rear": (0.22, 0.58), "speed": (0.0, 0.15)}
_AXES = {"front": "y", "rear": "y2", "speed": "y3"}
_UNITS = {"front": "mm", "rear": "mm", "speed": "km/h"}


def overlay_figure(
    overlay: Overlay,
    names: Sequence[str],
    corners: Sequence[Band],
    theme: Theme,
    zoom: tuple[float, float] | None = None,
    *,
    touch: bool = False,
) -> go.Figure:
    """Mean travel and speed of the runs, called by ``names``: the first grey, the second in colour, others thin."""
    data: list[go.Scatter] = []
    for name, values in overlay.values.items():
        low, high = (_drawn(values[0] + sign * overlay.spread[name]) for sign in (-1, 1))
        data += _band(overlay.distance_m, low, high, name, theme)
        data.append(_patch(overlay, name, values[0], values[1], theme))
        for run in (*range(2, len(values)), 0, 1):
            data.append(_line(overlay, name, values[run], f"{name} {names[run]}", theme, run))
    reach = {name: _reach(values) for name, values in overlay.values.items()}
    travel = max((reach[end] for end in ENDS if end in reach), default=100.0)
    ranges = {"front": [0, travel], "rear": [travel, 0], "speed": [0, reach.get("speed", 100.0)]}
    return go.Figure(data=data, layout=_layout(overlay, corners, ranges, theme, zoom, touch=touch))


def difference_figure(
    overlay: Overlay,
    corners: Sequence[Band],
    theme: Theme,
    zoom: tuple[float, float] | None = None,
    *,
    touch: bool = False,
) -> go.Figure:
    """The second run less the first, each on its own zero line, with what laps of one run differ by as a band."""
    data: list[go.Scatter] = []
    ranges = {}
    for name in overlay.values:
        apart, spread = overlay.difference(name, 1), overlay.spread[name]
        data += _band(overlay.distance_m, _drawn(-spread), _drawn(spread), name, theme)
        data.append(_patch(overlay, name, np.zeros(len(apart)), apart, theme))
        data.append(_line(overlay, name, apart, f"{name} after less before", theme, -1))
        most = 1.15 * max(float(np.nanmax(np.abs(np.concatenate([apart, spread])), initial=1.0)), 1.0)
        ranges[name] = most
    travel = max((ranges[end] for end in ENDS if end in ranges), default=1.0)
    shown = {
        "front": [-travel, travel],
        "rear": [travel, -travel],
        "speed": [-ranges.get("speed", 1.0), ranges.get("speed", 1.0)],
    }
    return go.Figure(
        data=data, layout=_layout(overlay, corners, shown, theme, zoom, touch=touch, panels=_APART)
    )


def _drawn(values: FloatArray) -> FloatArray:
    """Rounded to what a screen shows, which is a shorter answer."""
    return np.round(values, 2)


def _reach(values: FloatArray) -> float:
    return 1.08 * max(float(np.nanmax(values, initial=1.0)), 1.0)


def _colour(name: str, theme: Theme) -> str:
    return {"front": theme.front, "rear": theme.rear}.get(name, theme.ink)


def _line(overlay: Overlay, name: str, values: FloatArray, called: str, theme: Theme, run: int) -> go.Scatter:
    """A mean line; ``run`` -1 is a difference, 0 and 1 the pair, more are others."""
    line = {
        -1: {"color": theme.soft, "width": 1.1},
        0: {"color": theme.soft, "width": 1.6, "dash": "4px,2px"},
        1: {"color": _colour(name, theme), "width": 1.8},
    }.get(run, {"color": theme.soft, "width": 0.7})
    return go.Scatter(
        x=overlay.distance_m,
        y=_drawn(values),
        name=called,
        yaxis=_AXES[name],
        mode="lines",
        line=line,
        hoverinfo="skip",
        meta={"read": called, "unit": _UNITS[name], "digits": 1 if name != "speed" else 0},
    )


def _band(x: FloatArray, low: FloatArray, high: FloatArray, name: str, theme: Theme) -> list[go.Scatter]:
    common = {"x": x, "yaxis": _AXES[name], "mode": "lines", "line": {"width": 0}, "hoverinfo": "skip"}
    return [
        go.Scatter(y=low, name=f"{name}, usual least", **common),
        go.Scatter(y=high, name=f"{name}, usual most", fill="tonexty", fillcolor=theme.usual_fill, **common),
    ]


def _patch(overlay: Overlay, name: str, base: FloatArray, values: FloatArray, theme: Theme) -> go.Scatter:
    """Areas between two lines where the runs differ by more than laps of one run do."""
    outside = overlay.outside(name, 1)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], outside.astype(np.int8), [0]])))
    x: list[float | None] = []
    y: list[float | None] = []
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        rows = np.arange(max(start - 1, 0), min(stop + 1, len(outside)))
        rows = rows[np.isfinite(values[rows]) & np.isfinite(base[rows])]
        x += [*overlay.distance_m[rows].tolist(), *overlay.distance_m[rows[::-1]].tolist(), None]
        y += [*_drawn(values[rows]).tolist(), *_drawn(base[rows[::-1]]).tolist(), None]
    return go.Scatter(
        x=x,
        y=y,
        name=f"{name}, beyond the usual spread",
        yaxis=_AXES[name],
        mode="lines",
        line={"width": 0},
        fill="toself",
        fillcolor=_colour(name, theme),
        opacity=0.55,
        hoverinfo="skip",
    )


def _layout(
    overlay: Overlay,
    corners: Sequence[Band],
    ranges: dict[str, list[float]],
    theme: Theme,
    zoom: tuple[float, float] | None,
    *,
    touch: bool,
    panels: Mapping[str, tuple[float, float]] = MappingProxyType(_PANELS),
) -> go.Layout:
    whole = full_range(overlay.distance_m)
    beside = {"xref": "paper", "x": 1.004, "xanchor": "left", "yanchor": "middle"}
    axes = {}
    for name, axis in _AXES.items():
        axes[axis.replace("y", "yaxis")] = {
            "domain": panels[name],
            "range": ranges[name],
            "fixedrange": True,
            "nticks": 4,
            "anchor": "x",
            "zeroline": True,
            "ticklabelstandoff": 4,
            "visible": name in overlay.values,
        }
    return go.Layout(
        template=template(theme),
        meta={
            "all": list(whole),
            "along": True,
            "corners": [[band.label, band.x0, band.x1] for band in corners],
            "events": [],
        },
        dragmode=False if touch else "zoom",
        hovermode=False,
        margin={"l": 44, "r": 46, "t": 22, "b": 42},
        xaxis={**reading_axis("distance along the lap [m]"), "range": list(zoom or whole), "anchor": "y3"},
        **axes,
        shapes=[box(b.x0, b.x1, 0, 1, theme.corner_fill, layer="below") for b in corners],
        annotations=[
            *(words(b.label, theme.soft, x=(b.x0 + b.x1) / 2, y=1.0, yanchor="bottom") for b in corners),
            *(
                words(f"<b>{end}</b><br>mm", theme.word(end), 12, y=sum(panels[end]) / 2, **beside)
                for end in ENDS
                if end in overlay.values
            ),
            *(
                [words("km/h", theme.soft, y=sum(panels["speed"]) / 2, **beside)]
                if "speed" in overlay.values
                else []
            ),
        ],
    )
