"""The setup sheet, what was changed, and what came of it."""

from telemetry.setup.changes import Change, changes, written
from telemetry.setup.compare import Comparison, MetricComparison, compare, comparison_to_json
from telemetry.setup.laps import ExcludedLap, LapValues
from telemetry.setup.sheet import SetupSheet, load_sheet, parse_sheet

__all__ = [
    "Change",
    "Comparison",
    "ExcludedLap",
    "LapValues",
    "MetricComparison",
    "SetupSheet",
    "changes",
    "compare",
    "comparison_to_json",
    "load_sheet",
    "parse_sheet",
    "written",
]
