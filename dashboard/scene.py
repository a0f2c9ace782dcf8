"""What a page shows of one run: the chosen lap with its summary, and its samples arranged for the pictures.

Arranging only: every number comes ready from the review.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from dashboard.figures.trace import Channel
from dashboard.figures.track import MAP_POINTS, Label, Ribbon, Spot, TrackPicture, beside
from dashboard.figures.travel import Band, Mark, TravelPicture
from dashboard.shelf import Shelf
from dashboard.stretch import Stretch, spans, stretch
from dashboard.urlstate import View
from dashboard.words import event_place, number, percent, stop_sentence
from telemetry.arrays import ENDS, End, FloatArray
from telemetry.balance.balance import Balance
from telemetry.damping.oscillation import OscillationEvent
from telemetry.motion.summary import EndSummary, PlaneSummary, StopEvent
from telemetry.summary import LapSummary, Summary

M_S_TO_KM_H = 3.6
# Corner numbers stand this far beside the line, as a share of the size of the map.
_LABEL_OFFSET = 0.055
# More labels than this along the axis would be written over each other.
_MOST_LABELS = 6


@dataclass(frozen=True)
class Scene:
    """One run and the lap that is looked at; ``lap`` is None for the whole run."""

    view: View
    summary: Summary
    lap: LapSummary | None
    stretch: Stretch

    @property
    def ends(self) -> Mapping[End, EndSummary]:
        """Both ends, over the lap or the run."""
        return self.lap.ends if self.lap else self.summary.ends

    @property
    def balance(self) -> Balance:
        """Balance, over the lap or the run."""
        return self.lap.balance if self.lap else self.summary.balance

    @property
    def planes(self) -> dict[End, PlaneSummary]:
        """Travel and speed of both ends at the chosen place of measurement."""
        return {
            end: found.shaft if self.view.plane == "shaft" else found.wheel
            for end, found in self.ends.items()
        }

    @property
    def stroke_mm(self) -> dict[End, float]:
        """The travel each end may use, at the chosen place of measurement. [mm]"""
        return {
            end: found.stroke_mm if self.view.plane == "shaft" else found.wheel_stroke_mm
            for end, found in self.ends.items()
        }

    @property
    def speed_split_mm_s(self) -> dict[End, float]:
        """Where low and high speed part, which the bike file says for the shaft only. [mm/s]"""
        if self.view.plane != "shaft":
            return {}
        values = self.summary.bike_values
        return {end: values[key] for end in self.ends if (key := f"{end}.speed_split_mm_s") in values}

    @property
    def stops(self) -> tuple[StopEvent, ...]:
        """Everything that hit a stop, in order of time."""
        found = [stop for end in self.ends.values() for stop in (*end.bottomed, *end.topped_out)]
        return tuple(sorted(found, key=lambda stop: stop.time_s))

    @property
    def oscillations(self) -> tuple[OscillationEvent, ...]:
        """Stretches in which the rear rang, in order of time."""
        if self.lap is None:
            return self.summary.oscillation.events
        start_s, end_s = self.lap.start_s, self.lap.end_s
        return tuple(
            event
            for event in self.summary.oscillation.events
            if event.end_s > start_s and event.start_s < end_s
        )


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
    return Scene(view, summary, lap, shown)


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
    for end in scene.ends:
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
        corners=_corner_bands(shelf, scene),
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
            stop_sentence(stop.end, stop),
        )
        for stop in scene.stops
    )
    return tuple(mark for mark in placed if np.isfinite(mark.x))


def _unsettled(scene: Scene) -> tuple[Band, ...]:
    bands = tuple(band for band, _ in _placed_oscillations(scene))
    return bands if len(bands) <= _MOST_LABELS else tuple(replace(band, label="") for band in bands)


def _placed_oscillations(scene: Scene) -> list[tuple[Band, OscillationEvent]]:
    """Each oscillation with where it lies on the axis, cut to the lap."""
    t_s = scene.stretch.t_s
    if not len(t_s):
        return []
    place = scene.stretch.at_time
    return [
        (Band(place(max(event.start_s, t_s[0])), place(min(event.end_s, t_s[-1])), "not settled"), event)
        for event in scene.oscillations
    ]


def _corner_bands(shelf: Shelf, scene: Scene) -> tuple[Band, ...]:
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


def track_picture(shelf: Shelf, scene: Scene, *, label_offset: float = _LABEL_OFFSET) -> TrackPicture:
    """Everything the map shows; a straight line from start to finish when the log has no position.

    ``label_offset`` is how far corner numbers stand beside the line, as a share of the size of the map.
    """
    line = _map_line(shelf, scene)
    if line is None:
        return _straight(shelf, scene)
    x_m, y_m, axis, _ = line
    size_m = float(max(np.ptp(x_m), np.ptp(y_m)))
    return TrackPicture(
        x_m=x_m,
        y_m=y_m,
        axis=axis,
        corners=_corner_labels(shelf, scene, line, label_offset * size_m),
        spots=tuple(_spots(shelf, scene)),
        ribbons=tuple(_ribbons(shelf, scene)),
    )


_Line = tuple[FloatArray, FloatArray, FloatArray, FloatArray]


def _map_line(shelf: Shelf, scene: Scene) -> _Line | None:
    """x, y, place on the travel picture's axis and distance of the lap's line; of any complete lap for a run."""
    x_m, y_m = shelf.column(scene.view.run, "x_m"), shelf.column(scene.view.run, "y_m")
    distance_m = shelf.column(scene.view.run, "distance_m")
    if x_m is None or y_m is None or distance_m is None:
        return None
    rows = scene.stretch.rows
    if scene.lap is None:
        example = chosen_lap(scene.summary, View())
        lap = shelf.column(scene.view.run, "lap")
        if example is not None and lap is not None:
            inside = np.flatnonzero(lap == example.lap)
            rows = slice(int(inside[0]), int(inside[-1]) + 1) if len(inside) else rows
    axis = scene.stretch.x if scene.lap else np.full(rows.stop - rows.start, np.nan)
    keep = np.flatnonzero(np.isfinite(x_m[rows]) & np.isfinite(y_m[rows]))
    if len(keep) < 2:
        return None
    keep = keep[:: max(1, len(keep) // MAP_POINTS)]
    return x_m[rows][keep], y_m[rows][keep], axis[keep], distance_m[rows][keep]


def _corner_labels(shelf: Shelf, scene: Scene, line: _Line, offset_m: float) -> tuple[Label, ...]:
    x_m, y_m, _, distance_m = line
    labels = []
    for corner in scene.summary.corners:
        known = np.where(np.isfinite(distance_m), np.abs(distance_m - corner.apex_m), np.inf)
        at = int(np.argmin(known))
        if np.isfinite(known[at]):
            labels.append(Label(str(corner.number), *beside(x_m, y_m, at, offset_m)))
    return tuple(labels)


def _sample_at(shelf: Shelf, scene: Scene, time_s: float) -> int:
    t_s = shelf.column(scene.view.run, "t_s")
    return 0 if t_s is None else min(int(np.searchsorted(t_s, time_s)), len(t_s) - 1)


def _spots(shelf: Shelf, scene: Scene) -> list[Spot]:
    x_m, y_m = shelf.column(scene.view.run, "x_m"), shelf.column(scene.view.run, "y_m")
    found = []
    for stop in scene.stops:
        at = _sample_at(shelf, scene, stop.time_s)
        if x_m is not None and y_m is not None and np.isfinite(x_m[at]):
            found.append(
                Spot(stop.end, stop.kind, float(x_m[at]), float(y_m[at]), stop_sentence(stop.end, stop))
            )
    return found


def _ribbons(shelf: Shelf, scene: Scene) -> list[Ribbon]:
    x_m, y_m = shelf.column(scene.view.run, "x_m"), shelf.column(scene.view.run, "y_m")
    if x_m is None or y_m is None:
        return []
    found = []
    for event in scene.oscillations:
        rows = slice(_sample_at(shelf, scene, event.start_s), _sample_at(shelf, scene, event.end_s) + 1)
        step = max(1, (rows.stop - rows.start) // 60)
        found.append(Ribbon(x_m[rows][::step], y_m[rows][::step], oscillation_sentence(event)))
    return found


def _straight(shelf: Shelf, scene: Scene) -> TrackPicture:
    """The lap as one line along the axis of the travel picture, front marks above it and rear marks below."""
    x = scene.stretch.x
    ends = np.array([x[0], x[-1]]) if len(x) else np.array([0.0, 1.0])
    side = {"front": 0.35, "rear": -0.35}
    ribbons = [
        Ribbon(np.array([band.x0, band.x1]), np.zeros(2), oscillation_sentence(event))
        for band, event in _placed_oscillations(scene)
    ]
    return TrackPicture(
        x_m=ends,
        y_m=np.zeros(2),
        axis=ends,
        corners=tuple(Label(b.label, (b.x0 + b.x1) / 2, 0.8) for b in _corner_bands(shelf, scene)),
        spots=tuple(Spot(m.end, m.kind, m.x, side[m.end], m.text) for m in _marks(scene)),
        ribbons=tuple(ribbons),
        straight=scene.stretch.title,
    )


def oscillation_sentence(event: OscillationEvent) -> str:
    """One oscillation in the words of a table or a read-out."""
    low, high = event.damping_ratio_ci95
    return (
        f"rear not settled, {event_place(event)}: {number(event.frequency_hz, 1)} Hz, damping ratio "
        f"{number(event.damping_ratio, 2)} (95 % {number(low, 2)} to {number(high, 2)}), "
        f"{number(event.amplitude_mm, 1)} mm at the wheel, confidence {percent(event.confidence)}"
    )
