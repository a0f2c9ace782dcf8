"""The raw trace: every channel of the stretch one under the other, on one horizontal axis."""

from collections.abc import Sequence
from dataclasses import dataclass

import plotly.graph_objects as go

from dashboard.figures.travel import full_range, reading_axis
from dashboard.theme import Theme, template, words
from dashboard.thin import packed_line
from telemetry.arrays import End, FloatArray

_GAP = 0.022


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
) -> go.Figure:
    """Panels from top to bottom in the order given."""
    axes = ["y" if place == 0 else f"y{place + 1}" for place in range(len(channels))]
    tops = [1 - place / len(channels) for place in range(len(channels))]
    return go.Figure(
        data=[_line(channel, axis, x, zoom, theme) for channel, axis in zip(channels, axes, strict=True)],
        layout={
            "template": template(theme),
            "dragmode": False if touch else "zoom",
            "hovermode": "x unified",
            "hoversubplots": "axis",
            "margin": {"l": 52, "r": 10, "t": 8, "b": 44},
            "xaxis": {
                **reading_axis(theme, x_title),
                "range": list(zoom or full_range(x)),
                "anchor": axes[-1] if axes else "y",
            },
            **{
                axis.replace("y", "yaxis"): _panel(channels, place, tops[place])
                for place, axis in enumerate(axes)
            },
            "annotations": [_title(channel, top, theme) for channel, top in zip(channels, tops, strict=True)],
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
        hovertemplate=f"%{{y:.{channel.digits}f}} {channel.unit}",
    )


def _panel(channels: Sequence[Channel], place: int, top: float) -> dict:
    """Axis of one panel; the first one of a scale sets it for the others."""
    scale = channels[place].scale
    first = (
        next(i for i, channel in enumerate(channels) if scale and channel.scale == scale) if scale else place
    )
    same = {} if first == place else {"matches": "y" if first == 0 else f"y{first + 1}"}
    return {
        "domain": [max(top - 1 / len(channels) + _GAP, 0), top],
        "anchor": "x",
        "fixedrange": True,
        "nticks": 4,
        "zerolinewidth": 0.8,
        **same,
    }


def _title(channel: Channel, top: float, theme: Theme) -> dict:
    at = {"xref": "paper", "x": 0.004, "xanchor": "left", "y": top, "yanchor": "top"}
    return words(channel.title, theme.word(channel.end), **at)
