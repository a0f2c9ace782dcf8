"""How well each wheel was damped, lap by lap: front above the middle, rear below it, both outwards."""

from collections.abc import Mapping

import plotly.graph_objects as go

from dashboard.figures.halves import AXES, halves_layout
from dashboard.theme import Theme
from telemetry.arrays import End
from telemetry.damping.oscillation import DamperCourse, LapDamping


def damping_course(course: Mapping[End, DamperCourse], theme: Theme) -> go.Figure:
    """Damping ratio of the wheel hop of both ends over the laps, with 95 % intervals."""
    told = {end: [lap for lap in one.laps if lap.damping_ratio is not None] for end, one in course.items()}
    laps = [lap.lap for rows in told.values() for lap in rows]
    reaches = [_high(lap) for rows in told.values() for lap in rows]
    layout = halves_layout(
        course,
        theme,
        title="lap",
        reach=(min(laps, default=0) - 0.6, max(laps, default=1) + 0.6),
        top=1.12 * max(reaches, default=0.5),
        suffix="",
    )
    layout["xaxis"] |= {"dtick": max(1, len(set(laps)) // 12), "hoverformat": "d"}
    return go.Figure(data=[_dots(end, rows, theme) for end, rows in told.items()], layout=layout)


def _high(lap: LapDamping) -> float:
    return lap.ci95[1] if lap.ci95 else lap.damping_ratio or 0.0


def _dots(end: End, laps: list[LapDamping], theme: Theme) -> go.Scatter:
    colour = theme.front if end == "front" else theme.rear
    ratios = [lap.damping_ratio for lap in laps]
    return go.Scatter(
        x=[lap.lap for lap in laps],
        y=ratios,
        name=end,
        yaxis=AXES[end],
        mode="lines+markers",
        line={"color": colour, "width": 1.0, "dash": "dot"},
        marker={"symbol": "circle" if end == "front" else "diamond", "size": 9, "color": colour},
        error_y={
            "type": "data",
            "symmetric": False,
            "array": [_high(lap) - (lap.damping_ratio or 0.0) for lap in laps],
            "arrayminus": [
                (lap.damping_ratio or 0.0) - (lap.ci95[0] if lap.ci95 else lap.damping_ratio or 0.0)
                for lap in laps
            ],
            "color": colour,
            "thickness": 1.4,
            "width": 3,
        },
        hovertemplate=f"{end} %{{y:.2f}}<extra></extra>",
    )
