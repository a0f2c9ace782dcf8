"""Wheel speed by frequency, back to back: front upwards, rear downwards, with the bands of body and wheel hop."""

import numpy as np
import plotly.graph_objects as go

from dashboard.figures.halves import HALVES, OTHER, end_line, halves_layout
from dashboard.theme import Theme
from telemetry.arrays import End
from telemetry.motion.summary import BandUse, Frequencies

# What a suspension does lies below this. [Hz]
HIGHEST_HZ = 30.0
_UNIT = ":.0f} mm/s per √Hz"


def mirrored_spectra(found: Frequencies, theme: Theme) -> go.Figure:
    """Amplitude density of wheel speed of both ends; bands are shaded and named in the half of their end."""
    hz = np.array(found.frequency_hz)
    shown = (hz > 0) & (hz <= HIGHEST_HZ)
    # The root, for what a person reads off is a speed, and the small half of the picture is not lost.
    speed = {end: np.sqrt(np.array(one.density)[shown]) for end, one in found.ends.items()}
    top = 1.15 * max((float(values.max()) for values in speed.values()), default=1.0)
    layout = halves_layout(
        found.ends, theme, title="frequency [Hz]", reach=(0, HIGHEST_HZ), top=top, suffix="", right=True
    )
    layout["shapes"] = [_shade(end, used, theme) for end, one in found.ends.items() for used in one.bands]
    layout["annotations"] += [
        _band_name(end, used, theme) for end, one in found.ends.items() for used in one.bands
    ]
    lines = [end_line(end, end, hz[shown], speed[end], theme, unit=_UNIT) for end in speed]
    both = [end for end in speed if OTHER[end] in speed]
    lines += [end_line(end, OTHER[end], hz[shown], speed[OTHER[end]], theme, unit=_UNIT) for end in both]
    return go.Figure(data=lines, layout=layout)


def _shade(end: End, used: BandUse, theme: Theme) -> dict:
    low, high = HALVES[end]
    return {
        "type": "rect",
        "x0": used.band.low_hz,
        "x1": min(used.band.high_hz, HIGHEST_HZ),
        "yref": "paper",
        "y0": low,
        "y1": high,
        "fillcolor": theme.corner_fill,
        "line": {"width": 0},
        "layer": "below",
    }


def _band_name(end: End, used: BandUse, theme: Theme) -> dict:
    front = end == "front"
    return {
        "text": used.band.name,
        "x": used.band.low_hz,
        "xanchor": "left",
        "y": 0.99 if front else 0.01,
        "yref": "paper",
        "yanchor": "top" if front else "bottom",
        "showarrow": False,
        "font": {"color": theme.soft, "size": 12},
    }
