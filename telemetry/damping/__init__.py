"""Lost rear damping: detection, damping ratio per lap."""

from telemetry.damping.oscillation import LapDamping, Oscillation, OscillationEvent, RejectedCandidate

__all__ = ["LapDamping", "Oscillation", "OscillationEvent", "RejectedCandidate"]
