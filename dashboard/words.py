"""How values are said: lap times, places, and the rider's plain words. Only wording, no computing."""

from collections.abc import Mapping
from math import isfinite
from types import MappingProxyType

from telemetry.summary import LapSummary, lap_time, lap_words

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
