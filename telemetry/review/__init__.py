"""The steps of a review, in order: from a log and a bike to measured motion and its summary."""

from telemetry.review.columns import (
    KEYS,
    confirmed_columns,
    named_columns,
    positions_deg,
    right_signals,
    telling_columns,
    with_columns,
)
from telemetry.review.cut import WHOLE, Cut, cut_from_json, cut_to_json
from telemetry.review.ground import Ground, ground_of
from telemetry.review.steps import Measured, Review, measure, motion_of, review

__all__ = [
    "Cut",
    "Ground",
    "KEYS",
    "Measured",
    "Review",
    "WHOLE",
    "confirmed_columns",
    "cut_from_json",
    "cut_to_json",
    "ground_of",
    "measure",
    "motion_of",
    "named_columns",
    "positions_deg",
    "review",
    "right_signals",
    "telling_columns",
    "with_columns",
]
