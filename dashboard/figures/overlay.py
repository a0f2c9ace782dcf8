"""Runs over each other along the lap, front above and rear below: what leaves the usual spread is in colour."""

from collections.abc import Mapping, Sequence
from types import MappingProxyType

import numpy as np
import plotly.graph_objects as go

from dashboard.figures.travel import full_range, reading_axis
from dashboard.theme import Theme, box, template, words
from telemetry.arrays import ENDS, FloatArray
from telemetry.report import Band, Overlay

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
    """Mean travel and speed of the runs: the first grey, the second in colour, others thin.

    Parameters
    ----------
    names : sequence of str
        What the runs are called, in their order.
    """
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
