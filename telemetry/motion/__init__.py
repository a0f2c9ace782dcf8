"""Travel and speed at shaft and wheel: how much travel was used, where it ran out, how fast it moved."""

from telemetry.motion.frequencies import end_spectrogram, frequencies
from telemetry.motion.motion import EndMotion, Motion, to_motion
from telemetry.motion.stops import find_stops, stop_notes
from telemetry.motion.strokes import find_packing, strokes
from telemetry.motion.summary import (
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
    TravelHistogram,
    TravelSummary,
    TravelUse,
    judged_ends,
    not_judged,
)
from telemetry.motion.use import LapPlace, across_laps, lap_places, summarise_end, use_by_place

__all__ = [
    "EndMotion",
    "EndSummary",
    "Frequencies",
    "Histogram",
    "LapPlace",
    "Motion",
    "PackingEvent",
    "PlaceUse",
    "PlaneSummary",
    "SpeedHistogram",
    "SpeedSide",
    "SpeedSummary",
    "StopEvent",
    "Strokes",
    "TravelHistogram",
    "TravelSummary",
    "TravelUse",
    "across_laps",
    "end_spectrogram",
    "find_packing",
    "find_stops",
    "frequencies",
    "judged_ends",
    "lap_places",
    "not_judged",
    "stop_notes",
    "strokes",
    "summarise_end",
    "to_motion",
    "use_by_place",
]
