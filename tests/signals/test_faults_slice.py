"""A small seeded slice of tests/benchmarks/faults: faults with known places in minutes of simulated outings."""

import numpy as np
import pytest

from tests.benchmarks.faults import run as benchmark


@pytest.fixture(scope="module")
def score():
    total = benchmark.Score()
    for seed in (6000, 6001, 6002):  # 200, 500 and 1000 Hz
        total.update(benchmark.of_outing((seed, 4, (200.0, 500.0, 1000.0))))
    return total


@pytest.mark.parametrize(
    "kind", ["dropout blank", "dropout pause", "dropout rail_high", "dropout rail_low", "spike"]
)
def test_every_dropout_of_20_ms_and_every_spike_of_2_mm_is_found(score, kind):
    assert score[f"{kind} put in"] >= 3
    assert score[f"{kind} found"] == score[f"{kind} put in"]


def test_values_that_were_held_are_found_unless_the_end_hardly_moved(score):
    # of 934 held values in the whole benchmark, two that were 0.5 to 0.7 mm off for 30 ms are not found: where the
    # end happens to come back to the value it left, nothing tells it from an end at rest
    assert score["dropout held put in"] >= 3
    assert score["dropout held found"] == score["dropout held put in"]


def test_false_finds(score):
    assert score["clean_ms"] == 12 * 60_000
    assert score["false"] / (score["clean_ms"] / 60_000) < 1.0


def test_travel_on_valid_samples(score):
    assert score["valid"] > 500_000
    assert 1e-3 * np.sqrt(score["squares"] / score["valid"]) < 0.15


def test_no_log_is_refused(score):
    assert score["refused"] == 0 and score["logs"] == 12
