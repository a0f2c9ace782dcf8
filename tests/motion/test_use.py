"""Travel use, speed shares, histograms and stops on motion with known answers."""

import math
from dataclasses import asdict

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import sem, skew

from telemetry.motion.ordered import Ordered
from telemetry.motion.places import across_laps
from telemetry.motion.stops import CONTACT_MM, find_stops
from telemetry.motion.use import speed_edges_mm_s, summarise_end, summarise_laps, travel_edges_mm
from tests.motion.made_ends import RATE_HZ, assert_alike, end_of


def clock(n):
    return np.arange(n) / RATE_HZ


def test_share_below_a_speed_on_a_sine_is_the_arcsine_law():
    # arcsine law: share of time with |v| below v0 on a sine of amplitude V is (2 / pi) asin(v0 / V)
    t = clock(50_000)
    w = 2 * np.pi * math.sqrt(3)  # no whole number of samples a period: every part of it is met
    end = end_of(30 + 300 / w * np.sin(w * t), 300 * np.cos(w * t), split_mm_s=150.0)
    sides = summarise_end(end, np.ones(len(t), bool), ()).shaft.speed
    low = sides.compression.low_speed_share + sides.rebound.low_speed_share
    assert low == pytest.approx(2 / math.pi * math.asin(150 / 300), abs=1e-3)  # one third
    assert sides.compression.share == pytest.approx(0.5, abs=1e-3)
    assert sides.compression.rms_mm_s == pytest.approx(300 / math.sqrt(2), rel=1e-3)
    assert sides.compression.max_mm_s == pytest.approx(300, rel=1e-3)


def test_share_below_a_speed_on_gaussian_speed_is_the_error_function():
    # share with |v| < v0 of a normal speed is erf(v0 / (sigma sqrt 2)); sigma 195, v0 50 mm/s: 0.202366
    speed = np.random.default_rng(1).normal(0, 195, 400_000)
    end = end_of(np.full(len(speed), 30.0), speed, split_mm_s=50.0)
    sides = summarise_end(end, np.ones(len(speed), bool), ()).shaft.speed
    low = sides.compression.low_speed_share + sides.rebound.low_speed_share
    assert math.erf(50 / (195 * math.sqrt(2))) == pytest.approx(0.202366, abs=1e-6)
    assert low == pytest.approx(
        0.202366, abs=4 * math.sqrt(0.2 * 0.8 / len(speed))
    )  # 4 sd of a binomial share


def test_quantiles_are_numpys_on_the_valid_samples():
    rng = np.random.default_rng(2)
    travel, speed = rng.uniform(0, 70, 5000), rng.normal(0, 200, 5000)
    travel[rng.random(5000) < 0.1] = np.nan
    selected = rng.random(5000) < 0.7
    use = selected & np.isfinite(travel)
    result = summarise_end(end_of(travel, speed), selected, ())
    masked = np.ma.masked_invalid(np.where(selected, travel, np.nan))
    assert result.shaft.travel.median_mm == pytest.approx(float(np.ma.median(masked)), rel=1e-12)
    assert result.shaft.travel.p95_mm == pytest.approx(np.quantile(travel[use], 0.95), rel=1e-12)
    assert result.shaft.travel.mean_mm == pytest.approx(float(masked.mean()), rel=1e-12)
    down = speed[use & (speed > 0)]
    assert result.shaft.speed.compression.p99_mm_s == pytest.approx(np.quantile(down, 0.99), rel=1e-12)
    assert result.valid_share == pytest.approx(np.count_nonzero(use) / np.count_nonzero(selected))


@given(st.lists(st.floats(-4000, 4000), min_size=1, max_size=200))
def test_shares_sum_to_one_whatever_the_values(values):
    result = Ordered.chosen(np.array(values)).shares(speed_edges_mm_s())
    assert sum(result) == pytest.approx(1.0)
    assert len(result) == len(speed_edges_mm_s()) - 1


def test_histogram_is_numpys_inside_the_edges_and_keeps_what_lies_beyond():
    values = np.sort(np.random.default_rng(3).normal(0, 400, 10_000))
    edges = speed_edges_mm_s()
    counts, _ = np.histogram(np.clip(values, edges[0], edges[-1]), bins=edges)
    np.testing.assert_allclose(Ordered.chosen(values).shares(edges), counts / len(values), atol=1e-4)
    assert Ordered.chosen(np.array([5000.0])).shares(edges)[-1] == 1.0
    assert sum(Ordered.chosen(np.array([])).shares(edges)) == 0.0


def test_both_ends_share_one_set_of_edges():
    np.testing.assert_array_equal(travel_edges_mm(70.0), travel_edges_mm(125.0))
    assert travel_edges_mm(162.0)[-1] == 165.0


def test_no_valid_sample_gives_unknown_not_zero_travel():
    nothing = np.full(100, np.nan)
    result = summarise_end(end_of(nothing, nothing), np.ones(100, bool), ())
    assert result.valid_share == 0
    assert math.isnan(result.wheel.travel.median_mm)
    assert sum(result.wheel.travel_histogram.share) == 0


def hump(n, centre, height, width=40):
    return height * np.exp(-(((np.arange(n) - centre) / width) ** 2))


def test_bottoming_is_found_with_depth_and_arrival_speed():
    n = 5000
    shaft = np.minimum(25 + hump(n, 1500, 60) + hump(n, 3500, 40), 70.0)
    end = end_of(shaft, np.gradient(shaft) * RATE_HZ)
    (stop,) = [s for s in find_stops(end, clock(n), np.ones(n, bool)) if s.kind == "bottomed"]
    assert stop.time_s == pytest.approx(1500 / RATE_HZ, abs=0.1)
    assert stop.shaft_travel_mm == 70.0
    assert stop.travel_mm == pytest.approx(126.0)
    start = int(np.argmax(shaft >= 70 * (1 - 0.015)))
    assert stop.speed_mm_s == pytest.approx(
        1.8 * np.max(np.gradient(shaft)[start - 25 : start + 1]) * RATE_HZ
    )


def test_bouncing_on_the_stop_is_one_event_and_standing_is_none():
    n = 5000
    shaft = 25 + hump(n, 1500, 46, 4) + hump(n, 1520, 46, 4)  # 40 ms apart
    end = end_of(np.minimum(shaft, 70.0), np.gradient(shaft) * RATE_HZ)
    assert len(find_stops(end, clock(n), np.ones(n, bool))) == 1
    shaft = 25 + hump(n, 1500, 46, 10) + hump(n, 1545, 46, 10)  # off its stop by 40 mm between, 90 ms apart
    apart = end_of(np.minimum(shaft, 70.0), np.gradient(shaft) * RATE_HZ)
    assert len(find_stops(apart, clock(n), np.ones(n, bool))) == 2
    assert find_stops(end, clock(n), np.zeros(n, bool)) == ()


def test_topping_out_is_at_the_other_end():
    n = 3000
    shaft = np.maximum(15 - hump(n, 1000, 20), 0.0)
    (stop,) = find_stops(end_of(shaft, np.gradient(shaft) * RATE_HZ), clock(n), np.ones(n, bool))
    assert stop.kind == "topped_out"
    assert stop.speed_mm_s > 0


def test_travel_used_is_the_deepest_share_of_the_stroke():
    # 0.1 mm steps from 7 to 63 mm of 70: 90 % used, 7 mm left, whatever the least travel was
    travel = np.arange(7.0, 63.01, 0.1)
    found = summarise_end(end_of(travel, np.zeros(len(travel))), np.ones(len(travel), bool), ()).shaft.travel
    assert found.used_pct == pytest.approx(90.0, abs=0.01) and found.margin_mm == pytest.approx(7.0, abs=0.01)
    assert found.min_mm == pytest.approx(7.0) and found.range_mm == pytest.approx(56.0, abs=0.01)


def test_time_on_the_stops_counts_all_within_reach_of_the_contact():
    # rubber gives and sensors are noisy: within CONTACT_MM of an end is on it. 100 samples: 10 deep, 20 topped out
    within = 0.9 * CONTACT_MM
    travel = np.concatenate([np.full(10, 70.0 - within), np.full(70, 35.0), np.full(20, within)])
    use = summarise_end(end_of(travel, np.zeros(100)), np.ones(100, bool), ()).use
    assert (use.bottom_share, use.top_share) == (0.10, 0.20)
    outside = np.where(travel > 60, 70.0 - 1.1 * CONTACT_MM, np.where(travel < 10, 1.1 * CONTACT_MM, travel))
    use = summarise_end(end_of(outside, np.zeros(100)), np.ones(100, bool), ()).use
    assert (use.bottom_share, use.top_share) == (0.0, 0.0)


def test_means_and_errors_across_laps_are_those_of_scipy_for_every_column():
    rng = np.random.default_rng(3)
    values = rng.normal(size=(5, 3)) * (1.0, 4.0, 20.0)
    values[1, 1] = values[[0, 2, 3, 4], 2] = np.nan
    mean, error = across_laps(values)
    np.testing.assert_allclose(mean, np.nanmean(values, axis=0))
    # standard error of the mean, n - 1 in its variance; none of one lap
    np.testing.assert_allclose(error[:2], sem(values[:, :2], axis=0, nan_policy="omit"))
    assert np.isnan(error[2])


def test_a_run_and_its_laps_at_once_are_what_each_is_by_itself():
    rng = np.random.default_rng(6)
    n = 4000
    travel = 40.0 + 25.0 * np.sin(np.arange(n) / 40.0) + rng.normal(0.0, 3.0, n)
    travel[rng.integers(0, n, 30)] = np.nan
    end = end_of(travel, 300.0 * rng.normal(size=n))
    riding = np.arange(n) % 900 > 40
    counted = riding.copy()
    counted[1000:2000] = False  # a lap that is left out
    laps = [slice(300, 1000), slice(1000, 2000), slice(2000, 3500)]
    of_laps, whole = summarise_laps(end, [(lap, ()) for lap in laps], riding, counted, ())
    assert_alike(asdict(whole), asdict(summarise_end(end, counted, ())))
    for lap, found in zip(laps, of_laps, strict=True):
        here = np.zeros(n, bool)
        here[lap] = riding[lap]
        assert_alike(asdict(found), asdict(summarise_end(end, here, ())))
        assert found.use.deep_visits > 0


def test_moments_of_pieces_are_those_of_all_their_values():
    rng = np.random.default_rng(7)
    parts = [rng.gamma(2.0, scale, n) for scale, n in ((1.0, 50), (3.0, 400), (0.5, 1))]
    together = Ordered.together([Ordered.chosen(part) for part in (*parts, np.empty(0))])
    values = np.concatenate(parts)
    assert together.mean == pytest.approx(values.mean(), rel=1e-12)
    assert together.skew == pytest.approx(skew(values), rel=1e-12)
    assert (together.least, together.most, len(together)) == (values.min(), values.max(), len(values))
