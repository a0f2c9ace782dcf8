"""Both ends against each other: speed balance, same bump, pitch and heave, weight transfer, damping, bounce test."""

from telemetry.balance.balance import (
    Balance,
    BumpGroup,
    BumpMeasure,
    BumpResponse,
    ChassisMotion,
    DampingBalance,
    PhaseBalance,
    PitchSummary,
    Ratio,
    SameBump,
    SpeedBalance,
    SpeedRatio,
    WeightTransfer,
)

__all__ = [
    "Balance",
    "BumpGroup",
    "BumpMeasure",
    "BumpResponse",
    "ChassisMotion",
    "DampingBalance",
    "PhaseBalance",
    "PitchSummary",
    "Ratio",
    "SameBump",
    "SpeedBalance",
    "SpeedRatio",
    "WeightTransfer",
]
