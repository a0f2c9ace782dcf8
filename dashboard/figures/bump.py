"""The average answer of both ends to a bump, back to back: front upwards, rear downwards."""

import numpy as np
import plotly.graph_objects as go

from dashboard.figures.halves import AXES, OTHER, halves_layout, zero
from dashboard.theme import Theme
from telemetry.arrays import ENDS, End
from telemetry.balance.balance import BumpResponse


def mirrored_response(response: BumpResponse, theme: Theme) -> go.Figure:
    """Wheel travel of both ends about a bump, each from the moment it met it.

    In each half the other end is repeated as a dashed line, so that a difference is seen where it is.

    Parameters
    ----------
    response : BumpResponse
    theme : Theme
    """
    travel = {"front": np.array(response.front_mm), "rear": np.array(response.rear_mm)}
    most = max(float(np.nanmax(values)) for values in travel.values())
    least = min(float(np.nanmin(values)) for values in travel.values())
    lag = response.lag_ms
    layout = halves_layout(
        ENDS,
        theme,
        title="time after the bump [ms]",
        reach=(lag[0], lag[-1]),
        top=1.12 * most,
        suffix=" mm",
        right=True,
        below=max(-1.12 * least, 0.0),
    )
    layout["shapes"] = [zero(theme)]
    own = [_line(end, end, lag, travel[end], theme) for end in ENDS]
    other = [_line(end, OTHER[end], lag, travel[OTHER[end]], theme) for end in ENDS]
    return go.Figure(data=[*own, *other], layout=layout)


def _line(half: End, end: End, lag_ms: tuple[float, ...], travel_mm: np.ndarray, theme: Theme) -> go.Scatter:
    """One end in one half: its own solid and filled, the other's dashed."""
    own = half == end
    fill = theme.front_fill if end == "front" else theme.rear_fill
    return go.Scatter(
        x=lag_ms,
        y=travel_mm,
        name=end,
        yaxis=AXES[half],
        mode="lines",
        line={
            "color": theme.front if end == "front" else theme.rear,
            "width": 2.0 if own else 1.2,
            "dash": "solid" if own else "3px,2px",
        },
        fill="tozeroy" if own else "none",
        fillcolor=fill,
        hovertemplate=f"{end} %{{y:.1f}} mm<extra></extra>" if own else None,
        hoverinfo=None if own else "skip",
    )
