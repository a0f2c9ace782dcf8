"""Travel and speed at shaft and wheel: how much travel was used, where it ran out, how fast it moved."""

from telemetry.motion.bands import frequencies
from telemetry.motion.cycles import Turns, find_packing, find_turns, strokes
from telemetry.motion.motion import EndMotion, Motion, at_the_shaft, to_motion
from telemetry.motion.places import AtPlaces, LapPlace, across_laps, at_places, lap_places, use_by_place
from telemetry.motion.stops import CONTACT_MM, MERGE_S, find_stops, joined, runs_of, stop_notes
from telemetry.motion.summary import (
    NAN,
    BandUse,
    EndSummary,
    Frequencies,
    Histogram,
    PackingEvent,
    PlaceUse,
    PlaneSummary,
    SpeedHistogram,
    SpeedSide,
    SpeedSummary,
    StopEvent,
    Strokes,
    StrokeSide,
    TravelHistogram,
    TravelSummary,
    TravelUse,
    judged_ends,
    not_judged,
)
from telemetry.motion.sums import EndSums, Sums, find_sums
from telemetry.motion.use import summarise_end, summarise_laps

__all__ = [
    "AtPlaces", "BandUse", "CONTACT_MM", "EndMotion", "EndSummary", "EndSums", "Frequencies", "Histogram", "LapPlace",
    "MERGE_S", "Motion", "NAN", "PackingEvent", "PlaceUse", "PlaneSummary", "SpeedHistogram", "SpeedSide",
    "SpeedSummary", "StopEvent", "StrokeSide", "Strokes", "Sums", "TravelHistogram", "TravelSummary", "TravelUse",
    "Turns", "across_laps", "at_places", "at_the_shaft", "find_packing", "find_stops", "find_sums", "find_turns",
    "frequencies", "joined", "judged_ends", "lap_places", "not_judged", "runs_of", "stop_notes", "strokes",
    "summarise_end", "summarise_laps", "to_motion", "use_by_place",
]  # fmt: skip
