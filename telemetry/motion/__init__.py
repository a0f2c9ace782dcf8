"""Travel and speed at shaft and wheel: how much travel was used, where it ran out, how fast it moved."""

from telemetry.motion.motion import EndMotion, Motion
from telemetry.motion.stops import find_stops
from telemetry.motion.summary import (
    EndSummary,
    Histogram,
    PlaneSummary,
    SpeedHistogram,
    SpeedSide,
    SpeedSummary,
    StopEvent,
    TravelHistogram,
    TravelSummary,
)
from telemetry.motion.travel import to_motion
from telemetry.motion.use import summarise_end

__all__ = [
    "EndMotion",
    "EndSummary",
    "Histogram",
    "Motion",
    "PlaneSummary",
    "SpeedHistogram",
    "SpeedSide",
    "SpeedSummary",
    "StopEvent",
    "TravelHistogram",
    "TravelSummary",
    "find_stops",
    "summarise_end",
    "to_motion",
]
