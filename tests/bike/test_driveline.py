"""Chain, squat line and gearing against statics of the rear wheel and swingarm as free bodies."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.bike import attitude, rollout_mm, squat
from telemetry.bike.geometry import sprocket_radius_mm, upper_run
from tests.bike.stand_bike import stand_bike, with_values


def test_pitch_radius_of_a_sprocket():
    # ISO 606: pitch diameter = pitch / sin(180 deg / teeth); 15.875 mm and 17 teeth: 86.39 mm (from memory)
    assert 2 * sprocket_radius_mm(17, 15.875) == pytest.approx(86.39, abs=0.01)


def test_the_upper_run_touches_both_sprockets():
    chain = stand_bike().rear.chain
    axle, sprocket = np.array([0.0, 320.0]), np.array([650.0, 440.0])
    start, along = upper_run(chain, axle, sprocket)
    for centre, teeth in ((axle, chain.rear_teeth), (sprocket, chain.front_teeth)):
        away = centre - start
        distance = along[0] * away[1] - along[1] * away[0]
        assert -distance == pytest.approx(sprocket_radius_mm(teeth, chain.pitch_mm), abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(
    shock=st.floats(0.0, 60.0), front=st.integers(14, 18), rear=st.integers(36, 48), z=st.floats(-40.0, 40.0)
)
def test_anti_squat_is_the_share_of_the_load_transfer_that_chain_and_swingarm_carry(shock, front, rear, z):
    # Wheel and swingarm cut free under a drive force S at the contact: chain tension T = S R / r_rear pulls along the
    # upper run, the load transfer dN = S h / w pushes up at the contact. About the pivot, in equilibrium without any
    # more spring force: share of dN carried = -(moment of S and T) / (moment of dN).
    bike = with_values(
        rear__chain__front_teeth=front, rear__chain__rear_teeth=rear, rear__chain__front_sprocket_mm=(80.0, z)
    )
    now, height = attitude(bike, 30.0, shock), 560.0
    axle, pivot = (np.array(now.on_ground(p)) for p in (now.rear_axle_mm, now.pivot_mm))
    start, along = upper_run(
        bike.rear.chain, axle, np.array(now.on_ground(bike.rear.chain.front_sprocket_mm))
    )

    def moment(at, force):
        r = np.asarray(at) - pivot
        return r[0] * force[1] - r[1] * force[0]

    drive = 1000.0
    tension = drive * bike.rear.tyre_radius_mm / sprocket_radius_mm(rear, bike.rear.chain.pitch_mm)
    by_geometry = moment((0.0, 0.0), (drive, 0.0)) + moment(start, tension * along)
    transfer = moment((0.0, 0.0), (0.0, drive * height / now.wheelbase_mm))
    found = squat(bike, now, height)
    assert found.anti_squat_pct == pytest.approx(-100.0 * by_geometry / transfer, rel=1e-9)
    assert np.tan(np.radians(found.squat_deg)) * now.wheelbase_mm / height == pytest.approx(
        found.anti_squat_pct / 100.0
    )


@pytest.mark.parametrize("shock", [0.0, 40.0])
def test_the_squat_line_of_a_chain_parallel_to_the_swingarm_is_parallel_too(shock):
    # Equal sprockets, the front one on the pivot. About the pivot a drive force S has the moment S (R + dz), with dz
    # the height of the pivot over the axle; the chain, at its sprocket's radius from the arm, has -S R. What is left,
    # S dz against the moment dN dx of the load transfer, is the share carried: dz / dx over h / w.
    bike = with_values(
        rear__chain__front_teeth=30, rear__chain__rear_teeth=30, rear__chain__front_sprocket_mm=(0.0, 0.0)
    )
    now = attitude(bike, 30.0, shock)
    (x, z), (pivot_x, pivot_z) = (now.on_ground(point) for point in (now.rear_axle_mm, now.pivot_mm))
    slope = (pivot_z - z) / (pivot_x - x)
    found = squat(bike, now, 560.0)
    assert found.chain_deg == pytest.approx(found.squat_deg, abs=1e-9)
    assert found.squat_deg == pytest.approx(np.degrees(np.arctan(slope))) == pytest.approx(now.swingarm_deg)
    assert found.anti_squat_pct == pytest.approx(100.0 * slope * now.wheelbase_mm / 560.0)
    # and so it is of a sprocket a hair away, whose lines meet far off
    near = with_values(
        rear__chain__front_teeth=30, rear__chain__rear_teeth=30, rear__chain__front_sprocket_mm=(0.0, 1e-4)
    )
    assert squat(near, now, 560.0).squat_deg == pytest.approx(found.squat_deg, abs=1e-3)


def test_a_bigger_rear_sprocket_and_a_smaller_tyre_gear_down():
    bike = stand_bike()
    assert rollout_mm(bike) == pytest.approx(2 * np.pi * 320.0 * 16 / 42)
    assert rollout_mm(with_values(rear__chain__rear_teeth=43)) < rollout_mm(bike)
    assert rollout_mm(with_values(rear__tyre_radius_mm=315.0)) < rollout_mm(bike)


def test_without_a_chain_there_is_none():
    bike = with_values(rear__chain=None)
    assert squat(bike, attitude(bike, 30.0, 10.0), 560.0) is None
    assert rollout_mm(bike) is None
