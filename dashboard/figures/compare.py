"""Two runs lap by lap: every dot is a lap, before above and open, after below and filled."""

from collections.abc import Sequence
from dataclasses import dataclass

import plotly.graph_objects as go

from dashboard.theme import Theme, template
from telemetry.arrays import End
from telemetry.report import CLEAR
from telemetry.setup import MetricComparison
from telemetry.summary import number, signed

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
            "margin": {"l": 10, "r": 10, "t": 4 if line_at is None else 22, "b": 46},
            "xaxis": {
                "title": {"text": x_title},
                "fixedrange": True,
                "zeroline": False,
                "visible": bool(rows),
            },
            "yaxis": {"visible": False, "fixedrange": True, "range": [max(len(rows), 1) - 0.5, -0.58]},
            "shapes": _rules(len(rows), line_at, theme),
            "annotations": [
                *([_said(place, row, theme) for place, row in enumerate(rows)] or [nothing]),
                *(arrow for place, row in enumerate(rows) if (arrow := _arrow(place, row, theme))),
                *([_aim(line_at, theme)] if line_at is not None and rows else []),
            ],
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


def _arrow(place: int, row: Dots, theme: Theme) -> dict | None:
    """From the mean before to the mean after."""
    if row.before_mean is None or row.after_mean is None:
        return None
    return {
        "x": row.after_mean,
        "y": place + 0.30,
        "ax": row.before_mean,
        "ay": place + 0.02,
        "axref": "x",
        "ayref": "y",
        "text": "",
        "showarrow": True,
        "arrowhead": 2,
        "arrowwidth": 1.4,
        "arrowcolor": theme.ink if row.clear else theme.soft,
    }


def _aim(at: float, theme: Theme) -> dict:
    return {
        "x": at,
        "y": 1,
        "yref": "paper",
        "yanchor": "bottom",
        "text": "aim 1: both ends alike" if at == 1 else f"aim {at:g}",
        "showarrow": False,
        "font": {"color": theme.soft, "size": 12},
    }


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


# Height of one corner, and of the axis below them. [px]
CORNER_PX, AXIS_PX = 30, 66


def corner_pairs(places: Sequence[MetricComparison], theme: Theme) -> go.Figure:
    """Ride height by corner, from before (open) to after (filled), the corner that changed most on top."""
    by_corner: dict[str, list[MetricComparison]] = {}
    for row in places:
        if row.key.endswith(("front_mm", "rear_mm")) and row.difference is not None:
            by_corner.setdefault(row.label.partition(", ")[2], []).append(row)
    names = sorted(by_corner, key=lambda name: -max(abs(row.difference or 0.0) for row in by_corner[name]))
    rows = [
        (at + (0.17 if row.label.startswith("rear") else -0.17), row)
        for at, name in enumerate(names)
        for row in by_corner[name]
    ]
    return go.Figure(
        data=[mark for at, row in rows for mark in _pair(at, row, theme)],
        layout=_listed(names, theme, "ride height at the wheel [mm]"),
    )


def _pair(at: float, row: MetricComparison, theme: Theme) -> list[go.Scatter]:
    end: End = "rear" if row.label.startswith("rear") else "front"
    clear = row.verdict in CLEAR
    colour = theme.of(end) if clear else theme.soft
    shape = "diamond" if end == "rear" else "circle"
    said = f"{row.label}: {number(row.a.mean, 1)} → {number(row.b.mean, 1, 'mm')}, {row.verdict}"
    return [
        go.Scatter(
            x=[row.a.mean, row.b.mean],
            y=[at, at],
            name=row.label,
            text=[said, said],
            mode="lines+markers",
            line={"color": colour, "width": 2.4 if clear else 1.2},
            marker={"symbol": [f"{shape}-open", shape], "size": 11, "color": theme.of(end),
                    "line": {"width": 1.6, "color": theme.of(end)}},
            hovertemplate="%{text}<extra></extra>",
        )
    ]  # fmt: skip


def time_changes(sections: Sequence[MetricComparison], theme: Theme) -> go.Figure:
    """What each section of the lap takes more or less after than before, with its 95 % interval."""
    told = [row for row in sections if row.difference is not None and row.ci95 is not None]
    clear = [row.verdict in CLEAR for row in told]
    return go.Figure(
        data=[
            go.Scatter(
                x=[row.difference for row in told],
                y=list(range(len(told))),
                text=[
                    f"{row.label.removeprefix('time, ')}: {number(row.a.mean, 2)} → {number(row.b.mean, 2, 's')}, "
                    f"{signed(row.difference or 0.0, 2, 's')}"
                    for row in told
                ],
                name="change of time",
                mode="markers",
                marker={"size": 10, "color": [theme.ink if one else theme.soft for one in clear],
                        "symbol": ["diamond" if one else "circle-open" for one in clear]},
                error_x={
                    "type": "data",
                    "symmetric": False,
                    "array": [_reach(row)[1] for row in told],
                    "arrayminus": [_reach(row)[0] for row in told],
                    "color": theme.soft,
                    "thickness": 1.4,
                    "width": 0,
                },
                hovertemplate="%{text}<extra></extra>",
            )
        ],
        layout={
            **_listed([row.label.removeprefix("time, ") for row in told], theme, "time after less before [s]"),
            "shapes": [{"type": "line", "x0": 0, "x1": 0, "yref": "paper", "y0": 0, "y1": 1,
                        "line": {"color": theme.ink, "width": 1.2}}],
        },
    )  # fmt: skip


def _reach(row: MetricComparison) -> tuple[float, float]:
    low, high = row.ci95 or (0.0, 0.0)
    difference = row.difference or 0.0
    return difference - low, high - difference


def _listed(names: Sequence[str], theme: Theme, title: str) -> dict:
    """A row a name, from the top."""
    return {
        "template": template(theme),
        "dragmode": False,
        "hovermode": "closest",
        "margin": {"l": 10, "r": 14, "t": 6, "b": 46},
        "xaxis": {"title": {"text": title}, "fixedrange": True, "zeroline": False},
        "yaxis": {
            "range": [max(len(names), 1) - 0.4, -0.6],
            "tickvals": list(range(len(names))),
            "ticktext": [_short(name) for name in names],
            "fixedrange": True,
            "showgrid": False,
            "zeroline": False,
        },
    }


def _short(name: str) -> str:
    """A corner as far as there is room: "2 Mill", or "corner 2" without a name."""
    place, _, named = name.partition(" (")
    return f"{place.removeprefix('corner ')} {named.removesuffix(')')}" if named else place
