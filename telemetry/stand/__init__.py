"""Changes at the stand: what a change does before it is made, and what must be measured again."""

from telemetry.stand.changes import (
    Change,
    Changed,
    Target,
    apply_changes,
    least_change,
    limits_of,
    parse_change,
    reach,
    steps_words,
)
from telemetry.stand.quantities import QUANTITIES, Quantity, measure, value_of
from telemetry.stand.sags import SAG_AGREES_MM, SagCheck, SagWindow, SpringCheck, check_sags
from telemetry.stand.stand import Recheck, Row, Stand, StandResult, at_stand, stand_to_json

__all__ = [
    "Target", "Change", "Changed", "QUANTITIES", "Quantity", "Recheck", "Row", "SAG_AGREES_MM", "SagCheck", "SagWindow",
    "SpringCheck", "Stand", "StandResult", "apply_changes", "at_stand", "check_sags", "least_change",
    "limits_of", "measure", "parse_change", "reach", "stand_to_json", "steps_words", "value_of",
]  # fmt: skip
