"""The setup sheet, what was changed, and what came of it."""

from telemetry.setup.circuits import COLUMNS
from telemetry.setup.compare import Comparison, compare, comparison_to_json
from telemetry.setup.damper import (
    BounceComparison,
    DamperComparison,
    DamperOuting,
    DamperRun,
    bounce_comparison_to_json,
    compare_bounce,
    compare_damper,
    damper_comparison_to_json,
    damper_history,
)
from telemetry.setup.repeats import Outing, repeats
from telemetry.setup.rows import ExcludedLap, LapValues, MetricComparison
from telemetry.setup.sheet import (
    Change,
    Condition,
    SetupSheet,
    changes,
    load_sheet,
    parse_sheet,
    settings,
    written,
)

__all__ = [
    "BounceComparison",
    "COLUMNS",
    "Change",
    "Comparison",
    "Condition",
    "DamperComparison",
    "DamperOuting",
    "DamperRun",
    "ExcludedLap",
    "LapValues",
    "MetricComparison",
    "Outing",
    "SetupSheet",
    "bounce_comparison_to_json",
    "changes",
    "compare",
    "compare_bounce",
    "compare_damper",
    "comparison_to_json",
    "damper_comparison_to_json",
    "damper_history",
    "load_sheet",
    "parse_sheet",
    "repeats",
    "settings",
    "written",
]
