"""Sag, spring force and wheel rate against worked examples."""

import numpy as np
import pytest

from telemetry.bike import (
    leverage_curve,
    parse_bike,
    spring_of,
    sprung_load_n,
    static_sag,
    wheel_rate_n_per_mm,
)
from telemetry.bike.springs import sag_under_load
from telemetry.constants import GRAVITY_M_S2
from telemetry.errors import BikeFileError
from telemetry.simulate import demo_bike, second_bike

# Ratio falling evenly from 2: wheel travel 2 s - s^2 15/4900, so 70 mm of shock make 125 mm at the wheel
SHOCK = np.linspace(0.0, 70.0, 141)
FALLING = np.column_stack([SHOCK, 2.0 * SHOCK - 7.5 / 2450.0 * SHOCK**2]).tolist()


def rear_bike(table, rate=95.0, preload=10.0):
    data = demo_bike().model_dump(exclude={"source"})
    data["rear"] |= {"leverage_table_mm": table, "spring_rate_n_per_mm": rate, "preload_mm": preload}
    data["rear"]["spring"] = None  # the coil alone, as in the worked examples
    return parse_bike(data)


def force_at_wheel_n(bike, shaft_mm):
    """Spring force over leverage ratio: what the wheel feels of the shock's spring."""
    ratio = float(leverage_curve(bike, "rear").ratio(np.array([shaft_mm]))[0])
    return spring_of(bike, "rear").force_n(shaft_mm) / ratio


def even_ratio(preload):
    return rear_bike([[0.0, 0.0], [70.0, 126.0]], preload=preload)  # 1.80 throughout


@pytest.mark.parametrize(
    ("load_n", "preload_mm", "shaft_mm", "wheel_mm"),
    [(900.0, 12.0, 5.0526, 9.0947), (1450.0, 12.0, 15.4737, 27.8526), (900.0, 18.0, 0.0, 0.0)],
)
def test_sag_with_an_even_ratio(load_n, preload_mm, shaft_mm, wheel_mm):
    # stroke = load x ratio / rate - preload, by hand: 95 N/mm, ratio 1.80
    sag = sag_under_load(even_ratio(preload_mm), "rear", load_n)
    assert (sag.shaft_mm, sag.wheel_mm) == pytest.approx((shaft_mm, wheel_mm), abs=1e-4)


def test_one_millimetre_of_preload_moves_the_wheel_by_the_ratio():
    before, after = (sag_under_load(even_ratio(p), "rear", 1450.0).wheel_mm for p in (12.0, 13.0))
    assert before - after == pytest.approx(1.80, abs=1e-9)


@pytest.mark.parametrize(
    ("load_n", "shaft_mm", "wheel_mm"), [(900.0, 8.45685, 16.69477), (1450.0, 18.7721, 36.4655)]
)
def test_sag_with_a_falling_ratio(load_n, shaft_mm, wheel_mm):
    # closed form s = (2 W - k p) / (k + W b), b = 15/2450
    sag = sag_under_load(rear_bike(FALLING), "rear", load_n)
    assert (sag.shaft_mm, sag.wheel_mm) == pytest.approx((shaft_mm, wheel_mm), abs=1e-3)


def test_fork_sag_along_the_raked_legs():
    # s = W cos(rake) / k - p: 19 N/mm, preload 15, 1300 N vertical at 24 degrees
    data = demo_bike().model_dump(exclude={"source"})
    data["front"] |= {"rake_deg": 24.0, "spring_rate_n_per_mm": 19.0, "preload_mm": 15.0}
    sag = sag_under_load(parse_bike(data), "front", 1300.0)
    assert sag.shaft_mm == pytest.approx(47.505, abs=1e-3)
    assert sag.wheel_mm == pytest.approx(47.505 * np.cos(np.radians(24.0)), abs=1e-3)


@pytest.mark.parametrize(
    ("shaft_mm", "force_n", "rate_n_per_mm"),
    [(0.0, 475.0, 24.477), (35.0, 2394.0, 34.388), (70.0, 4836.364, 50.462)],
)
def test_force_and_rate_at_the_wheel_over_the_stroke(shaft_mm, force_n, rate_n_per_mm):
    # 95 N/mm, preload 10, ratio 2 - 15/2450 s; rate = k/LR^2 - F LR'/LR^3, checked there by finite differences
    bike = rear_bike(FALLING)
    assert force_at_wheel_n(bike, shaft_mm) == pytest.approx(force_n, rel=2e-4)
    # at the very ends of the table the curve's end slopes are three-point estimates
    assert wheel_rate_n_per_mm(bike, "rear", shaft_mm) == pytest.approx(rate_n_per_mm, rel=2e-2)
    if 0.0 < shaft_mm < 70.0:
        assert wheel_rate_n_per_mm(bike, "rear", shaft_mm) == pytest.approx(rate_n_per_mm, rel=1e-3)


def test_work_at_the_wheel_is_the_energy_in_the_spring():
    # virtual work: the integral of the wheel's force over wheel travel is k ((s+p)^2 - p^2) / 2 = 299 250 N mm
    bike = rear_bike(FALLING)
    shaft = np.linspace(0.0, 70.0, 2001)
    wheel = leverage_curve(bike, "rear").wheel_travel_mm(shaft)
    force = np.array([force_at_wheel_n(bike, s) for s in shaft])
    assert np.trapezoid(force, wheel) == pytest.approx(299_250.0, rel=1e-5)


def test_fork_rate_at_the_wheel():
    # k / cos^2(rake): 19 N/mm at 24 degrees is 22.766 N/mm (Cossalter, Motorcycle Dynamics, ch. 5, from memory)
    data = demo_bike().model_dump(exclude={"source"})
    data["front"] |= {"rake_deg": 24.0, "spring_rate_n_per_mm": 19.0}
    assert wheel_rate_n_per_mm(parse_bike(data), "front", 40.0) == pytest.approx(22.766, abs=1e-3)


def test_the_two_ends_carry_the_sprung_weight():
    bike = demo_bike()
    total = sprung_load_n(bike, "front") + sprung_load_n(bike, "rear")
    assert total == pytest.approx(212.0 * GRAVITY_M_S2)
    # moments about the rear axle
    assert sprung_load_n(bike, "front") * bike.wheelbase_mm == pytest.approx(212.0 * GRAVITY_M_S2 * 700.0)


@pytest.mark.parametrize("bike", [demo_bike(), second_bike()])
def test_demo_bikes_sit_in_the_usual_window(bike):
    # rider sag 30 to 40 mm front, 25 to 35 mm rear at the wheel: common practice, no source
    sag = static_sag(bike)
    assert 30.0 <= sag["front"].wheel_mm <= 40.0
    assert 25.0 <= sag["rear"].wheel_mm <= 35.0


def test_a_spring_too_soft_is_refused_by_name():
    with pytest.raises(BikeFileError, match=r"rear\.spring_rate_n_per_mm = 12 lets 1047 N .* 70 mm stroke"):
        static_sag(rear_bike(FALLING, rate=12.0))
