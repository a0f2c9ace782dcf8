"""Trail and pitch against published bicycles and motorcycles, and ISO 8855 signs."""

import bicycleparameters.bicycle
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.bike import attitude, normal_trail_mm, pitch_deg, rake_trail_wheelbase, trail_mm
from telemetry.simulate import demo_bike


def test_benchmark_bicycle():
    # Meijaard et al., Proc. R. Soc. A 463 (2007) table 1: trail 0.08 m at a steer axis tilt of pi/10, front
    # wheel 0.35 m; offset 0.0320714267 m and mechanical trail 0.0760845 m follow from it
    rake = np.degrees(np.pi / 10)
    assert trail_mm(350.0, rake, 32.0714267) == pytest.approx(80.0, abs=1e-6)
    assert normal_trail_mm(350.0, rake, 32.0714267) == pytest.approx(76.0845, abs=1e-4)


@pytest.mark.parametrize(
    ("radius_m", "rake_deg", "offset_m"), [(0.3, 10.0, 0.05), (0.35, 18.0, 0.03), (0.3, 24.0, 0.0)]
)
def test_trail_as_bicycleparameters_has_it(radius_m, rake_deg, offset_m):
    # package bicycleparameters (BSD-2): trail and mechanical trail from radius, tilt and offset
    trail, mechanical = bicycleparameters.bicycle.trail(radius_m, np.radians(rake_deg), offset_m)
    assert trail_mm(1e3 * radius_m, rake_deg, 1e3 * offset_m) == pytest.approx(1e3 * float(trail), rel=1e-9)
    assert normal_trail_mm(1e3 * radius_m, rake_deg, 1e3 * offset_m) == pytest.approx(
        1e3 * float(mechanical), rel=1e-9
    )


def test_a_road_race_front_end():
    # Cossalter, Motorcycle Dynamics, ch. 1 (from memory): 24 deg, 300 mm, 30 mm: normal 92.021, ground 100.730 mm
    assert normal_trail_mm(300.0, 24.0, 30.0) == pytest.approx(92.021, abs=1e-3)
    assert trail_mm(300.0, 24.0, 30.0) == pytest.approx(100.730, abs=1e-3)


def test_normal_and_ground_trail_of_a_sport_tourer():
    # a published pair for one motorcycle: normal 105 mm and ground 117.64 mm at 26.8 degrees
    offset = 300.0 * np.sin(np.radians(26.8)) - 105.0
    assert trail_mm(300.0, 26.8, float(offset)) == pytest.approx(117.64, abs=0.03)


def test_pitch_by_hand():
    # asin(20 / 1400) in degrees
    assert pitch_deg(np.array([30.0]), np.array([10.0]), 1400.0)[0] == pytest.approx(0.81854, abs=1e-4)


def test_nose_down_is_positive_as_iso_8855_turns():
    # ISO 8855: x forward, y left, z up; +90 degrees about y takes x to -z, so a positive pitch lowers the nose
    quarter_turn = np.array([[0.0, 0.0, 1.0], [0.0, 1.0, 0.0], [-1.0, 0.0, 0.0]])  # right-handed about y
    np.testing.assert_array_equal(quarter_turn @ [1.0, 0.0, 0.0], [0.0, 0.0, -1.0])
    assert pitch_deg(np.array([50.0]), np.array([0.0]), 1400.0)[0] > 0.0  # front compressed: nose down


@given(st.floats(0.0, 120.0))
def test_both_ends_down_alike_is_no_pitch(travel):
    assert pitch_deg(np.array([travel]), np.array([travel]), 1400.0)[0] == 0.0


@given(st.floats(0.0, 120.0), st.floats(0.0, 120.0))
def test_swapped_ends_turn_the_other_way(front, rear):
    one = pitch_deg(np.array([front]), np.array([rear]), 1400.0)
    np.testing.assert_allclose(one, -pitch_deg(np.array([rear]), np.array([front]), 1400.0), atol=1e-12)


def test_pitch_is_unknown_where_an_end_is():
    np.testing.assert_array_equal(
        np.isnan(pitch_deg(np.array([1.0, np.nan, 1.0]), np.array([1.0, 1.0, np.nan]), 1400.0)),
        [False, True, True],
    )


def test_steering_geometry_of_many_attitudes_are_those_of_each():
    fork, shock = np.array([0.0, 35.0, 118.0]), np.array([50.0, 0.0, 31.0])
    for bike in (demo_bike(), demo_bike().model_copy(update={"front": without_offset(demo_bike().front)})):
        standing = [attitude(bike, *travels) for travels in zip(fork.tolist(), shock.tolist(), strict=True)]
        rake, trail, wheelbase = rake_trail_wheelbase(bike, fork, shock)
        np.testing.assert_allclose(wheelbase, [one.wheelbase_mm for one in standing], rtol=1e-13)
        np.testing.assert_allclose(rake, [one.rake_deg for one in standing], rtol=1e-13)
        np.testing.assert_allclose(trail, np.array([one.trail_mm for one in standing], float), rtol=1e-13)


def without_offset(front):
    return front.model_copy(update={"fork_offset_mm": None})
