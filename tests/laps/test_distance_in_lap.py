"""Distance since the start of a lap, where the laps before the line and a missed crossing are one stretch."""

import numpy as np
import pytest

from telemetry.laps.track import _within

LAP_M = 1000.0


@pytest.mark.parametrize(
    ("place_m", "zero_m", "first", "along_m"),
    [
        ([1000.0, 1500.0, 1999.0], 1000.0, False, [0.0, 500.0, 999.0]),
        ([1000.0, 1500.0, 2015.0], 1000.0, False, [0.0, 500.0, 1015.0]),  # another line, 1.5 % longer
        (
            [1000.0, 1900.0, 2600.0],
            1000.0,
            False,
            [0.0, 900.0, 600.0],
        ),  # a crossing was missed: it begins again
        ([995.0, 1500.0], 1000.0, False, [0.0, 500.0]),  # a few metres before the line are on it
        ([-300.0, -10.0], -1000.0, True, [700.0, 990.0]),  # the part lap before the first crossing
        ([-1300.0, -10.0], -1000.0, True, [700.0, 990.0]),  # and the one before that
    ],
)
def test_distance_since_the_line(place_m, zero_m, first, along_m):
    np.testing.assert_allclose(_within(np.array(place_m), zero_m, LAP_M, first), along_m)


def test_without_a_lap_length_distance_goes_on():
    np.testing.assert_array_equal(_within(np.array([5.0, 9000.0]), 0.0, 0.0, False), [5.0, 9000.0])
