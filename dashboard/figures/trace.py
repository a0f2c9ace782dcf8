"""The raw trace: every channel of the stretch one under the other, on one horizontal axis."""

from dataclasses import dataclass

import plotly.graph_objects as go

from dashboard.figures.travel import full_range
from dashboard.theme import Theme, template
from dashboard.thin import packed_line
from telemetry.arrays import FloatArray

_GAP = 0.025


@dataclass(frozen=True)
class Channel:
    """One panel: its lines by name ("front", "rear" or another), its title with unit, digits of a read-out."""

    title: str
    lines: dict[str, FloatArray]
    digits: int = 0
    zero: bool = False


def lines(channels: list[Channel]) -> list[tuple[str, FloatArray]]:
    """The long lines in the order they are drawn: a zoom replaces exactly these."""
    return [(name, values) for channel in channels for name, values in channel.lines.items()]


def stacked(
    channels: list[Channel],
    x: FloatArray,
    x_title: str,
    theme: Theme,
    zoom: tuple[float, float] | None = None,
    *,
    touch: bool = False,
) -> go.Figure:
    """Panels from top to bottom; front solid, rear dotted, so that they differ without colour."""
    figure = go.Figure()
    height = 1 / max(len(channels), 1)
    for place, channel in enumerate(channels):
        top = 1 - place * height
        axis = "y" if place == 0 else f"y{place + 1}"
        figure.update_layout(
            {
                axis.replace("y", "yaxis"): {
                    "domain": [max(top - height + _GAP, 0), top],
                    "anchor": "x",
                    "fixedrange": True,
                    "nticks": 4,
                    "zeroline": channel.zero,
                    "zerolinewidth": 0.8,
                }
            }
        )
        for name, values in channel.lines.items():
            few_x, few_y = packed_line(x, values, zoom)
            figure.add_trace(
                go.Scatter(
                    x=few_x,
                    y=few_y,
                    name=name,
                    yaxis=axis,
                    mode="lines",
                    line=_pen(name, theme),
                    hovertemplate=f"%{{y:.{channel.digits}f}}",
                )
            )
        figure.add_annotation(
            xref="paper",
            yref="paper",
            x=0.004,
            y=top,
            xanchor="left",
            yanchor="top",
            text=channel.title,
            showarrow=False,
            bgcolor=theme.paper,
            opacity=0.9,
            font={"color": theme.soft, "size": 12},
        )
    figure.update_layout(
        template=template(theme),
        dragmode=False if touch else "zoom",
        hovermode="x unified",
        hoversubplots="axis",
        margin={"l": 52, "r": 10, "t": 8, "b": 44},
        xaxis={
            "range": list(zoom or full_range(x)),
            "title": {"text": x_title},
            "anchor": "y" if len(channels) < 2 else f"y{len(channels)}",
            "showgrid": False,
            "zeroline": False,
            "showspikes": True,
            "spikemode": "across",
            "spikesnap": "cursor",
            "spikethickness": 1,
            "spikecolor": theme.soft,
            "spikedash": "solid",
        },
    )
    return figure


def _pen(name: str, theme: Theme) -> dict:
    if name == "front":
        return {"color": theme.front, "width": 1.2}
    if name == "rear":
        return {"color": theme.rear, "width": 1.4, "dash": "2px,2px"}
    return {"color": theme.ink, "width": 1.2}
