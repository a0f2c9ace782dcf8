"""Both ends against each other: speed balance, same bump, pitch and heave, weight transfer, damping, bounce test."""

from telemetry.balance.balance import (
    MIN_PLACES,
    Balance,
    BumpGroup,
    BumpMeasure,
    BumpResponse,
    ChassisMotion,
    DampingBalance,
    DirectionBalance,
    Gain,
    LightWheel,
    PhaseBalance,
    PitchSummary,
    Ratio,
    SameBump,
    SpeedBalance,
    SpeedRatio,
    WeightTransfer,
)
from telemetry.balance.bounce import BounceTest, bounce_test, bounce_to_json
from telemetry.balance.bumps import BumpPairs, find_pairs, pairs_again, pairs_at
from telemetry.balance.delay import delay_notes
from telemetry.balance.measure import balance, quantile_slope, speed_ratio
from telemetry.balance.pairs import summarise_pairs
from telemetry.balance.resistance import verdict
from telemetry.balance.road import find_riding
from telemetry.balance.transfer import light_wheels

__all__ = [
    "Balance",
    "BounceTest",
    "BumpGroup",
    "BumpMeasure",
    "BumpPairs",
    "BumpResponse",
    "ChassisMotion",
    "DampingBalance",
    "DirectionBalance",
    "Gain",
    "LightWheel",
    "MIN_PLACES",
    "PhaseBalance",
    "PitchSummary",
    "Ratio",
    "SameBump",
    "SpeedBalance",
    "SpeedRatio",
    "WeightTransfer",
    "balance",
    "bounce_test",
    "bounce_to_json",
    "delay_notes",
    "find_pairs",
    "find_riding",
    "light_wheels",
    "pairs_again",
    "pairs_at",
    "quantile_slope",
    "speed_ratio",
    "summarise_pairs",
    "verdict",
]
