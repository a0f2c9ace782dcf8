"""Lost rear damping: detection, damping ratio per lap."""

from telemetry.damping.detect import find_oscillation
from telemetry.damping.oscillation import (
    CAUTION,
    DampingTrend,
    LapDamping,
    Oscillation,
    OscillationEvent,
    RejectedCandidate,
)
from telemetry.damping.verdict import refusal

__all__ = [
    "CAUTION",
    "DampingTrend",
    "LapDamping",
    "Oscillation",
    "OscillationEvent",
    "RejectedCandidate",
    "find_oscillation",
    "refusal",
]
