"""The whole motorcycle at rest against the least of its potential energy, and worked examples."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize, root

from telemetry.bike import (
    attitude,
    chassis_point,
    load_bike,
    load_of,
    parse_bike,
    spring_of,
    stand,
)
from telemetry.bike.sections import Load
from telemetry.constants import GRAVITY_M_S2
from telemetry.errors import BikeFileError
from telemetry.simulate import demo_bike, second_bike
from telemetry.stand import Change, apply_changes
from tests.randomised.bikes import random_bike

STAND_BIKE = Path(__file__).parents[2] / "fixtures" / "qb-6-stand.toml"
BIKES = {"linkage": load_bike(STAND_BIKE), "table": demo_bike(), "second": second_bike()}


NODES, WEIGHTS = np.polynomial.legendre.leggauss(60)


def work_n_mm(spring, travel_mm):
    """Integral of the spring's force, by Gauss-Legendre quadrature from kink to kink: to rounding."""
    parts, kinks = spring.parts, [0.0, travel_mm]
    if parts is not None:
        kinks += [parts.top_out.length_mm] if parts.top_out else []
        kinks += [spring.stroke_mm - parts.bump_stop.length_mm] if parts.bump_stop else []
        kinks += [parts.second_from_mm - spring.preload_mm] if parts.second_from_mm else []
    sign = 1.0 if travel_mm >= 0 else -1.0
    edges = np.unique(np.clip(kinks, min(0.0, travel_mm), max(0.0, travel_mm)))
    return sign * sum(
        (b - a) / 2 * (WEIGHTS @ [spring.force_n((a + b) / 2 + (b - a) / 2 * x) for x in NODES])
        for a, b in zip(edges[:-1], edges[1:], strict=True)
    )


def potential_energy(bike, load, fork_mm, shock_mm):
    """Springs and height of the sprung mass. [N mm] The wheels' masses stay at their radius above the ground."""
    now = attitude(bike, fork_mm, shock_mm)
    height = now.on_ground(chassis_point(bike, load.com_to_rear_axle_mm, load.com_height_mm))[1]
    springs = work_n_mm(spring_of(bike, "front"), fork_mm) + work_n_mm(spring_of(bike, "rear"), shock_mm)
    return springs + load.mass_kg * GRAVITY_M_S2 * height


@pytest.mark.parametrize("bike", BIKES.values(), ids=BIKES.keys())
@settings(max_examples=12, deadline=None)
@given(mass=st.floats(130.0, 240.0), ahead=st.floats(620.0, 760.0), height=st.floats(450.0, 700.0))
def test_energy_is_least_where_the_bike_stands(bike, mass, ahead, height):
    load = Load(mass_kg=mass, com_to_rear_axle_mm=ahead, com_height_mm=height)
    found = stand(bike, load)
    s = np.array([found.sag["front"].shaft_mm, found.sag["rear"].shaft_mm])

    def slope(x, h=1e-3):
        return [
            (potential_energy(bike, load, *(x + d)) - potential_energy(bike, load, *(x - d))) / (2 * h)
            for d in (np.array([h, 0.0]), np.array([0.0, h]))
        ]

    general = root(slope, s + [1.0, -1.0], tol=1e-10)
    np.testing.assert_allclose(s, general.x, atol=2e-5)  # differences of an energy of 1e6 N mm: about 1e-5 mm
    least = minimize(lambda x: potential_energy(bike, load, *x), s + [2.0, -2.0], method="Nelder-Mead",
                     options={"xatol": 1e-6, "fatol": 1e-7, "maxiter": 2000})  # fmt: skip
    np.testing.assert_allclose(
        s, least.x, atol=2e-3
    )  # flat at its bottom: a minimum is found to the root of rounding


@pytest.mark.parametrize("seed", range(8))
def test_energy_is_stationary_for_bikes_drawn_at_random(seed):
    bike = random_bike(seed)
    load = load_of(bike, "rider")
    s = [stand(bike, load).sag[end].shaft_mm for end in ("front", "rear")]
    h = 1e-3
    for d in ((h, 0.0), (0.0, h)):
        up = potential_energy(bike, load, s[0] + d[0], s[1] + d[1])
        down = potential_energy(bike, load, s[0] - d[0], s[1] - d[1])
        assert (up - down) / (2 * h) == pytest.approx(0.0, abs=2e-3)  # N, of about 1000


def test_worked_example_of_one_end():
    # Rate 95 N/mm, ratio 1.80, 1450 N, preload 12: stroke W LR/k - preload = 15.4737, wheel 27.8526 mm. An upright
    # fork that sinks alike keeps the bike level, so the whole motorcycle must give the same.
    bike = demo_bike().model_dump(exclude_none=True)
    bike["rear"] |= {
        "leverage_table_mm": [[0.0, 0.0], [70.0, 126.0]],
        "spring_rate_n_per_mm": 95.0,
        "preload_mm": 12.0,
    }
    bike["front"] |= {"spring_rate_n_per_mm": 1450.0 / 27.852632, "preload_mm": 0.0}
    for end in ("front", "rear"):
        bike[end].pop("spring", None)
    bike["chassis"] |= {"sprung_mass_kg": 2900.0 / GRAVITY_M_S2, "com_to_rear_axle_mm": 705.0}
    made = parse_bike(bike)
    made = made.model_copy(
        update={"front": made.front.model_copy(update={"rake_deg": 1e-7})}
    )  # none is upright
    found = stand(made, load_of(made, "rider"))
    assert found.sag["rear"].shaft_mm == pytest.approx(15.4737, abs=1e-4)
    assert found.sag["rear"].wheel_mm == pytest.approx(27.8526, abs=1e-4)
    assert found.attitude.pitch_deg == pytest.approx(0.0, abs=1e-6)


def test_sags_of_the_demo_bike_are_usual():
    # Common practice, no source: rider sag 30 to 40 mm in front, 25 to 35 mm at the rear, 5 to 15 mm free at the rear.
    bike = BIKES["linkage"]
    rider, free = stand(bike, load_of(bike, "rider")), stand(bike, load_of(bike, "free"))
    assert 30.0 <= rider.sag["front"].wheel_mm <= 40.0
    assert 25.0 <= rider.sag["rear"].wheel_mm <= 35.0
    assert 5.0 <= free.sag["rear"].wheel_mm <= 15.0


def test_loads_add_up_and_parts_are_taken_from_the_whole():
    bike = BIKES["linkage"]
    rider, static, free = (load_of(bike, name) for name in ("rider", "static", "free"))
    assert rider.mass_kg == 212.0
    assert static.mass_kg == 212.0 - 76.0
    assert free.mass_kg == 212.0 - 76.0 - 9.0
    # moments of what is left and what was taken make the whole
    assert static.mass_kg * static.com_to_rear_axle_mm + 76.0 * 610.0 == pytest.approx(212.0 * 700.0)
    found = stand(bike, rider)
    assert sum(sag.sprung_load_n for sag in found.sag.values()) == pytest.approx(212.0 * GRAVITY_M_S2)


def test_one_turn_of_preload_is_a_millimetre_of_spring_and_the_ratio_at_the_wheel():
    # Common practice, no source: one full turn of preload is one millimetre of spring compression.
    bike = BIKES["linkage"]
    assert bike.adjusters["rear.preload_mm"].per_turn == 1.0
    load = load_of(bike, "rider")
    more, _ = apply_changes(bike, [Change("rear.preload_mm", 1.0, True)])
    a, b = (stand(each, load).sag["rear"] for each in (bike, more))
    assert a.shaft_mm - b.shaft_mm == pytest.approx(1.0, abs=0.2)
    assert a.wheel_mm - b.wheel_mm == pytest.approx(1.9 * (a.shaft_mm - b.shaft_mm), rel=0.02)


@pytest.mark.parametrize(("first", "last"), [(2.0, 1.57), (1.57, 2.0)])
def test_a_longer_shock_moves_the_sag_as_its_curve_says(first, last):
    # Progressive (falling ratio): a longer shock starts where the ratio is higher, so the same spring sags more;
    # on a rising ratio it sags less. K (s + p) = W LR at the place where it sits.
    s = np.linspace(0.0, 80.0, 17)
    table = np.column_stack([s, first * s + (last - first) / 160.0 * s**2]).tolist()
    data = demo_bike().model_dump(exclude_none=True)
    data["rear"] |= {"leverage_table_mm": table, "shock_length_mm": 330.0}
    bike = parse_bike(data)
    longer, _ = apply_changes(bike, [Change("rear.shock_length_mm", 4.0, True)])
    shorter, _ = apply_changes(bike, [Change("rear.shock_length_mm", -4.0, True)])
    load = load_of(bike, "rider")
    now, up, down = (stand(each, load).sag["rear"].shaft_mm for each in (bike, longer, shorter))
    assert (up > now > down) if first > last else (up < now < down)
    # by hand, the rear alone: k (s + p) = W (LR0 + c (s - 4)), s = (W (LR0 - 4 c) - k p) / (k - W c)
    k, p = bike.rear.spring_rate_n_per_mm, bike.rear.preload_mm
    found = stand(longer, load)
    work = found.work_ratio["rear"] / (first + (last - first) / 80.0 * (up - 4.0))  # the tilt of the bike
    w, c = found.sag["rear"].sprung_load_n * work, (last - first) / 80.0
    assert up == pytest.approx((w * (first - 4.0 * c) - k * p) / (k - w * c), abs=0.03)


def test_a_spring_that_cannot_carry_it_is_refused_with_the_likely_unit():
    bike = demo_bike()
    data = bike.model_dump(exclude_none=True)
    data["rear"] |= {"spring_rate_n_per_mm": round(160.0 / GRAVITY_M_S2, 2), "spring": None}
    made = parse_bike(data, source="kilos.toml")
    with pytest.raises(BikeFileError, match=r"kilos\.toml: rear\.spring_rate_n_per_mm = 16\.32 .*kgf/mm"):
        stand(made, load_of(made, "rider"))


def test_a_mass_outside_the_wheelbase_is_refused():
    with pytest.raises(BikeFileError, match="outside the wheelbase"):
        stand(demo_bike(), Load(mass_kg=200.0, com_to_rear_axle_mm=1500.0, com_height_mm=600.0))
