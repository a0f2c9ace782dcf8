"""Travel use by place and its standard error over laps."""

import numpy as np
import pytest

from telemetry.motion import Motion, find_sums, summarise_end
from telemetry.motion.places import across_laps, at_places, use_by_place
from tests.motion.made_ends import RATE_HZ, end_of

PHASES = ("braking", "straight")


def test_the_standard_error_is_the_closed_form():
    # sd / sqrt(n), sd with n - 1: 10, 12, 14, 16 have mean 13, sd sqrt(20 / 3), so an error of sqrt(5 / 3)
    mean, error = across_laps(np.array([10.0, 12.0, 14.0, 16.0]))
    assert mean == pytest.approx(13.0)
    assert error == pytest.approx(np.sqrt(5 / 3))


def test_laps_without_the_value_are_left_out_and_one_lap_has_no_error():
    values = np.array([[10.0, np.nan, 1.0], [12.0, np.nan, np.nan], [np.nan, np.nan, np.nan]])
    mean, error = across_laps(values)
    np.testing.assert_allclose(mean, [11.0, np.nan, 1.0])
    np.testing.assert_allclose(error, [1.0, np.nan, np.nan])


def test_the_error_of_histogram_bins_is_that_of_a_binomial_share_when_laps_are_alike():
    # n samples a lap, share p: variance p (1 - p) / n a lap, over 400 laps
    rng = np.random.default_rng(1)
    shares = rng.binomial(1000, 0.3, size=(400, 1)) / 1000
    _, error = across_laps(shares)
    assert error[0] == pytest.approx(np.sqrt(0.3 * 0.7 / 1000 / 400), rel=0.1)


def laps_of(levels, n=2000):
    """One lap a level: first half braking in corner 1 at the level, second half straight 10 mm above it."""
    travel = np.concatenate([np.repeat([level, level - 10.0], n // 2) for level in levels])
    wiggle = np.tile([-1.0, 0.0, 1.0, 0.0], len(travel) // 4)
    half = np.tile(np.repeat([0, 1], n // 2), len(levels))
    end = end_of(travel + wiggle, 50.0 * wiggle, ratio=1.0, split_mm_s=40.0)
    slices = [slice(i * n, (i + 1) * n) for i in range(len(levels))]
    return end, slices, 1 - half, half


def places_of(levels, **changes):
    end, slices, corner, phase = laps_of(levels)
    moving = changes.get("moving", np.ones(len(corner), bool))
    return {(place.corner, place.phase): place for place in found(end, slices, moving, corner, phase)}


def found(end, laps, moving, corner, phase):
    n = len(corner)
    motion = Motion(
        "made by hand", np.arange(n) / RATE_HZ, RATE_HZ, {"rear": end}, np.full(n, np.nan), 1400.0
    )
    sums = find_sums(motion, (moving, corner, phase), laps)
    whole = [{"rear": summarise_end(end.during(lap), moving[lap], ())} for lap in laps]
    at = at_places(motion, laps, moving, corner, phase, PHASES, sums, whole)
    return use_by_place(end, at, range(len(laps)))


def test_every_place_has_the_mean_of_its_laps_with_their_error():
    places = places_of([60.0, 62.0, 64.0])
    assert list(places) == [(None, None), (None, "braking"), (None, "straight"), (1, None)]
    braking = places[None, "braking"]
    assert braking.laps == 3
    assert braking.ride_height_mm.mean == pytest.approx(62.0)
    assert braking.ride_height_mm.standard_error == pytest.approx(2.0 / np.sqrt(3))
    assert braking.time_share == pytest.approx(0.5)
    assert braking.range_mm.mean == pytest.approx(2.0)
    assert (braking.min_mm, braking.max_mm, braking.margin_mm) == (59.0, 65.0, 5.0)
    assert places[1, None].ride_height_mm == braking.ride_height_mm
    assert places[None, "straight"].ride_height_mm.mean == pytest.approx(52.0)
    # the last tenth of 70 mm begins at 63: the crests of 62, all of 64
    assert braking.deep_share.mean == pytest.approx((0 + 0.25 + 1.0) / 3)
    # a quarter of the samples are at +50 mm/s, a quarter at -50: all of those are faster than 40
    assert braking.compression_high_share.mean == pytest.approx(0.25)
    assert braking.compression_mm_s.mean == pytest.approx(50.0)
    assert braking.below_sag_mm is None


def test_a_lap_that_was_not_there_does_not_count():
    moving = np.ones(6000, bool)
    moving[2000:3000] = False  # standing through the braking of the second lap
    braking = places_of([60.0, 62.0, 64.0], moving=moving)[None, "braking"]
    assert braking.laps == 2
    assert braking.ride_height_mm.mean == pytest.approx(62.0)


def test_the_whole_run_stands_in_for_laps():
    end, _, corner, phase = laps_of([60.0])
    (whole, *_) = found(end, [slice(0, len(corner))], np.ones(len(corner), bool), corner, phase)
    assert whole.laps == 1
    assert whole.ride_height_mm.standard_error is None
