"""The setup sheet, what was changed, and what came of it."""

from telemetry.setup.changes import Change, changes, written
from telemetry.setup.compare import Comparison, compare, comparison_to_json
from telemetry.setup.conditions import Condition
from telemetry.setup.damper import DamperComparison, compare_damper, damper_comparison_to_json
from telemetry.setup.damperbounce import BounceComparison, bounce_comparison_to_json, compare_bounce
from telemetry.setup.damperhistory import DamperRun, damper_history
from telemetry.setup.laps import ExcludedLap, LapValues
from telemetry.setup.repeats import Outing, repeats
from telemetry.setup.rows import MetricComparison
from telemetry.setup.sheet import SetupSheet, load_sheet, parse_sheet

__all__ = [
    "BounceComparison",
    "Change",
    "Comparison",
    "Condition",
    "DamperComparison",
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
    "written",
]
