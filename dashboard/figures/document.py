"""The pictures of the document on the screen: a function by kind of picture."""

from collections.abc import Callable
from typing import Any

import numpy as np
import plotly.graph_objects as go

from dashboard.theme import Theme, across, box, error_bars, layout, words
from telemetry.arrays import ENDS, End
from telemetry.report import (
    MARKS,
    Curve,
    CurveNote,
    DotRow,
    Dots,
    Halves,
    Line,
    Lines,
    SeasonPicture,
    Shade,
    Spectrum,
    Upright,
    ZoneColumn,
    ZoneDots,
)
from telemetry.season import SeasonPoint
from telemetry.summary import number

AXES: dict[End, str] = {"front": "y", "rear": "y2"}
HALVES: dict[End, tuple[float, float]] = {"front": (0.5, 1.0), "rear": (0.0, 0.5)}


def halves_figure(picture: Halves, theme: Theme) -> go.Figure:
    """Both halves on one x axis, each end solid and filled in its own, the other end repeated as a dashed line."""
    suffix = f" {picture.unit}" if len(picture.unit) <= 2 and picture.unit else ""
    outward = {"fixedrange": True, "nticks": 4, "ticksuffix": suffix, "zeroline": True}
    return go.Figure(
        data=[_curve(curve, picture, theme) for curve in sorted(picture.curves, key=lambda one: not one.own)],
        layout=layout(
            theme,
            (52, 10, 22, 44),
            hover="x unified",
            hoversubplots="axis",
            xaxis={
                "title": {"text": picture.x_title},
                "range": list(picture.x_range),
                "fixedrange": True,
                "zeroline": False,
                "anchor": "free",
                "position": 0,
                "showgrid": False,
                "unifiedhovertitle": {"text": hover_title(picture.x_title)},
                **_ticks(picture),
            },
            yaxis={**outward, "domain": [0.5, 1.0], "range": [-picture.below, picture.top]},
            yaxis2={**outward, "domain": [0.0, 0.5], "range": [picture.top, -picture.below], "anchor": "x"},
            shapes=[
                *(
                    box(one.low, one.high, *HALVES[one.end], theme.corner_fill, layer="below")
                    for one in picture.shades
                ),
                *([across(0, 0, 1, theme.rule, 1, "dot")] if picture.zero else []),
                *(_upright(upright, theme) for upright in picture.uprights),
            ],
            annotations=[
                *(_end_name(end, picture, theme) for end in ENDS),
                *(_shade_name(shade, theme) for shade in picture.shades if shade.words),
                *(note for end in ENDS for note in _marks(end, picture, theme)),
                *_half_headings(picture, theme),
            ],
        ),
    )


def _ticks(picture: Halves) -> dict:
    """Words where the axis has no numbers, whole numbers for laps; else what plotly chooses."""
    if picture.ticks:
        return {
            "tickvals": [at for at, _ in picture.ticks],
            "ticktext": [words for _, words in picture.ticks],
        }
    return {"dtick": max(1, round(np.ptp(picture.x_range) / 12))} if picture.x_title == "lap" else {}


def hover_title(title: str) -> str:
    """What a read-out is headed by: the place on the axis with the unit of the axis's title."""
    unit = title.rpartition("[")[2].rstrip("]") if "[" in title else ""
    digits = {"s": 2, "Hz": 1}.get(unit, 0)
    return f"%{{x:.{digits}f}} {unit}" if unit else f"{title} %{{x:.{digits}f}}"


def _curve(curve: Curve, picture: Halves, theme: Theme) -> go.Scatter:
    own, front = curve.own, curve.end == "front"
    colour = theme.of(curve.end)
    common = {"x": curve.x, "y": curve.y, "name": curve.end, "yaxis": AXES[curve.half]}
    if not own:
        line = {"color": colour, "width": 1.2, "dash": "3px,2px"}
        return go.Scatter(**common, mode="lines", line=line, hoverinfo="skip")
    read_out = f"{curve.end} %{{y:.{picture.decimals}f}} {picture.unit}".rstrip() + "<extra></extra>"
    if curve.ci is not None:
        low, high = curve.ci
        return go.Scatter(
            **common,
            mode="lines+markers",
            line={"color": colour, "width": 1.0, "dash": "dot"},
            marker={"symbol": "circle" if front else "diamond", "size": 9, "color": colour},
            error_y=error_bars(high - curve.y, curve.y - low, colour, 3),
            hovertemplate=read_out,
        )  # fmt: skip
    return go.Scatter(
        **common,
        mode="lines",
        line={"color": colour, "width": 1.6},
        fill="tozeroy",
        fillcolor=theme.fill(curve.end),
        hovertemplate=read_out,
    )


def _upright(upright: Upright, theme: Theme) -> dict:
    low, high = HALVES[upright.end]
    colour = theme.of(upright.end)
    dash = {"dash": "dash", "dot": "dot", "mark": "solid"}[upright.look]
    return across(upright.x, low, high, colour, 1.2, dash)


def _marks(end: End, picture: Halves, theme: Theme) -> list[dict]:
    """The words of dashed lines, one below the other from the outside in; values stand in the tables."""
    named = (one for one in picture.uprights if one.end == end and one.words and one.look != "mark")
    marked = sorted(named, key=lambda one: one.x)
    middle = sum(picture.x_range) / 2
    side = 1 if end == "front" else -1
    return [
        words(
            upright.words,
            theme.word(end),
            x=upright.x,
            xanchor="left" if upright.x < middle else "right",
            y=0.5 + side * (0.40 - 0.07 * place),
            yanchor="middle",
        )
        for place, upright in enumerate(marked)
    ]


def _shade_name(shade: Shade, theme: Theme) -> dict:
    y, side = (0.99, "top") if shade.end == "front" else (0.01, "bottom")
    return words(shade.words, theme.soft, x=shade.low, xanchor="left", y=y, yanchor=side)


def _half_headings(picture: Halves, theme: Theme) -> list[dict]:
    """Small words above the picture, on both sides of 0."""
    sides = zip(picture.headings or (), (0.49, 0.51), ("right", "left"), strict=False)
    return [_above(text, x, anchor, theme) for text, x, anchor in sides]


def _above(text: str, x: float, anchor: str, theme: Theme) -> dict:
    """Small words above a picture, at a share of its width."""
    return words(text, theme.soft, xref="paper", x=x, xanchor=anchor, y=1, yanchor="bottom")


def _end_name(end: End, picture: Halves, theme: Theme) -> dict:
    """The name of an end in its half, and that it was not judged."""
    y, side = (0.98, "top") if end == "front" else (0.02, "bottom")
    name = f"<b>{end}</b>{'' if end in picture.ends else ': not judged'}"
    return words(name, theme.word(end), 13, xref="paper", x=0.994, xanchor="right", y=y, yanchor=side)


def spectrum_figure(picture: Spectrum, theme: Theme) -> go.Figure:
    """Density as it was, and as it would have been with healthy damping."""

    def line(density: np.ndarray, name: str, *, own: bool) -> go.Scatter:
        look = {"color": theme.rear if own else theme.soft, "width": 2.0 if own else 1.4}
        return go.Scatter(
            x=picture.frequency_hz,
            y=density,
            name=name,
            mode="lines",
            line={**look, "dash": "solid" if own else "dash"},
            fill="tozeroy" if own else "none",
            fillcolor=theme.rear_fill,
            hovertemplate=f"{name} %{{y:.2f}} mm²/Hz<extra></extra>",
        )

    title = "frequency [Hz]"
    return go.Figure(
        data=[
            line(picture.own_mm2_hz, "as it was", own=True),
            line(picture.healthy_mm2_hz, "with the damping of the outing", own=False),
        ],
        layout=layout(
            theme,
            (52, 10, 8, 44),
            hover="x unified",
            xaxis={
                "title": {"text": title},
                "fixedrange": True,
                "unifiedhovertitle": {"text": hover_title(title)},
            },
            yaxis={"fixedrange": True, "rangemode": "tozero", "nticks": 4, "ticksuffix": " mm²/Hz"},
        ),
    )


# Height of one row of dots, and of the axis below them. [px]
ROW_PX, FOOT_PX = 26, 84


def lines_figure(picture: Lines, theme: Theme) -> go.Figure:
    """Curves: front solid, rear dashed as well as in its colour; words stand at their point."""
    unit = picture.y_title.rpartition("[")[2].rstrip("]")
    axis: dict = {"title": {"text": picture.y_title}, "fixedrange": True, "range": list(picture.y_range)}
    if picture.log_y:
        low, high = np.log10(picture.y_range)
        decades = range(int(np.ceil(low)), int(np.floor(high)) + 1)
        axis |= {
            "type": "log",
            "range": [low, high + 0.05],
            "tickvals": [10.0**decade for decade in decades],
            "ticktext": [f"{10.0**decade:g}" for decade in decades],
        }
    return go.Figure(
        data=[
            *(_time_spent(line, picture, theme) for line in picture.shades),
            *(_line(line, picture, unit, theme) for line in picture.lines),
            *_dots(picture, theme),
        ],
        layout=layout(
            theme,
            (58, 12, 42 if _has_text_above(picture) else 24, 44),
            hover="x unified",
            xaxis={
                "title": {"text": picture.x_title},
                "range": list(picture.x_range),
                "fixedrange": True,
                "unifiedhovertitle": {"text": hover_title(picture.x_title)},
            },
            yaxis=axis,
            shapes=[across(at, 0, 1, theme.soft, 1, "dot") for at in picture.uprights],
            annotations=[
                *_names(picture, theme),
                *(_note(note, theme) for note in picture.notes if not note.dot),
                *_headings(picture, theme),
            ],
        ),
    )


def _line(line: Line, picture: Lines, unit: str, theme: Theme) -> go.Scatter:
    return go.Scatter(
        x=line.x,
        y=line.y,
        name=line.words or line.end or "",
        mode="lines",
        line={"color": theme.of(line.end), "width": 2, "dash": "6px,2px" if line.end == "rear" else "solid"},
        hovertemplate=f"{line.end} %{{y:.{picture.decimals}f}} {unit}<extra></extra>",
    )


def _time_spent(line: Line, picture: Lines, theme: Theme) -> go.Scatter:
    """Time spent, as an area on the foot of the picture."""
    assert line.end
    floor = float(np.min(picture.lines[0].y))
    return go.Scatter(
        x=np.concatenate([line.x, line.x[::-1]]),
        y=np.concatenate([line.y, np.full(len(line.x), floor)]),
        name="time spent",
        mode="lines",
        line={"width": 0},
        fill="toself",
        fillcolor=theme.fill(line.end),
        hoverinfo="skip",
    )


def _names(picture: Lines, theme: Theme) -> list[dict]:
    """Which line is which, above the picture, where no data is, and above what is said of marked points."""
    ends = [line.end for line in picture.lines if line.end]
    above_px = 17 if _has_text_above(picture) else 0
    at = {"xref": "paper", "x": 1.0, "xanchor": "right", "y": 1.0, "yanchor": "bottom", "yshift": above_px}
    return [
        words(
            f"<b>{end}</b> {'╌╌' if end == 'rear' else '──'}",
            theme.word(end),
            13,
            xshift=-62 * (len(ends) - 1 - place),
            **at,
        )
        for place, end in enumerate(ends)
    ]


def _has_text_above(picture: Lines) -> bool:
    """Whether words stand above the picture, so that the names of the lines stand above these."""
    return picture.headings is not None or any(note.dot for note in picture.notes)


def _note(note: CurveNote, theme: Theme) -> dict:
    return {
        "x": note.x,
        "y": note.y,
        "text": note.words,
        "font": {"color": theme.word(note.end), "size": 12},
        "showarrow": False,
        "yanchor": {"above": "bottom", "below": "top"}.get(note.side, "middle"),
        "yshift": {"above": 3, "below": -3}.get(note.side, 0),
    }


def _dots(picture: Lines, theme: Theme) -> list[go.Scatter]:
    """The marked points of the curves."""
    marked = [note for note in picture.notes if note.dot]
    if not marked:
        return []
    marker = {
        "size": 11,
        "color": [theme.of(note.end) for note in marked],
        "symbol": ["circle" if note.end == "front" else "diamond" for note in marked],
        "line": {"width": 2, "color": theme.paper},
    }
    at = {"x": [note.x for note in marked], "y": [note.y for note in marked]}
    return [go.Scatter(**at, name="back", mode="markers", marker=marker, hoverinfo="skip")]


def _headings(picture: Lines, theme: Theme) -> list[dict]:
    if picture.headings is None:
        return [_above("; ".join(note.words for note in picture.notes if note.dot), 0.0, "left", theme)]
    return [_above(text, x, "left", theme) for text, x in zip(picture.headings, (0.0, 0.5), strict=True)]


def dots_height_px(picture: Dots | ZoneDots) -> int:
    """Height the picture needs. [px]"""
    if isinstance(picture, ZoneDots):
        return ROW_PX * len(picture.rows) + FOOT_PX
    groups = len({row.group for row in picture.rows if row.group})
    return ROW_PX * (len(picture.rows) + groups) + FOOT_PX


def dots_figure(picture: Dots, theme: Theme) -> go.Figure:
    """A row each: compression on the left half, rebound on the right, both around 1 on one scale."""
    places, labels, at = [], [], 0.0
    group = ""
    for row in picture.rows:
        if row.group != group:
            group = row.group
            labels.append((at, f"<b>{group}</b>"))
            at += 1
        places.append(at)
        labels.append((at, f"{row.label} ({number(row.pairs)})"))
        at += 1
    reach = _reach(picture.rows)
    ticks = (0.5, 1.0, 2.0) if reach > 2 else (0.8, 1.0, 1.25)  # three: half a phone has room for no more
    axis = {
        "type": "log",
        "range": [-np.log10(reach), np.log10(reach)],
        "fixedrange": True,
        "tickvals": ticks,
        "ticktext": [f"{value:g}" for value in ticks],
        "tickangle": 0,
        "zeroline": False,
    }
    sides = (("compression", "x", [0.0, 0.48]), ("rebound", "x2", [0.52, 1.0]))
    return go.Figure(
        data=[_ratios(picture.rows, places, side, axis_name, theme) for side, axis_name, _ in sides],
        layout=layout(
            theme,
            (8, 14, 26, 56),
            xaxis={**axis, "domain": sides[0][2]},
            xaxis2={**axis, "domain": sides[1][2], "anchor": "y"},
            yaxis={
                "range": [at - 0.5, -0.6],
                "tickvals": [place for place, _ in labels],
                "ticktext": [label for _, label in labels],
                "fixedrange": True,
                "showgrid": False,
                "zeroline": False,
            },
            shapes=[across(1, 0, 1, theme.ink, 1.2, axis=name) for _, name, _ in sides],
            annotations=[
                {**_above(text, x, anchor, theme), "y": y, "yshift": shift}
                for text, x, anchor, y, shift in (
                    ("<b>going down</b>", 0.24, "center", 1, 0),
                    ("<b>coming up</b>", 0.76, "center", 1, 0),
                    ("← front faster", 0.0, "left", 0, -50),
                    ("rear faster →", 1.0, "right", 0, -50),
                )
            ],
        ),
    )


def _reach(rows: tuple[DotRow, ...]) -> float:
    """How far from 1 the axis goes, both ways: to the outermost value, and of intervals not beyond 4 times."""
    values = [1.3]
    for row in rows:
        for ratio in (row.compression, row.rebound):
            if ratio is not None and ratio.value:
                values.append(max(ratio.value, 1 / ratio.value))
                for limit in ratio.ci95 or ():
                    if limit > 0:
                        values.append(min(max(limit, 1 / limit), 4.0))
    return 1.06 * max(values)


def _ratios(rows: tuple[DotRow, ...], places: list[float], side: str, axis: str, theme: Theme) -> go.Scatter:
    found = [(row, place, getattr(row, side)) for row, place in zip(rows, places, strict=True)]
    told = [(row, place, ratio) for row, place, ratio in found if ratio is not None and ratio.value]
    apart = [ratio.ci95 is not None and not ratio.ci95[0] <= 1 <= ratio.ci95[1] for _, _, ratio in told]
    colours = [
        theme.soft if not clear else theme.of("rear" if ratio.value > 1 else "front")
        for clear, (_, _, ratio) in zip(apart, told, strict=True)
    ]
    limits = [ratio.ci95 or (ratio.value, ratio.value) for _, _, ratio in told]
    return go.Scatter(
        x=[ratio.value for _, _, ratio in told],
        y=[place for _, place, _ in told],
        xaxis=axis,
        mode="markers",
        name="going down" if side == "compression" else "coming up",
        text=[
            f"{row.label}: {number(ratio.value, 2)} (95 % {number(low, 2)} to {number(high, 2)}), {row.pairs} bumps"
            for (row, _, ratio), (low, high) in zip(told, limits, strict=True)
        ],
        hovertemplate="%{text}<extra></extra>",
        marker={
            "size": 9,
            "color": colours,
            "symbol": ["diamond" if clear else "circle-open" for clear in apart],
        },
        error_x=error_bars(
            [high - ratio.value for (_, _, ratio), (_, high) in zip(told, limits, strict=True)],
            [ratio.value - low for (_, _, ratio), (low, _) in zip(told, limits, strict=True)],
            theme.soft,
        ),
    )


def zones_figure(picture: ZoneDots, theme: Theme) -> go.Figure:
    """A row a corner; each column on a scale of its own, from 0 where it has one sign."""
    n, gap = len(picture.columns), 0.05
    width = (1 - gap * (n - 1)) / n
    axes: dict = {}
    data, means = [], []
    for place, column in enumerate(picture.columns):
        short = "x" if place == 0 else f"x{place + 1}"
        told = [(at, dot) for at, dot in enumerate(column.dots) if dot is not None]
        limits = [0.0, *(limit for _, dot in told for limit in dot.ci95)]
        pad = 0.06 * (max(limits) - min(limits) or 1.0)
        low, high = min(limits), max(limits)
        axes["xaxis" + short[1:]] = {
            "domain": [place * (width + gap), place * (width + gap) + width],
            "anchor": "y",
            "range": [low - (pad if low < 0 else 0.0), high + (pad if high > 0 else 0.0)],
            "fixedrange": True,
            "nticks": 4,
            "tickangle": 0,
            "title": {"text": f"{column.title}<br>[{column.unit}]", "font": {"size": 12}},
        }
        mean = float(np.mean([dot.value for _, dot in told]))
        means.append(across(mean, 0, 1, theme.soft, 1, "dot", axis=short))
        data.append(_zone_dots(picture, column, short, theme))
    rows = {
        "range": [len(picture.rows) - 0.5, -0.6],
        "tickvals": list(range(len(picture.rows))),
        "ticktext": list(picture.rows),
        "fixedrange": True,
        "zeroline": False,
    }
    return go.Figure(data=data, layout=layout(theme, (8, 14, 12, 64), yaxis=rows, shapes=means, **axes))


def _zone_dots(picture: ZoneDots, column: ZoneColumn, axis: str, theme: Theme) -> go.Scatter:
    told = [(at, dot) for at, dot in enumerate(column.dots) if dot is not None]
    return go.Scatter(
        x=[dot.value for _, dot in told],
        y=[at for at, _ in told],
        xaxis=axis,
        mode="markers",
        name=column.title,
        text=[
            f"{column.title}, {picture.rows[at]}: {number(dot.value, column.decimals)} {column.unit}, 95 % "
            f"{number(dot.ci95[0], column.decimals)} to {number(dot.ci95[1], column.decimals)} {column.unit}, "
            f"{dot.laps} laps" + (", light" if dot.marked else "")
            for at, dot in told
        ],
        hovertemplate="%{text}<extra></extra>",
        marker={
            "size": 9,
            "color": theme.of(column.end),
            "symbol": ["diamond" if dot.marked else "circle-open" for _, dot in told],
        },
        error_x=error_bars(
            [dot.ci95[1] - dot.value for _, dot in told],
            [dot.value - dot.ci95[0] for _, dot in told],
            theme.soft,
        ),
    )


# So many names of groups are written below the picture; a phone has room for these, turned upright.
_MOST_NAMES = 16


def season_figure(picture: SeasonPicture, theme: Theme) -> go.Figure:
    """A trace for each bike, which has a mark of its own."""
    groups = list(zip(picture.groups, picture.places, strict=True))
    means = [sum(point.value for point in group.points) / len(group.points) for group, _ in groups]
    names = picture.labels(_MOST_NAMES)
    return go.Figure(
        data=[_bike(picture, bike, theme) for bike in picture.bikes],
        layout=layout(
            theme,
            (56, 10, 34, 44),
            showlegend=len(picture.bikes) > 1,
            legend={"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom", "itemclick": False,
                    "itemdoubleclick": False},
            xaxis={
                "range": [-0.8, picture.width - 0.2],
                "fixedrange": True,
                "showgrid": False,
                "zeroline": False,
                "autotickangles": [0, -40, -90],
                "tickvals": [at for at, _ in names],
                "ticktext": [_short(words) for _, words in names],
            },
            yaxis={
                "title": {"text": f"[{picture.unit}]" if picture.unit else ""},
                "range": list(picture.range),
                "fixedrange": True,
                "nticks": 6,
                "zeroline": False,
            },
            shapes=[
                *(_mean(at[0] - 0.45, at[-1] + 0.45, mean, theme)
                  for (_, at), mean in zip(groups, means, strict=True)),
                *(across(at[-1] + 1.0, 0, 1, theme.rule, 1) for _, at in groups[:-1]),
            ],
        ),
    )  # fmt: skip


def _bike(picture: SeasonPicture, bike: str, theme: Theme) -> go.Scatter:
    shown = [
        (place, point)
        for group, places in zip(picture.groups, picture.places, strict=True)
        for place, point in zip(places, group.points, strict=True)
        if point.bike == bike
    ]
    kind = MARKS[picture.bikes.index(bike) % len(MARKS)]
    points = [point for _, point in shown]
    return go.Scatter(
        x=[place for place, _ in shown],
        y=[point.value for point in points],
        name=bike,
        mode="markers",
        cliponaxis=False,
        marker={
            "size": 9,
            "color": theme.ink,
            "symbol": [kind if point.laps else f"{kind}-open" for point in points],
        },
        error_y=error_bars(
            [_apart(point.high, point.value) for point in points],
            [_apart(point.value, point.low) for point in points],
            theme.soft,
        ),
        text=[_words(point, picture) for point in points],
        hovertemplate="%{text}<extra></extra>",
    )


def _apart(high: float | None, low: float | None) -> float:
    return 0.0 if high is None or low is None else high - low


def _words(point: SeasonPoint, picture: SeasonPicture) -> str:
    """What a mark says when it is pointed at."""
    value = f"{point.value:.{picture.decimals}f} {picture.unit}".rstrip()
    laps = (
        f"{point.low:.{picture.decimals}f} to {point.high:.{picture.decimals}f}"
        if point.laps
        else "whole run"
    )
    about = " · ".join(part for part in (point.date, point.circuit, point.bike) if part)
    return f"{_short(point.name, 40)}<br>{about}<br>{value}, laps {laps}".replace(", laps whole", ", whole")


def _short(words: str, most: int = 22) -> str:
    """A name as long as there is room, without what plotly would take for markup."""
    words = words.replace("&", "&amp;").replace("<", "&lt;")
    return words if len(words) <= most else f"{words[: most - 1]}…"


def _mean(x0: float, x1: float, value: float, theme: Theme) -> dict:
    line = {"color": theme.soft, "width": 1.2, "dash": "dot"}
    return {"type": "line", "x0": x0, "x1": x1, "y0": value, "y1": value, "line": line, "layer": "below"}


DRAW: dict[type, Callable[[Any, Theme], go.Figure]] = {
    Halves: halves_figure,
    SeasonPicture: season_figure,
    Spectrum: spectrum_figure,
    Lines: lines_figure,
    Dots: dots_figure,
    ZoneDots: zones_figure,
}


def drawn(picture: Any, theme: Theme) -> go.Figure:
    """A picture of the document as a figure."""
    return DRAW[type(picture)](picture, theme)
