"""The registry of metrics: each entry reads the number that its key names, in the unit that its key says."""

from dataclasses import fields

import pytest

from telemetry.summary import END_METRICS, METRICS, EndAt
from tests.review.made_lap import END

UNITS = {"mm": "mm", "mm_s": "mm/s", "pct": "%", "hz": "Hz", "s": "s", "ms": "ms"}


def _named(key):
    """The value that a key such as ``speed.compression.rms_mm_s`` spells, or None where it spells no field."""
    value = EndAt(END)
    for part in key.split("."):
        if not hasattr(value, part):
            return None
        value = getattr(value, part)
    return value


SPELT = [metric for metric in END_METRICS if isinstance(_named(metric.key), float)]


@pytest.mark.parametrize("metric", SPELT, ids=lambda metric: metric.key)
def test_a_metric_reads_the_field_that_its_key_names(metric):
    times = 100 if metric.unit == "%" and metric.key.endswith("share") else 1
    assert metric.read(EndAt(END)) == times * _named(metric.key)


def test_most_of_the_registry_is_spelt_by_its_keys():
    # all numbers of the made end differ, so that no two fields can be taken for one another
    values = [getattr(END.wheel.travel, field.name) for field in fields(END.wheel.travel)]
    assert len(set(values)) == len(values)
    assert len(SPELT) >= 10, [metric.key for metric in END_METRICS]


@pytest.mark.parametrize("metric", (*END_METRICS, *METRICS), ids=lambda metric: metric.key)
def test_the_unit_is_the_one_in_the_key(metric):
    last = metric.key.split(".")[-1]
    ending = next((e for e in sorted(UNITS, key=len, reverse=True) if last.endswith("_" + e)), None)
    if ending:
        assert metric.unit.startswith(UNITS[ending])
