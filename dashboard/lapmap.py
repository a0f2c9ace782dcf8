"""The lap as a map: the line that was ridden, its corners, and what happened where."""

import numpy as np

from dashboard.figures.track import MAP_POINTS, Label, Ribbon, Spot, TrackPicture
from dashboard.figures.travel import Band
from dashboard.scene import Scene, chosen_lap, corner_bands
from dashboard.shelf import Shelf
from dashboard.stretch import DISTANCE_TITLE
from dashboard.urlstate import View
from dashboard.words import event_place, stop_sentence
from telemetry.arrays import FloatArray
from telemetry.damping.oscillation import OscillationEvent
from telemetry.report.damping import sure_percent
from telemetry.report.lap import beside
from telemetry.wording import number

# Corner numbers stand this far beside the line, as a share of the size of the map.
LABEL_OFFSET = 0.055


def track_picture(shelf: Shelf, scene: Scene, *, label_offset: float = LABEL_OFFSET) -> TrackPicture:
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
    labels: list[Label] = []
    for corner in scene.summary.corners:
        known = np.where(np.isfinite(distance_m), np.abs(distance_m - corner.apex_m), np.inf)
        at = int(np.argmin(known))
        if np.isfinite(known[at]):
            others = [(label.x_m, label.y_m) for label in labels]
            labels.append(Label(str(corner.number), *beside(x_m, y_m, at, offset_m, others)))
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
    """The lap as one line, front marks above it and rear marks below; all laps of a run over each other."""
    whole = chosen_lap(scene.summary, View()) if scene.lap is None else None
    along_m = shelf.column(scene.view.run, "distance_m")
    x = scene.stretch.x
    if whole is not None and whole.distance_m and along_m is not None:
        ends, title = np.array([0.0, whole.distance_m]), DISTANCE_TITLE
        corners = tuple(Band(c.start_m, c.end_m, str(c.number)) for c in scene.summary.corners)

        def place(time_s: float) -> float:
            return float(along_m[_sample_at(shelf, scene, time_s)])
    else:
        ends, title = np.array([x[0], x[-1]]) if len(x) else np.array([0.0, 1.0]), scene.stretch.title
        corners, place = corner_bands(shelf, scene), scene.stretch.at_time
    side = {"front": 0.35, "rear": -0.35}
    return TrackPicture(
        x_m=ends,
        y_m=np.zeros(2),
        axis=np.full(2, np.nan) if whole else ends,
        corners=tuple(Label(band.label, (band.x0 + band.x1) / 2, 0.8) for band in corners),
        spots=tuple(
            Spot(stop.end, stop.kind, place(stop.time_s), side[stop.end], stop_sentence(stop.end, stop))
            for stop in scene.stops
        ),
        ribbons=tuple(
            Ribbon(
                np.array([place(event.start_s), place(event.end_s)]), np.zeros(2), oscillation_sentence(event)
            )
            for event in scene.oscillations
        ),
        straight=title,
    )


def oscillation_sentence(event: OscillationEvent) -> str:
    """One oscillation in the words of a table or a read-out."""
    low, high = event.damping_ratio_ci95
    return (
        f"rear not settled, {event_place(event)}: {number(event.frequency_hz, 1)} Hz, damping ratio "
        f"{number(event.damping_ratio, 2)} (95 % {number(low, 2)} to {number(high, 2)}), "
        f"{number(event.amplitude_mm, 1)} mm at the wheel, confidence {sure_percent(event.confidence)} %"
    )
