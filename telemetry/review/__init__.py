"""The steps of a review, in order: from a log and a bike to measured motion and its summary."""

from telemetry.review.columns import (
    KEYS,
    Ground,
    column_meanings,
    confirmed_columns,
    ground_of,
    named_columns,
    positions_deg,
    right_signals,
    telling_columns,
    with_columns,
)
from telemetry.review.cut import WHOLE, Cut, cut_from_json, cut_to_json
from telemetry.review.newbike import (
    CALIBRATIONS,
    LEVERAGES,
    PARTS,
    QUESTIONS,
    NewBike,
    Question,
    answers_of_log,
    new_bike,
    read_answer,
)
from telemetry.review.steps import Measured, Review, measure, motion_of, pushes_of, review

__all__ = [
    "CALIBRATIONS",
    "Cut",
    "Ground",
    "KEYS",
    "LEVERAGES",
    "Measured",
    "NewBike",
    "PARTS",
    "QUESTIONS",
    "Question",
    "Review",
    "WHOLE",
    "answers_of_log",
    "column_meanings",
    "confirmed_columns",
    "cut_from_json",
    "cut_to_json",
    "ground_of",
    "measure",
    "motion_of",
    "named_columns",
    "new_bike",
    "positions_deg",
    "pushes_of",
    "read_answer",
    "review",
    "right_signals",
    "telling_columns",
    "with_columns",
]
