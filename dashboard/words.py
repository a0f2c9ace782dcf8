"""How values are said: lap times, places, and the rider's plain words. Only wording, no computing."""

import math
from collections.abc import Iterable, Mapping
from types import MappingProxyType

from telemetry.arrays import End
from telemetry.damping.oscillation import OscillationEvent
from telemetry.motion.summary import StopEvent
from telemetry.report.words import STOP_WORDS, lap_time
from telemetry.summary import LapSummary

NOT_KNOWN = "not known"
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


def number(value: float | None, digits: int = 0, unit: str = "") -> str:
    """A value with its unit, or that it is not known."""
    if value is None or not math.isfinite(value):
        return NOT_KNOWN
    rounded = round(value, digits) + 0.0  # a rounded-off minus is no minus
    text = f"{rounded:,.{digits}f}".replace("-", "−").replace(",", " ")
    return f"{text} {unit}".rstrip()


def percent(share: float | None, digits: int = 0) -> str:
    """A share of 1 as percent."""
    return number(None if share is None else 100 * share, digits, "%")


def sentence(text: str) -> str:
    """With a capital letter at its start; the rest as it is."""
    return text[:1].upper() + text[1:]


LAP_WORDS = {
    "out": "out lap",
    "in": "in lap",
    "pits": "in the pit lane",
    "several": "several laps, a crossing was missed",
    "aborted": "aborted",
    "elsewhere": "on another circuit",
    "left out": "left out",
}


def lap_name(lap: LapSummary) -> str:
    """A lap for a list of laps: its number, time, and that it is a part lap."""
    part = "" if lap.complete else f", {LAP_WORDS.get(lap.kind or 'part', 'part lap')}"
    return f"Lap {lap.lap}: {lap_time(lap.time_s)}{part}"


def place(
    corner: int | None, phase: str | None, distance_m: float | None = None, time_s: float | None = None
) -> str:
    """Where something was, for a table: corner and phase as far as known, else distance, else time."""
    if corner:
        return f"corner {corner}, {phase}" if phase else f"corner {corner}"
    if phase and distance_m is not None and math.isfinite(distance_m):
        return f"{phase} ({number(distance_m)} m)"
    if phase:
        return phase
    if distance_m is not None and math.isfinite(distance_m):
        return f"{number(distance_m)} m into the lap"
    return f"at {number(time_s, 1)} s" if time_s is not None else "place not known"


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
    known = distance_m is not None and math.isfinite(distance_m)
    after = f"{round(distance_m or 0.0, -1):.0f} metres after the start line" if known else ""
    if phase in _SOMEWHERE:
        return f"{_SOMEWHERE[phase]}, {after}" if known else _SOMEWHERE[phase]
    if known:
        return after
    return "place not known"


def event_place(event: StopEvent | OscillationEvent) -> str:
    """Where an event was, for a table."""
    time_s = event.time_s if isinstance(event, StopEvent) else event.start_s
    return place(event.corner, event.phase, event.distance_m, time_s)


def which_laps(laps: Iterable[int | None]) -> str:
    """The laps on which something happened, as a phrase: "on lap 2", "on laps 1, 2 and 3"."""
    known = sorted({lap for lap in laps if lap is not None})
    if not known:
        return ""
    if len(known) == 1:
        return f"on lap {known[0]}"
    return f"on laps {', '.join(str(lap) for lap in known[:-1])} and {known[-1]}"


def times(count: int) -> str:
    """How often: once, twice, 3 times."""
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def stop_sentence(end: End, event: StopEvent) -> str:
    """One stop in the words of a table or a read-out."""
    return (
        f"{end} {STOP_WORDS[event.kind]}, {event_place(event)}: {number(event.travel_mm, 1)} mm at the wheel, "
        f"arrived at {number(abs(event.speed_mm_s))} mm/s, stayed {number(1000 * event.duration_s)} ms"
    )
