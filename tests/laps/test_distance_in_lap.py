"""Distance since the start of a lap, where the laps before the line and a missed crossing are one stretch."""

from types import SimpleNamespace

import numpy as np
import pytest

from telemetry.laps.course import Places
from telemetry.laps.crossings import Crossings
from telemetry.laps.lap import Lap
from telemetry.laps.speed import Thin
from telemetry.laps.track import _distance, _split, _within

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


@pytest.mark.parametrize("kind", ["line", "rides", "none"])
def test_distance_kept_at_few_samples_is_that_of_every_sample(kind):
    """Laps that begin between two of the few samples, a missed crossing, a stretch and a lap elsewhere, stops."""
    rate, step, n = 400.0, 8, 80_003
    rng = np.random.default_rng(5)
    t_s, thin = np.arange(n) / rate, Thin(n, rate, step)
    place = np.cumsum(rng.choice([0.0, 0.9, 1.0, 1.1], len(thin.samples))) - 300.0
    starts = LAP_M * np.array([0.0, 1.0, 2.0, 4.0, 5.0, 6.0])
    times = np.interp(starts, place, thin.t_s) + rng.uniform(-0.005, 0.005, len(starts))
    ends = times[1:] if kind == "line" else times[1:] - 3.0
    laps = [
        Lap(i, a, b, LAP_M, True, "elsewhere" if i == 3 else "timed")
        for i, (a, b) in enumerate(zip(times[:-1], ends, strict=True), 1)
    ]
    if kind == "line":
        laps = [
            Lap(0, 0.0, times[0], None, False),
            *laps,
            Lap(6, times[-1], t_s[-1], None, False),
        ]
    elsewhere = np.zeros(len(place), dtype=bool)
    elsewhere[1300:1411] = elsewhere[-3:] = True
    crossings = Crossings(times[: len(ends)], "beacon", ends_s=None if kind == "line" else ends)
    starts = starts if kind == "line" else starts[:-1]
    places = Places(crossings, place, starts, LAP_M, elsewhere, matched=kind == "none")
    laps = () if kind == "none" else tuple(laps)
    found = _distance(SimpleNamespace(t_s=t_s), thin, laps, places)
    off = thin.hold(elsewhere.astype(np.int64)) > 0
    wanted = _split(t_s, thin.lines(place)[:], laps, places, off)
    np.testing.assert_allclose(found[:], wanted, rtol=0, atol=1e-9)
    assert np.isnan(wanted).any() and np.isfinite(wanted).mean() > 0.4
    assert len(found.at) < 1.1 * len(thin.samples)
