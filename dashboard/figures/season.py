"""The picture of a season on the screen: a mark a run in groups, with the range of its laps."""

import plotly.graph_objects as go

from dashboard.theme import Theme, template
from telemetry.report import MARKS, SeasonPicture
from telemetry.season import SeasonPoint

# So many names of groups are written below the picture; a phone has room for these, turned upright.
_MOST_NAMES = 16


def season_figure(picture: SeasonPicture, theme: Theme) -> go.Figure:
    """A trace for each bike, which has a mark of its own."""
    groups = list(zip(picture.groups, picture.places, strict=True))
    means = [sum(point.value for point in group.points) / len(group.points) for group, _ in groups]
    names = picture.labels(_MOST_NAMES)
    return go.Figure(
        data=[_bike(picture, bike, theme) for bike in picture.bikes],
        layout={
            "template": template(theme),
            "dragmode": False,
            "hovermode": "closest",
            "showlegend": len(picture.bikes) > 1,
            "legend": {"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom", "itemclick": False,
                       "itemdoubleclick": False},
            "margin": {"l": 56, "r": 10, "t": 34, "b": 44},
            "xaxis": {
                "range": [-0.8, picture.width - 0.2],
                "fixedrange": True,
                "showgrid": False,
                "zeroline": False,
                "autotickangles": [0, -40, -90],
                "tickvals": [at for at, _ in names],
                "ticktext": [_short(words) for _, words in names],
            },
            "yaxis": {
                "title": {"text": f"[{picture.unit}]" if picture.unit else ""},
                "range": list(picture.range),
                "fixedrange": True,
                "nticks": 6,
                "zeroline": False,
            },
            "shapes": [
                *(_mean(at[0] - 0.45, at[-1] + 0.45, mean, theme)
                  for (_, at), mean in zip(groups, means, strict=True)),
                *(_between(at[-1] + 1.0, theme) for _, at in groups[:-1]),
            ],
        },
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
        error_y={
            "type": "data",
            "symmetric": False,
            "array": [_reach(point.high, point.value) for point in points],
            "arrayminus": [_reach(point.value, point.low) for point in points],
            "color": theme.soft,
            "thickness": 1.4,
            "width": 0,
        },
        text=[_words(point, picture) for point in points],
        hovertemplate="%{text}<extra></extra>",
    )


def _reach(high: float | None, low: float | None) -> float:
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


def _between(x: float, theme: Theme) -> dict:
    line = {"color": theme.rule, "width": 1}
    return {"type": "line", "x0": x, "x1": x, "yref": "paper", "y0": 0, "y1": 1, "line": line}
