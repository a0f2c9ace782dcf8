"""Events of one kind at one place as one line: what happens on every lap is said once."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal

from telemetry.arrays import End
from telemetry.damping.oscillation import OscillationEvent
from telemetry.laps import by_place
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
    lap_length_m: float | None,
    *,
    ringing: End = "rear",
) -> list[Place]:
    """Events by kind and by place (`telemetry.laps.by_place`), in the order they come along the lap.

    Parameters
    ----------
    say : callable
        Words for a corner, a phase and a distance.
    lap_length_m : float or None
        [m]
    ringing : End
        Whose the oscillations are.
    """
    kinds: dict[tuple[End, Kind], list[Event]] = {}
    for event in sorted(events, key=_when):
        kinds.setdefault(_kind(event, ringing), []).append(event)
    return [
        Place(
            end,
            kind,
            say(place.corner, place.phase, place.distance_m),
            tuple(here[i].lap for i in place.events),
        )
        for (end, kind), here in kinds.items()
        for place in by_place(here, lap_length_m)
    ]


def _kind(event: Event, ringing: End) -> tuple[End, Kind]:
    return (event.end, event.kind) if isinstance(event, StopEvent) else (ringing, "unsettled")


def _when(event: Event) -> float:
    return event.time_s if isinstance(event, StopEvent) else event.start_s
