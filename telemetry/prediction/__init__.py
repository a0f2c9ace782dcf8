"""A set-up change tried on the logged laps: only the difference between two rides is simulated.

The functions are imported when they are first used: they need a compiler and SciPy, their results do not.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from telemetry.prediction.results import (
    Expected,
    PlaceChange,
    Prediction,
    StepEffect,
    Tried,
    TryRow,
    TryWay,
    Wish,
    prediction_to_json,
)

if TYPE_CHECKING:
    from telemetry.prediction.checks import ForkCheck, check_fork
    from telemetry.prediction.prediction import Laps, at_corner, predict, predict_log, prepare
    from telemetry.prediction.values import NAMES
    from telemetry.prediction.ways import expected_of, parse_wish, reach, steps, with_amounts

_LAZY = {
    "checks": ("ForkCheck", "check_fork"),
    "prediction": ("Laps", "at_corner", "predict", "predict_log", "prepare"),
    "values": ("NAMES",),
    "ways": ("expected_of", "parse_wish", "reach", "steps", "with_amounts"),
}
__all__ = [
    "Expected", "ForkCheck", "Laps", "NAMES", "PlaceChange", "Prediction", "StepEffect", "Tried", "TryRow",
    "TryWay", "Wish", "at_corner", "check_fork", "expected_of", "parse_wish", "predict", "predict_log",
    "prediction_to_json", "prepare", "reach", "steps", "with_amounts",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    for module, names in _LAZY.items():
        if name in names:
            return getattr(import_module(f"telemetry.prediction.{module}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
