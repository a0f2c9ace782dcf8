"""The registry of metrics: keys once, units plain, and every number where it stands in the summary."""

from collections import Counter

import pytest

from telemetry.arrays import ENDS
from telemetry.summary import BY_KEY, COMPARED, END_METRICS, METRICS, OF_END, EndAt, values_of
from tests.report.report_fixtures import *  # noqa: F403

# What a unit may be: SI and its prefixes, degree, per cent (SI brochure, 9th ed., chapters 3 and 4; from memory).
UNITS = {"", "mm", "mm/s", "Hz", "deg", "s", "%", "% of stroke"}


def test_every_key_stands_once_and_every_unit_is_one():
    for registry in (END_METRICS, COMPARED):
        assert max(Counter(metric.key for metric in registry).values()) == 1
        assert max(Counter(metric.label for metric in registry).values()) == 1
        assert {metric.unit for metric in registry} <= UNITS


def test_every_metric_of_an_end_can_be_read_at_wheel_and_shaft(reviewed):
    for end in ENDS:
        for plane in ("wheel", "shaft"):
            at = EndAt(reviewed.summary.ends[end], plane)
            texts = {metric.key: metric.text(at) for metric in END_METRICS}
            assert "–" not in texts.values(), texts


def test_numbers_are_those_of_the_samples(reviewed):
    wheel_mm = reviewed.traces["front_wheel_mm"]
    at = EndAt(reviewed.summary.ends["front"])
    # traces hold the whole run, the summary what was ridden: the extremes are the same, quantiles nearly
    assert OF_END["travel.max_mm"].read(at) == pytest.approx(wheel_mm.max(), abs=0.05)
    assert OF_END["travel.used_pct"].read(at) == pytest.approx(100 * wheel_mm.max() / at.stroke_mm, abs=0.1)


def test_a_metric_of_a_lap_is_that_of_its_end(reviewed):
    lap = reviewed.summary.laps[1]
    assert BY_KEY["rear.travel.p95_mm"].read(lap) == lap.ends["rear"].wheel.travel.p95_mm
    assert BY_KEY["rear.travel.p95_mm"].label == f"rear {OF_END['travel.p95_mm'].label}"
    assert list(values_of(lap)) == [metric.key for metric in METRICS]
