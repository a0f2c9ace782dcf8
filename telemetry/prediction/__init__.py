"""A set-up change tried on the logged laps: only the difference between two rides is simulated."""

from telemetry.prediction.forkload import ForkCheck, check_fork
from telemetry.prediction.prediction import (
    Laps,
    PlaceChange,
    Prediction,
    Tried,
    TryRow,
    predict,
    predict_log,
    prediction_to_json,
    prepare,
)

__all__ = [
    "ForkCheck",
    "Laps",
    "PlaceChange",
    "Prediction",
    "Tried",
    "TryRow",
    "check_fork",
    "predict",
    "predict_log",
    "prediction_to_json",
    "prepare",
]
