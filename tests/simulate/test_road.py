"""The road against ISO 8608."""

import numpy as np
import pytest
from scipy.signal import welch

from telemetry.simulate import Bump, KerbRidges, Road, RoughStretch, vellmoor_ring, vellmoor_road
from telemetry.simulate.circuit import CLASS_MEAN_M3, psd_m3, random_profile_m, road_profile

LENGTH_M = 2900.0


def rng(seed=3):
    return np.random.default_rng(seed)


@pytest.mark.parametrize(("name", "mean"), [("A", 16e-6), ("B", 64e-6), ("C", 256e-6), ("H", 262144e-6)])
def test_class_means(name, mean):
    # ISO 8608:2016, annex on classification (same in 1995)
    assert CLASS_MEAN_M3[name] == pytest.approx(mean)


def test_default_road_lies_between_class_a_and_b():
    assert CLASS_MEAN_M3["A"] < Road().psd_m3 < CLASS_MEAN_M3["B"]


@pytest.mark.parametrize(("name", "rms_mm"), [("A", 3.81), ("B", 7.61), ("C", 15.23), ("D", 30.45)])
def test_rms_height_of_the_classes(name, rms_mm):
    # rms height over 0.011 to 2.83 /m as printed in textbooks on vehicle dynamics, to the digits printed
    n = np.geomspace(0.011, 2.83, 20001)
    variance = np.trapezoid(psd_m3(n, CLASS_MEAN_M3[name]), n)
    assert 1e3 * np.sqrt(variance) == pytest.approx(rms_mm, abs=0.006)


def test_psd_of_velocity_is_flat():
    # (2 pi n0)^2 Gd(n0): class A 6.3165e-6, class B 25.266e-6 m
    n = np.array([0.02, 0.1, 1.0])
    for name, flat in (("A", 6.3165e-6), ("B", 25.266e-6)):
        np.testing.assert_allclose((2 * np.pi * n) ** 2 * psd_m3(n, CLASS_MEAN_M3[name]), flat, rtol=1e-4)


def test_profile_has_exactly_the_variance_of_its_lines():
    road = Road(psd_m3=CLASS_MEAN_M3["B"])
    _, height = random_profile_m(road, LENGTH_M, rng())
    n = np.arange(1, int(10 * LENGTH_M)) / LENGTH_M
    n = n[(n >= road.least_cycles_per_m) & (n <= road.most_cycles_per_m)]
    assert np.var(height) == pytest.approx(np.sum(psd_m3(n, road.psd_m3)) / LENGTH_M, rel=1e-10)


@pytest.mark.parametrize("seed", range(3))
def test_welch_finds_class_and_waviness(seed):
    # a spectrum estimated by scipy and a straight line fitted over 0.05 to 2 /m: w within 0.05, Gd(n0) within 10 %
    step, height = random_profile_m(Road(psd_m3=24e-6), 20_000.0, rng(seed))
    n, density = welch(height, fs=1.0 / step, nperseg=2**14, window="hann")
    inside = (n >= 0.05) & (n <= 2.0)
    slope, level = np.polyfit(np.log10(n[inside] / 0.1), np.log10(density[inside]), 1)
    assert -slope == pytest.approx(2.0, abs=0.05)
    assert 10**level == pytest.approx(24e-6, rel=0.1)


def test_the_road_closes_upon_itself():
    _, height = random_profile_m(Road(), LENGTH_M, rng())
    steps = np.abs(np.diff(np.append(height, height[0])))
    assert steps[-1] < 4.0 * np.sqrt(np.mean(steps**2))


def test_a_seed_is_a_road():
    same = [random_profile_m(Road(), LENGTH_M, rng(7))[1] for _ in range(2)]
    np.testing.assert_array_equal(*same)
    assert not np.allclose(same[0], random_profile_m(Road(), LENGTH_M, rng(8))[1])


SMOOTH = Road(psd_m3=1e-30)


def test_a_bump_stands_where_it_was_put():
    profile = road_profile(Road(psd_m3=1e-30, features=(Bump(500.0, 12.0, 2.0),)), LENGTH_M, rng())
    place = profile.step_m * np.arange(len(profile.front_m))
    assert place[np.argmax(profile.front_m)] == pytest.approx(500.0, abs=profile.step_m)
    assert 1e3 * np.max(profile.front_m) == pytest.approx(12.0, rel=1e-3)
    raised = place[profile.front_m > 1e-6]
    assert raised[0] == pytest.approx(499.0, abs=0.05)
    assert raised[-1] == pytest.approx(501.0, abs=0.05)
    np.testing.assert_array_equal(profile.front_m, profile.rear_m)


def test_a_bump_on_the_line_reaches_over_it():
    profile = road_profile(Road(psd_m3=1e-30, features=(Bump(0.0, 10.0, 4.0),)), LENGTH_M, rng())
    assert 1e3 * profile.front_m[0] == pytest.approx(10.0, rel=1e-3)
    assert profile.front_m[-20] > 1e-3  # still on it, 0.4 m before the line


def test_kerb_ridges_have_their_spacing():
    kerb = KerbRidges(100.0, 124.0, 10.0, 1.6, rear_only=True)
    profile = road_profile(Road(psd_m3=1e-30, features=(kerb,)), LENGTH_M, rng())
    assert np.max(np.abs(profile.front_m)) < 1e-9
    crests = np.flatnonzero((np.diff(profile.rear_m[:-1]) > 0) & (np.diff(profile.rear_m[1:]) <= 0))
    crests = crests[profile.rear_m[crests] > 4.5e-3]
    np.testing.assert_allclose(np.diff(crests) * profile.step_m, 1.6, atol=0.05)
    assert 1e3 * np.ptp(profile.rear_m) == pytest.approx(10.0, rel=0.01)


def test_a_rough_stretch_is_rougher_by_its_factor():
    plain = road_profile(Road(), LENGTH_M, rng())
    rough = road_profile(Road(features=(RoughStretch(1000.0, 1100.0, 2.5),)), LENGTH_M, rng())
    place = plain.step_m * np.arange(len(plain.front_m))
    middle, outside = (place > 1010.0) & (place < 1090.0), (place < 999.0) | (place > 1101.0)
    np.testing.assert_allclose(rough.front_m[middle], 2.5 * plain.front_m[middle], rtol=1e-9)
    np.testing.assert_array_equal(rough.front_m[outside], plain.front_m[outside])


def test_the_rings_own_road_stays_on_the_ring():
    length = vellmoor_ring().length_m
    for feature in vellmoor_road().features:
        places = (feature.at_m,) if isinstance(feature, Bump) else (feature.start_m, feature.end_m)
        assert all(0.0 <= place <= length for place in places)
