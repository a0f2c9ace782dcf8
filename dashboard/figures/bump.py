"""The average answer of both ends to a bump, back to back: front upwards, rear downwards."""

import numpy as np
import plotly.graph_objects as go

from dashboard.figures.halves import OTHER, end_line, halves_layout, zero
from dashboard.theme import Theme
from telemetry.arrays import ENDS
from telemetry.balance.balance import BumpResponse


def mirrored_response(response: BumpResponse, theme: Theme) -> go.Figure:
    """Wheel travel of both ends about a bump, each from the moment it met it.

    In each half the other end is repeated as a dashed line, so that a difference is seen where it is.
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
    own = [end_line(end, end, lag, travel[end], theme, unit=":.1f} mm") for end in ENDS]
    other = [end_line(end, OTHER[end], lag, travel[OTHER[end]], theme, unit=":.1f} mm") for end in ENDS]
    return go.Figure(data=[*own, *other], layout=layout)
