"""The simulator's motion against linear theory, statics, energy and free fall."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from telemetry.bike import (
    SpringEnd,
    damper_force_n,
    half_vehicle,
    leverage_curve,
    modes,
    spring_of,
    static_sag,
)
from telemetry.bike.springs import bike_matrices
from telemetry.constants import GRAVITY_M_S2
from telemetry.simulate import Vehicle, demo_bike
from telemetry.simulate import _kernel as kernel
from telemetry.simulate.circuit import RoadProfile, flat_road
from telemetry.simulate.vehicle import at_rest, constants, ride, steady_drive
from tests.simulate.linear_motorcycle import linear_motorcycle, states

RATE_HZ = 500.0
NUDGE = np.array(
    [2e-3, 1e-3, 1e-3, -1e-3, 0.02, -0.03, 0.05, 0.08]
)  # excites every mode; small: tyres stay down


def sine_road(wave_m, amplitude_m, waves=8, points_per_wave=400):
    height = amplitude_m * np.sin(2.0 * np.pi * np.arange(waves * points_per_wave) / points_per_wave)
    return RoadProfile(wave_m / points_per_wave, height, height)


@pytest.mark.parametrize(
    ("cf", "cr", "expected"),
    [
        # half-vehicle eigenvalues, the same table as in tests/bike/test_modes.py
        (0, 0, [(2.1091, 0.0), (4.3042, 0.0), (16.1289, 0.0), (17.9492, 0.0)]),
        (1000, 1500, [(2.1802, 0.32993), (5.3835, 0.82035), (13.0816, 0.40509), (17.1167, 0.32087)]),
        (1000, 60, [(2.2588, 0.15884), (4.2823, 0.31730), (16.1264, 0.01646), (16.8480, 0.32847)]),
    ],
)
def test_free_decay_has_the_modes_of_the_matrices(cf, cr, expected):
    # dampers cannot be nil in a bike file: 1e-3 N s/m is nil to all digits shown
    vehicle = linear_motorcycle(cf=max(cf, 1e-3), cr=max(cr, 1e-3))
    rest = at_rest(vehicle)
    ridden = ride(vehicle, steady_drive(0.0, 1.0), flat_road(), sample_rate_hz=RATE_HZ, start=rest + NUDGE)
    x = states(ridden, vehicle) - rest
    step = np.linalg.lstsq(x[:-1], x[1:], rcond=None)[0].T  # x[k+1] = step x[k]
    poles = np.log(np.linalg.eigvals(step).astype(complex)) * RATE_HZ
    upper = sorted(poles[poles.imag > 1e-6], key=abs)
    found = [(abs(p) / (2 * np.pi), -p.real / abs(p)) for p in upper]
    np.testing.assert_allclose(found, expected, atol=2e-4)


def test_demo_bike_without_friction_rings_at_its_own_modes():
    # The full nonlinear motorcycle, dampers made linear at their mean low-speed slope, nudged by micrometres
    data = demo_bike().model_dump(exclude={"source"})
    for end in ("front", "rear"):
        damper = data[end]["damper"]
        mean = 0.5 * (damper["compression"]["low_n_s_per_mm"] + damper["rebound"]["low_n_s_per_mm"])
        side = {"low_n_s_per_mm": mean, "high_n_s_per_mm": mean}
        data[end]["damper"] = {"compression": side, "rebound": side, "friction_n": 0.0}
    vehicle = Vehicle(type(demo_bike()).model_validate(data))
    rest = at_rest(vehicle)
    ridden = ride(
        vehicle, steady_drive(0.0, 1.0), flat_road(), sample_rate_hz=RATE_HZ, start=rest + 1e-3 * NUDGE
    )
    x = states(ridden, vehicle) - rest
    poles = np.log(np.linalg.eigvals(np.linalg.lstsq(x[:-1], x[1:], rcond=None)[0]).astype(complex)) * RATE_HZ
    upper = sorted(poles[poles.imag > 1e-6], key=abs)
    own = modes(bike_matrices(vehicle.bike))
    # the wheel rate of the bike file's table is a finite difference over 0.5 mm of shock
    np.testing.assert_allclose([abs(p) / (2 * np.pi) for p in upper], [m.fn_hz for m in own], rtol=1e-3)
    np.testing.assert_allclose([-p.real / abs(p) for p in upper], [m.damping_ratio for m in own], rtol=2e-3)


@pytest.mark.parametrize("frequency_hz", [1.0, 2.25, 6.0, 13.0, 17.0, 25.0])
def test_sine_road_gives_the_linear_frequency_response_front_then_rear(frequency_hz):
    vehicle, speed, amplitude = linear_motorcycle(ct=150.0), 30.0, 0.5e-3
    ridden = ride(
        vehicle, steady_drive(speed, 12.0), sine_road(speed / frequency_hz, amplitude), sample_rate_hz=RATE_HZ
    )
    linear = half_vehicle(
        220.0,
        26.0,
        0.7,
        0.7,
        SpringEnd(15.0, 20e3, 170e3, 1000.0, 150.0),
        SpringEnd(20.0, 24e3, 180e3, 1500.0, 150.0),
    )
    w = 2.0 * np.pi * frequency_hz
    delay = np.exp(-1j * w * 1.4 / speed)  # the rear meets the road a wheelbase later
    tyres = np.array([0.0, 0.0, 170e3 + 150j * w, (180e3 + 150j * w) * delay])
    heave, pitch, front, rear = np.linalg.solve(
        -(w**2) * linear.mass + 1j * w * linear.damping + linear.stiffness, tyres
    )
    expected = np.array([front - (heave - 0.7 * pitch), rear - (heave + 0.7 * pitch)])
    late = ridden.t_s >= 8.0  # the start has died away; 4 s hold whole periods of every frequency here
    wave = np.exp(-1j * w * ridden.t_s[late])
    for got, want in zip((ridden.front_m, ridden.rear_m), expected, strict=True):
        travel = got[late] - np.mean(got[late])
        response = 2.0 * np.mean(travel * wave) / (amplitude * -1j)  # road is amplitude x sin
        assert response == pytest.approx(want, rel=2e-3, abs=2e-4)


def test_random_road_gives_the_variances_of_random_vibration():
    # Closed forms for white road velocity of density W: var stroke = W (ms+mu)/(2c), var stroke speed = W kt/(2c)
    # (random vibration texts). ISO 8608 class A at 50 m/s: half the class B values 5.525 mm, 0.19468 m/s and
    # 482.3 N (tyre). Pitch inertia m lf lr makes the two ends independent quarter vehicles. Over one whole
    # turn of a closed road every line of its spectrum enters with its full period: no statistical scatter.
    vehicle = linear_motorcycle(
        mass_kg=250.0,
        inertia=250.0 * 0.49,
        cf=1500.0,
        cr=1500.0,
        ks=(24e3, 24e3),
        kt=(180e3, 180e3),
        mu=(20.0, 20.0),
    )
    speed, length, points = 50.0, 5000.0, 200_000
    n = np.arange(1, points // 2) / length
    amplitude = np.sqrt(2.0 * 16e-6 * (n / 0.1) ** -2.0 / length)
    phase = np.random.default_rng(5).uniform(0.0, 2.0 * np.pi, len(n))
    spectrum = np.concatenate([[0.0], 0.5 * points * amplitude * np.exp(1j * phase), [0.0]])
    height = np.fft.irfft(spectrum, points)
    height -= height[0]  # start at rest on it
    ridden = ride(
        vehicle,
        steady_drive(speed, 110.0),
        RoadProfile(length / points, height, height),
        sample_rate_hz=RATE_HZ,
    )
    turn = ridden.t_s >= 10.0
    for end in ("front", "rear"):
        assert np.min(getattr(ridden, f"{end}_tyre_n")) > 0.0
        assert 1e3 * np.std(getattr(ridden, f"{end}_m")[turn]) == pytest.approx(5.525 / 2.0, rel=0.01)
        assert np.std(getattr(ridden, f"{end}_m_s")[turn]) == pytest.approx(0.19468 / 2.0, rel=0.02)
        assert np.std(getattr(ridden, f"{end}_tyre_n")[turn]) == pytest.approx(482.3 / 2.0, rel=0.02)


def test_stands_still_where_the_springs_say_it_sits():
    bike = demo_bike()
    ridden = ride(Vehicle(bike), steady_drive(0.0, 2.0), flat_road(), sample_rate_hz=RATE_HZ)
    for end in ("front", "rear"):
        np.testing.assert_allclose(
            1e3 * getattr(ridden, f"{end}_m"), static_sag(bike)[end].wheel_mm, atol=1e-4
        )


def test_settles_to_the_sag_from_anywhere_but_for_friction():
    bike = demo_bike()
    vehicle = Vehicle(bike)
    raised = at_rest(vehicle) + np.array([0.05, 0.02, 0.03, 0.0, 0.0, 0.0, 0.0, 0.0])
    ridden = ride(vehicle, steady_drive(0.0, 8.0), flat_road(), sample_rate_hz=RATE_HZ, start=raised)
    sag = static_sag(bike)
    # smoothed friction creeps: 18 N along a fork of 19 N/mm can hold at most 1 mm
    assert 1e3 * ridden.front_m[-1] == pytest.approx(sag["front"].wheel_mm, abs=1.0)
    assert 1e3 * ridden.rear_m[-1] == pytest.approx(sag["rear"].wheel_mm, abs=1.0)


def test_without_damping_energy_is_kept():
    vehicle = linear_motorcycle(cf=1e-9, cr=1e-9)
    rest = at_rest(vehicle)
    ridden = ride(vehicle, steady_drive(0.0, 10.0), flat_road(), sample_rate_hz=RATE_HZ, start=rest + NUDGE)
    x = states(ridden, vehicle) - rest
    linear = bike_matrices(vehicle.bike)
    places, speeds = x[:, :4], x[:, 4:]
    energy = 0.5 * np.einsum("ti,ij,tj->t", speeds, linear.mass, speeds)
    energy += 0.5 * np.einsum("ti,ij,tj->t", places, linear.stiffness, places)
    np.testing.assert_allclose(energy, energy[0], rtol=1e-5)


def test_in_the_air_it_falls_freely_and_the_tyres_carry_nothing():
    vehicle = linear_motorcycle()
    high = at_rest(vehicle) + np.array([0.5, 0.0, 0.5, 0.5, 0.0, 0.0, 0.0, 0.0])
    ridden = ride(vehicle, steady_drive(30.0, 0.2), flat_road(), sample_rate_hz=RATE_HZ, start=high)
    x = states(ridden, vehicle)
    weights = np.array([220.0, 15.0, 20.0]) / 255.0
    middle = x[:, [0, 2, 3]] @ weights
    fallen = middle[0] - middle
    np.testing.assert_allclose(fallen, 0.5 * GRAVITY_M_S2 * ridden.t_s**2, atol=1e-9)
    assert np.all(ridden.front_tyre_n == 0.0)
    assert np.all(ridden.rear_tyre_n == 0.0)


def test_a_tyre_pushes_but_never_pulls():
    # a hump too sharp to follow: the tyres leave the road behind it
    height = np.zeros(5000)
    height[1000:1100] = 0.03
    ridden = ride(
        Vehicle(demo_bike()),
        steady_drive(40.0, 2.0),
        RoadProfile(0.02, height, height),
        sample_rate_hz=1000.0,
    )
    for end in ("front", "rear"):
        force = getattr(ridden, f"{end}_tyre_n")
        assert np.min(force) == 0.0
        assert np.max(force) > 3000.0


def test_the_stops_hold_even_a_landing_from_40_cm():
    bike = demo_bike()
    vehicle = Vehicle(bike)
    high = at_rest(vehicle) + np.array([0.4, 0.0, 0.4, 0.4, 0.0, 0.0, 0.0, 0.0])
    ridden = ride(vehicle, steady_drive(0.0, 3.0), flat_road(), sample_rate_hz=RATE_HZ, start=high)
    for end in ("front", "rear"):
        full = leverage_curve(bike, end).wheel_stroke_mm
        assert full - 0.6 < 1e3 * np.max(getattr(ridden, f"{end}_most_m")) <= full + 0.05  # it did bottom
        assert 0.0 <= 1e3 * np.min(getattr(ridden, f"{end}_least_m")) < 0.6  # and top out in the air


def test_the_rear_meets_the_bump_a_wheelbase_later():
    # 1.40 m at 20, 40, 60 and 80 m/s: 70, 35, 23.3 and 17.5 ms. Both ends alike and uncoupled: the same answer.
    vehicle = linear_motorcycle(
        mass_kg=250.0,
        inertia=250.0 * 0.49,
        cf=1500.0,
        cr=1500.0,
        ks=(24e3, 24e3),
        kt=(180e3, 180e3),
        mu=(20.0, 20.0),
    )
    along = np.arange(20_000) * 0.02
    height = np.where(np.abs(along - 100.0) < 0.5, 0.002 * (1.0 + np.cos(2.0 * np.pi * (along - 100.0))), 0.0)
    for speed, delay_s in ((20.0, 0.070), (40.0, 0.035), (80.0, 0.0175)):
        ridden = ride(
            vehicle,
            steady_drive(speed, 200.0 / speed),
            RoadProfile(0.02, height, height),
            sample_rate_hz=2000.0,
        )
        samples = round(delay_s * 2000.0)
        front, rear = ridden.front_m_s, ridden.rear_m_s
        assert np.max(np.abs(front)) > 0.02
        np.testing.assert_allclose(rear[samples:], front[: len(front) - samples], atol=1e-4)


def test_bumps_agree_with_a_general_solver():
    # the same equations handed to scipy's stiff solver, at tight tolerance
    vehicle = Vehicle(demo_bike())
    numbers, speed = constants(vehicle), 35.0
    along = np.arange(2000) * 0.05
    height = 0.01 * np.sin(2.0 * np.pi * along / 4.0) + 0.004 * np.sin(2.0 * np.pi * along / 2.5)
    ramp = np.clip((along - 2.0) / 4.0, 0.0, 1.0)
    road = RoadProfile(0.05, ramp * height, ramp * height)
    inputs, rate, row = np.zeros(kernel.INPUTS), np.empty(8), np.empty(kernel.COLUMNS)
    dampers = np.zeros((2, kernel.DAMPER_STATES))  # curves at once: no state

    def derivative(t, state):
        place = speed * t
        inputs[:] = 0.0
        inputs[kernel.GRAVITY] = GRAVITY_M_S2
        inputs[[kernel.FRONT_DAMPER + kernel.SCALE, kernel.REAR_DAMPER + kernel.SCALE]] = 1.0
        for road_at, rate_at, at, end in (
            (kernel.FRONT_ROAD, kernel.FRONT_ROAD_RATE, place, numbers.front),
            (kernel.REAR_ROAD, kernel.REAR_ROAD_RATE, place - numbers.wheelbase_m, numbers.rear),
        ):
            inputs[road_at], inputs[rate_at], _ = kernel.wheel_at(at, speed, road.step_m, road.front_m, end)
        kernel.acceleration(np.asarray(state), dampers, 0.0, inputs, numbers, rate, row)
        return rate.copy()

    ridden = ride(vehicle, steady_drive(speed, 0.6), road, sample_rate_hz=RATE_HZ, start=at_rest(vehicle))
    other = solve_ivp(
        derivative,
        (0.0, 0.6),
        at_rest(vehicle),
        method="LSODA",
        t_eval=ridden.t_s,
        rtol=1e-9,
        atol=1e-11,
        max_step=2e-3,
    )
    np.testing.assert_allclose(states(ridden, vehicle)[:, :4], other.y[:4].T, atol=2e-6)  # metres
    np.testing.assert_allclose(states(ridden, vehicle)[:, 4:], other.y[4:].T, atol=2e-4)


def suspension_force(wheel_m, wheel_m_s, scale, end):
    """Of a damper that is a curve at once, at an instant."""
    inputs = np.zeros(kernel.INPUTS)
    inputs[kernel.REAR_DAMPER + kernel.SCALE] = scale
    state = np.zeros(kernel.DAMPER_STATES)
    return kernel.suspension_force(wheel_m, wheel_m_s, state, 0.0, inputs, kernel.REAR_DAMPER, end)


def test_dampers_are_those_of_the_bike_file():
    bike = demo_bike()
    numbers = constants(Vehicle(bike))
    speed_mm_s = np.concatenate([-np.geomspace(1, 2000, 40), np.geomspace(1, 2000, 40)])
    for section, end, wheel_m in ((bike.front, numbers.front, 0.05), (bike.rear, numbers.rear, 0.06)):
        _, ratio, _ = kernel.shaft_of_wheel(wheel_m, end)
        with_damper, without = (
            np.array([suspension_force(wheel_m, v * ratio / 1e3, scale, end) for v in speed_mm_s])
            for scale in (1.0, 0.0)
        )
        np.testing.assert_allclose(
            (with_damper - without) * ratio, damper_force_n(speed_mm_s, section.damper), rtol=1e-9, atol=1e-9
        )


def test_friction_opposes_and_saturates():
    bike = demo_bike()
    end = constants(Vehicle(bike)).front
    _, ratio, _ = kernel.shaft_of_wheel(0.05, end)
    still, down, up = (suspension_force(0.05, v * ratio, 0.0, end) * ratio for v in (0.0, 0.1, -0.1))
    assert down - still == pytest.approx(bike.front.damper.friction_n, rel=1e-6)
    assert up - still == pytest.approx(-bike.front.damper.friction_n, rel=1e-6)


@pytest.mark.parametrize("end", ["front", "rear"])
def test_leverage_table_of_the_inner_loop_is_the_curve(end):
    bike = demo_bike()
    numbers, curve = getattr(constants(Vehicle(bike)), end), leverage_curve(bike, end)
    for shaft_mm in (0.0, 0.5, 12.3, 33.3, 59.9, 69.9):
        wheel_mm = curve.wheel_travel_mm(np.array([shaft_mm]))[0]
        shaft_m, ratio, spring_n = kernel.shaft_of_wheel(wheel_mm / 1e3, numbers)
        assert 1e3 * shaft_m == pytest.approx(shaft_mm, abs=1e-6)
        assert ratio == pytest.approx(curve.ratio(np.array([shaft_mm]))[0], abs=1e-5)
        assert spring_n == pytest.approx(spring_of(bike, end).force_n(shaft_mm), rel=1e-5, abs=0.01)


def test_breaking_down_says_when_and_why():
    vehicle = linear_motorcycle(cf=1e6)
    rest = at_rest(vehicle)
    with pytest.raises(ValueError, match=r"simulation broke down at t = 0\.\d+ s; .*rates are too high"):
        ride(vehicle, steady_drive(0.0, 1.0), flat_road(), sample_rate_hz=100.0, start=rest + NUDGE)
