"""Lost rear damping: detection, damping ratio per lap."""

from telemetry.damping.detect import find_oscillation
from telemetry.damping.oscillation import (
    CAUTION,
    DOUBT_CAUTION,
    FALLING,
    IN_DOUBT,
    INSPECT_CAUTION,
    DamperCourse,
    DampingTrend,
    EventEvidence,
    LapDamping,
    Oscillation,
    OscillationEvent,
    RejectedCandidate,
    dampers_in_doubt,
    dampers_not_judged,
)
from telemetry.damping.verdict import NEARLY_ALL, clearest, gather, limit_sentence, refusal

__all__ = [
    "CAUTION",
    "DOUBT_CAUTION",
    "DamperCourse",
    "DampingTrend",
    "EventEvidence",
    "FALLING",
    "INSPECT_CAUTION",
    "IN_DOUBT",
    "LapDamping",
    "NEARLY_ALL",
    "Oscillation",
    "OscillationEvent",
    "RejectedCandidate",
    "clearest",
    "dampers_in_doubt",
    "dampers_not_judged",
    "find_oscillation",
    "gather",
    "limit_sentence",
    "refusal",
]
