"""Conditions that a log holds come into its review as means over the laps."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from telemetry.bike import load_bike
from telemetry.logs import read_log
from telemetry.review import review
from telemetry.summary import LoggedCondition, summary_from_json, summary_to_json

FIXTURES = Path(__file__).parents[2] / "fixtures"


def test_a_logged_oil_temperature_is_kept_as_its_mean_over_the_laps():
    log = read_log(FIXTURES / "vellmoor-before.csv.gz")
    bike = load_bike(FIXTURES / "qb-6.toml")
    # steady at 60 while riding the laps, a step of 1 every other second: mean 60.5
    warm = 60.0 + (np.arange(log.n_rows) // 500 % 2)
    log = replace(log, columns={**log.columns, "Shock oil": warm}, units={**log.units, "Shock oil": "C"})
    bike = bike.model_copy(
        update={"conditions": bike.conditions.model_copy(update={"rear_oil_temperature": "Shock oil"})}
    )
    summary = review(log, bike).summary
    assert summary.conditions == {"rear_oil_temperature": LoggedCondition(pytest.approx(60.5, abs=0.05), "C")}
    assert summary_from_json(summary_to_json(summary)).conditions == summary.conditions
    complete = [lap for lap in summary.laps if lap.complete]
    assert all(len(lap.passing_s) == 101 and lap.places for lap in complete)
