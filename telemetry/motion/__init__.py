"""Travel and speed at shaft and wheel: how much travel was used, where it ran out, how fast it moved."""

from telemetry.motion.motion import EndMotion, Motion
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
]
