"""What a damper has been through: its damping ratio from outing to outing, services between them."""

from collections.abc import Sequence

import plotly.graph_objects as go

from dashboard.theme import Theme, template
from telemetry.setup import DamperRun


def damper_course(runs: Sequence[DamperRun], theme: Theme) -> go.Figure:
    """Damping ratio of the wheel hop in each outing with its 95 % interval; a dashed line is a service.

    Parameters
    ----------
    runs : sequence of DamperRun
        Oldest first.
    """
    places = list(range(len(runs)))
    known = [(place, run) for place, run in enumerate(runs) if run.damping_ratio is not None]
    most = max((run.ci95[1] if run.ci95 else run.damping_ratio or 0.0 for _, run in known), default=0.5)
    services = [place for place in places[1:] if runs[place].serviced != runs[place - 1].serviced]
    figure = go.Figure(
        data=[_dots(end, [one for one in known if one[1].end == end], theme) for end in ("front", "rear")]
    )
    figure.update_layout(
        template=template(theme),
        xaxis={
            "tickvals": places,
            "ticktext": [run.date or run.name for run in runs],
            "range": [-0.6, len(runs) - 0.4],
            "fixedrange": True,
            "showgrid": False,
            "zeroline": False,
        },
        yaxis={"title": {"text": "damping ratio"}, "range": [0.0, 1.12 * most], "fixedrange": True},
        shapes=[
            {
                "type": "line", "x0": place - 0.5, "x1": place - 0.5, "yref": "paper", "y0": 0, "y1": 1,
                "line": {"color": theme.soft, "width": 1.2, "dash": "dash"},
            }
            for place in services
        ],
        annotations=[
            {
                "x": place - 0.5, "y": 1.0, "yref": "paper", "yanchor": "bottom", "showarrow": False,
                "text": "serviced", "font": {"color": theme.ink, "size": 12},
            }
            for place in services
        ],
    )  # fmt: skip
    return figure


def _dots(end: str, known: Sequence[tuple[int, DamperRun]], theme: Theme) -> go.Scatter:
    colour = theme.front if end == "front" else theme.rear
    ratios = [run.damping_ratio or 0.0 for _, run in known]
    above = [
        (run.ci95[1] if run.ci95 else ratio) - ratio for (_, run), ratio in zip(known, ratios, strict=True)
    ]
    below = [
        ratio - (run.ci95[0] if run.ci95 else ratio) for (_, run), ratio in zip(known, ratios, strict=True)
    ]
    return go.Scatter(
        x=[place for place, _ in known],
        y=ratios,
        name=end,
        mode="markers",
        marker={"symbol": "circle" if end == "front" else "diamond", "size": 10, "color": colour},
        error_y={
            "type": "data",
            "symmetric": False,
            "array": above,
            "arrayminus": below,
            "color": colour,
            "thickness": 1.4,
            "width": 3,
        },
        customdata=[run.name for _, run in known],
        hovertemplate=f"%{{customdata}}, {end} %{{y:.2f}}<extra></extra>",
    )
