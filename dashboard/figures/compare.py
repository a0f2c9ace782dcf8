"""Two runs lap by lap: every dot is a lap, before above and open, after below and filled."""

from dataclasses import dataclass

import plotly.graph_objects as go

from dashboard.theme import Theme, template
from telemetry.arrays import End

# Height of one row of dots on the screen. [px]
ROW_PX = 74
FOOT_PX = 60


@dataclass(frozen=True)
class Dots:
    """One number over the laps of both runs, and what is said of it."""

    label: str
    verdict: str
    before: tuple[tuple[int, float], ...]
    after: tuple[tuple[int, float], ...]
    before_mean: float | None
    after_mean: float | None
    end: End | None = None
    clear: bool = False


def height_px(rows: int) -> int:
    """Height the picture needs. [px]"""
    return ROW_PX * rows + FOOT_PX


def lap_dots(
    rows: list[Dots], theme: Theme, *, x_title: str, digits: int, line_at: float | None = None
) -> go.Figure:
    """Rows of dots on one axis.

    Parameters
    ----------
    rows : list of Dots
        From top to bottom.
    digits : int
        Of a read-out.
    line_at : float or None
        A value worth a line, such as 1 for a ratio.
    """
    nothing = {"text": "Not known in either run.", "x": 0.5, "xref": "paper", "y": 0, "showarrow": False}
    unit = x_title.rpartition("[")[2].rstrip("]") if "[" in x_title else ""
    return go.Figure(
        data=[
            mark for place, row in enumerate(rows) for mark in _row(place, row, theme, f".{digits}f}} {unit}")
        ],
        layout={
            "template": template(theme),
            "dragmode": False,
            "hovermode": "closest",
            "margin": {"l": 10, "r": 10, "t": 4, "b": 46},
            "xaxis": {
                "title": {"text": x_title},
                "fixedrange": True,
                "zeroline": False,
                "visible": bool(rows),
            },
            "yaxis": {"visible": False, "fixedrange": True, "range": [max(len(rows), 1) - 0.5, -0.58]},
            "shapes": _rules(len(rows), line_at, theme),
            "annotations": [_said(place, row, theme) for place, row in enumerate(rows)] or [nothing],
        },
    )


def _row(place: int, row: Dots, theme: Theme, written: str) -> list[go.Scatter]:
    """Before above after, each with its mean."""
    colour = theme.of(row.end)
    marks = [
        _dots(row.before, "before", "circle-open", place + 0.02, colour, written),
        _dots(row.after, "after", "circle", place + 0.30, colour, written),
    ]
    means = (("before", row.before_mean, place + 0.02), ("after", row.after_mean, place + 0.30))
    return [*marks, *(_mean(mean, name, y, theme, written) for name, mean, y in means if mean is not None)]


def _said(place: int, row: Dots, theme: Theme) -> dict:
    word = {"front": theme.front_word, "rear": theme.rear_word}.get(row.end or "", theme.ink)
    return {
        "x": 0,
        "xref": "paper",
        "xanchor": "left",
        "y": place - 0.34,
        "yanchor": "middle",
        "align": "left",
        "showarrow": False,
        "text": f"{row.label}: <b>{row.verdict}</b>" if row.clear else f"{row.label}: {row.verdict}",
        "font": {"color": word, "size": 13},
    }


def _rules(rows: int, line_at: float | None, theme: Theme) -> list[dict]:
    """Lines between rows, and the one worth comparing with."""
    between = [
        {
            "type": "line",
            "xref": "paper",
            "x0": 0,
            "x1": 1,
            "y0": place - 0.55,
            "y1": place - 0.55,
            "line": {"color": theme.rule, "width": 1},
        }
        for place in range(1, rows)
    ]
    if line_at is None:
        return between
    line = {"color": theme.soft, "width": 1.2, "dash": "dash"}
    worth = {"type": "line", "x0": line_at, "x1": line_at, "yref": "paper", "y0": 0, "y1": 1, "line": line}
    return [*between, worth]


def _dots(
    laps: tuple[tuple[int, float], ...], name: str, symbol: str, y: float, colour: str, written: str
) -> go.Scatter:
    return go.Scatter(
        x=[value for _, value in laps],
        y=[y] * len(laps),
        text=[f"{name}, lap {lap}" for lap, _ in laps],
        mode="markers",
        marker={"symbol": symbol, "size": 12, "color": colour, "opacity": 0.85,
                "line": {"width": 2 if name == "before" else 0.5, "color": colour}},
        hovertemplate=f"%{{text}}: %{{x:{written}<extra></extra>",
        name=name,
    )  # fmt: skip


def _mean(mean: float, name: str, y: float, theme: Theme, written: str) -> go.Scatter:
    return go.Scatter(
        x=[mean],
        y=[y],
        mode="markers",
        marker={"symbol": "line-ns", "size": 22, "line": {"width": 2, "color": theme.ink}},
        hovertemplate=f"{name}, mean: %{{x:{written}<extra></extra>",
        name=f"{name} mean",
    )
