"""Histograms of both ends back to back on one axis: front upwards, rear downwards.

In each half a thin dashed outline repeats the other end, so that a difference is seen where it is.
"""

from collections.abc import Mapping

import numpy as np
import plotly.graph_objects as go

from dashboard.figures.halves import AXES, OTHER, halves_layout, heading, upright, zero
from dashboard.theme import Theme
from telemetry.arrays import ENDS, End
from telemetry.motion.summary import Histogram, TravelSummary

# Bins with a smaller share than this at both ends are outside the picture; the tables have the extremes.
_SEEN_SHARE = 0.0005
# Height left free for the bars of used travel, at the top and at the foot.
_LANE = 0.13


def speed_histogram(
    histograms: Mapping[End, Histogram],
    theme: Theme,
    *,
    plane: str,
    split_mm_s: Mapping[End, float] | None = None,
) -> go.Figure:
    """Speeds of both ends back to back: rebound on the left, compression on the right.

    Parameters
    ----------
    histograms : mapping of end to Histogram
        An end without a sensor is not in it.
    plane : str
        Where the speed was taken, for the title of the axis.
    split_mm_s : mapping of end to float, optional
        Where low and high shaft speed part. [mm/s]
    """
    low, high = _seen(histograms)
    reach = max(-low, high)
    splits = [
        upright(place, end, theme, "dot") for end, at in (split_mm_s or {}).items() for place in (-at, at)
    ]
    layout = halves_layout(
        histograms, theme, title=f"{plane} speed [mm/s]", reach=(-reach, reach), top=_top(histograms)
    )
    layout["shapes"] = [zero(theme), *splits]
    layout["annotations"] += [
        heading("← rebound", 0.49, "right", theme),
        heading("compression →", 0.51, "left", theme),
    ]
    return go.Figure(data=_silhouettes(histograms, theme, "mm/s"), layout=layout)


def travel_use(
    histograms: Mapping[End, Histogram],
    travel: Mapping[End, TravelSummary],
    stroke_mm: Mapping[End, float],
    theme: Theme,
    *,
    plane: str,
) -> go.Figure:
    """Time at each travel, back to back, with the used range of each end and the stroke it may use.

    Parameters
    ----------
    histograms, travel, stroke_mm : mapping of end
        An end without a sensor is not in them. [mm]
    plane : str
        Where the travel was taken, for the title of the axis.
    """
    longest = max(stroke_mm.values(), default=130.0)
    layout = halves_layout(
        histograms,
        theme,
        title=f"{plane} travel [mm]",
        reach=(0, 1.04 * longest),
        top=_top(histograms),
        lane=_LANE,
        right=True,
    )
    lane = {"range": [0, 1], "visible": False, "anchor": "x", "fixedrange": True}
    layout["yaxis3"] = {**lane, "domain": [1 - 0.85 * _LANE, 1.0]}
    layout["yaxis4"] = {**lane, "domain": [0.0, 0.85 * _LANE]}
    layout["shapes"] = [upright(stroke_mm[end], end, theme, "dash") for end in travel]
    bars = [bar for end, used in travel.items() for bar in _range_bar(end, used, theme)]
    return go.Figure(data=[*_silhouettes(histograms, theme, "mm"), *bars], layout=layout)


def _silhouettes(histograms: Mapping[End, Histogram], theme: Theme, unit: str) -> list[go.Scatter]:
    own = [_silhouette(end, histogram, theme, unit) for end, histogram in histograms.items()]
    other = [
        _outline(end, histograms[OTHER[end]], theme)
        for end in ENDS
        if end in histograms and OTHER[end] in histograms
    ]
    return [*own, *other]


def _steps(histogram: Histogram) -> tuple[np.ndarray, np.ndarray]:
    """Corners of the steps: two points a bin, at its edges, at its share in percent."""
    return np.repeat(histogram.edges, 2)[1:-1], np.repeat(100 * np.array(histogram.share), 2)


def _silhouette(end: End, histogram: Histogram, theme: Theme, unit: str) -> go.Scatter:
    x, y = _steps(histogram)
    edges = np.array(histogram.edges)
    return go.Scatter(
        x=x,
        y=y,
        customdata=np.repeat(np.stack([edges[:-1], edges[1:]], axis=-1), 2, axis=0),
        name=end,
        yaxis=AXES[end],
        mode="lines",
        line={"color": theme.front if end == "front" else theme.rear, "width": 1.3},
        fill="tozeroy",
        fillcolor=theme.front_fill if end == "front" else theme.rear_fill,
        hovertemplate=f"%{{y:.2f}} % of the time at %{{customdata[0]:.0f}} to %{{customdata[1]:.0f}} {unit}",
    )


def _outline(half: End, histogram: Histogram, theme: Theme) -> go.Scatter:
    """The other end's histogram, as a dashed outline in this half."""
    x, y = _steps(histogram)
    return go.Scatter(
        x=x,
        y=y,
        yaxis=AXES[half],
        mode="lines",
        line={"color": theme.rear if half == "front" else theme.front, "width": 1.2, "dash": "3px,2px"},
        hoverinfo="skip",
    )


def _range_bar(end: End, used: TravelSummary, theme: Theme) -> tuple[go.Scatter, go.Scatter]:
    """From least to most travel, with median and 95 % marked on it."""
    colour = theme.front if end == "front" else theme.rear
    axis = "y3" if end == "front" else "y4"
    values = {"least": used.min_mm, "median": used.median_mm, "95 %": used.p95_mm, "most": used.max_mm}
    bar = go.Scatter(
        x=[used.min_mm, used.max_mm],
        y=[0.5, 0.5],
        yaxis=axis,
        mode="lines",
        line={"color": colour, "width": 7},
        hoverinfo="skip",
    )
    marks = go.Scatter(
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
    return bar, marks


def _top(histograms: Mapping[End, Histogram]) -> float:
    """How far each half reaches, in percent, so that the largest share fits."""
    most = max((max(histogram.share, default=0.0) for histogram in histograms.values()), default=0.0)
    return 108 * most or 1.0


def _seen(histograms: Mapping[End, Histogram]) -> tuple[float, float]:
    """Where both histograms have something to show."""
    low, high = 0.0, 1.0
    for histogram in histograms.values():
        seen = np.flatnonzero(np.array(histogram.share) >= _SEEN_SHARE)
        if len(seen):
            low = min(low, histogram.edges[seen[0]])
            high = max(high, histogram.edges[seen[-1] + 1])
    return low, high
