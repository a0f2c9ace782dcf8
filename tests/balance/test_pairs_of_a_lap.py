"""Pairs of bumps cut to a lap keep what they are."""

from dataclasses import fields

import numpy as np

from telemetry.balance.bumps import MEASURES, BumpPairs


def pairs_of(n):
    rows = np.arange(n)
    ends = ("front", "rear")
    return BumpPairs(
        bump=rows * 100, sample=rows * 100 + 5, rear_sample=rows * 100 + 30, place=rows % 3,
        disturbed=rows % 2 == 0, stands_out=rows + 0.5, clear=rows % 2 == 1, hanging=rows % 5 == 0,
        weight=1.0 / (1.0 + rows), response={end: dict.fromkeys(MEASURES, rows + 10.0) for end in ends},
        noise_mm_s=dict.fromkeys(ends, 2.0), travel_mm={end: np.ones((n // 2, 4)) * rows[1::2, None] for end in ends},
        lag_s=np.arange(4) / 250.0, delay_residual_s=rows / 1000.0,
    )  # fmt: skip


def test_a_lap_keeps_the_places_of_its_bumps():
    # a bump that is met on five laps stays one place: the intervals count places, not meetings
    lap = pairs_of(12).during(300, 900)
    rows = np.arange(3, 9)
    np.testing.assert_array_equal(lap.place, rows % 3)
    np.testing.assert_array_equal(lap.bump, rows * 100 - 300)
    np.testing.assert_array_equal(lap.sample, rows * 100 + 5 - 300)
    np.testing.assert_array_equal(lap.rear_sample, rows * 100 + 30 - 300)
    np.testing.assert_array_equal(lap.response["rear"]["depth_mm"], rows + 10.0)
    assert {
        len(getattr(lap, f.name)) for f in fields(lap) if isinstance(getattr(lap, f.name), np.ndarray)
    } == {6, 4}
