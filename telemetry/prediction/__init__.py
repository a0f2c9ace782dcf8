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
    from telemetry.prediction.checks import ForkCheck as ForkCheck
    from telemetry.prediction.checks import check_fork as check_fork
    from telemetry.prediction.prediction import Laps as Laps
    from telemetry.prediction.prediction import at_corner as at_corner
    from telemetry.prediction.prediction import predict as predict
    from telemetry.prediction.prediction import predict_log as predict_log
    from telemetry.prediction.prediction import prepare as prepare
    from telemetry.prediction.values import NAMES as NAMES
    from telemetry.prediction.ways import expected_of as expected_of
    from telemetry.prediction.ways import parse_wish as parse_wish
    from telemetry.prediction.ways import reach as reach
    from telemetry.prediction.ways import steps as steps
    from telemetry.prediction.ways import with_amounts as with_amounts

_HOME = {
    "expected_of": "ways",
    "with_amounts": "ways",
    "ForkCheck": "checks",
    "check_fork": "checks",
    "Laps": "prediction",
    "at_corner": "prediction",
    "predict": "prediction",
    "predict_log": "prediction",
    "prepare": "prediction",
    "NAMES": "values",
    "parse_wish": "ways",
    "reach": "ways",
    "steps": "ways",
}
__all__ = [
    "Expected",
    "ForkCheck",
    "Laps",
    "NAMES",
    "PlaceChange",
    "Prediction",
    "StepEffect",
    "Tried",
    "TryRow",
    "TryWay",
    "Wish",
    "at_corner",
    "check_fork",
    "expected_of",
    "parse_wish",
    "predict",
    "predict_log",
    "prediction_to_json",
    "prepare",
    "reach",
    "steps",
    "with_amounts",
]


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(f"telemetry.prediction.{_HOME[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
