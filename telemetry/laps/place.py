"""Where something happened: lap, distance, corner, phase; and what counts as the same place on another lap."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.laps.lap import PHASES, Track

# On a straight, events no further apart than this along the lap are at one place: about a second at full speed, which
# is what a rider points at; distance itself differs by 10 to 20 m from lap to lap. A choice of ours.
SAME_PLACE_M = 80.0


class Placed(Protocol):
    """An event with its place, as far as that is known."""

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
    """A place on the circuit, as far as it is known."""

    lap: int | None
    distance_m: float | None
    corner: int | None
    phase: str | None


@dataclass(frozen=True)
class SharedPlace:
    """Events at one place of the lap.

    Parameters
    ----------
    corner : int or None
        None on a straight, or where it is not known.
    phase : str or None
        None where the events are of several phases.
    distance_m : float or None
        Median, from 0 at the line; None where no event has a distance. [m]
    events : tuple of int
        Indices, in the order given.
    laps : tuple of int
        Lap numbers, each once.
    """

    corner: int | None
    phase: str | None
    distance_m: float | None
    events: tuple[int, ...]
    laps: tuple[int, ...]

    @property
    def located(self) -> bool:
        """Whether it is a place on the lap at all: events without corner and distance share no place."""
        return self.corner is not None or self.distance_m is not None


def place_at(track: Track, sample: int) -> Place:
    """The place of one sample of the run.

    Parameters
    ----------
    sample : int
        Index on the run's clock.
    """
    lap, corner, phase = int(track.lap[sample]), int(track.corner[sample]), int(track.phase[sample])
    distance = float(track.distance_m[sample])
    return Place(
        lap=lap if track.laps else None,
        distance_m=distance if np.isfinite(distance) else None,
        corner=corner or None,
        phase=PHASES[phase] if phase >= 0 else None,
    )


def by_place(events: Sequence[Placed], lap_length_m: float | None) -> tuple[SharedPlace, ...]:
    """Gather events by place: the one rule of what counts as the same corner or stretch.

    Parameters
    ----------
    events : sequence of Placed
        Of one kind: stops of one end, say.
    lap_length_m : float or None
        From `lap_length_m`: events just before and just after the line are neighbours; None if not known. [m]

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
    """Indices of distances gathered so that no two of a group are further apart than `SAME_PLACE_M`.

    Parameters
    ----------
    distance_m : sequence of float
        [m]
    lap_length_m : float or None
        Distances wrap at it; None if not known. [m]

    Returns
    -------
    list of list of int
        By the least distance of each.
    """
    if not distance_m:
        return []
    if len(distance_m) == 1:
        return [[0]]
    from scipy.cluster.hierarchy import fcluster, linkage
    from scipy.spatial.distance import squareform

    at = np.asarray(distance_m, dtype=np.float64)
    apart = _apart_m(at[:, None], at[None, :], lap_length_m)
    numbers = fcluster(linkage(squareform(apart, checks=False), "complete"), SAME_PLACE_M, "distance")
    groups = [np.flatnonzero(numbers == number).tolist() for number in np.unique(numbers)]
    return sorted(groups, key=lambda group: float(at[group].min()))


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
