"""The claims that the difference of two rides rests on, each against something outside."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy import integrate, ndimage, signal

from telemetry.bike import parse_bike
from telemetry.errors import PredictionError
from telemetry.prediction import _kernel, prepare
from telemetry.prediction.model import (
    EXACT,
    OldRide,
    body_of,
    difference_model,
    ride_again,
    tables_of,
    tyre_loads_n,
)
from telemetry.simulate import demo_bike

RATE_HZ = 4000.0
# One motorcycle whose every part is linear: straight springs and dampers, no friction, one leverage.
DAMPER = {"friction_n": 0.0}


def side(rate):
    return {"low_n_s_per_mm": rate, "high_n_s_per_mm": rate}


def linear_bike(front_rate=19.0, rear_rate=80.0, rear_damping=6.0):
    return parse_bike(
        {
            "wheelbase_mm": 1420,
            "front": {
                "stroke_mm": 125, "rake_deg": 24, "spring_rate_n_per_mm": front_rate, "preload_mm": 12,
                "tyre_rate_n_per_mm": 170, "unsprung_mass_kg": 16,
                "damper": DAMPER | {"compression": side(1.2), "rebound": side(1.2)},
            },
            "rear": {
                "shock_stroke_mm": 70, "spring_rate_n_per_mm": rear_rate, "preload_mm": 8,
                "leverage_table_mm": [[0, 0], [70, 126]],
                "tyre_rate_n_per_mm": 175, "unsprung_mass_kg": 20,
                "damper": DAMPER | {"compression": side(rear_damping), "rebound": side(rear_damping)},
            },
            "chassis": {
                "sprung_mass_kg": 230, "com_to_rear_axle_mm": 730, "com_height_mm": 610, "pitch_inertia_kg_m2": 40,
            },
        }
    )  # fmt: skip


def ride(shaft_m, model, load_n=1e9, start=None, rate_hz=RATE_HZ):
    new = np.empty_like(shaft_m)
    state = np.zeros(8) if start is None else start
    spline = np.array([ndimage.spline_filter1d(row, order=3, mode="mirror") for row in shaft_m])
    _kernel.difference_ride(
        spline, np.full_like(shaft_m, load_n), 1.0 / rate_hz, 1, model.body, model.old, model.new, state, new
    )
    return new


def receptance(body, w):
    """Wheel travel of both ends for a unit of suspension force, from the equations of motion alone (2 x 2 complex).

    Both ends push the body up and their wheels down: travel = wheel - body, so G is minus its dynamic compliance.
    """
    a, b = body.arm_m
    heave_pitch = np.array([[1.0, 1.0], [-a, b]])  # forces at the ends to heave and pitch
    chassis = (
        heave_pitch.T @ np.diag([-1 / (body.mass_kg * w**2), -1 / (body.inertia_kg_m2 * w**2)]) @ heave_pitch
    )
    wheels = np.diag(1 / (-body.unsprung_kg * w**2 + 1j * w * body.tyre_n_s_m + body.tyre_n_m))
    return chassis + wheels


@pytest.mark.parametrize("frequency_hz", [1.5, 3.0, 12.0])
def test_a_linear_bike_agrees_with_its_transfer_functions(frequency_hz):
    # y_new + G F_new y_new = y_old + G F_old y_old, solved at one frequency; the amplitude of the simulated ride by
    # least squares (scipy.signal's freqresp of the same state space gives the same numbers, checked below)
    old, new = linear_bike(), linear_bike(front_rate=21.0, rear_rate=74.0, rear_damping=7.0)
    model = difference_model(old, new)
    t = np.arange(0, 12.0, 1 / RATE_HZ)
    w = 2 * np.pi * frequency_hz
    amplitude = np.array([5e-3, 2e-3 * np.exp(0.7j)])
    shaft = 0.06 + np.real(amplitude[:, None] * np.exp(1j * w * t))
    shaft[1] -= 0.03
    answer = ride(shaft, model)
    ratio = np.array([np.cos(np.radians(24.0)), 1.8])
    spring = {"old": np.array([19e3, 80e3]), "new": np.array([21e3, 74e3])}
    damper = {"old": np.array([1.2e3, 6e3]), "new": np.array([1.2e3, 7e3])}
    g = receptance(model.body, w)
    system = {k: np.eye(2) + g @ np.diag((spring[k] + 1j * w * damper[k]) / ratio**2) for k in spring}
    expected = np.linalg.solve(system["new"], system["old"] @ (amplitude * ratio)) / ratio
    late = t > 8.0
    basis = np.stack([np.ones(late.sum()), np.cos(w * t[late]), -np.sin(w * t[late])]).T
    found = np.linalg.lstsq(basis, answer[:, late].T, rcond=None)[0]
    assert found[1] + 1j * found[2] == pytest.approx(expected, rel=1e-6)


def test_the_receptance_is_that_of_scipy():
    # the same motorcycle as a state space, its frequency response by scipy.signal
    body = body_of(linear_bike())
    mass = np.diag([body.mass_kg, body.inertia_kg_m2, *body.unsprung_kg])
    a, b = body.arm_m
    push = np.array([[1.0, 1.0], [-a, b], [-1.0, 0.0], [0.0, -1.0]])
    stiff, damp = np.diag([0, 0, *body.tyre_n_m]), np.diag([0, 0, *body.tyre_n_s_m])
    inverse = np.linalg.inv(mass)
    state = np.block([[np.zeros((4, 4)), np.eye(4)], [-inverse @ stiff, -inverse @ damp]])
    force = np.vstack([np.zeros((4, 2)), inverse @ push])
    travel = np.hstack([np.array([[-1, a, 1, 0], [-1, -b, 0, 1]]), np.zeros((2, 4))])
    w = 2 * np.pi * np.array([1.5, 12.0])
    for k, i in ((0, 0), (0, 1), (1, 0), (1, 1)):
        system = signal.StateSpace(state, force[:, [k]], travel[[i]], [[0.0]])
        numbers = signal.freqresp(system.to_zpk(), w)[1]
        assert numbers == pytest.approx(np.array([-receptance(body, each)[i, k] for each in w]), rel=1e-6)


def test_energy_of_the_kernel_balances():
    # a stiffer spring let go on a ride that stands still, without any damping: motion and springs share one energy
    old, new = linear_bike(), linear_bike(front_rate=23.0, rear_rate=90.0)
    model = difference_model(old, new)
    no_damping = {"damper_n": np.zeros_like(model.old.damper_n)}
    body = model.body._replace(tyre_n_s_m=np.zeros(2))
    tables = [t._replace(**no_damping) for t in (model.old, model.new)]
    shaft = np.tile(np.array([[0.05], [0.025]]), (1, 2))
    start = np.zeros(8)
    energies = []
    for _ in range(4000):
        new_m = np.empty_like(shaft)
        _kernel.difference_ride(
            shaft, np.full_like(shaft, 1e9), 5e-4, 1, body, tables[0], tables[1], start, new_m
        )
        energies.append(energy(start, body, (old, new), shaft[:, 0]))
    first = energy(np.zeros(8), body, (old, new), shaft[:, 0])
    assert kinetic(start, body) > 0
    to_and_fro = changed_work(bikes=(old, new), shaft_m=shaft[:, 0])
    assert np.array(energies) - first == pytest.approx(np.zeros(len(energies)), abs=2e-5 * to_and_fro)


def kinetic(state, body):
    return 0.5 * (
        body.mass_kg * state[4] ** 2 + body.inertia_kg_m2 * state[5] ** 2 + body.unsprung_kg @ state[6:8] ** 2
    )


def energy(state, body, bikes, shaft_m):
    """Motion, tyres, and the new springs against the old ones' steady force; closed forms of straight springs."""
    total = kinetic(state, body) + 0.5 * body.tyre_n_m @ state[2:4] ** 2
    ratio = (np.cos(np.radians(24.0)), 1.8)
    for k, arm in enumerate((body.arm_m[0], -body.arm_m[1])):
        moved = state[2 + k] - state[0] + arm * state[1]
        rates = [1e3 * (b.front if k == 0 else b.rear).spring_rate_n_per_mm for b in bikes]
        preload = 1e-3 * (12.0, 8.0)[k]
        steady = rates[0] * (shaft_m[k] + preload) / ratio[k]
        there = shaft_m[k] + moved / ratio[k]
        spring = 0.5 * rates[1] * ((there + preload) ** 2 - (shaft_m[k] + preload) ** 2)
        total += spring - steady * moved
    return total


def changed_work(bikes, shaft_m):
    """About the energy that goes to and fro: what the changed force does to the springs, f^2 / 2 k."""
    total = 0.0
    for k, preload in enumerate((0.012, 0.008)):
        rates = [1e3 * (b.front if k == 0 else b.rear).spring_rate_n_per_mm for b in bikes]
        total += 0.5 * ((rates[1] - rates[0]) * (shaft_m[k] + preload)) ** 2 / rates[1]
    return total


def test_a_tyre_never_pulls():
    # a wheel without load falls free of its tyre: the difference's tyre force is cut at what the old ride carried
    old, new = linear_bike(), linear_bike(front_rate=30.0)
    model = difference_model(old, new)
    shaft = np.tile(np.array([[0.09], [0.03]]), (1, 4000))
    held, free = ride(shaft, model), ride(shaft, model, load_n=0.0)
    assert held[0, -1] < shaft[0, 0]
    assert abs(free[0] - held[0]).max() > 1e-3


def simulated(bike, t, road_m, shaft_m):
    """Shaft travel over a road by scipy, both wheels free to leave it; begins at rest at ``shaft_m``."""
    body, tables = body_of(bike), tables_of(bike, bike)
    ratio = tables.ratio[:, 0]
    arms = np.array([[-1.0, body.arm_m[0]], [-1.0, -body.arm_m[1]]])  # of heave and pitch in wheel travel
    rest = np.array([_kernel.wheel_force_n(tables, k, shaft_m[k], 0.0) for k in range(2)])

    def rates(now, state):
        shaft, speed = (
            shaft_m + (arms @ state[:2] + state[2:4]) / ratio,
            (arms @ state[4:6] + state[6:]) / ratio,
        )
        force = np.array([_kernel.wheel_force_n(tables, k, shaft[k], speed[k]) for k in range(2)]) - rest
        weight = rest + 9.81 * body.unsprung_kg
        under = np.array([np.interp(now - late, t, road_m) for late in (0.0, 0.05)])
        tyre = np.maximum(0.0, weight + body.tyre_n_m * (under - state[2:4])) - weight
        push = -arms.T @ force / [body.mass_kg, body.inertia_kg_m2]
        return np.concatenate((state[4:], push, (tyre - force) / body.unsprung_kg))

    found = integrate.solve_ivp(
        rates, (0, t[-1]), np.zeros(8), t_eval=t, rtol=1e-8, atol=1e-10, max_step=2e-3
    )
    return shaft_m[:, None] + (arms @ found.y[:2] + found.y[2:4]) / ratio[:, None]


@pytest.mark.parametrize("rate", [16.0, 23.0])
def test_a_wheel_in_the_air_has_no_tyre_under_it(rate):
    # two rides over one road by scipy.integrate.solve_ivp, both with flights; a tyre that pushed in the air would hold
    # up what the fork's new spring does to the wheel there
    old, new = linear_bike(), linear_bike(front_rate=rate)
    model = difference_model(old, new)
    t = np.arange(0, 1.2, 1 / 1000.0)
    road = 0.03 * np.sin(np.pi * np.clip((t - 0.2) / 0.04, 0, 1)) ** 2
    shaft = simulated(old, t, road, np.array([0.045, 0.02]))
    # the new ride at rest on the same ground: where the difference has come to rest
    settled = np.tile(shaft[:, :1], (1, 6000))
    rest = ride(settled, model, rate_hz=1000.0)[:, -1]
    truth = simulated(new, t, road, rest)
    long = np.concatenate((settled, shaft), axis=1)
    spline = np.array([ndimage.spline_filter1d(row, order=3, mode="mirror") for row in long])
    speed = np.gradient(long, 1e-3, axis=1)
    again = OldRide(slice(0, len(t)), 6000, 1e-3, 1, spline, long, speed, np.ones(long.shape, dtype=bool))
    load = tyre_loads_n(again, model)
    assert np.count_nonzero(load[0] < 0) > 20
    flown = ride_again(again, model, load) / 1e3
    held = ride_again(again, model, np.maximum(load, 0.0)) / 1e3
    error, before = (np.sqrt(np.mean((found[0] - truth[0]) ** 2)) for found in (flown, held))
    assert error < 0.5 * before
    assert error < 0.003 * np.sqrt(np.mean((truth[0] - shaft[0]) ** 2))


def test_equal_lengths_of_the_shock_are_equal_places_of_the_wheel():
    # rear at a wheel position: a shock 3 mm longer has 3 mm more travel there, whatever the linkage
    data = linear_bike().model_dump(mode="python", exclude_none=True)
    data["rear"] |= {"shock_length_mm": 330.0, "leverage_table_mm": [[0, 0], [35, 70], [70, 128]]}
    old = parse_bike(data)
    data["measured_at"] = {"shock_length_mm": 330.0}
    data["rear"] = data["rear"] | {"shock_length_mm": 333.0}
    new = parse_bike(data)
    before, after = tables_of(old, old, EXACT), tables_of(new, old, EXACT)
    grid = before.shaft_from_m + before.shaft_step_m * np.arange(before.position_m.shape[1])
    inside = (grid > 0.005) & (grid < 0.055)
    shifted = np.interp(grid[inside] + 3e-3, grid, after.position_m[1])
    assert shifted == pytest.approx(before.position_m[1][inside], abs=5e-5)


@pytest.mark.parametrize("key", ["wheelbase_mm", "front.rake_deg", "front.stroke_mm", "rear.shock_stroke_mm"])
def test_nothing_is_predicted_without_the_geometry(key):
    data = demo_bike().model_dump(exclude_none=True, exclude={"chassis"})
    section, _, name = key.rpartition(".")
    (data[section] if section else data).pop(name)
    measured = SimpleNamespace(motion=SimpleNamespace(ends={"front": None, "rear": None}), track=None)
    with pytest.raises(PredictionError, match=f"leaves {key} open"):
        prepare(measured, parse_bike(data))
