"""The raw trace: every channel of the stretch one under the other, on one horizontal axis."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
import plotly.graph_objects as go

from dashboard.figures.travel import full_range, reading_axis
from dashboard.theme import Theme, box, template, words
from dashboard.thin import packed_line
from telemetry.arrays import End, FloatArray
from telemetry.report import Band

# Room above each panel for its name, as a share of the panel.
_NAME = 0.2
# A panel reaches so far beyond nearly all samples at most. [%]
NEARLY_ALL = (0.1, 99.9)


@dataclass(frozen=True)
class Channel:
    """One panel.

    Parameters
    ----------
    title : str
        With its unit.
    values : ndarray of shape (n_samples,)
    digits : int
        Of a read-out.
    end : End or None
        Colour.
    scale : str
        Panels with the same word have the same scale, so that both ends can be compared; "" has its own.
    """

    title: str
    values: FloatArray
    digits: int = 0
    end: End | None = None
    scale: str = ""

    @property
    def unit(self) -> str:
        """From the title."""
        return self.title.rpartition("[")[2].rstrip("]")


def lines(channels: Sequence[Channel]) -> list[FloatArray]:
    """The long lines in the order they are drawn: a zoom replaces exactly these."""
    return [channel.values for channel in channels]


def stacked(
    channels: Sequence[Channel],
    x: FloatArray,
    x_title: str,
    theme: Theme,
    zoom: tuple[float, float] | None = None,
    *,
    touch: bool = False,
    meta: Mapping[str, Any] = MappingProxyType({}),
    bands: Sequence[Band] = (),
) -> go.Figure:
    """Panels from top to bottom in the order given, each below its name; ``bands`` are corners by number."""
    axes = ["y" if place == 0 else f"y{place + 1}" for place in range(len(channels))]
    tops = [1 - place / len(channels) for place in range(len(channels))]  # names stand above
    return go.Figure(
        data=[_line(channel, axis, x, zoom, theme) for channel, axis in zip(channels, axes, strict=True)],
        layout={
            "template": template(theme),
            "dragmode": False if touch else "zoom",
            "hovermode": False,
            "meta": dict(meta),
            "margin": {"l": 56, "r": 12, "t": 40, "b": 44},
            "shapes": [box(band.x0, band.x1, 0, 1, theme.corner_fill, layer="below") for band in bands],
            "xaxis": {
                **reading_axis(x_title),
                "range": list(zoom or full_range(x)),
                "anchor": axes[-1] if axes else "y",
            },
            **{
                axis.replace("y", "yaxis"): _panel(channels, place, tops[place])
                for place, axis in enumerate(axes)
            },
            "annotations": [
                *(_title(channel, top, theme) for channel, top in zip(channels, tops, strict=True)),
                *(
                    {
                        **words(band.label, theme.soft, 12),
                        "x": (band.x0 + band.x1) / 2,
                        "y": 1,
                        "yanchor": "bottom",
                        "yshift": 20,
                    }
                    for band in bands
                ),
            ],
        },
    )


def _line(
    channel: Channel, axis: str, x: FloatArray, zoom: tuple[float, float] | None, theme: Theme
) -> go.Scatter:
    few_x, few_y = packed_line(x, channel.values, zoom)
    colour = theme.of(channel.end)
    return go.Scatter(
        x=few_x,
        y=few_y,
        name=channel.title.partition(" [")[0],
        yaxis=axis,
        mode="lines",
        line={"color": colour, "width": 1.1},
        meta={"read": channel.title.partition(" [")[0], "unit": channel.unit, "digits": channel.digits},
    )


def _panel(channels: Sequence[Channel], place: int, top: float) -> dict:
    """Axis of one panel; the first one of a scale sets it for the others."""
    scale = channels[place].scale
    first = (
        next(i for i, channel in enumerate(channels) if scale and channel.scale == scale) if scale else place
    )
    same = {} if first == place else {"matches": "y" if first == 0 else f"y{first + 1}"}
    return {
        "domain": [max(top - (1 - _NAME) / len(channels), 0), top],
        "anchor": "x",
        "fixedrange": True,
        "nticks": 4,
        "zerolinewidth": 0.8,
        **(
            {
                "range": robust_range(
                    [c.values for c in channels if c is channels[place] or (scale and c.scale == scale)]
                )
            }
            if first == place
            else {}
        ),
        **same,
    }


def robust_range(lines: Sequence[FloatArray]) -> list[float]:
    """Range of a panel: nearly all samples, so that one spike does not flatten the rest; what is beyond is cut.

    Where the extremes are not far beyond nearly all samples, they are in it.
    """
    every = np.concatenate([values[np.isfinite(values)] for values in lines] or [np.array([])])
    if not len(every):
        return [0.0, 1.0]
    low, high = (float(value) for value in np.percentile(every, NEARLY_ALL))
    reach = (high - low) or abs(high) or 1.0
    least, most = float(every.min()), float(every.max())
    bottom = least if low - least <= 0.6 * reach else low - 0.6 * reach
    top = most if most - high <= 0.6 * reach else high + 0.6 * reach
    pad = 0.06 * ((top - bottom) or 1.0)
    return [bottom - pad, top + pad]


def _title(channel: Channel, top: float, theme: Theme) -> dict:
    at = {"xref": "paper", "x": 0.004, "xanchor": "left", "y": top, "yanchor": "bottom"}
    return words(channel.title, theme.word(channel.end), **at)
