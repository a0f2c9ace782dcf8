"""What can be judged of a log that lacks columns: said as it is, and nobody is reassured."""

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from telemetry.bike import load_bike
from telemetry.logs import read_log
from telemetry.report import print_review
from telemetry.review import review

FIXTURES = Path(__file__).parents[2] / "fixtures"
SPEED = ("speed", "latitude", "longitude")


@cache
def plain():
    return read_log(FIXTURES / "vellmoor-plain.csv"), load_bike(FIXTURES / "qb-6.toml")


@cache
def without(*columns):
    """The review of the demo log without some columns; of a travel channel the sensor goes as well."""
    log, bike = plain()
    if "fork" in columns:
        bike = bike.model_copy(update={"front": bike.front.model_copy(update={"sensor": None})})
    kept = {name: values for name, values in log.columns.items() if name not in columns}
    channels = {key: None for key in SPEED if key in columns}
    bike = bike.model_copy(update={"channels": bike.channels.model_copy(update=channels)})
    return review(replace(log, columns=kept), bike).summary


@pytest.mark.parametrize(
    ("columns", "lacks", "has"),
    [
        (SPEED, "without ground speed", "front travel"),
        (("fork",), "without front travel", "ground speed"),
        (("fork", *SPEED), "without front travel and ground speed", "both"),
    ],
)
def test_what_was_not_judged_is_not_called_fine_and_the_reason_is_true(columns, lacks, has):
    found = without(*columns).oscillation
    assert found.verdict == "cannot_tell"
    assert lacks in found.reason and has not in found.reason


def test_no_sentence_stands_twice_in_the_terminal():
    console = Console(width=120, color_system=None, force_terminal=False)
    with console.capture() as capture:
        print_review(without(*SPEED), console)
    text = " ".join(capture.get().split())
    for sentence in ("A course over the laps needs 4 complete laps", without(*SPEED).oscillation.reason):
        assert text.count(sentence) == 1
    assert "no sign of loss" not in text.lower() and "no sign of lost" not in text.lower()


def test_a_rear_sensor_that_fell_off_leaves_a_share():
    log, bike = plain()
    shock = np.array(log.columns["shock"], dtype=float)
    shock[round(0.55 * len(shock)) :] = np.nan
    found = review(replace(log, columns={**log.columns, "shock": shock}), bike).summary.oscillation
    assert found.judged_share == pytest.approx(0.55, abs=0.08)
    if found.verdict == "no":
        assert f"{100 * found.judged_share:.0f} %" in found.reason
