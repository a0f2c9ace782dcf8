"""What a page shows of one run: the chosen lap with its summary, its samples arranged for the pictures, its places.

Arranging and wording only: every number comes ready from the review.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial
from math import isfinite
from types import MappingProxyType

import numpy as np

from dashboard.figures.along import Channel, within
from dashboard.shelf import Shelf
from dashboard.urlstate import View
from telemetry.arrays import ENDS, End
from telemetry.laps import Corner
from telemetry.report import M_S_TO_KM_H, Drawn, Places, quickest_lap, stretch
from telemetry.summary import (
    LapSummary,
    Stretch,
    Summary,
    Traces,
    lap_time,
    lap_words,
    number,
    sentence,
    stretch_balance,
    summarise_stretch,
)

# What the numbers of a stretch are made from.
STRETCH_COLUMNS = (
    "t_s",
    "speed_m_s",
    *(
        f"{end}_{name}"
        for end in ENDS
        for name in ("shaft_mm", "shaft_mm_s", "wheel_mm", "wheel_mm_s", "valid")
    ),
)


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
    """Read what a view asks for; `LogbookError` if there is no such run."""
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


def zoomed_scene(scene: Scene) -> Scene:
    """The scene with both ends over what is zoomed: its numbers, histograms and balance are of that stretch."""
    zoom = scene.view.zoom
    if zoom is None:
        return scene
    first, last = (float(np.interp(at, scene.stretch.x, scene.stretch.t_s)) for at in zoom)
    low, high = np.searchsorted(scene.stretch.t_s, (first, last))
    start = scene.stretch.rows.start or 0
    rows = slice(start + int(low), start + max(int(high) + 1, int(low) + 1))  # only these are looked at
    columns = {name: found[rows] for name in STRETCH_COLUMNS if (found := scene.column(name)) is not None}
    ends = summarise_stretch(scene.summary, Traces(columns), Stretch(time_s=(first, last)))
    balance = stretch_balance(ends)
    if scene.lap is None:
        return replace(scene, summary=replace(scene.summary, ends=ends, balance=balance))
    return replace(scene, lap=replace(scene.lap, ends=ends, balance=balance))


def shown_words(scene: Scene) -> str:
    """What the numbers and pictures are of: lap, and stretch with its time and samples where one is zoomed."""
    lap, zoom = scene.lap, scene.view.zoom
    if lap is None:
        complete = sum(one.complete for one in scene.summary.laps)
        name = f"the whole run, {complete} complete of {len(scene.summary.laps)} laps"
    else:
        name = f"lap {lap_words(lap.lap, lap.complete, lap.kind)}, {lap_time(lap.time_s)}"
    if zoom is None:
        return f"{sentence(name)}."
    unit = "m" if scene.stretch.against == "distance" else "s"
    first, last = (float(np.interp(at, scene.stretch.x, scene.stretch.t_s)) for at in zoom)
    t_s = scene.stretch.t_s
    samples = int(np.searchsorted(t_s, last, side="right") - np.searchsorted(t_s, first))
    digits = 0 if unit == "m" else 1
    corner = corner_shown(scene)
    where = f"corner {corner.number}{f', {corner.name}' if corner.name else ''}, " if corner else ""
    return (
        f"{sentence(name)}, {where}{number(zoom[0], digits)} to {number(zoom[1], digits, unit)}: "
        f"{number(last - first, 2, 's')}, {number(samples)} samples. Numbers, curves and balance are of this stretch."
    )


def corner_shown(scene: Scene) -> Corner | None:
    """The corner that a zoom shows, within a metre at either end."""
    zoom = scene.view.zoom
    if zoom is None or scene.stretch.against != "distance":
        return None
    places = Places(scene.summary)
    return next(
        (
            corner
            for corner in scene.summary.corners
            if all(abs(a - b) < 1.0 for a, b in zip(places.corner_span_m(corner), zoom, strict=True))
        ),
        None,
    )


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
    if speed_m_s is not None:
        found.append(Channel("road speed [km/h]", M_S_TO_KM_H * speed_m_s))
    others = (
        ("throttle_pct", "throttle [%]"),
        ("brake", "brake, as logged"),
        ("lean_deg", "lean, right down positive [deg]"),
    )
    return [
        *found,
        *(Channel(title, values) for name, title in others if (values := scene.samples(name)) is not None),
    ]


RIDER_WORDS = {
    "bottomed": "ran out of travel",
    "topped_out": "came all the way up",
    "unsettled": "was not settled",
}
_ON_THE_WAY = {
    "braking": "braking for {}",
    "entry": "going into {}",
    "mid-corner": "in the middle of {}",
    "drive": "coming out of {}",
    "straight": "on the straight by {}",
}
_SOMEWHERE = {
    "braking": "under braking",
    "entry": "going into a corner",
    "mid-corner": "in the middle of a corner",
    "drive": "coming out of a corner",
    "straight": "on a straight",
}


def lap_name(lap: LapSummary) -> str:
    """A lap for a list of laps: its number, what it is where it is a part lap, its time."""
    return f"Lap {lap_words(lap.lap, lap.complete, lap.kind)}: {lap_time(lap.time_s)}"


def rider_place(
    corner: int | None,
    phase: str | None,
    distance_m: float | None = None,
    *,
    names: Mapping[int, str] = MappingProxyType({}),
) -> str:
    """Where something was, as one says it to a rider; ``names`` are what people call the corners, by number."""
    if corner:
        called = f"{names[corner]} (corner {corner})" if names.get(corner) else f"corner {corner}"
        return _ON_THE_WAY.get(phase or "", "at {}").format(called)
    known = distance_m is not None and isfinite(distance_m)
    after = f"{round(distance_m or 0.0, -1):.0f} metres after the start line" if known else ""
    if phase in _SOMEWHERE:
        return f"{_SOMEWHERE[phase]}, {after}" if known else _SOMEWHERE[phase]
    if known:
        return after
    return "place not known"
