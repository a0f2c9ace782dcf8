"""At the stand with a spanner: what a change does before it is made, and what must be measured again."""

from telemetry.stand.aims import Aim, reach
from telemetry.stand.changes import Change, Changed, apply_changes, parse_change
from telemetry.stand.quantities import QUANTITIES, Quantity, measure, value_of
from telemetry.stand.recheck import Recheck
from telemetry.stand.sags import SAG_AGREES_MM, SagCheck, SpringCheck, check_sags
from telemetry.stand.stand import Row, Stand, StandResult, at_stand, stand_to_json

__all__ = [
    "QUANTITIES",
    "SAG_AGREES_MM",
    "Aim",
    "Change",
    "Changed",
    "Quantity",
    "Recheck",
    "Row",
    "SagCheck",
    "SpringCheck",
    "Stand",
    "StandResult",
    "apply_changes",
    "at_stand",
    "check_sags",
    "measure",
    "parse_change",
    "reach",
    "stand_to_json",
    "value_of",
]
