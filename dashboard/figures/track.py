"""The lap as a map, and each corner as a small picture.

Without a position the lap is drawn as one straight line, from start to finish.
"""

import base64

import numpy as np
import plotly.graph_objects as go

from dashboard.theme import Theme, template
from telemetry.arrays import ENDS, End, FloatArray
from telemetry.report import CornerLaps, Label, Ribbon, StopSpot, TrackPicture

# Width over height.
_TALLEST, _WIDEST = 0.75, 2.2


def track_map(picture: TrackPicture, theme: Theme, *, big: bool = False) -> go.Figure:
    """The map, north up, one scale for both directions; ``big`` for a phone in the sun."""
    size = 1.5 if big else 1.0
    # on a phone a box would hide what was touched: the page has a line for it
    read_out = {"hoverinfo": "none"} if big else {"hovertemplate": "%{text}<extra></extra>"}
    spots = [
        _spots(end, kind, chosen, theme, size, read_out)
        for end in ENDS
        for kind in ("topped_out", "bottomed")
        if (chosen := [spot for spot in picture.spots if spot.end == end and spot.kind == kind])
    ]
    return go.Figure(
        data=[
            _line(picture, theme.soft, size, big),
            *(_ribbon(ribbon, theme, size, read_out) for ribbon in picture.ribbons),
            *_start(picture, theme, size),
            *spots,
        ],
        layout={
            "template": template(theme),
            "dragmode": False,
            "hovermode": "closest" if big else False,
            "meta": {} if big else _for_the_cursor(picture),
            "margin": {"l": 8, "r": 8, "t": 8, "b": 40 if picture.straight else 8},
            **_axes(picture),
            "annotations": [_corner(label, theme, size) for label in picture.corners],
        },
    )


def _for_the_cursor(picture: TrackPicture) -> dict:
    """What the page's script reads of a map: how far along the lap each point of the line is, and what happened."""
    return {
        "map": True,
        "distance": [round(float(one), 1) for one in picture.distance_m],
        "events": [[spot.x_m, spot.y_m, spot.text] for spot in picture.spots],
    }


def _line(picture: TrackPicture, colour: str, size: float, big: bool) -> go.Scatter:
    return go.Scatter(
        x=picture.x_m,
        y=picture.y_m,
        customdata=picture.axis,
        mode="lines",
        line={"color": colour, "width": (7 if big else 3) * size, "simplify": False},
        hoverinfo="skip",
        name="lap",
    )


def _corner(label: Label, theme: Theme, size: float) -> dict:
    return {
        "x": label.x_m,
        "y": label.y_m,
        "text": f"<b>{label.text}</b>",
        "showarrow": False,
        "font": {"size": 13 * size, "color": theme.ink},
    }


def proportions(picture: TrackPicture) -> float:
    """Width over height that the map wants, within what a page can give."""
    if picture.straight:
        return _WIDEST
    x, y = _padded(picture.x_m), _padded(picture.y_m)
    return min(max((x[1] - x[0]) / (y[1] - y[0]), _TALLEST), _WIDEST)


def _axes(picture: TrackPicture) -> dict:
    hidden = {"visible": False, "fixedrange": True}
    if picture.straight:
        low, high = float(picture.x_m[0]), float(picture.x_m[-1])
        pad = 0.02 * (high - low)
        return {
            "xaxis": {
                "fixedrange": True,
                "showgrid": False,
                "zeroline": False,
                "range": [low - pad, high + pad],
                "title": {"text": picture.straight},
            },
            "yaxis": {**hidden, "range": [-1, 1]},
        }
    return {
        "xaxis": {**hidden, "range": _padded(picture.x_m)},
        "yaxis": {**hidden, "scaleanchor": "x", "range": _padded(picture.y_m)},
    }


def _padded(values: FloatArray) -> list[float]:
    if not len(values) or not np.isfinite(values).any():
        return [0.0, 1.0]
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    pad = 0.13 * max(high - low, 50.0)
    return [low - pad, high + pad]


def _ribbon(ribbon: Ribbon, theme: Theme, size: float, read_out: dict) -> go.Scatter:
    return go.Scatter(
        x=ribbon.x_m,
        y=ribbon.y_m,
        text=[ribbon.text] * len(ribbon.x_m),
        mode="lines",
        line={"color": theme.unsettled, "width": 11 * size, "dash": "4px,3px"},
        **read_out,
        name="not settled",
    )


def _spots(
    end: str, kind: str, spots: list[StopSpot], theme: Theme, size: float, read_out: dict
) -> go.Scatter:
    colour = theme.of(end)
    bottomed = kind == "bottomed"
    shape = "triangle-up" if end == "front" else "triangle-down"
    return go.Scatter(
        x=[spot.x_m for spot in spots],
        y=[spot.y_m for spot in spots],
        text=[spot.text for spot in spots],
        mode="markers",
        marker={
            "symbol": shape if bottomed else f"{shape}-open",
            "size": (17 if bottomed else 10) * size,
            "color": colour,
            "line": {"width": 1.5 if bottomed else 2, "color": theme.paper if bottomed else colour},
        },
        **read_out,
        name=f"{end} {kind}",
    )


def _start(picture: TrackPicture, theme: Theme, size: float) -> list[go.Scatter]:
    """A short bar across the line at the start, and an arrow head in the direction of travel."""
    if len(picture.x_m) < 20:
        return []
    ahead = min(len(picture.x_m) - 1, len(picture.x_m) // 40 + 1)
    x, y = picture.x_m, picture.y_m
    angle = float(np.degrees(np.arctan2(x[ahead] - x[0], y[ahead] - y[0])))
    common = {"hoverinfo": "skip", "mode": "markers", "name": "start"}
    return [
        go.Scatter(
            x=[x[0]],
            y=[y[0]],
            marker={"symbol": "line-ew", "size": 20 * size, "angle": angle,
                    "line": {"width": 3, "color": theme.ink}},
            **common,
        ),
        go.Scatter(
            x=[x[ahead]],
            y=[y[ahead]],
            marker={"symbol": "arrow", "size": 12 * size, "angle": angle, "color": theme.ink},
            **common,
        ),
    ]  # fmt: skip


# Size of a picture. [px]
WIDTH, HEIGHT = 220.0, 130.0
_MIDDLE = HEIGHT / 2


def corner_picture(corner: CornerLaps, chosen: int | None, span_mm: float, theme: Theme) -> str:
    """Front above the middle line and rear below, other laps grey, the chosen one in colour, as a data address.

    Each half reaches to ``span_mm``, which is one scale for all corners.
    """
    lines = []
    for end in ENDS:
        travel = corner.travel_mm.get(end)
        if travel is None:
            continue
        for lap, values in zip(corner.laps, travel, strict=True):
            if lap != chosen:
                lines.append(_path(values, end, span_mm, theme.soft, 0.9, 0.45))
        if chosen in corner.laps:
            own = travel[corner.laps.index(chosen)]
            lines.append(_path(own, end, span_mm, theme.of(end), 2.0, 1.0))
    apex_x = WIDTH * (corner.corner.apex_m - corner.span_m[0]) / (corner.span_m[1] - corner.span_m[0])
    written = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" width="{WIDTH:g}" '
        f'height="{HEIGHT:g}"><line x1="{apex_x:.1f}" x2="{apex_x:.1f}" y1="0" y2="{HEIGHT:g}" stroke="{theme.rule}"/>'
        f'<line x1="0" x2="{WIDTH:g}" y1="{_MIDDLE:g}" y2="{_MIDDLE:g}" stroke="{theme.ink}" stroke-width="0.8"/>'
        f"{''.join(lines)}</svg>"
    )
    return "data:image/svg+xml;base64," + base64.b64encode(written.encode()).decode()


def _path(values: FloatArray, end: End, span_mm: float, colour: str, width: float, opacity: float) -> str:
    side = -1 if end == "front" else 1
    x = (np.arange(len(values)) + 0.5) * WIDTH / len(values)
    y = _MIDDLE + side * np.clip(values / span_mm, -0.1, 1.0) * (_MIDDLE - 2)
    parts, pen = [], "M"
    for at_x, at_y in zip(x, y, strict=True):
        if np.isfinite(at_y):
            parts.append(f"{pen}{at_x:.1f} {at_y:.1f}")
            pen = "L"
        else:
            pen = "M"
    pen = f'stroke="{colour}" stroke-width="{width}" stroke-opacity="{opacity}"'
    return f'<path d="{"".join(parts)}" fill="none" {pen}/>'
