"""The two halves that most pictures are made of: front above the middle, rear below it, both outwards."""

from collections.abc import Collection, Sequence

import numpy as np
import plotly.graph_objects as go

from dashboard.theme import Theme, template
from telemetry.arrays import ENDS, End

OTHER: dict[End, End] = {"front": "rear", "rear": "front"}
AXES: dict[End, str] = {"front": "y", "rear": "y2"}
HALVES: dict[End, tuple[float, float]] = {"front": (0.5, 1.0), "rear": (0.0, 0.5)}


def halves_layout(
    ends: Collection[End],
    theme: Theme,
    *,
    title: str,
    reach: tuple[float, float],
    top: float,
    suffix: str = " %",
    lane: float = 0.0,
    right: bool = False,
    below: float = 0.0,
) -> dict:
    """Two halves on one x axis, front upwards from the middle and rear downwards, on one scale.

    Parameters
    ----------
    ends : collection of End
        Those that were measured; the others are said to be missing.
    title : str
        Of the x axis.
    reach : tuple of float
        Of the x axis.
    top : float
        How far either half reaches outwards.
    suffix : str
        After each number of the outward axes, with its space.
    lane : float
        Share of the height kept free at the top and at the foot.
    right : bool
        Names of the ends on the right.
    below : float
        How far either half reaches to the other side of its own zero; positive.
    """
    outward = {"fixedrange": True, "nticks": 4, "ticksuffix": suffix, "zeroline": True}
    return {
        "template": template(theme),
        "dragmode": False,
        "hovermode": "x unified",
        "hoversubplots": "axis",
        "margin": {"l": 52, "r": 10, "t": 22, "b": 44},
        "xaxis": {
            "title": {"text": title},
            "range": list(reach),
            "fixedrange": True,
            "zeroline": False,
            "anchor": "free",
            "position": 0,
            "showgrid": False,
            "hoverformat": ".0f",
            "unifiedhovertitle": {"text": hover_title(title)},
        },
        "yaxis": {**outward, "domain": [0.5, 1 - lane], "range": [-below, top]},
        "yaxis2": {**outward, "domain": [lane, 0.5], "range": [top, -below], "anchor": "x"},
        "annotations": [
            end_name(end, theme, missing=end not in ends, lane=lane, right=right) for end in ENDS
        ],
    }


def hover_title(title: str) -> str:
    """What a read-out is headed by: the place on the axis with the unit of the axis's title."""
    unit = title.rpartition("[")[2].rstrip("]") if "[" in title else ""
    digits = {"s": 2, "Hz": 1}.get(unit, 0)
    return f"%{{x:.{digits}f}} {unit}" if unit else f"{title} %{{x:.{digits}f}}"


def end_line(
    half: End, end: End, x: Sequence[float] | np.ndarray, y: np.ndarray, theme: Theme, *, unit: str
) -> go.Scatter:
    """One end in one half: its own solid and filled, the other's repeated as a dashed line.

    ``unit`` is the read-out's, with its format in front, such as ``":.1f} mm"``.
    """
    own = half == end
    return go.Scatter(
        x=x,
        y=y,
        name=end,
        yaxis=AXES[half],
        mode="lines",
        line={
            "color": theme.front if end == "front" else theme.rear,
            "width": 1.8 if own else 1.2,
            "dash": "solid" if own else "3px,2px",
        },
        fill="tozeroy" if own else "none",
        fillcolor=theme.front_fill if end == "front" else theme.rear_fill,
        hovertemplate=f"{end} %{{y{unit}<extra></extra>" if own else None,
        hoverinfo=None if own else "skip",
    )


def zero(theme: Theme) -> dict:
    """A line up the whole picture at 0."""
    line = {"color": theme.rule, "width": 1, "dash": "dot"}
    return {"type": "line", "x0": 0, "x1": 0, "yref": "paper", "y0": 0, "y1": 1, "line": line}


def upright(at: float, end: End, theme: Theme, dash: str) -> dict:
    """A line across the half of one end."""
    low, high = HALVES[end]
    line = {"color": theme.front if end == "front" else theme.rear, "width": 1.2, "dash": dash}
    return {"type": "line", "x0": at, "x1": at, "yref": "paper", "y0": low, "y1": high, "line": line}


def heading(text: str, x: float, anchor: str, theme: Theme) -> dict:
    """Small words above the picture."""
    return {
        "text": text,
        "x": x,
        "xref": "paper",
        "xanchor": anchor,
        "y": 1,
        "yref": "paper",
        "yanchor": "bottom",
        "showarrow": False,
        "font": {"color": theme.soft, "size": 12},
    }


def end_name(end: End, theme: Theme, *, missing: bool, lane: float, right: bool) -> dict:
    """The name of an end in its half, and that it was not judged."""
    front = end == "front"
    return {
        "text": f"<b>{end}</b>" + (": not judged" if missing else ""),
        "xref": "paper",
        "yref": "paper",
        "x": 0.994 if right else 0.006,
        "xanchor": "right" if right else "left",
        "y": 0.98 - lane if front else 0.02 + lane,
        "yanchor": "top" if front else "bottom",
        "showarrow": False,
        "font": {"color": theme.front_word if front else theme.rear_word, "size": 13},
    }
