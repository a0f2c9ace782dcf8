"""The leverage curve: closed forms, shape, inverse, and refusals."""

import tomllib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.bike import LeverageCurve, leverage_curve, parse_bike, stroke_mm, wheel_stroke_mm
from telemetry.simulate import DEMO_BIKE_TOML, demo_bike

# Wheel travel 2 s - s^2 7.5/2450: ratio 2, 1.785714, 1.571429 at 0, 35, 70 mm of shock, 125 mm at the wheel
SHOCK = tuple(np.linspace(0.0, 70.0, 15))
FALLING = LeverageCurve(SHOCK, tuple(2.0 * s - 7.5 / 2450.0 * s**2 for s in SHOCK))

rising_tables = st.lists(st.tuples(st.floats(0.5, 15.0), st.floats(0.5, 15.0)), min_size=1, max_size=12).map(
    lambda steps: np.vstack([[0.0, 0.0], np.cumsum(steps, axis=0)])
)


def test_falling_ratio_from_its_table():
    at = np.array([0.0, 35.0, 70.0])
    np.testing.assert_allclose(FALLING.wheel_travel_mm(at), [0.0, 66.25, 125.0], atol=1e-9)
    np.testing.assert_allclose(FALLING.ratio(at)[1], 1.785714, rtol=1e-4)
    # end slopes of the interpolation are estimates from the nearest points
    np.testing.assert_allclose(FALLING.ratio(at)[[0, 2]], [2.0, 1.571429], rtol=2e-3)


def test_between_the_points_the_falling_ratio_is_kept_to_a_hundredth_of_a_millimetre():
    s = np.linspace(0.0, 70.0, 1001)
    assert np.max(np.abs(FALLING.wheel_travel_mm(s) - (2.0 * s - 7.5 / 2450.0 * s**2))) < 0.01


def test_an_even_table_gives_exactly_its_ratio():
    curve = LeverageCurve((0.0, 10.0, 30.0, 70.0), (0.0, 18.0, 54.0, 126.0))
    s = np.linspace(0.0, 70.0, 501)
    np.testing.assert_allclose(curve.ratio(s), 1.8, rtol=1e-12)
    np.testing.assert_allclose(curve.wheel_travel_mm(s), 1.8 * s, rtol=1e-12, atol=1e-12)


def test_fork_follows_the_cosine_of_the_rake():
    # 120 mm of fork at 24 degrees are 109.625 mm vertical (Cossalter, Motorcycle Dynamics, ch. 5, from memory)
    bike = demo_bike()
    assert leverage_curve(bike, "front").wheel_travel_mm(np.array([120.0]))[0] == pytest.approx(
        109.625, abs=1e-3
    )
    assert wheel_stroke_mm(bike, "front") == pytest.approx(125.0 * np.cos(np.radians(24.0)))


def test_demo_shock_is_as_road_race_shocks_are():
    # about 70 mm of stroke to about 125 mm at the wheel, the ratio below 2 on average and falling: common practice
    bike = demo_bike()
    assert stroke_mm(bike, "rear") == 70.0
    assert wheel_stroke_mm(bike, "rear") == pytest.approx(125.0)
    ratio = leverage_curve(bike, "rear").ratio(np.linspace(0.0, 70.0, 141))
    assert np.all(np.diff(ratio) < 1e-3)
    assert 1.5 < ratio[-1] < ratio[0] < 2.1


@given(rising_tables)
def test_never_overshoots_and_always_rises(table):
    curve = LeverageCurve(tuple(table[:, 0]), tuple(table[:, 1]))
    s = np.linspace(0.0, table[-1, 0], 301)
    wheel = curve.wheel_travel_mm(s)
    assert np.all(np.diff(wheel) >= 0.0)
    row = np.clip(np.searchsorted(table[:, 0], s, side="right") - 1, 0, len(table) - 2)
    assert np.all(wheel >= table[row, 1] - 1e-9)
    assert np.all(wheel <= table[row + 1, 1] + 1e-9)


@given(rising_tables)
def test_ratio_is_the_slope_of_travel(table):
    curve = LeverageCurve(tuple(table[:, 0]), tuple(table[:, 1]))
    s = np.linspace(0.05, 0.95, 41) * table[-1, 0]
    step = 1e-5
    slope = (curve.wheel_travel_mm(s + step) - curve.wheel_travel_mm(s - step)) / (2 * step)
    np.testing.assert_allclose(curve.ratio(s), slope, rtol=1e-3, atol=1e-3)


def test_shaft_travel_is_the_inverse():
    s = np.linspace(0.0, 70.0, 777)
    np.testing.assert_allclose(FALLING.shaft_travel_mm(FALLING.wheel_travel_mm(s)), s, atol=1e-3)


def test_invalid_samples_stay_invalid():
    s = np.array([10.0, np.nan, 20.0])
    assert np.isnan(FALLING.wheel_travel_mm(s)).tolist() == [False, True, False]
    assert np.isnan(FALLING.ratio(s)).tolist() == [False, True, False]


def test_past_its_ends_the_curve_goes_on_straight_with_the_ratio_it_has_there():
    first, last = FALLING.ratio(np.array([0.0, 70.0]))
    beyond = np.array([-3.0, -0.4, 70.4, 72.5])
    expected = [-3.0 * first, -0.4 * first, 125.0 + 0.4 * last, 125.0 + 2.5 * last]
    np.testing.assert_allclose(FALLING.wheel_travel_mm(beyond), expected, atol=1e-9)
    np.testing.assert_allclose(FALLING.ratio(beyond), [first, first, last, last], atol=1e-12)


def test_five_millimetres_past_its_ends_a_curve_is_not_known():
    at = np.array([-5.1, -4.9, 30.0, np.nan, 74.9, 75.1])
    assert FALLING.trusted(at).tolist() == [False, True, True, False, True, False]


def demo_with_table(pairs):
    data = tomllib.loads(DEMO_BIKE_TOML)
    data["rear"]["leverage_table_mm"] = pairs
    return parse_bike(data)


def test_a_table_may_start_below_full_extension():
    pairs = [[float(s), 2.0 * s - 7.5 / 2450.0 * s * s] for s in (-2.0, 8.0, 24.0, 40.0, 56.0, 72.0)]
    curve = leverage_curve(demo_with_table(pairs), "rear")
    s = np.array([-2.0, -1.0, 0.0, 35.0, 70.0])
    assert curve.wheel_travel_mm(np.zeros(1))[0] == 0.0
    np.testing.assert_allclose(curve.wheel_travel_mm(s), 2.0 * s - 7.5 / 2450.0 * s**2, atol=0.15)


def test_a_table_may_end_short_of_the_stroke():
    bike = demo_with_table([[0.0, 0.0], [20.0, 36.0], [60.0, 108.0]])
    curve = leverage_curve(bike, "rear")
    assert curve.measured_mm == (0.0, 60.0)
    assert wheel_stroke_mm(bike, "rear") == pytest.approx(70.0 * 1.8)
    assert curve.trusted(np.array([64.9, 65.1])).tolist() == [True, False]
