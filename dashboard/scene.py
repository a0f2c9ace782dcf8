"""What a page shows of one run: the chosen lap with its summary, and its samples arranged for the pictures.

Arranging only: every number comes ready from the review.
"""

from dataclasses import dataclass, replace

import numpy as np

from dashboard.figures.trace import Channel
from dashboard.figures.travel import Band, Mark, TravelPicture, within
from dashboard.shelf import Shelf
from dashboard.stretch import Stretch, spans, stretch
from dashboard.urlstate import View
from telemetry.arrays import ENDS, End, FloatArray
from telemetry.report import Scope
from telemetry.summary import LapSummary, Summary
from telemetry.wording import STOP_WORDS, number

M_S_TO_KM_H = 3.6
# More labels than this along the axis would be written over each other.
_MOST_LABELS = 6


@dataclass(frozen=True)
class Scene(Scope):
    """A scope with its view, and where its samples are."""

    view: View
    stretch: Stretch

    @property
    def stroke_mm(self) -> dict[End, float]:
        """The travel each end may use, where it is measured. [mm]"""
        return {end: at.stroke_mm for end, at in self.judged.items()}


def chosen_lap(summary: Summary, view: View) -> LapSummary | None:
    """The lap a view asks for; None for the whole run, also when there is no such lap."""
    if view.lap == "whole":
        return None
    if view.lap == "quickest":
        return min((lap for lap in summary.laps if lap.complete), key=lambda lap: lap.time_s, default=None)
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
    t_s = shelf.column(view.run, "t_s")
    shown = stretch(
        t_s if t_s is not None else np.array([]),
        shelf.column(view.run, "lap"),
        shelf.column(view.run, "distance_m"),
        number=lap.lap if lap else None,
        against=view.against,
    )
    return Scene(summary, lap, view.plane, replace(view, zoom=within(view.zoom, shown.x)), shown)


def samples(shelf: Shelf, scene: Scene, name: str) -> FloatArray | None:
    """One column over the stretch; None when the run lacks it or nothing of it is known there."""
    column = shelf.column(scene.view.run, name)
    if column is None:
        return None
    cut = column[scene.stretch.rows]
    return cut if np.isfinite(cut).any() else None


def travel_picture(shelf: Shelf, scene: Scene) -> TravelPicture:
    """Everything the mirrored picture shows."""
    plane = scene.view.plane
    travel_mm: dict[End, FloatArray] = {}
    masked: dict[End, tuple[Band, ...]] = {}
    for end in scene.judged:
        found = samples(shelf, scene, f"{end}_{plane}_mm")
        if found is not None:
            travel_mm[end] = found
        valid = samples(shelf, scene, f"{end}_valid")
        if valid is not None:
            masked[end] = tuple(Band(a, b) for a, b in spans(1 - valid, scene.stretch.x))
    speed_m_s = samples(shelf, scene, "speed_m_s")
    return TravelPicture(
        x=scene.stretch.x,
        travel_mm=travel_mm,
        stroke_mm=scene.stroke_mm,
        x_title=scene.stretch.title,
        plane=plane,
        speed_km_h=None if speed_m_s is None else M_S_TO_KM_H * speed_m_s,
        marks=_marks(scene),
        unsettled=_unsettled(scene),
        corners=corner_bands(shelf, scene),
        dividers=_lap_starts(scene),
        masked=masked,
    )


def _marks(scene: Scene) -> tuple[Mark, ...]:
    shaft = scene.view.plane == "shaft"
    placed = (
        Mark(
            stop.end,
            stop.kind,
            scene.stretch.at_time(stop.time_s),
            stop.shaft_travel_mm if shaft else stop.travel_mm,
            f"{STOP_WORDS[stop.kind]}, arrived at {number(stop.speed_mm_s)} mm/s at the wheel",
        )
        for stop in scene.stops
    )
    return tuple(mark for mark in placed if np.isfinite(mark.x))


def _unsettled(scene: Scene) -> tuple[Band, ...]:
    """Where each oscillation lies on the axis, cut to the lap."""
    t_s, place = scene.stretch.t_s, scene.stretch.at_time
    if not len(t_s):
        return ()
    label = "not settled" if len(scene.oscillations) <= _MOST_LABELS else ""
    return tuple(
        Band(place(max(event.start_s, t_s[0])), place(min(event.end_s, t_s[-1])), label)
        for event in scene.oscillations
    )


def corner_bands(shelf: Shelf, scene: Scene) -> tuple[Band, ...]:
    """Corners along the axis of one lap; over a whole run they would only crowd."""
    if scene.lap is None:
        return ()
    return tuple(
        Band(x0, x1, str(corner.number))
        for corner in scene.summary.corners
        if np.isfinite(x0 := _along(shelf, scene, corner.start_m))
        and np.isfinite(x1 := _along(shelf, scene, corner.end_m))
        and x1 > x0
    )


def _along(shelf: Shelf, scene: Scene, distance_m: float) -> float:
    """Where a distance lies on the axis of the lap; NaN where that is not known."""
    if scene.stretch.against == "distance":
        return distance_m
    along = samples(shelf, scene, "distance_m")
    if along is None:
        return float("nan")
    known = np.isfinite(along)
    return float(np.interp(distance_m, along[known], scene.stretch.x[known], left=np.nan, right=np.nan))


def _lap_starts(scene: Scene) -> tuple[Band, ...]:
    if scene.lap is not None:
        return ()
    return tuple(
        Band(lap.start_s, lap.end_s, f"lap {lap.lap}" if lap.complete else "") for lap in scene.summary.laps
    )


def raw_channels(shelf: Shelf, scene: Scene) -> list[Channel]:
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
        if (values := samples(shelf, scene, name)) is not None
    ]
    speed_m_s = samples(shelf, scene, "speed_m_s")
    return found if speed_m_s is None else [*found, Channel("road speed [km/h]", M_S_TO_KM_H * speed_m_s)]
