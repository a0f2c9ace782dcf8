"""Confidence of an event: what its evidence and its length together say."""

from dataclasses import replace

import numpy as np
import pytest

from telemetry.damping.judge import LEAST_CONFIDENCE, LOG_ODDS_PER_EVIDENCE, confidence, evidence_over
from telemetry.damping.verdict import OscillationEvent

EVENT = OscillationEvent(10.0, 10.8, 1, 900.0, 5, "drive", 16.2, 0.06, (0.03, 0.11), 1.1, 0.6, 0.9, "")


def test_evidence_and_length_both_add_to_it():
    over, seconds = np.meshgrid(np.linspace(0.0, 20.0, 6), np.linspace(0.3, 2.0, 6), indexing="ij")
    found = np.vectorize(confidence)(over, seconds)
    assert (np.diff(found, axis=0) > 0).all()
    assert (np.diff(found, axis=1) > 0).all()
    assert found.min() < LEAST_CONFIDENCE < 0.99 < found.max()


def test_one_unit_of_evidence_changes_the_odds_by_the_same_factor():
    # definition of logistic regression, e.g. Hosmer & Lemeshow, Applied Logistic Regression, ch. 3
    odds = [p / (1 - p) for p in (confidence(over, 0.7) for over in (1.0, 2.0, 3.0))]
    assert odds[1] / odds[0] == pytest.approx(odds[2] / odds[1])
    assert np.log(odds[1] / odds[0]) == pytest.approx(LOG_ODDS_PER_EVIDENCE)


@pytest.mark.parametrize("seconds", [0.35, 0.6, 1.5])
def test_evidence_comes_back_from_the_confidence(seconds):
    def event(over):
        return replace(EVENT, end_s=EVENT.start_s + seconds, confidence=confidence(over, seconds))

    assert evidence_over(event(7.0)) - evidence_over(event(4.0)) == pytest.approx(3.0)
    if seconds > 0.5:  # long enough for the threshold alone
        assert evidence_over(event(4.0)) == pytest.approx(4.0)
    else:
        assert evidence_over(event(4.0)) < 4.0
