"""Both ends against each other: speed balance, same-bump pairs, pitch."""

from telemetry.balance.balance import Balance, PhaseBalance, PitchSummary, Ratio, SameBump, SpeedRatio

__all__ = ["Balance", "PhaseBalance", "PitchSummary", "Ratio", "SameBump", "SpeedRatio"]
