"""The rider keeps within grip, brakes and power; load transfer agrees with statics."""

import numpy as np
import pytest

from telemetry.bike import chassis_of, spring_of, sprung_load_n
from telemetry.constants import GRAVITY_M_S2
from telemetry.simulate import Riding, Vehicle, demo_bike, vellmoor_ring
from telemetry.simulate.circuit import flat_road
from telemetry.simulate.riding import Ride, drive_of, ride_circuit
from telemetry.simulate.vehicle import ride, undisturbed
from tests.randomised.circuits import random_circuit

VEHICLE = Vehicle(demo_bike())
G = GRAVITY_M_S2


def ridden(circuit=None, riding=None, laps=2, seed=0):
    return ride_circuit(
        circuit or vellmoor_ring(), VEHICLE, riding or Riding(), laps, np.random.default_rng(seed)
    )


@pytest.mark.parametrize(
    "circuit", [vellmoor_ring(), random_circuit(1), random_circuit(2)], ids=lambda c: c.name
)
def test_stays_within_what_grip_brakes_and_engine_give(circuit):
    riding = Riding()
    outing = ridden(circuit)
    spare = 1.15  # smoothing over the rider's handling time cuts into corners a little
    assert np.max(np.abs(outing.sideways_m_s2)) < spare * riding.corner_g * G
    assert np.min(outing.acceleration_m_s2) > -spare * riding.brake_g * G
    assert np.max(outing.acceleration_m_s2) < spare * riding.drive_g * G
    assert np.max(outing.drive_n * outing.speed_m_s) < spare * riding.power_w
    assert np.max(outing.speed_m_s) <= riding.top_speed_m_s


def test_speed_is_the_rate_of_distance_and_laps_start_on_the_line():
    ring, outing = vellmoor_ring(), ridden(laps=3)
    np.testing.assert_allclose(
        np.diff(outing.distance_m) / outing.step_s,
        0.5 * (outing.speed_m_s[1:] + outing.speed_m_s[:-1]),
        rtol=1e-9,
    )
    at_start = np.interp(outing.lap_start_s, outing.t_s, outing.distance_m)
    np.testing.assert_allclose(at_start, ring.length_m * np.arange(4), atol=1e-6)
    assert outing.distance_m[0] == pytest.approx(-Riding().out_lap_m)


def test_laps_differ_a_little():
    times = np.diff(ridden(laps=8).lap_start_s)
    assert 75.0 < np.min(times) < np.max(times) < 90.0
    assert 0.02 < np.std(times) < 1.0


def test_leans_to_the_right_in_right_hand_corners():
    ring, outing = vellmoor_ring(), ridden()
    for corner in ring.corners:
        at = np.argmin(np.abs(outing.distance_m - corner.apex_m))
        assert np.sign(outing.lean_deg[at]) == corner.direction
        # quasi-steady: tan(lean) = v^2 / (r g)
        assert np.tan(np.radians(abs(outing.lean_deg[at]))) == pytest.approx(
            outing.speed_m_s[at] ** 2 / (corner.radius_m * G), rel=0.12
        )


def test_standing_in_the_pit_is_standing():
    outing = ridden(riding=Riding(pit_s=10.0), laps=1)
    still = outing.t_s < 10.0
    assert np.all(outing.speed_m_s[still] == 0.0)
    assert np.all(outing.distance_m[still] == outing.distance_m[0])
    assert np.all(outing.lean_deg[still] == 0.0)


def steady(acceleration_m_s2, speed_m_s, duration_s=6.0, sideways_m_s2=0.0):
    """Brake or drive force held for ever; drag left out so that statics can be done by hand."""
    n = round(duration_s / 0.005) + 1
    ones, mass = np.ones(n), VEHICLE.total_mass_kg
    force = mass * acceleration_m_s2 * ones
    return Ride(
        step_s=0.005,
        distance_m=speed_m_s * 0.005 * np.arange(n),
        speed_m_s=speed_m_s * ones,
        acceleration_m_s2=acceleration_m_s2 * ones,
        sideways_m_s2=sideways_m_s2 * ones,
        lean_deg=0.0 * ones,
        front_brake_n=np.maximum(-force, 0.0),
        rear_brake_n=0.0 * ones,
        drive_n=np.maximum(force, 0.0),
        throttle_pct=0.0 * ones,
        brake_bar=0.0 * ones,
        lap_start_s=np.array([0.0]),
    )


def carried(held):
    still = undisturbed(len(held.t_s))
    drive = drive_of(held, VEHICLE, front_damper=still, rear_damper=still)
    return ride(VEHICLE, drive, flat_road(), sample_rate_hz=200.0)


@pytest.mark.parametrize("acceleration", [-0.5 * G, -0.2 * G, 0.3 * G])
def test_load_moves_by_mass_acceleration_and_height_over_wheelbase(acceleration):
    # moments about a contact point: the sprung mass acts at its height, the wheels at their axles
    bike, chassis = VEHICLE.bike, chassis_of(VEHICLE.bike)
    unsprung = VEHICLE.total_mass_kg - chassis.sprung_mass_kg
    axle_m = 0.5e-3 * (bike.front.tyre_radius_mm + bike.rear.tyre_radius_mm)
    moved = -acceleration * (chassis.sprung_mass_kg * chassis.com_height_mm / 1e3 + unsprung * axle_m)
    moved /= bike.wheelbase_mm / 1e3
    result = carried(steady(acceleration, 30.0))
    front = sprung_load_n(bike, "front") + bike.front.unsprung_mass_kg * G + moved
    rear = sprung_load_n(bike, "rear") + bike.rear.unsprung_mass_kg * G - moved
    assert result.front_tyre_n[-1] == pytest.approx(front, abs=3.0)
    assert result.rear_tyre_n[-1] == pytest.approx(rear, abs=3.0)


def test_braking_compresses_a_raked_fork_by_load_and_brake_force():
    # along the legs: N cos(rake) + F_brake sin(rake) (virtual work)
    bike, rake = VEHICLE.bike, np.radians(VEHICLE.bike.front.rake_deg)
    held = steady(-0.5 * G, 30.0)
    result = carried(held)
    normal = result.front_tyre_n[-1] - bike.front.unsprung_mass_kg * G
    along = normal * np.cos(rake) + held.front_brake_n[-1] * np.sin(rake)
    shaft_mm = 1e3 * result.front_m[-1] / np.cos(rake)
    spring = spring_of(bike, "front").force_n(shaft_mm)
    assert spring == pytest.approx(along, abs=bike.front.damper.friction_n)


def test_in_a_corner_the_wheels_carry_gravity_over_the_cosine_of_lean():
    lean = np.radians(45.0)
    result = carried(steady(0.0, 30.0, sideways_m_s2=G * np.tan(lean)))
    total = result.front_tyre_n[-1] + result.rear_tyre_n[-1]
    assert total == pytest.approx(VEHICLE.total_mass_kg * G / np.cos(lean), rel=1e-4)


def test_braking_uses_most_of_the_fork_but_leaves_some_in_hand():
    # common practice, no source: hard braking uses most of the travel
    held = carried(steady(-0.84 * G, 30.0))
    shaft_mm = 1e3 * held.front_m[-1] / np.cos(np.radians(24.0))
    assert 85.0 < shaft_mm < 118.0
