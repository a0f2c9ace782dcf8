"""Pictures of the document drawn on the screen: two halves about a middle line, front upwards, rear downwards."""

import numpy as np
import plotly.graph_objects as go

from dashboard.theme import Theme, across, box, template, words
from telemetry.arrays import ENDS, End
from telemetry.report import Curve, Halves, Shade, Spectrum, Upright

AXES: dict[End, str] = {"front": "y", "rear": "y2"}
HALVES: dict[End, tuple[float, float]] = {"front": (0.5, 1.0), "rear": (0.0, 0.5)}


def halves_figure(picture: Halves, theme: Theme) -> go.Figure:
    """Both halves on one x axis, each end solid and filled in its own, the other end repeated as a dashed line."""
    suffix = f" {picture.unit}" if len(picture.unit) <= 2 and picture.unit else ""
    outward = {"fixedrange": True, "nticks": 4, "ticksuffix": suffix, "zeroline": True}
    return go.Figure(
        data=[_curve(curve, picture, theme) for curve in sorted(picture.curves, key=lambda one: not one.own)],
        layout={
            "template": template(theme),
            "dragmode": False,
            "hovermode": "x unified",
            "hoversubplots": "axis",
            "margin": {"l": 52, "r": 10, "t": 22, "b": 44},
            "xaxis": {
                "title": {"text": picture.x_title},
                "range": list(picture.x_range),
                "fixedrange": True,
                "zeroline": False,
                "anchor": "free",
                "position": 0,
                "showgrid": False,
                "unifiedhovertitle": {"text": hover_title(picture.x_title)},
                **_ticks(picture),
            },
            "yaxis": {**outward, "domain": [0.5, 1.0], "range": [-picture.below, picture.top]},
            "yaxis2": {
                **outward,
                "domain": [0.0, 0.5],
                "range": [picture.top, -picture.below],
                "anchor": "x",
            },
            "shapes": [
                *(_shade(shade, theme) for shade in picture.shades),
                *([_zero(theme)] if picture.zero else []),
                *(_upright(upright, theme) for upright in picture.uprights),
            ],
            "annotations": [
                *(_end_name(end, picture, theme) for end in ENDS),
                *(_shade_name(shade, theme) for shade in picture.shades if shade.words),
                *(note for end in ENDS for note in _marks(end, picture, theme)),
                *_headings(picture, theme),
            ],
        },
    )


def _ticks(picture: Halves) -> dict:
    """Words where the axis has no numbers, whole numbers for laps; else what plotly chooses."""
    if picture.ticks:
        return {
            "tickvals": [at for at, _ in picture.ticks],
            "ticktext": [words for _, words in picture.ticks],
        }
    return {"dtick": max(1, round(np.ptp(picture.x_range) / 12))} if picture.x_title == "lap" else {}


def hover_title(title: str) -> str:
    """What a read-out is headed by: the place on the axis with the unit of the axis's title."""
    unit = title.rpartition("[")[2].rstrip("]") if "[" in title else ""
    digits = {"s": 2, "Hz": 1}.get(unit, 0)
    return f"%{{x:.{digits}f}} {unit}" if unit else f"{title} %{{x:.{digits}f}}"


def _curve(curve: Curve, picture: Halves, theme: Theme) -> go.Scatter:
    own, front = curve.own, curve.end == "front"
    colour = theme.of(curve.end)
    common = {"x": curve.x, "y": curve.y, "name": curve.end, "yaxis": AXES[curve.half]}
    if not own:
        line = {"color": colour, "width": 1.2, "dash": "3px,2px"}
        return go.Scatter(**common, mode="lines", line=line, hoverinfo="skip")
    read_out = f"{curve.end} %{{y:.{picture.decimals}f}} {picture.unit}".rstrip() + "<extra></extra>"
    if curve.ci is not None:
        low, high = curve.ci
        return go.Scatter(
            **common,
            mode="lines+markers",
            line={"color": colour, "width": 1.0, "dash": "dot"},
            marker={"symbol": "circle" if front else "diamond", "size": 9, "color": colour},
            error_y={"type": "data", "symmetric": False, "array": high - curve.y, "arrayminus": curve.y - low,
                     "color": colour, "thickness": 1.4, "width": 3},
            hovertemplate=read_out,
        )  # fmt: skip
    return go.Scatter(
        **common,
        mode="lines",
        line={"color": colour, "width": 1.6},
        fill="tozeroy",
        fillcolor=theme.fill(curve.end),
        hovertemplate=read_out,
    )


def _zero(theme: Theme) -> dict:
    return across(0, 0, 1, theme.rule, 1, "dot")


def _upright(upright: Upright, theme: Theme) -> dict:
    low, high = HALVES[upright.end]
    colour = theme.of(upright.end)
    dash = {"dash": "dash", "dot": "dot", "mark": "solid"}[upright.look]
    return across(upright.x, low, high, colour, 1.2, dash)


def _marks(end: End, picture: Halves, theme: Theme) -> list[dict]:
    """The words of dashed lines, one below the other from the outside in; values stand in the tables."""
    named = (one for one in picture.uprights if one.end == end and one.words and one.look != "mark")
    marked = sorted(named, key=lambda one: one.x)
    middle = sum(picture.x_range) / 2
    side = 1 if end == "front" else -1
    return [
        {
            **words(upright.words, theme.word(end), 12),
            "x": upright.x,
            "xanchor": "left" if upright.x < middle else "right",
            "y": 0.5 + side * (0.40 - 0.07 * place),
            "yanchor": "middle",
        }
        for place, upright in enumerate(marked)
    ]


def _shade(shade: Shade, theme: Theme) -> dict:
    return box(shade.low, shade.high, *HALVES[shade.end], theme.corner_fill, layer="below")


def _shade_name(shade: Shade, theme: Theme) -> dict:
    front = shade.end == "front"
    at = {
        "x": shade.low,
        "xanchor": "left",
        "y": 0.99 if front else 0.01,
        "yanchor": "top" if front else "bottom",
    }
    return {**words(shade.words, theme.soft, 12), **at}


def _headings(picture: Halves, theme: Theme) -> list[dict]:
    """Small words above the picture, on both sides of 0."""
    sides = zip(picture.headings or (), (0.49, 0.51), ("right", "left"), strict=False)
    return [
        {
            **words(text, theme.soft, 12),
            "x": x,
            "xref": "paper",
            "xanchor": anchor,
            "y": 1,
            "yanchor": "bottom",
        }
        for text, x, anchor in sides
    ]


def _end_name(end: End, picture: Halves, theme: Theme) -> dict:
    """The name of an end in its half, and that it was not judged."""
    front = end == "front"
    missing = "" if end in picture.ends else ": not judged"
    return {
        **words(f"<b>{end}</b>{missing}", theme.word(end), 13),
        "xref": "paper",
        "x": 0.994,
        "xanchor": "right",
        "y": 0.98 if front else 0.02,
        "yanchor": "top" if front else "bottom",
    }


def spectrum_figure(picture: Spectrum, theme: Theme) -> go.Figure:
    """Density as it was, and as it would have been with healthy damping."""

    def line(density: np.ndarray, name: str, *, own: bool) -> go.Scatter:
        look = {"color": theme.rear if own else theme.soft, "width": 2.0 if own else 1.4}
        return go.Scatter(
            x=picture.frequency_hz,
            y=density,
            name=name,
            mode="lines",
            line={**look, "dash": "solid" if own else "dash"},
            fill="tozeroy" if own else "none",
            fillcolor=theme.rear_fill,
            hovertemplate=f"{name} %{{y:.2f}} mm²/Hz<extra></extra>",
        )

    title = "frequency [Hz]"
    return go.Figure(
        data=[
            line(picture.own_mm2_hz, "as it was", own=True),
            line(picture.healthy_mm2_hz, "with the damping of the outing", own=False),
        ],
        layout={
            "template": template(theme),
            "dragmode": False,
            "hovermode": "x unified",
            "margin": {"l": 52, "r": 10, "t": 8, "b": 44},
            "xaxis": {
                "title": {"text": title},
                "fixedrange": True,
                "unifiedhovertitle": {"text": hover_title(title)},
            },
            "yaxis": {"fixedrange": True, "rangemode": "tozero", "nticks": 4, "ticksuffix": " mm²/Hz"},
        },
    )
