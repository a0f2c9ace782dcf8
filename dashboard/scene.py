"""What a page shows of one run: the chosen lap with its summary, and its samples arranged for the pictures.

Arranging only: every number comes ready from the review.
"""

from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from dashboard.figures.trace import Channel
from dashboard.figures.travel import within
from dashboard.shelf import Shelf
from dashboard.urlstate import View
from telemetry.arrays import ENDS, End
from telemetry.report import M_S_TO_KM_H, Drawn, Places, quickest_lap, stretch
from telemetry.summary import LapSummary, Summary


@dataclass(frozen=True)
class Scene(Drawn):
    """A run, a lap and their samples, as a view asks for them."""

    view: View


def chosen_lap(summary: Summary, view: View) -> LapSummary | None:
    """The lap a view asks for; None for the whole run, also when there is no such lap."""
    if view.lap == "whole":
        return None
    if view.lap == "worst":
        return Places(summary).worst_lap() or quickest_lap(summary)
    return next((lap for lap in summary.laps if lap.lap == view.lap), None)


def open_scene(shelf: Shelf, view: View) -> Scene:
    """Read what a view asks for.

    Raises
    ------
    LogbookError
        If there is no such run.
    """
    summary = shelf.summary(view.run)
    lap = chosen_lap(summary, view)
    column = partial(shelf.column, view.run)
    t_s = column("t_s")
    shown = stretch(
        t_s if t_s is not None else np.array([]),
        column("lap"),
        column("distance_m"),
        number=lap.lap if lap else None,
        against=view.against,
    )
    return Scene(summary, lap, view.plane, shown, column, replace(view, zoom=within(view.zoom, shown.x)))


def raw_channels(scene: Scene) -> list[Channel]:
    """Panels of the raw trace, of what the run has."""
    plane = scene.view.plane
    wanted: list[tuple[str, str, int, End | None, str]] = [
        *((f"{end}_{plane}_mm", f"{end} {plane} travel [mm]", 1, end, "travel") for end in ENDS),
        *((f"{end}_{plane}_mm_s", f"{end} {plane} speed [mm/s]", 0, end, "speed") for end in ENDS),
        ("pitch_deg", "pitch, nose down positive [deg]", 2, None, ""),
    ]
    found = [
        Channel(title, values, digits, end, scale)
        for name, title, digits, end, scale in wanted
        if (values := scene.samples(name)) is not None
    ]
    speed_m_s = scene.samples("speed_m_s")
    return found if speed_m_s is None else [*found, Channel("road speed [km/h]", M_S_TO_KM_H * speed_m_s)]
