"""Data of the pictures along the lap: travel, map with events, usual values by place, several runs together."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from telemetry.arrays import ENDS, BoolArray, End, FloatArray
from telemetry.damping import OscillationEvent
from telemetry.laps import Corner, lap_length_m, laps_at_pace
from telemetry.motion import StopEvent
from telemetry.report.blocks import Places
from telemetry.report.damping import sure_percent
from telemetry.report.figures import Scope
from telemetry.signals import runs
from telemetry.summary import STOP_WORDS, LapSummary, Plane, Summary, interval, number, place_words

# A bin of the usual band is so long: a braking bump fits into it, a corner has many. An own choice. [m]
BAND_STEP_M = 8.0
# Nine of ten samples of the laps at pace lie in the band.
INSIDE = (5.0, 95.0)
# Points of a small picture of one corner, and of its line of the chosen lap.
CORNER_POINTS = 90

ColumnOf = Callable[[str], FloatArray | None]


@dataclass(frozen=True)
class Usual:
    """Where nine of ten samples of the laps at pace lie, along the lap.

    Parameters
    ----------
    distance_m : ndarray of shape (n_bins,)
    low_mm, high_mm : mapping of end to ndarray of shape (n_bins,)
        NaN where nothing was measured.
    laps : int
        How many laps it is over.
    """

    distance_m: FloatArray
    low_mm: Mapping[End, FloatArray]
    high_mm: Mapping[End, FloatArray]
    laps: int


def usual_travel(summary: Summary, column: ColumnOf, plane: Plane) -> Usual | None:
    """The usual travel along the lap; None with fewer than two laps at pace, or without their distance."""
    length_m, laps = lap_length_m(summary.laps), laps_at_pace(summary.laps)
    lap_of, distance_m = column("lap"), column("distance_m")
    if length_m is None or len(laps) < 2 or lap_of is None or distance_m is None:
        return None
    inside = np.isin(lap_of, [lap.lap for lap in laps]) & np.isfinite(distance_m)
    bins = max(int(length_m / BAND_STEP_M), 1)
    which = np.clip((distance_m[inside] * bins / length_m).astype(np.int64), 0, bins - 1)
    low: dict[End, FloatArray] = {}
    high: dict[End, FloatArray] = {}
    for end in ENDS:
        travel = column(f"{end}_{plane}_mm")
        if travel is not None and summary.ends[end].judged:
            low[end], high[end] = binned_percentiles(which, travel[inside], bins, INSIDE)
    middle_m = (np.arange(bins) + 0.5) * length_m / bins
    return Usual(middle_m, low, high, len(laps)) if low else None


def binned_percentiles(
    which: np.ndarray, values: FloatArray, bins: int, percentiles: tuple[float, float]
) -> tuple[FloatArray, FloatArray]:
    """Two percentiles of the values (NaN left out) in each bin: the sample next to the rank; NaN for an empty bin."""
    known = np.isfinite(values)
    which, values = which[known], values[known]
    order = np.lexsort((values, which))
    which, values = which[order], values[order]
    edges = np.searchsorted(which, np.arange(bins + 1))
    count = np.diff(edges)
    found = []
    for percentile in percentiles:
        rank = edges[:-1] + np.round(percentile / 100 * np.maximum(count - 1, 0)).astype(np.int64)
        at = np.minimum(rank, max(len(values) - 1, 0))
        found.append(np.where(count > 0, values[at] if len(values) else np.nan, np.nan))
    return found[0], found[1]


@dataclass(frozen=True)
class CornerLaps:
    """One corner over all laps at pace.

    Parameters
    ----------
    span_m : (float, float)
        What is shown of the lap. [m]
    laps : tuple of int
        In the order of the rows of ``travel_mm``.
    travel_mm : mapping of end to ndarray of shape (n_laps, n_points)
        Mean over each point's stretch.
    unlike_mm : float
        How far the chosen lap is from the mean of the others, RMS over both ends; without a chosen lap, how far the
        laps are apart. NaN where it cannot be told.
    deepest_mm : mapping of end to ndarray of shape (n_laps,)
        Deepest travel of each lap; NaN where nothing was measured.
    """

    corner: Corner
    span_m: tuple[float, float]
    laps: tuple[int, ...]
    travel_mm: Mapping[End, FloatArray]
    unlike_mm: float
    deepest_mm: Mapping[End, FloatArray]


def corner_laps(
    summary: Summary, column: ColumnOf, plane: Plane, chosen: int | None
) -> tuple[CornerLaps, ...]:
    """Every corner over all laps at pace, the one in which the chosen lap is most unlike the others first."""
    lap_of, distance_m = column("lap"), column("distance_m")
    laps = [lap.lap for lap in laps_at_pace(summary.laps)]
    if chosen is not None and chosen not in laps:
        laps.append(chosen)
    if lap_of is None or distance_m is None or not laps:
        return ()
    travel = {end: found for end in ENDS if (found := column(f"{end}_{plane}_mm")) is not None}
    rows = {lap: np.flatnonzero(lap_of == lap) for lap in laps}
    places = Places(summary)
    corners: list[CornerLaps] = []
    for corner in summary.corners:
        low, high = places.corner_span_m(corner)
        along = {
            end: np.array([_means(distance_m[rows[lap]], values[rows[lap]], low, high) for lap in laps])
            for end, values in travel.items()
            if summary.ends[end].judged
        }
        inside = [rows[lap][(distance_m[rows[lap]] >= low) & (distance_m[rows[lap]] <= high)] for lap in laps]
        deepest = {end: np.array([_deepest(travel[end][here]) for here in inside]) for end in along}
        unlike = _unlike(along, laps, chosen)
        corners.append(CornerLaps(corner, (low, high), tuple(laps), along, unlike, deepest))
    return tuple(sorted(corners, key=lambda one: -one.unlike_mm if np.isfinite(one.unlike_mm) else np.inf))


def _deepest(travel_mm: FloatArray) -> float:
    known = travel_mm[np.isfinite(travel_mm)]
    return float(known.max()) if len(known) else float("nan")


def _means(distance_m: FloatArray, values: FloatArray, low: float, high: float) -> FloatArray:
    """Mean of the values at each of `CORNER_POINTS` points from low to high; NaN where there is none."""
    use = (distance_m >= low) & (distance_m <= high)
    at = ((distance_m[use] - low) * CORNER_POINTS / (high - low)).astype(np.int64)
    return _cell_means(np.clip(at, 0, CORNER_POINTS - 1), values[use], CORNER_POINTS)


def _unlike(along: Mapping[End, FloatArray], laps: list[int], chosen: int | None) -> float:
    squares = []
    for travel in along.values():
        if chosen is None:
            apart = (
                travel - np.nanmean(travel, axis=0)
                if np.isfinite(travel).any(axis=0).all()
                else travel * np.nan
            )
        else:
            own = laps.index(chosen)
            others = np.delete(travel, own, axis=0)
            known = np.isfinite(others).any(axis=0)
            apart = travel[own, known] - np.nanmean(others[:, known], axis=0) if known.any() else np.array([])
        squares.append(np.ravel(apart) ** 2)
    every = np.concatenate(squares) if squares else np.array([])
    every = every[np.isfinite(every)]
    return float(np.sqrt(every.mean())) if len(every) and len(laps) > 1 else float("nan")


Against = Literal["distance", "time"]
M_S_TO_KM_H = 3.6
DISTANCE_TITLE = "distance along the lap [m]"
# More labels than this along the axis would be written over each other.
MOST_LABELS = 6
# Twice the pixels a trace has on a wide screen; more is not seen and only costs drawing time.
POINTS = 2000
# A lap of 4 km at this count has a point every 3 m: finer than a line is wide.
MAP_POINTS = 1400
# Corner numbers stand this far beside the line, as a share of the size of the map.
LABEL_OFFSET = 0.055


@dataclass(frozen=True)
class Stretch:
    """A lap, or the whole run, along ``x``, which never falls: distance [m] or time from the lap's start [s].

    ``rows`` are its samples in the run; ``t_s`` is on the run's clock.
    """

    rows: slice
    x: FloatArray
    t_s: FloatArray
    against: Against

    @property
    def title(self) -> str:
        """Name of the axis."""
        return DISTANCE_TITLE if self.against == "distance" else "time [s]"

    def at_time(self, t_s: float) -> float:
        """Place on the axis at a time on the run's clock; NaN when it lies outside."""
        if not len(self.t_s):
            return float("nan")
        return float(np.interp(t_s, self.t_s, self.x, left=np.nan, right=np.nan))


def stretch(
    t_s: FloatArray,
    lap: FloatArray | None = None,
    distance_m: FloatArray | None = None,
    *,
    number: int | None = None,
    against: Against = "distance",
) -> Stretch:
    """The samples of lap ``number``, or of the whole run.

    Distance is used when it is asked for, known at every sample of the lap, and never falls; otherwise time.

    Parameters
    ----------
    t_s, lap, distance_m : ndarray of shape (n_samples,)
        Columns of the traces; lap and distance may be missing.
    number : int or None
        Lap; None is the whole run, which is always against time.
    against : {"distance", "time"}

    Returns
    -------
    Stretch
        Without samples when the run has no such lap.
    """
    if number is None or lap is None:
        return Stretch(slice(0, len(t_s)), t_s, t_s, "time")
    inside = np.flatnonzero(lap == number)
    if not len(inside):
        return Stretch(slice(0, 0), t_s[:0], t_s[:0], "time")
    rows = slice(int(inside[0]), int(inside[-1]) + 1)
    own_t_s = t_s[rows]
    if against == "distance" and distance_m is not None:
        along = distance_m[rows]
        if np.isfinite(along).all() and (np.diff(along) >= 0).all():
            return Stretch(rows, along, own_t_s, "distance")
    return Stretch(rows, own_t_s - own_t_s[0], own_t_s, "time")


def pieces(mask: BoolArray) -> list[slice]:
    """Where a mask is true without a gap.

    >>> pieces(np.array([True, False, True, True]))
    [slice(0, 1, None), slice(2, 4, None)]
    """
    starts, stops = runs(mask)
    return [slice(int(a), int(b)) for a, b in zip(starts, stops, strict=True)]


def spans(flag: FloatArray, x: FloatArray) -> list[tuple[float, float]]:
    """Where ``flag`` is not zero, as (from, to) along x; both of shape (n_samples,)."""
    last = len(x) - 1
    return [(float(x[part.start]), float(x[min(part.stop, last)])) for part in pieces(flag != 0)]


def thinned(x: FloatArray, y: FloatArray, points: int = POINTS) -> tuple[FloatArray, FloatArray]:
    """At most ``points`` of the samples, with the extremes of every piece kept; none is invented or moved.

    Gaps (NaN) as long as two of the points drawn stay gaps.

    Parameters
    ----------
    x, y : ndarray of shape (n_samples,)
        x never falls and has no NaN.
    """
    if len(x) <= points:
        return x, y
    from tsdownsample import MinMaxDownsampler

    kept = MinMaxDownsampler().downsample(
        np.ascontiguousarray(x), np.ascontiguousarray(y), n_out=points - points % 2
    )
    return x[kept], y[kept]


@dataclass(frozen=True)
class Drawn(Scope):
    """A scope with its samples.

    Parameters
    ----------
    stretch : Stretch
        Which samples, and where they lie on the axis.
    column : callable
        A column of the traces over the whole run, by name; None when the run has no such column.
    """

    stretch: Stretch
    column: Callable[[str], FloatArray | None]

    @property
    def stroke_mm(self) -> dict[End, float]:
        """The travel each end may use, where it is measured. [mm]"""
        return {end: at.stroke_mm for end, at in self.judged.items() if np.isfinite(at.stroke_mm)}

    def samples(self, name: str) -> FloatArray | None:
        """One column over the stretch; None when the run lacks it or nothing of it is known there."""
        column = self.column(name)
        cut = None if column is None else column[self.stretch.rows]
        return cut if cut is not None and np.isfinite(cut).any() else None


@dataclass(frozen=True)
class Mark:
    """One stop: where along the axis, how far compressed, and its sentence. [axis unit, mm]"""

    end: End
    kind: str
    x: float
    travel_mm: float
    text: str


@dataclass(frozen=True)
class Band:
    """A stretch of the axis with a short label."""

    x0: float
    x1: float
    label: str = ""


@dataclass(frozen=True)
class TravelPicture:
    """What the picture shows; an end without a sensor is not in ``travel_mm``.

    Parameters
    ----------
    x : ndarray of shape (n_samples,)
        Never falling. [m or s]
    travel_mm : mapping of end to ndarray of shape (n_samples,)
    speed_km_h : ndarray of shape (n_samples,) or None
    stroke_mm : mapping of end to float
        At the same place as the travel. [mm]
    unsettled, corners, dividers : tuple of Band
        Oscillation, corners by number, starts of laps.
    usual : mapping of end to (x, low, high)
        Where nine of ten samples of the laps at pace lie. [axis unit, mm, mm]
    """

    x: FloatArray
    travel_mm: dict[End, FloatArray]
    stroke_mm: dict[End, float]
    x_title: str
    plane: str = "wheel"
    speed_km_h: FloatArray | None = None
    marks: tuple[Mark, ...] = ()
    unsettled: tuple[Band, ...] = ()
    corners: tuple[Band, ...] = ()
    dividers: tuple[Band, ...] = ()
    masked: dict[End, tuple[Band, ...]] = field(default_factory=dict)
    usual: dict[End, tuple[FloatArray, FloatArray, FloatArray]] = field(default_factory=dict)
    small: bool = False  # with less height, for a page that holds more than it


@dataclass(frozen=True)
class StopSpot:
    """One stop on the map, with its sentence. [m]"""

    end: End
    kind: str
    x_m: float
    y_m: float
    text: str


@dataclass(frozen=True)
class Ribbon:
    """A stretch of the lap in which the bike was not settled, with its sentence. [m]"""

    x_m: FloatArray
    y_m: FloatArray
    text: str


@dataclass(frozen=True)
class Label:
    """A corner number beside the line. [m]"""

    text: str
    x_m: float
    y_m: float


@dataclass(frozen=True)
class TrackPicture:
    """What the map shows.

    ``axis`` is where each point of the line lies on the travel picture's axis, ``distance_m`` along its lap (empty
    without a map). ``straight`` is the title of that axis when the log has no position: the line is then straight and
    x runs along it.
    """

    x_m: FloatArray
    y_m: FloatArray
    axis: FloatArray
    corners: tuple[Label, ...] = ()
    spots: tuple[StopSpot, ...] = ()
    ribbons: tuple[Ribbon, ...] = ()
    straight: str = ""
    distance_m: FloatArray = field(default_factory=lambda: np.array([]))


def travel_picture(scene: Drawn, usual: Usual | None = None) -> TravelPicture:
    """Everything the mirrored picture shows; ``usual`` is of the same run and plane."""
    plane = scene.plane
    travel_mm: dict[End, FloatArray] = {}
    masked: dict[End, tuple[Band, ...]] = {}
    for end in scene.judged:
        found = scene.samples(f"{end}_{plane}_mm")
        if found is not None:
            travel_mm[end] = found
        valid = scene.samples(f"{end}_valid")
        if valid is not None:
            masked[end] = tuple(Band(a, b) for a, b in spans(1 - valid, scene.stretch.x))
    speed_m_s = scene.samples("speed_m_s")
    return TravelPicture(
        x=scene.stretch.x,
        travel_mm=travel_mm,
        stroke_mm=scene.stroke_mm,
        x_title=scene.stretch.title,
        plane=plane,
        speed_km_h=None if speed_m_s is None else M_S_TO_KM_H * speed_m_s,
        marks=_marks(scene),
        unsettled=_unsettled(scene),
        corners=corner_bands(scene),
        dividers=_lap_starts(scene),
        masked=masked,
        usual={} if usual is None or scene.lap is None else _usual(scene, usual),
    )


def _usual(scene: Drawn, usual: Usual) -> dict[End, tuple[FloatArray, FloatArray, FloatArray]]:
    """The usual travel along the axis of the lap."""
    x = np.array([_along(scene, float(distance_m)) for distance_m in usual.distance_m])
    known = np.isfinite(x)
    return {end: (x[known], usual.low_mm[end][known], usual.high_mm[end][known]) for end in usual.low_mm}


def _marks(scene: Drawn) -> tuple[Mark, ...]:
    shaft = scene.plane == "shaft"
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


def _unsettled(scene: Drawn) -> tuple[Band, ...]:
    """Where each oscillation lies on the axis, cut to the lap."""
    t_s, place = scene.stretch.t_s, scene.stretch.at_time
    if not len(t_s):
        return ()
    label = "not settled" if len(scene.oscillations) <= MOST_LABELS else ""
    return tuple(
        Band(place(max(event.start_s, t_s[0])), place(min(event.end_s, t_s[-1])), label)
        for event in scene.oscillations
    )


def corner_bands(scene: Drawn) -> tuple[Band, ...]:
    """Corners along the axis of one lap; over a whole run they would only crowd."""
    if scene.lap is None:
        return ()
    return tuple(
        Band(x0, x1, str(corner.number))
        for corner in scene.summary.corners
        if np.isfinite(x0 := _along(scene, corner.start_m))
        and np.isfinite(x1 := _along(scene, corner.end_m))
        and x1 > x0
    )


def _along(scene: Drawn, distance_m: float) -> float:
    """Where a distance lies on the axis of the lap; NaN where that is not known."""
    if scene.stretch.against == "distance":
        return distance_m
    along = scene.samples("distance_m")
    if along is None:
        return float("nan")
    known = np.isfinite(along)
    return float(np.interp(distance_m, along[known], scene.stretch.x[known], left=np.nan, right=np.nan))


def _lap_starts(scene: Drawn) -> tuple[Band, ...]:
    if scene.lap is not None:
        return ()
    return tuple(
        Band(lap.start_s, lap.end_s, f"lap {lap.lap}" if lap.complete else "") for lap in scene.summary.laps
    )


def track_picture(scene: Drawn, *, label_offset: float = LABEL_OFFSET) -> TrackPicture:
    """Everything the map shows; a straight line from start to finish when the log has no position.

    ``label_offset`` is how far corner numbers stand beside the line, as a share of the size of the map.
    """
    line = _map_line(scene)
    if line is None:
        return _straight(scene)
    x_m, y_m, axis, distance_m = line
    size_m = float(max(np.ptp(x_m), np.ptp(y_m)))
    return TrackPicture(
        x_m=x_m,
        y_m=y_m,
        axis=axis,
        corners=_corner_labels(scene, line, label_offset * size_m),
        spots=tuple(_spots(scene)),
        ribbons=tuple(_ribbons(scene)),
        distance_m=distance_m,
    )


_Line = tuple[FloatArray, FloatArray, FloatArray, FloatArray]


def _map_line(scene: Drawn) -> _Line | None:
    """x, y, place on the travel picture's axis and distance of the lap's line; of any complete lap for a run."""
    x_m, y_m = scene.column("x_m"), scene.column("y_m")
    distance_m = scene.column("distance_m")
    if x_m is None or y_m is None or distance_m is None:
        return None
    rows = scene.stretch.rows
    if scene.lap is None:
        example = quickest_lap(scene.summary)
        lap = scene.column("lap")
        if example is not None and lap is not None:
            inside = np.flatnonzero(lap == example.lap)
            rows = slice(int(inside[0]), int(inside[-1]) + 1) if len(inside) else rows
    axis = scene.stretch.x if scene.lap else np.full(rows.stop - rows.start, np.nan)
    keep = np.flatnonzero(np.isfinite(x_m[rows]) & np.isfinite(y_m[rows]))
    if len(keep) < 2:
        return None
    keep = keep[:: max(1, len(keep) // MAP_POINTS)]
    return x_m[rows][keep], y_m[rows][keep], axis[keep], distance_m[rows][keep]


def _corner_labels(scene: Drawn, line: _Line, offset_m: float) -> tuple[Label, ...]:
    x_m, y_m, _, distance_m = line
    labels: list[Label] = []
    for corner in scene.summary.corners:
        known = np.where(np.isfinite(distance_m), np.abs(distance_m - corner.apex_m), np.inf)
        at = int(np.argmin(known))
        if np.isfinite(known[at]):
            others = [(label.x_m, label.y_m) for label in labels]
            labels.append(Label(str(corner.number), *beside(x_m, y_m, at, offset_m, others)))
    return tuple(labels)


def _sample_at(scene: Drawn, time_s: float) -> int:
    t_s = scene.column("t_s")
    return 0 if t_s is None else min(int(np.searchsorted(t_s, time_s)), len(t_s) - 1)


def _spots(scene: Drawn) -> list[StopSpot]:
    x_m, y_m = scene.column("x_m"), scene.column("y_m")
    found = []
    for stop in scene.stops:
        at = _sample_at(scene, stop.time_s)
        if x_m is not None and y_m is not None and np.isfinite(x_m[at]):
            found.append(
                StopSpot(stop.end, stop.kind, float(x_m[at]), float(y_m[at]), stop_sentence(stop.end, stop))
            )
    return found


def _ribbons(scene: Drawn) -> list[Ribbon]:
    x_m, y_m = scene.column("x_m"), scene.column("y_m")
    if x_m is None or y_m is None:
        return []
    found = []
    for event in scene.oscillations:
        rows = slice(_sample_at(scene, event.start_s), _sample_at(scene, event.end_s) + 1)
        step = max(1, (rows.stop - rows.start) // 60)
        found.append(Ribbon(x_m[rows][::step], y_m[rows][::step], oscillation_sentence(event)))
    return found


def _straight(scene: Drawn) -> TrackPicture:
    """The lap as one line, front marks above it and rear marks below; all laps of a run over each other."""
    whole = quickest_lap(scene.summary) if scene.lap is None else None
    along_m = scene.column("distance_m")
    x = scene.stretch.x
    if whole is not None and whole.distance_m and along_m is not None:
        ends, title = np.array([0.0, whole.distance_m]), DISTANCE_TITLE
        corners = tuple(Band(c.start_m, c.end_m, str(c.number)) for c in scene.summary.corners)
    else:
        along_m, title, corners = None, scene.stretch.title, corner_bands(scene)
        ends = np.array([x[0], x[-1]]) if len(x) else np.array([0.0, 1.0])

    def place(time_s: float) -> float:
        return scene.stretch.at_time(time_s) if along_m is None else float(along_m[_sample_at(scene, time_s)])

    side = {"front": 0.35, "rear": -0.35}
    return TrackPicture(
        x_m=ends,
        y_m=np.zeros(2),
        axis=np.full(2, np.nan) if whole else ends,
        corners=tuple(Label(band.label, (band.x0 + band.x1) / 2, 0.8) for band in corners),
        spots=tuple(
            StopSpot(stop.end, stop.kind, place(stop.time_s), side[stop.end], stop_sentence(stop.end, stop))
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
    where = place_words(event.corner, event.phase, event.distance_m, event.start_s)
    return (
        f"rear not settled, {where}: {number(event.frequency_hz, 1)} Hz, damping ratio "
        f"{interval(event.damping_ratio, event.damping_ratio_ci95)}, "
        f"{number(event.amplitude_mm, 1)} mm at the wheel, confidence {sure_percent(event.confidence)} %"
    )


def stop_sentence(end: End, event: StopEvent) -> str:
    """One stop in the words of a table or a read-out."""
    where = place_words(event.corner, event.phase, event.distance_m, event.time_s)
    return (
        f"{end} {STOP_WORDS[event.kind]}, {where}: {number(event.travel_mm, 1)} mm at the wheel, "
        f"arrived at {number(abs(event.speed_mm_s))} mm/s, stayed {number(1000 * event.duration_s)} ms"
    )


def quickest_lap(summary: Summary) -> LapSummary | None:
    """The quickest complete lap; None where none is complete."""
    return min((lap for lap in summary.laps if lap.complete), key=lambda lap: lap.time_s, default=None)


def beside(
    x_m: FloatArray, y_m: FloatArray, at: int, offset_m: float, others: Sequence[tuple[float, float]] = ()
) -> tuple[float, float]:
    """Point for a label ``offset_m`` beside the line at index ``at``, on the side with more room among ``others``."""
    low, high = max(at - 8, 0), min(at + 8, len(x_m) - 1)
    along = np.array([x_m[high] - x_m[low], y_m[high] - y_m[low]])
    across = offset_m * np.array([-along[1], along[0]]) / (float(np.hypot(*along)) or 1.0)
    taken = np.concatenate([np.stack([x_m, y_m], axis=-1), np.reshape(others, (-1, 2))])
    sides = [np.array([x_m[at], y_m[at]]) + side * across for side in (1.0, -1.0)]
    room = [float(np.min(np.hypot(*(taken - side).T))) for side in sides]
    # With about equal room the outside of the map is the better place.
    middle = np.array([np.mean(x_m), np.mean(y_m)])
    outside = int(np.argmax([np.hypot(*(side - middle)) for side in sides]))
    room[outside] += 0.2 * offset_m
    best = int(np.argmax(room))
    return float(sides[best][0]), float(sides[best][1])


# The spread is smoothed over so many bins, since a few laps say little of it at one place. An own choice.
SMOOTHED_BINS = 7
# Half width of the range of nine of ten differences of two values with standard deviation 1: normal, 1.645 sqrt(2).
NINE_OF_TEN = 2.33
SPEED = "speed"


@dataclass(frozen=True)
class Overlay:
    """Several runs of one circuit, each as the mean over its laps at pace.

    Parameters
    ----------
    distance_m : ndarray of shape (n_bins,)
        Along the lap of the first run; the laps of others are stretched to its length.
    values : mapping of str to ndarray of shape (n_runs, n_bins)
        By "front" and "rear", wheel travel [mm], and "speed" [km/h]; NaN where nothing was measured.
    spread : mapping of str to ndarray of shape (n_bins,)
        Nine of ten differences between two laps of one run are within plus and minus this.
    laps : tuple of int
        How many laps of each run.
    """

    distance_m: FloatArray
    values: Mapping[str, FloatArray]
    spread: Mapping[str, FloatArray]
    laps: tuple[int, ...]

    def difference(self, name: str, run: int) -> FloatArray:
        """What a run has more than the first one."""
        return np.asarray(self.values[name][run] - self.values[name][0])

    def outside(self, name: str, run: int) -> np.ndarray:
        """Where a run differs from the first by more than laps of one run do."""
        return np.abs(self.difference(name, run)) > self.spread[name]


def overlay(runs: Sequence[tuple[Summary, ColumnOf]]) -> Overlay | None:
    """Runs over each other by distance, each with a function that gives a column of its traces.

    The first is what the others are compared with; None where one of them has no lap at pace with its distance.
    """
    length_m = lap_length_m(runs[0][0].laps)
    if length_m is None:
        return None
    bins = max(int(length_m / BAND_STEP_M), 1)
    by_lap: list[dict[str, FloatArray]] = []
    for summary, column in runs:
        found = _by_lap(summary, column, bins)
        if found is None:
            return None
        by_lap.append(found)
    names = [name for name in (*ENDS, SPEED) if all(name in found for found in by_lap)]
    if not names:
        return None
    return Overlay(
        (np.arange(bins) + 0.5) * length_m / bins,
        {name: np.array([_mean(found[name]) for found in by_lap]) for name in names},
        {name: NINE_OF_TEN * _lap_sd([found[name] for found in by_lap]) for name in names},
        tuple(len(next(iter(found.values()))) for found in by_lap),
    )


def _by_lap(summary: Summary, column: ColumnOf, bins: int) -> dict[str, FloatArray] | None:
    """Means in equal parts of the lap, a row a lap at pace."""
    length_m, laps = lap_length_m(summary.laps), [lap.lap for lap in laps_at_pace(summary.laps)]
    lap_of, distance_m = column("lap"), column("distance_m")
    if length_m is None or not laps or lap_of is None or distance_m is None:
        return None
    row = np.full(int(max(laps)) + 1, -1)
    row[laps] = np.arange(len(laps))
    known = np.isfinite(distance_m) & (lap_of >= 0) & (lap_of <= max(laps))
    use = np.flatnonzero(known)
    use = use[row[lap_of[use].astype(np.int64)] >= 0]
    part = np.clip((distance_m[use] * bins / length_m).astype(np.int64), 0, bins - 1)
    at = row[lap_of[use].astype(np.int64)] * bins + part
    wanted = [(str(end), f"{end}_wheel_mm", 1.0) for end in ENDS if summary.ends[end].judged]
    found = {}
    for name, source, factor in (*wanted, (SPEED, "speed_m_s", M_S_TO_KM_H)):
        values = column(source)
        if values is not None:
            found[name] = _cell_means(at, factor * values[use], len(laps) * bins).reshape(len(laps), bins)
    return found or None


def _cell_means(at: np.ndarray, values: FloatArray, cells: int) -> FloatArray:
    valid = np.isfinite(values)
    count = np.bincount(at[valid], minlength=cells)
    total = np.bincount(at[valid], weights=values[valid], minlength=cells)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _mean(laps: FloatArray) -> FloatArray:
    count = np.isfinite(laps).sum(axis=0)
    return np.where(count > 0, np.nansum(laps, axis=0) / np.maximum(count, 1), np.nan)


def _lap_sd(runs: Sequence[FloatArray]) -> FloatArray:
    """Standard deviation between laps of one run at each place, over all runs together; NaN without two laps."""
    squares = np.nansum([np.nansum((laps - _mean(laps)) ** 2, axis=0) for laps in runs], axis=0)
    freedom = np.sum([np.maximum(np.isfinite(laps).sum(axis=0) - 1, 0) for laps in runs], axis=0)
    window = np.ones(SMOOTHED_BINS)
    # the mean over neighbouring places, each with the laps it has
    total, count = (np.convolve(values, window, mode="same") for values in (squares, freedom.astype(float)))
    return np.where(count > 0, np.sqrt(total / np.maximum(count, 1)), np.nan)
