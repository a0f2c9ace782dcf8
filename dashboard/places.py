"""Events of one kind at one place as one line: what happens on every lap is said once."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal

from telemetry.arrays import End
from telemetry.damping.oscillation import OscillationEvent
from telemetry.motion.summary import StopEvent

Event = StopEvent | OscillationEvent
Kind = Literal["bottomed", "topped_out", "unsettled"]


@dataclass(frozen=True)
class Place:
    """What happened at one place, and on which laps, once for every time."""

    end: End
    kind: Kind
    where: str
    laps: tuple[int | None, ...]


def grouped(
    events: Iterable[Event],
    say: Callable[[int | None, str | None, float | None], str],
    *,
    ringing: End = "rear",
) -> list[Place]:
    """Events by kind and place, in the order they come along the lap.

    Parameters
    ----------
    events : iterable of StopEvent or OscillationEvent
    say : callable
        Words for a corner, a phase and a distance: events with the same words are at the same place.
    ringing : End
        Whose the oscillations are.
    """
    found: dict[tuple[End, Kind, str], list[Event]] = {}
    for event in sorted(events, key=_along):
        place = say(event.corner, event.phase, event.distance_m)
        found.setdefault((*_kind(event, ringing), place), []).append(event)
    return [
        Place(end, kind, where, tuple(event.lap for event in sorted(here, key=_when)))
        for (end, kind, where), here in found.items()
    ]


def _kind(event: Event, ringing: End) -> tuple[End, Kind]:
    return (event.end, event.kind) if isinstance(event, StopEvent) else (ringing, "unsettled")


def _along(event: Event) -> float:
    return float("inf") if event.distance_m is None else event.distance_m


def _when(event: Event) -> float:
    return event.time_s if isinstance(event, StopEvent) else event.start_s
