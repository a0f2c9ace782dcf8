"""Same-bump ratios: what noise adds to a peak, and intervals against noise-free rides (a slice of the benchmark)."""

import numpy as np
import pytest

from telemetry.balance.balance import ratio_of_sums
from telemetry.balance.bumps import _smoothing
from telemetry.balance.pairs import response_measures
from tests.balance.test_balance import RATE_HZ
from tests.benchmarks.balance.judge import coverage


def test_smoothing_has_the_published_weights():
    # Savitzky & Golay, Anal. Chem. 36 (1964) 1627, table I: quadratic, 5 points (-3 12 17 12 -3) / 35 (from memory)
    np.testing.assert_allclose(_smoothing(125.0), np.array([-3, 12, 17, 12, -3]) / 35.0, atol=1e-12)
    assert _smoothing(RATE_HZ).sum() == pytest.approx(1.0)


def test_the_interval_over_places_is_the_jackknife_of_the_textbook():
    # Cochran, Sampling Techniques, 3rd ed., 1977, sec. 6.17: the jackknife of a ratio, leaving out one cluster at a
    # time; of the logarithm here (from memory). The textbook's form and the program's agree to the order of 1 / n.
    rng = np.random.default_rng(5)
    place = np.repeat(np.arange(30), 4)
    front = rng.uniform(300, 900, 120)
    rear = 0.9 * front * np.repeat(np.exp(rng.normal(0, 0.1, 30)), 4)
    found = ratio_of_sums(front, rear, place)
    left = np.array([np.log(rear[place != k].sum() / front[place != k].sum()) for k in range(30)])
    sd = np.sqrt(29 / 30 * np.sum((left - left.mean()) ** 2))
    low, high = found.ci95
    assert np.log(high / low) / 2 == pytest.approx(
        2.05 * sd, rel=0.05
    )  # t of 28 degrees of freedom (handbook)


def test_a_few_large_places_count_as_few():
    # one place with half of the sum: as little is known as from four equal ones (Kish 1965), whatever their number
    place = np.arange(40)
    front = np.where(place == 0, 390.0, 10.0)
    rear = front * np.where(place % 2, 1.1, 1 / 1.1)
    few = ratio_of_sums(front, rear, place).ci95
    even = ratio_of_sums(np.full(40, 20.0), 20.0 * rear / front, place).ci95
    assert np.log(few[1] / few[0]) > 4 * np.log(even[1] / even[0])


@pytest.mark.parametrize("places", [1, 3])
def test_too_few_places_tell_nothing(places):
    place = np.repeat(np.arange(places), 5)
    assert ratio_of_sums(np.ones(len(place)), np.ones(len(place)), place).value is None


def test_noise_interval_is_that_of_two_sums_of_noisy_values():
    rng = np.random.default_rng(3)
    front, rear = rng.uniform(100, 500, (2, 40))
    found = ratio_of_sums(front, rear, np.arange(40), (8.0, 12.0))
    drawn = [
        (rear + rng.normal(0, 12.0, 40)).sum() / (front + rng.normal(0, 8.0, 40)).sum() for _ in range(4000)
    ]
    low, high = found.noise_ci95
    # binomial: 0.95 +- 3 sd over 4000
    assert 0.939 <= np.mean([low <= value <= high for value in drawn]) <= 0.961
    assert high - low < found.ci95[1] - found.ci95[0]


def test_intervals_of_rides_hold_their_truths():
    longer = 6
    found = [coverage(seed, longer) for seed in range(690_000, 690_005)]
    for kind, truth_share in (("such", 1 + 1 / longer), ("same", 1.0)):
        off = np.array(
            [getattr(getattr(c, side), kind) for c in found for side in ("compression", "rebound")]
        )
        # an exact interval holds 95 % (the truth's own length aside): 7 or fewer of 10 have a chance of 1 %
        assert np.count_nonzero(np.abs(off) <= 1) >= 8
        # and its errors are standard normal: mean square of 10 within the 0.5 and 99.5 % points of chi square, 2.16
        # and 25.2 (handbook table)
        assert 2.16 / 10 <= np.mean((1.96 * off) ** 2) / truth_share <= 25.2 / 10


@pytest.mark.parametrize(("zeta", "cycles"), [(0.1, 3.5), (0.2, 1.5), (0.4, 0.5)])
def test_the_average_bump_is_read_as_a_damped_oscillator_let_go(zeta, cycles):
    # any vibration text: let go at a depth it crosses rest at wd t = pi / 2 + asin zeta and overshoots by
    # exp(-pi zeta / sqrt(1 - zeta^2)) of it, half a cycle after; pressed down evenly in 50 ms before
    lag = np.arange(-0.2, 2.0, 0.002)
    wd = 2 * np.pi * 2.5
    decay = zeta / np.sqrt(1 - zeta**2)
    after = np.exp(-decay * wd * lag) * (np.cos(wd * lag) + decay * np.sin(wd * lag))
    found = response_measures(lag, 12.0 * np.where(lag < 0, np.clip(1 + lag / 0.05, 0, 1), after))
    assert found["depth_mm"] == pytest.approx(12.0)
    assert found["time_to_peak_ms"] == pytest.approx(45.0, abs=4.0)
    assert found["back_ms"] == pytest.approx(1000 * (np.pi / 2 + np.arcsin(zeta)) / wd, abs=2.0)
    assert found["overshoot_share"] == pytest.approx(np.exp(-np.pi * decay), abs=0.002)
    assert found["cycles_to_settle"] == cycles
