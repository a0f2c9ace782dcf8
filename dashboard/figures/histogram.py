"""Histograms of both ends back to back on one axis: front upwards, rear downwards.

In each half a thin dashed outline repeats the other end, so that a difference is seen where it is.
"""

from collections.abc import Mapping

import numpy as np
import plotly.graph_objects as go

from dashboard.theme import Theme, template
from telemetry.arrays import ENDS, End
from telemetry.motion.summary import Histogram, TravelSummary

_OTHER: dict[End, End] = {"front": "rear", "rear": "front"}
_AXES: dict[End, str] = {"front": "y", "rear": "y2"}
# Bins with a smaller share than this at both ends are outside the picture; the tables have the extremes.
_SEEN_SHARE = 0.0005


def back_to_back(
    histograms: Mapping[End, Histogram],
    theme: Theme,
    *,
    x_title: str,
    unit: str,
    centred: bool,
    lane: float = 0.0,
) -> go.Figure:
    """Front above and rear below one axis.

    Parameters
    ----------
    histograms : mapping of end to Histogram
        An end without a sensor is not in it.
    theme : Theme
    x_title, unit : str
    centred : bool
        Same reach on both sides of zero, as for speed.
    lane : float
        Share of the height to leave free at the top and at the foot.
    """
    figure = go.Figure()
    for end, histogram in histograms.items():
        figure.add_trace(_bars(end, histogram, theme, unit))
    for end in ENDS:
        if end in histograms and _OTHER[end] in histograms:
            figure.add_trace(_outline(end, histograms[_OTHER[end]], theme))
    top = 100 * max((max(h.share, default=0.0) for h in histograms.values()), default=0.0) * 1.08 or 1.0
    share_axis = {"fixedrange": True, "nticks": 4, "ticksuffix": " %", "zeroline": True}
    figure.update_layout(
        template=template(theme),
        dragmode=False,
        bargap=0,
        hovermode="x",
        margin={"l": 52, "r": 10, "t": 22, "b": 44},
        xaxis={
            "title": {"text": x_title},
            "range": _reach(histograms, centred),
            "fixedrange": True,
            "zeroline": False,
            "anchor": "free",
            "position": 0,
            "showgrid": False,
        },
        yaxis={**share_axis, "domain": [0.5, 1 - lane], "range": [0, top]},
        yaxis2={**share_axis, "domain": [lane, 0.5], "range": [top, 0], "anchor": "x"},
    )
    for end in ENDS:
        _name(figure, end, theme, missing=end not in histograms, lane=lane)
    return figure


def speed_histogram(
    histograms: Mapping[End, Histogram],
    theme: Theme,
    *,
    plane: str,
    split_mm_s: Mapping[End, float] | None = None,
) -> go.Figure:
    """Speeds of both ends back to back: rebound on the left, compression on the right.

    ``split_mm_s`` marks where low and high shaft speed part, for each end.
    """
    figure = back_to_back(histograms, theme, x_title=f"{plane} speed [mm/s]", unit="mm/s", centred=True)
    figure.add_shape(
        type="line",
        x0=0,
        x1=0,
        yref="paper",
        y0=0,
        y1=1,
        line={"color": theme.rule, "width": 1, "dash": "dot"},
    )
    for text, x, anchor in (("← rebound", 0.49, "right"), ("compression →", 0.51, "left")):
        figure.add_annotation(
            text=text,
            x=x,
            xref="paper",
            xanchor=anchor,
            y=1,
            yref="paper",
            yanchor="bottom",
            showarrow=False,
            font={"color": theme.soft, "size": 12},
        )
    for end, split in (split_mm_s or {}).items():
        low, high = (0.5, 1.0) if end == "front" else (0.0, 0.5)
        for place in (-split, split):
            figure.add_shape(
                type="line",
                x0=place,
                x1=place,
                yref="paper",
                y0=low,
                y1=high,
                line={"color": theme.front if end == "front" else theme.rear, "width": 1.2, "dash": "dot"},
            )
    return figure


def travel_use(
    histograms: Mapping[End, Histogram],
    travel: Mapping[End, TravelSummary],
    stroke_mm: Mapping[End, float],
    theme: Theme,
    *,
    plane: str,
) -> go.Figure:
    """Time at each travel, back to back, with the used range of each end and the stroke it may use."""
    figure = back_to_back(
        histograms, theme, x_title=f"{plane} travel [mm]", unit="mm", centred=False, lane=0.13
    )
    figure.update_layout(
        xaxis={"range": [0, max(stroke_mm.values(), default=130.0) * 1.04]},
        yaxis3={"domain": [0.89, 1.0], "range": [0, 1], "visible": False, "anchor": "x", "fixedrange": True},
        yaxis4={"domain": [0.0, 0.11], "range": [0, 1], "visible": False, "anchor": "x", "fixedrange": True},
    )
    for end, used in travel.items():
        _range_bar(figure, end, used, theme)
        colour = theme.front if end == "front" else theme.rear
        low, high = (0.5, 1.0) if end == "front" else (0.0, 0.5)
        figure.add_shape(
            type="line",
            x0=stroke_mm[end],
            x1=stroke_mm[end],
            yref="paper",
            y0=low,
            y1=high,
            line={"color": colour, "width": 1.2, "dash": "dash"},
        )
    return figure


def _range_bar(figure: go.Figure, end: End, used: TravelSummary, theme: Theme) -> None:
    colour = theme.front if end == "front" else theme.rear
    axis = "y3" if end == "front" else "y4"
    figure.add_trace(
        go.Scatter(
            x=[used.min_mm, used.max_mm],
            y=[0.5, 0.5],
            yaxis=axis,
            mode="lines",
            line={"color": colour, "width": 7},
            hoverinfo="skip",
        )
    )
    values = {"least": used.min_mm, "median": used.median_mm, "95 %": used.p95_mm, "most": used.max_mm}
    figure.add_trace(
        go.Scatter(
            x=list(values.values()),
            y=[0.5] * len(values),
            text=list(values),
            yaxis=axis,
            mode="markers",
            marker={
                "symbol": ["line-ns", "diamond", "circle", "line-ns"],
                "size": [16, 11, 9, 16],
                "color": theme.paper,
                "line": {"color": [colour, theme.ink, theme.ink, colour], "width": [3, 1.5, 1.5, 3]},
            },
            hovertemplate=f"{end} %{{text}}: %{{x:.1f}} mm<extra></extra>",
        )
    )


def _bars(end: End, histogram: Histogram, theme: Theme, unit: str) -> go.Bar:
    edges = np.array(histogram.edges)
    front = end == "front"
    return go.Bar(
        x=(edges[1:] + edges[:-1]) / 2,
        y=100 * np.array(histogram.share),
        width=np.diff(edges),
        customdata=np.stack([edges[:-1], edges[1:]], axis=-1),
        name=end,
        yaxis=_AXES[end],
        marker={
            "color": theme.front_fill if front else theme.rear_fill,
            "line": {"color": theme.front if front else theme.rear, "width": 1},
        },
        hovertemplate=f"{end}: %{{y:.2f}} % of the time at %{{customdata[0]:.0f}} to %{{customdata[1]:.0f}} {unit}"
        "<extra></extra>",
    )


def _outline(half: End, histogram: Histogram, theme: Theme) -> go.Scatter:
    """The other end's histogram, as a dashed outline in this half."""
    share = 100 * np.array(histogram.share)
    return go.Scatter(
        x=np.repeat(histogram.edges, 2)[1:-1],
        y=np.repeat(share, 2),
        yaxis=_AXES[half],
        mode="lines",
        line={"color": theme.rear if half == "front" else theme.front, "width": 1.2, "dash": "3px,2px"},
        hoverinfo="skip",
    )


def _reach(histograms: Mapping[End, Histogram], centred: bool) -> list[float]:
    low, high = 0.0, 1.0
    for histogram in histograms.values():
        seen = np.flatnonzero(np.array(histogram.share) >= _SEEN_SHARE)
        if len(seen):
            low = min(low, histogram.edges[seen[0]])
            high = max(high, histogram.edges[seen[-1] + 1])
    if centred:
        high = max(-low, high)
        low = -high
    return [low, high]


def _name(figure: go.Figure, end: End, theme: Theme, *, missing: bool, lane: float) -> None:
    front = end == "front"
    figure.add_annotation(
        text=f"<b>{end}</b>" + (": no sensor in this log" if missing else ""),
        xref="paper",
        yref="paper",
        x=0.994 if lane else 0.006,
        xanchor="right" if lane else "left",
        y=0.98 - lane if front else 0.02 + lane,
        yanchor="top" if front else "bottom",
        showarrow=False,
        font={"color": theme.front_word if front else theme.rear_word, "size": 13},
    )
