"""Laps, corners and places: the values, the laps at pace, and the one rule for what is the same place."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import Literal, Protocol, TypeVar

import numpy as np

from telemetry.arrays import FloatArray, IntArray
from telemetry.decimals import Lines, Numbers, Times, part_of
from telemetry.notes import QualityNote

Phase = Literal["braking", "entry", "mid-corner", "drive", "straight"]
PHASES: tuple[Phase, ...] = ("braking", "entry", "mid-corner", "drive", "straight")
LapSource = Literal["lap channel", "beacon", "gps line", "speed pattern", "pit stops", "none"]
LapKind = Literal["timed", "out", "in", "pits", "part", "several", "aborted", "elsewhere", "left out"]

# A complete lap slower than this times the quickest is an out lap, an in lap or traffic. A choice, no source.
SLOW_LAP = 1.10
# A lap is timed at the ends of so many equal parts of it.
PARTS = 100

# On a straight, events no further apart than this along the lap are at one place: about a second at full speed, which
# is what a rider points at; distance itself differs by 10 to 20 m from lap to lap. Own choice.
SAME_PLACE_M = 80.0


@dataclass(frozen=True)
class Lap:
    """One lap; ``complete`` when it was ridden from the line to the line without a stop.

    ``kind`` says what it is: timed (the same as complete); out, from a stop or the pit lane to the line; in, from the
    line to a stop or the pit lane; pits, in the pit lane only; part, of which the log does not hold both ends; several,
    more than one lap, since a crossing was missed; aborted, with a stop, much slower than the others or cut short;
    elsewhere, not on the circuit of the other laps; left out, because a person asked for it. ``stopped_s`` is the time
    it stood still or was pushed.
    """

    lap: int
    start_s: float
    end_s: float
    distance_m: float | None
    complete: bool
    kind: LapKind = "part"
    stopped_s: float = 0.0

    @property
    def time_s(self) -> float:
        """Lap time. [s]"""
        return self.end_s - self.start_s


@dataclass(frozen=True)
class Corner:
    """A corner, numbered in order of travel; distances are from the lap's start.

    Left is -1, right +1, 0 where only the speed is known. A corner on the start line starts before 0 or ends beyond
    the lap. ``name`` is what a person calls it, if they gave one.
    """

    number: int
    start_m: float
    apex_m: float
    end_m: float
    direction: int
    name: str = ""


@dataclass(frozen=True)
class Circuit:
    """A circuit, so that another run on it has the same places and the same corner numbers."""

    name: str
    length_m: float  # along the centre line
    corners: tuple[Corner, ...]
    latitude_deg: FloatArray | None = None  # centre line from the start line on, shape (n_points,)
    longitude_deg: FloatArray | None = None
    speed_m_s: FloatArray | None = None  # of the mean lap, shape (n_cells,): for runs without positions
    lean_deg: FloatArray | None = None
    kept_in: str = ""  # file it is kept in for its place; "" for one that was given or found


@dataclass(frozen=True)
class Track:
    """Lap, place, corner and phase of every sample; all arrays of shape (n_samples,)."""

    laps: tuple[Lap, ...]  # in order, with the part laps before the first and after the last crossing
    lap_source: LapSource
    lap: IntArray  # number, 0 where none
    distance_m: FloatArray | Numbers  # since the start of the lap, the same at one place in every lap
    x_m: FloatArray | Lines | None  # east of the run's first fix; None without GPS
    y_m: FloatArray | Lines | None  # north of it
    speed_m_s: FloatArray | Numbers  # over the ground; NaN where unknown
    phase: IntArray  # index into `PHASES`, -1 where unknown
    corner: IntArray  # number of the nearest corner, from braking to drive; 0 on a straight
    corners: tuple[Corner, ...]
    phase_sources: tuple[str, ...]  # channels the phases were decided from
    notes: tuple[QualityNote, ...] = ()
    circuit: Circuit | None = None  # as this run knows it, or as it was given; None without a complete lap
    corner_source: str = ""  # circuit, lean, GPS track, speed or ""

    def during(self, rows: slice) -> "Track":
        """The same track over some of the samples, with all its laps and corners; nothing is copied."""
        return replace(
            self,
            lap=self.lap[rows],
            distance_m=part_of(self.distance_m, rows),
            x_m=None if self.x_m is None else part_of(self.x_m, rows),
            y_m=None if self.y_m is None else part_of(self.y_m, rows),
            speed_m_s=part_of(self.speed_m_s, rows),
            phase=self.phase[rows],
            corner=self.corner[rows],
        )


class TimedLap(Protocol):
    """A lap with its time and length, of `telemetry.laps` or of a summary."""

    @property
    def complete(self) -> bool:
        """From the line to the line without a stop."""

    @property
    def time_s(self) -> float:
        """Lap time. [s]"""

    @property
    def distance_m(self) -> float | None:
        """Length. [m]"""


AnyLap = TypeVar("AnyLap", bound=TimedLap)


def slowest_s(laps: Sequence[TimedLap]) -> float:
    """The longest time that a lap at pace may take, infinite without a complete lap. [s]"""
    return SLOW_LAP * min((lap.time_s for lap in laps if lap.complete), default=float("inf"))


def laps_at_pace(laps: Sequence[AnyLap]) -> tuple[AnyLap, ...]:
    """Complete laps that are at most `SLOW_LAP` times as long as the quickest."""
    longest_s = slowest_s(laps)
    return tuple(lap for lap in laps if lap.complete and lap.time_s <= longest_s)


def lap_length_m(laps: Sequence[TimedLap]) -> float | None:
    """Length of a lap: the median of the complete ones, None where none has a length. [m]"""
    return median([lap.distance_m for lap in laps if lap.complete and lap.distance_m] or [0.0]) or None


def passing_times_s(lap: Lap, t_s: Times, distance_m: FloatArray | Numbers) -> tuple[float, ...]:
    """Times since its start at which a complete lap passed the ends of `PARTS` equal parts of its length. [s]

    Parameters
    ----------
    t_s, distance_m : ndarray of shape (n,)
        Of the samples of the lap; distance since its start, NaN where unknown. [s, m]

    Returns
    -------
    tuple of float
        ``PARTS + 1`` times from 0 to the lap time; empty where the distance is unknown. [s]
    """
    along = distance_m[:]
    rows = np.flatnonzero(np.isfinite(along))
    if not lap.complete or not lap.distance_m or len(rows) < max(0.9 * len(along), 1):
        return ()
    place = np.maximum.accumulate(along[rows])
    ends = np.linspace(0.0, lap.distance_m, PARTS + 1)[1:-1]
    after = place.searchsorted(ends, side="right")
    beside = np.unique(np.clip(np.concatenate((after - 1, after)), 0, len(rows) - 1))
    inner = np.clip(np.interp(ends, place[beside], t_s[rows[beside]]) - lap.start_s, 0.0, lap.time_s)
    return (0.0, *(float(time) for time in inner), lap.time_s)


class Placed(Protocol):
    """Event with its place; parts that are unknown are None."""

    @property
    def lap(self) -> int | None:
        """Lap number."""

    @property
    def distance_m(self) -> float | None:
        """Since the start of the lap. [m]"""

    @property
    def corner(self) -> int | None:
        """Corner number, None on a straight."""

    @property
    def phase(self) -> str | None:
        """Corner phase."""


@dataclass(frozen=True)
class Place:
    """Place on the circuit; parts that are unknown are None."""

    lap: int | None
    distance_m: float | None
    corner: int | None
    phase: str | None


@dataclass(frozen=True)
class SharedPlace:
    """Events at one place of the lap."""

    corner: int | None  # None on a straight, or where it is not known
    phase: str | None  # None where the events are of several phases
    distance_m: float | None  # median, from 0 at the line; None where no event has a distance
    events: tuple[int, ...]  # indices, in the order given
    laps: tuple[int, ...]  # numbers, each once

    @property
    def located(self) -> bool:
        """Whether it is a place on the lap at all: events without corner and distance share no place."""
        return self.corner is not None or self.distance_m is not None


def place_at(track: Track, sample: int) -> Place:
    """The place of one sample of the run's clock."""
    return places_at(track, np.array([sample]))[0]


def places_at(track: Track, samples: IntArray) -> list[Place]:
    """The places of samples of the run's clock."""
    numbers = (track.lap, track.corner, track.phase, track.distance_m)
    return [
        Place(
            lap=lap if track.laps else None,
            distance_m=distance if np.isfinite(distance) else None,
            corner=corner or None,
            phase=PHASES[phase] if phase >= 0 else None,
        )
        for lap, corner, phase, distance in zip(*(own[samples].tolist() for own in numbers), strict=True)
    ]


def by_place(events: Sequence[Placed], lap_length_m: float | None) -> tuple[SharedPlace, ...]:
    """Gather events by place: the one rule of what counts as the same corner or stretch.

    Parameters
    ----------
    events : sequence of Placed
        Of one kind: stops of one end, say.
    lap_length_m : float or None
        From `lap_length_m`: events just before and just after the line are neighbours; None if unknown. [m]

    Returns
    -------
    tuple of SharedPlace
        Along the lap. Last, those without corner and distance, gathered by phase: these are not `located`.

    Notes
    -----
    Events with one corner number are at one place. A corner's stretch ends a little earlier or later on each lap, so
    an event on a straight within `SAME_PLACE_M` of one in a corner is at that corner's place. All others are
    gathered along the lap by complete linkage: no two events of a place are further apart than `SAME_PLACE_M`.
    """
    groups: dict[object, list[int]] = {}
    loose: list[int] = []
    for i, event in enumerate(events):
        if event.corner:
            groups.setdefault(event.corner, []).append(i)
        elif event.distance_m is not None:
            loose.append(i)
        else:
            groups.setdefault(event.phase or "", []).append(i)
    in_corners = [i for i, event in enumerate(events) if event.corner and event.distance_m is not None]
    straight: list[int] = []
    for i in loose:
        near = _nearest(events, i, in_corners, lap_length_m)
        if near is None:
            straight.append(i)
        else:
            groups[events[near].corner].append(i)
    distance_m = [float(events[i].distance_m or 0.0) for i in straight]
    stretches = [[straight[i] for i in group] for group in along_the_lap(distance_m, lap_length_m)]
    places = [_shared(events, sorted(group), lap_length_m) for group in (*groups.values(), *stretches)]
    return tuple(
        sorted(
            places,
            key=lambda place: (
                not place.located,
                np.inf if place.distance_m is None else place.distance_m,
                place.corner or 0,
                place.phase or "",
            ),
        )
    )


def along_the_lap(distance_m: Sequence[float], lap_length_m: float | None) -> list[list[int]]:
    """Indices of distances [m] grouped so that no two of a group are further apart than `SAME_PLACE_M`.

    Distances wrap at ``lap_length_m`` (None: unknown); groups are in order of their least distance.
    """
    at = np.asarray(distance_m, dtype=np.float64)
    along = at % lap_length_m if lap_length_m else at
    groups = [[int(place)] for place in np.argsort(along, kind="stable")]
    # of places in a row only neighbours can be the next to merge; a group is as wide as its ends are apart
    while len(groups) > 1:
        first, last = (along[[group[end] for group in groups]] for end in (0, -1))
        widths = np.roll(last, -1) - first
        if lap_length_m:
            widths %= lap_length_m
        else:
            widths[-1] = np.inf
        left = int(np.argmin(widths))
        if widths[left] > SAME_PLACE_M:
            break
        groups[left] += groups[(left + 1) % len(groups)]
        del groups[(left + 1) % len(groups)]
    return sorted((sorted(group) for group in groups), key=lambda group: float(at[group].min()))


def _apart_m(a_m: FloatArray, b_m: FloatArray, lap_length_m: float | None) -> FloatArray:
    """Distance between places of the lap, the shorter way round. [m]"""
    apart = np.abs(a_m - b_m)
    if not lap_length_m:
        return apart
    apart = apart % lap_length_m
    return np.minimum(apart, lap_length_m - apart)


def _nearest(
    events: Sequence[Placed], i: int, among: Sequence[int], lap_length_m: float | None
) -> int | None:
    """The nearest of some events, None if it is further than `SAME_PLACE_M`."""
    if not among:
        return None
    at = np.array([events[j].distance_m for j in among], dtype=np.float64)
    apart = _apart_m(at, np.array(events[i].distance_m), lap_length_m)
    nearest = min(range(len(among)), key=lambda k: (apart[k], events[among[k]].corner))
    return among[nearest] if apart[nearest] <= SAME_PLACE_M else None


def _shared(events: Sequence[Placed], group: list[int], lap_length_m: float | None) -> SharedPlace:
    here = [events[i] for i in group]
    phases = {event.phase for event in here}
    corners = Counter(event.corner for event in here if event.corner)
    at = np.array([event.distance_m for event in here if event.distance_m is not None], dtype=np.float64)
    if len(at) and lap_length_m:  # about the first, so that both sides of the line have one middle
        away = (at - at[0] + lap_length_m / 2) % lap_length_m - lap_length_m / 2
        middle = float((at[0] + np.median(away)) % lap_length_m)
    else:
        middle = float(np.median(at)) if len(at) else np.nan
    return SharedPlace(
        corner=next(iter(corners), None),
        phase=phases.pop() if len(phases) == 1 else None,
        distance_m=middle if len(at) else None,
        events=tuple(group),
        laps=tuple(sorted({event.lap for event in here if event.lap is not None})),
    )
