"""A set-up change tried on the logged laps: only the difference between two rides is simulated."""

from telemetry.prediction.advised import Expected, expected_of
from telemetry.prediction.forkload import ForkCheck, check_fork
from telemetry.prediction.prediction import Laps, at_corner, predict, predict_log, prepare
from telemetry.prediction.results import (
    PlaceChange,
    Prediction,
    StepEffect,
    Tried,
    TryRow,
    TryWay,
    Wish,
    prediction_to_json,
)
from telemetry.prediction.values import NAMES
from telemetry.prediction.ways import parse_wish, reach, steps

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
]
