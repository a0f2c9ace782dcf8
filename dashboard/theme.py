"""Colours by meaning, for pictures and page; light for sunlight and paper, dark for the garage.

Front is violet and rear ochre. No picture relies on it: front is always above and drawn solid, rear below.
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from functools import cache
from typing import Any

import plotly.graph_objects as go

from telemetry.arrays import End

FONT = "system-ui, -apple-system, 'Segoe UI', Roboto, 'Noto Sans', sans-serif"


@dataclass(frozen=True)
class Theme:
    """One set of colours.

    ``*_word`` are for text on ``paper`` (contrast 4.5 and more), ``*_fill`` for areas under a line.
    """

    name: str
    paper: str
    sheet: str
    ink: str
    soft: str
    rule: str
    front: str
    rear: str
    front_word: str
    rear_word: str
    front_fill: str
    rear_fill: str
    unsettled: str
    unsettled_fill: str
    masked_fill: str
    corner_fill: str
    usual_fill: str

    def of(self, end: End | None) -> str:
        """Colour of the lines of an end; that of ink for neither."""
        return {"front": self.front, "rear": self.rear}.get(end or "", self.ink)

    def word(self, end: End | None) -> str:
        """Colour of the words of an end; the soft one for neither."""
        return {"front": self.front_word, "rear": self.rear_word}.get(end or "", self.soft)

    def fill(self, end: End) -> str:
        """Colour under the line of an end."""
        return self.front_fill if end == "front" else self.rear_fill


LIGHT = Theme(
    name="light",
    paper="#ffffff",
    sheet="#f5f4f1",
    ink="#1b1d22",
    soft="#565b66",
    rule="#cfd0d4",
    front="#6b3fa0",
    rear="#b97a00",
    front_word="#6b3fa0",
    rear_word="#946200",
    front_fill="rgba(107,63,160,0.20)",
    rear_fill="rgba(185,122,0,0.24)",
    unsettled="#b3173f",
    unsettled_fill="rgba(179,23,63,0.16)",
    masked_fill="rgba(206,208,213,0.95)",
    corner_fill="rgba(86,91,102,0.07)",
    usual_fill="rgba(86,91,102,0.24)",
)
DARK = Theme(
    name="dark",
    paper="#11161c",
    sheet="#1a2129",
    ink="#eceef1",
    soft="#a7afba",
    rule="#39424d",
    front="#b99cf0",
    rear="#e0a83a",
    front_word="#b99cf0",
    rear_word="#e0a83a",
    front_fill="rgba(185,156,240,0.24)",
    rear_fill="rgba(224,168,58,0.22)",
    unsettled="#ff7d9b",
    unsettled_fill="rgba(255,125,155,0.20)",
    masked_fill="rgba(62,71,82,0.95)",
    corner_fill="rgba(167,175,186,0.09)",
    usual_fill="rgba(167,175,186,0.26)",
)
THEMES = {theme.name: theme for theme in (LIGHT, DARK)}

# plotly.js 4 would add a button that sends the chart to an outside service; these three keep it away.
GRAPH_CONFIG: dict[str, Any] = {
    "displaylogo": False,
    "showSendToCloud": False,
    "plotlyServerURL": "",
    "responsive": True,
    "displayModeBar": False,
    "showTips": False,
    "doubleClick": "autosize",
}


def named(name: object) -> Theme:
    """The theme of that name, light for anything else."""
    return THEMES.get(str(name), LIGHT)


def css_variables() -> str:
    """The same colours for the page, as CSS custom properties for both themes."""
    dark = _block(DARK)
    return (
        f":root{{color-scheme:light;{_block(LIGHT)}}}"
        f"@media (prefers-color-scheme:dark){{:root:not([data-theme=light]){{color-scheme:dark;{dark}}}}}"
        f":root[data-theme=dark]{{color-scheme:dark;{dark}}}"
    )


def _block(theme: Theme) -> str:
    return "".join(f"--{k.replace('_', '-')}:{v};" for k, v in asdict(theme).items() if k != "name")


def words(text: str, colour: str, size: int = 12, **at: Any) -> dict:
    """Words in a picture; ``at`` says where. ``y`` is a share of the height."""
    return {"text": text, "yref": "paper", "showarrow": False, "font": {"color": colour, "size": size}, **at}


def across(x: float, y0: float, y1: float, colour: str, width: float, dash: str = "", axis: str = "") -> dict:
    """An upright line; ``y0`` and ``y1`` are shares of the height."""
    line = {"color": colour, "width": width, **({"dash": dash} if dash else {})}
    at = {"x0": x, "x1": x, "yref": "paper", "y0": y0, "y1": y1, **({"xref": axis} if axis else {})}
    return {"type": "line", **at, "line": line}


def box(
    x0: float, x1: float, y0: float, y1: float, fill: str, *, edge: str = "", layer: str = "above"
) -> dict:
    """A filled range of x; ``y0`` and ``y1`` are shares of the height."""
    line = {"width": 1.2, "color": edge} if edge else {"width": 0}
    at = {"type": "rect", "x0": x0, "x1": x1, "yref": "paper", "y0": y0, "y1": y1}
    return {**at, "fillcolor": fill, "line": line, "layer": layer}


def error_bars(above: Sequence[float], below: Sequence[float], colour: str, cap: float = 0) -> dict:
    """Intervals of points, as lengths from the point; ``cap`` is the width of their ends. [px]"""
    return {"type": "data", "symmetric": False, "array": above, "arrayminus": below, "color": colour,
            "thickness": 1.4, "width": cap}  # fmt: skip


def layout(theme: Theme, margin: Sequence[int], *, hover: str | bool = "closest", **more: Any) -> dict:
    """Layout of a picture that is only looked at; ``margin`` is left, right, top, bottom. [px]"""
    return {
        "template": template(theme),
        "dragmode": False,
        "hovermode": hover,
        "margin": dict(zip("lrtb", margin, strict=True)),
        **more,
    }


@cache
def template(theme: Theme) -> go.layout.Template:
    """Paper, letters and axes of every picture."""
    axis = {
        "gridcolor": theme.rule,
        "gridwidth": 0.5,
        "linecolor": theme.rule,
        "zerolinecolor": theme.ink,
        "zerolinewidth": 1.4,
        "tickcolor": theme.rule,
        "automargin": True,
        "title": {"standoff": 6},
    }
    return go.layout.Template(
        layout={
            "paper_bgcolor": "rgba(0,0,0,0)",
            "plot_bgcolor": "rgba(0,0,0,0)",
            "font": {"family": FONT, "size": 13, "color": theme.ink},
            "margin": {"l": 48, "r": 12, "t": 26, "b": 44},
            "xaxis": axis,
            "yaxis": axis,
            "showlegend": False,
            "hoverlabel": {
                "bgcolor": theme.sheet,
                "bordercolor": theme.rule,
                "font": {"family": FONT, "size": 13, "color": theme.ink},
                "align": "left",
                "namelength": -1,
            },
        }
    )
