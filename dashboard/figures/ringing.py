"""What a suspected loss can be seen by: the rear against the front on the same road, and against a healthy damper."""

import numpy as np
import plotly.graph_objects as go

from dashboard.figures.halves import AXES, halves_layout, hover_title
from dashboard.theme import Theme, template
from telemetry.arrays import ENDS, End
from telemetry.damping.oscillation import EventEvidence


def ringing_trace(seen: EventEvidence, theme: Theme) -> go.Figure:
    """Band-limited travel of both wheels over the same road: front above, rear below.

    Parameters
    ----------
    seen : EventEvidence
        Of an event of the rear.
    """
    travel: dict[End, tuple[float, ...]] = {"front": seen.other_mm, "rear": seen.own_mm}
    shown = [end for end in ENDS if travel[end]]
    reach = 1.15 * max(float(np.abs(travel[end]).max()) for end in shown)
    t_s = seen.start_s + seen.step_s * np.arange(len(seen.own_mm))
    layout = halves_layout(
        shown,
        theme,
        title="time [s]",
        reach=(float(t_s[0]), float(t_s[-1])),
        top=reach,
        suffix=" mm",
        right=True,
        below=reach,
    )
    lines = [
        go.Scatter(
            x=t_s[: len(travel[end])],
            y=travel[end],
            name=end,
            yaxis=AXES[end],
            mode="lines",
            line={"color": theme.front if end == "front" else theme.rear, "width": 1.4},
            hovertemplate=f"{end} %{{y:.1f}} mm<extra></extra>",
        )
        for end in shown
    ]
    return go.Figure(data=lines, layout=layout)


def ringing_spectrum(seen: EventEvidence, theme: Theme) -> go.Figure:
    """Density of the rear's travel as it was, and as it would have been on that road with healthy damping."""
    lines = [
        _density(seen.frequency_hz, seen.own_mm2_hz, "as it was", theme, own=True),
        _density(seen.frequency_hz, seen.healthy_mm2_hz, "with the damping of the outing", theme, own=False),
    ]
    layout = {
        "template": template(theme),
        "dragmode": False,
        "hovermode": "x unified",
        "margin": {"l": 52, "r": 10, "t": 8, "b": 44},
        "xaxis": {
            "title": {"text": "frequency [Hz]"},
            "fixedrange": True,
            "hoverformat": ".1f",
            "unifiedhovertitle": {"text": hover_title("[Hz]")},
        },
        "yaxis": {"fixedrange": True, "rangemode": "tozero", "nticks": 4, "ticksuffix": " mm²/Hz"},
    }
    return go.Figure(data=lines, layout=layout)


def _density(
    hz: tuple[float, ...], density: tuple[float, ...], name: str, theme: Theme, *, own: bool
) -> go.Scatter:
    return go.Scatter(
        x=hz,
        y=density,
        name=name,
        mode="lines",
        line={
            "color": theme.rear if own else theme.soft,
            "width": 2.0 if own else 1.4,
            "dash": "solid" if own else "dash",
        },
        fill="tozeroy" if own else "none",
        fillcolor=theme.rear_fill,
        hovertemplate=f"{name} %{{y:.2f}}<extra></extra>",
    )
