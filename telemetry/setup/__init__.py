"""Setup sheets, what was changed between two, and the comparison of runs."""

from telemetry.setup.circuits import COLUMNS, Outing, repeats, section_time_s, sections
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
from telemetry.setup.rows import ExcludedLap, LapValues, MetricComparison
from telemetry.setup.sheet import (
    Change,
    Condition,
    FrontSettings,
    RearSettings,
    SetupSheet,
    changes,
    load_sheet,
    parse_sheet,
    settings,
    sheet_settings,
    sheet_text,
    worded,
    written,
    written_on_one,
)

__all__ = [
    "BounceComparison", "COLUMNS", "Change", "Comparison", "Condition", "DamperComparison", "DamperOuting",
    "DamperRun", "ExcludedLap", "FrontSettings", "LapValues", "MetricComparison", "Outing", "RearSettings",
    "SetupSheet", "bounce_comparison_to_json", "changes", "compare", "compare_bounce", "compare_damper",
    "comparison_to_json", "damper_comparison_to_json", "damper_history", "load_sheet", "parse_sheet", "repeats",
    "section_time_s", "sections", "settings", "sheet_settings", "sheet_text", "worded", "written",
    "written_on_one",
]  # fmt: skip
