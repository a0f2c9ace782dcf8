"""Attitude of the whole motorcycle: published geometry, a second route by turning the bike, and directions."""

import bicycleparameters.bicycle as published
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.bike import attitude, chassis_point, parse_bike
from telemetry.stand import Change, apply_changes


def bike(**changes):
    """Wheelbase 1400, rake 24 deg, radii 300 and 310, offset 30 mm; shock travel is axle travel."""
    data = {
        "name": "base",
        "wheelbase_mm": 1400.0,
        "front": {
            "stroke_mm": 125.0,
            "rake_deg": 24.0,
            "fork_offset_mm": 30.0,
            "tyre_radius_mm": 300.0,
            "spring_rate_n_per_mm": 19.0,
            "preload_mm": 10.0,
        },
        "rear": {
            "shock_stroke_mm": 125.0,
            "leverage_table_mm": [[0.0, 0.0], [125.0, 125.0]],
            "tyre_radius_mm": 310.0,
            "spring_rate_n_per_mm": 25.0,
            "preload_mm": 10.0,
            "shock_length_mm": 320.0,
        },
    }
    for key, value in changes.items():
        end, _, name = key.partition("_")
        data[end][name] = value
    return parse_bike(data)


def changed(made, key, value, relative=True):
    return apply_changes(made, [Change(key, value, relative)])[0]


@pytest.mark.parametrize(
    ("fork_mm", "up_mm", "rake_deg", "trail_mm", "wheelbase_mm"),
    [
        # computed from p = w cos e + (Rf - Rr) sin e, s = w sin e - (Rf - Rr) cos e, p' = p - z sin e,
        # s' = s + z cos e - u; checked there by turning the axle pair
        (0.0, 0.0, 24.0, 100.730, 1400.0),
        (30.0, 0.0, 22.8686, 93.972, 1387.871),
        (0.0, -10.0, 23.5907, 98.273, 1399.964),
        (0.0, 30.0, 25.2275, 108.182, 1400.536),
        (30.0, 27.4, 23.9997, 100.728, 1387.798),
    ],
)
def test_rake_trail_wheelbase_for_both_travels(fork_mm, up_mm, rake_deg, trail_mm, wheelbase_mm):
    made = bike()
    if up_mm < 0:  # beyond full extension: by a shock that is longer
        made, up_mm = changed(made, "rear.shock_length_mm", -up_mm), 0.0
    now = attitude(made, fork_mm, up_mm)
    assert now.rake_deg == pytest.approx(rake_deg, abs=2e-3)
    assert now.trail_mm == pytest.approx(trail_mm, abs=2e-3)
    assert now.wheelbase_mm == pytest.approx(wheelbase_mm, abs=2e-3)
    assert now.pitch_deg == pytest.approx(24.0 - rake_deg, abs=2e-3)


@pytest.mark.parametrize(("fork_mm", "up_mm"), [(0.0, 0.0), (30.0, 0.0), (0.0, 30.0), (30.0, 27.4)])
def test_ride_heights_are_the_axle_heights_less_the_vertical_travel(fork_mm, up_mm):
    # by hand: z cos(rake) at the fork; turned by a degree or two, which takes half a millimetre at most
    now = attitude(bike(), fork_mm, up_mm)
    assert now.front_ride_height_mm == pytest.approx(300.0 - fork_mm * np.cos(np.radians(24.0)), abs=0.5)
    assert now.rear_ride_height_mm == pytest.approx(310.0 - up_mm, abs=0.5)


@settings(max_examples=50, deadline=None)
@given(fork_mm=st.floats(0.0, 125.0), up_mm=st.floats(0.0, 125.0))
def test_as_by_turning_the_bike_until_both_tyres_touch(fork_mm, up_mm):
    # second route: place both wheels in the chassis, turn by a root-finder until the lowest points are level
    from scipy.optimize import brentq

    made = bike()
    rake = np.radians(24.0)
    front = np.array([1400.0, 300.0]) + fork_mm * np.array([-np.sin(rake), np.cos(rake)])
    rear = np.array([0.0, 310.0 + up_mm])

    def turned(point, a):  # nose down
        return np.array(
            [point[0] * np.cos(a) + point[1] * np.sin(a), -point[0] * np.sin(a) + point[1] * np.cos(a)]
        )

    pitch = brentq(
        lambda a: (turned(front, a)[1] - 300.0) - (turned(rear, a)[1] - 310.0), -0.3, 0.3, xtol=1e-15
    )
    now = attitude(made, fork_mm, up_mm)
    assert now.pitch_deg == pytest.approx(np.degrees(pitch), abs=1e-9)
    assert now.wheelbase_mm == pytest.approx(turned(front, pitch)[0] - turned(rear, pitch)[0], abs=1e-9)
    com = np.array([680.0, 620.0])
    height = turned(com, pitch)[1] - (turned(rear, pitch)[1] - 310.0)
    assert now.on_ground(chassis_point(made, 680.0, 620.0))[1] == pytest.approx(height, abs=1e-9)


@settings(max_examples=30, deadline=None)
@given(fork_mm=st.floats(0.0, 60.0), up_mm=st.floats(0.0, 60.0))
def test_trail_as_bicycleparameters_has_it(fork_mm, up_mm):
    # bicycleparameters (BSD-2): trail from front radius, head angle from the horizontal and fork rake
    now = attitude(bike(), fork_mm, up_mm)
    trail, normal = published.trail(0.300, np.radians(now.rake_deg), 0.030)
    assert now.trail_mm == pytest.approx(1e3 * trail, abs=1e-9)
    assert now.normal_trail_mm == pytest.approx(1e3 * normal, abs=1e-9)


def test_the_benchmark_bicycle():
    # Meijaard et al., Proc. R. Soc. A 463, 2007, table 1: w 1.02, c 0.08, tilt pi/10, rR .30, rF .35 m; its offset is
    # 32.0714267 mm, mechanical trail 76.0845 mm
    data = bike().model_dump(exclude_none=True)
    data["wheelbase_mm"] = 1020.0
    data["front"] |= {"rake_deg": 18.0, "fork_offset_mm": 32.0714267, "tyre_radius_mm": 350.0}
    data["rear"]["tyre_radius_mm"] = 300.0
    now = attitude(parse_bike(data), 0.0, 0.0)
    assert now.trail_mm == pytest.approx(80.0, abs=1e-6)
    assert now.normal_trail_mm == pytest.approx(76.0845, abs=1e-4)
    assert now.wheelbase_mm == pytest.approx(1020.0, abs=1e-9)


def test_raising_the_rear_steepens_the_rake_and_cuts_the_trail():
    # One millimetre of shock at ratio 1.8, then a rear tyre 8 mm taller: -.0737 deg, -.443 mm; -.3274 deg, -1.966 mm
    made = bike(rear_leverage_table_mm=[[0.0, 0.0], [125.0, 225.0]])
    start = attitude(made, 0.0, 0.0)
    longer = attitude(changed(made, "rear.shock_length_mm", 1.0), 0.0, 0.0)
    assert longer.rake_deg - start.rake_deg == pytest.approx(-0.0737, abs=1e-3)
    assert longer.trail_mm - start.trail_mm == pytest.approx(-0.443, abs=1e-3)
    taller = attitude(changed(made, "rear.tyre_radius_mm", 8.0), 0.0, 0.0)
    assert taller.rake_deg - start.rake_deg == pytest.approx(-0.3274, abs=1e-3)
    assert taller.trail_mm - start.trail_mm == pytest.approx(-1.966, abs=1e-3)
    assert taller.rear_ride_height_mm - start.rear_ride_height_mm == pytest.approx(8.0, abs=0.02)


def test_legs_raised_in_the_clamps_are_fork_travel_for_the_geometry():
    made = bike()
    raised = changed(made, "front.fork_height_mm", 5.0)
    assert attitude(raised, 10.0, 0.0).rake_deg == pytest.approx(
        attitude(made, 15.0, 0.0).rake_deg, abs=1e-12
    )


def test_a_circumference_is_a_radius():
    # 2 pi r: 25 mm more around are 3.979 mm more in radius
    made = changed(bike(), "rear.tyre_circumference_mm", 25.0)
    assert made.rear.tyre_radius_mm == pytest.approx(310.0 + 25.0 / (2 * np.pi), abs=1e-12)
    data = bike().model_dump(exclude_none=True)
    del data["front"]["tyre_radius_mm"]
    data["front"]["tyre_circumference_mm"] = 1885.0
    assert parse_bike(data).front.tyre_radius_mm == pytest.approx(300.007, abs=1e-3)


def test_more_offset_takes_trail_and_adds_wheelbase():
    made = bike()
    more = changed(made, "front.fork_offset_mm", 2.0)
    a, b = attitude(made, 0.0, 0.0), attitude(more, 0.0, 0.0)
    assert b.trail_mm < a.trail_mm - 1.5
    assert b.wheelbase_mm == pytest.approx(a.wheelbase_mm + 2.0 * np.cos(np.radians(24.0)), abs=0.01)


def test_the_axle_back_in_the_adjuster_lengthens_the_wheelbase():
    made = bike()
    assert attitude(changed(made, "rear.axle_back_mm", 6.0), 0.0, 0.0).wheelbase_mm == pytest.approx(
        1406.0, abs=0.01
    )


@pytest.mark.parametrize("missing", ["front_tyre_radius_mm", "front_fork_offset_mm"])
def test_trail_needs_tyre_and_offset(missing):
    found = attitude(bike(**{missing: None}), 0.0, 0.0)
    assert (found.trail_mm, found.normal_trail_mm) == (None, None)
    assert found.wheelbase_mm == pytest.approx(1400.0)
