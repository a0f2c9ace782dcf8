"""Every way a damper fails: the loop of force against travel, and the work it takes in a cycle.

Outside values: viscous pi c w X^2 and Coulomb 4 F X (S. S. Rao, Mechanical Vibrations, equivalent viscous damping);
spring and dashpot in series, Maxwell's model (any text on viscoelasticity); Dahl's and LuGre's equations as in
`telemetry.simulate._kernel`; else integrated here by scipy from the equations, without the code under test.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq

from telemetry.bike import damper_force_n
from telemetry.simulate import _kernel as kernel
from telemetry.simulate import demo_bike
from tests.simulate.damper_bench import RIGID, STEP_S, drive, rear_end, sine_speed

C, X, HZ = 4000.0, 2e-3, 15.625  # N s/m, m, Hz: 256 steps a cycle
W = 2.0 * np.pi * HZ
CYCLE_S = 1.0 / HZ
VISCOUS_J = np.pi * C * W * X**2


def last_cycle(bench):
    return bench.t_s >= bench.t_s[-1] - CYCLE_S - 1e-9


def cycle_work(bench, force=None):
    return bench.work_j(bench.oil_n if force is None else force, bench.t_s[-1] - CYCLE_S)


# ------------------------------------------------------------------------------------------------------------ sound
def test_a_stiff_damper_is_the_curve_of_the_bike_file():
    bench = drive(rear_end(RIGID), sine_speed(X, HZ, 3))
    late = last_cycle(bench)
    expected = damper_force_n(1e3 * bench.speed_m_s, demo_bike().rear.damper)
    assert np.max(np.abs(bench.oil_n - expected)[late]) < 0.005 * np.max(np.abs(expected))
    work = 2.0 * np.pi / W * quad(lambda a: _curve(X * W * np.sin(a)) * X * W * np.sin(a), 0, 2 * np.pi)[0]
    assert cycle_work(bench) == pytest.approx(work / (2.0 * np.pi), rel=2e-3)


def _curve(speed_m_s):
    return float(damper_force_n(np.array([1e3 * speed_m_s]), demo_bike().rear.damper)[0])


def test_viscous_work():
    bench = drive(rear_end(RIGID, c_n_s_m=C), sine_speed(X, HZ, 3))
    assert cycle_work(bench) == pytest.approx(VISCOUS_J, rel=1e-3)
    assert bench.states[-1, kernel.WORK] == pytest.approx(bench.states[-1, kernel.SOUND_WORK], rel=1e-9)


@pytest.mark.parametrize("k_n_per_mm", [300.0, 1000.0, 3000.0])
def test_compliance_makes_maxwells_loop(k_n_per_mm):
    physics = replace(RIGID, stiffness_n_per_mm=k_n_per_mm)
    bench = drive(rear_end(physics, c_n_s_m=C), sine_speed(X, HZ, 6))
    wt = W * C / (1e3 * k_n_per_mm)
    assert cycle_work(bench) == pytest.approx(VISCOUS_J / (1.0 + wt**2), rel=1e-3)
    # force lags the speed by atan(w tau): hysteresis in the loop of force against speed
    late = last_cycle(bench)
    t, force = bench.t_s[late], bench.oil_n[late]
    lag = np.arctan2(-np.sum(force * np.cos(W * t)), np.sum(force * np.sin(W * t)))
    assert lag == pytest.approx(np.arctan(wt), abs=0.005)


def test_compliance_behind_a_digressive_valve_agrees_with_a_general_solver():
    k = 8e5
    bench = drive(rear_end(replace(RIGID, stiffness_n_per_mm=k / 1e3)), sine_speed(X, HZ, 5))

    side = {True: (3.8e3, 2.4e3), False: (6.8e3, 3.9e3)}  # of the demo bike: N s/m below and above 80 mm/s

    def slope(flow):
        low, high = side[flow > 0.0]
        return high + (low - high) / np.cosh(flow / 0.08) ** 2

    def rate(t, flow):  # f(w) = F, F' = k (v - w)
        return k * (X * W * np.sin(W * t) - flow) / slope(flow[0])

    flow = solve_ivp(
        rate, (0.0, bench.t_s[-1]), [0.0], t_eval=bench.t_s, method="LSODA", rtol=1e-8, atol=1e-10
    ).y[0]
    other = damper_force_n(1e3 * flow, demo_bike().rear.damper)
    assert np.max(np.abs(bench.oil_n - other)) < 0.005 * np.max(other)
    assert cycle_work(bench) == pytest.approx(cycle_work(bench, other), rel=3e-3)


def test_a_digressive_damper_is_not_viscous():
    # twice the amplitude takes less than four times the work
    end = rear_end(RIGID)
    small, large = (cycle_work(drive(end, sine_speed(x, HZ, 2))) for x in (X, 2 * X))
    assert 2.5 < large / small < 3.7


# ------------------------------------------------------------------------------------------------------- friction
def test_coulomb_friction_takes_4fx():
    physics = replace(RIGID, presliding_mm=0.005)
    bench = drive(rear_end(physics, friction_n=20.0), sine_speed(X, HZ, 2))
    assert cycle_work(bench, bench.friction_n) == pytest.approx(4.0 * 20.0 * X, rel=0.01)


def test_dahls_friction_takes_the_work_of_its_closed_loop():
    # dF/dx = s (1 - F / Fc) upwards: F = Fc - (Fc + F0) exp(-s (x + X) / Fc), F0 = Fc tanh(s X / Fc)
    force, over, x = 20.0, 0.5e-3, 0.6e-3
    physics = replace(RIGID, presliding_mm=1e3 * over)
    end = rear_end(physics, friction_n=force)
    end.damper.bristle_n_s_m = 0.0  # Dahl's
    bench = drive(end, sine_speed(x, HZ, 4))
    far = x / over
    top = force * np.tanh(far)
    expected = 2.0 * (2.0 * x * force - (force + top) * over * (1.0 - np.exp(-2.0 * far)))
    assert cycle_work(bench, bench.friction_n) == pytest.approx(expected, rel=0.003)
    assert expected < 0.6 * 4.0 * force * x  # it takes less than sliding at once
    # sticking: at the turning point the force is a spring's, not a friction's
    assert np.max(np.abs(bench.friction_n[last_cycle(bench)])) == pytest.approx(top, rel=0.01)


def test_friction_that_sticks_and_slips_agrees_with_a_general_solver():
    # 1.5 times the force to break away at 2 mm/s; LuGre's equation
    force, over, more, slow = 20.0, 0.1e-3, 1.5, 10e-3
    physics = replace(RIGID, presliding_mm=1e3 * over, breakaway=more)
    end = rear_end(physics, friction_n=force)
    speed = sine_speed(X, 1.0, 1.25)
    bench = drive(end, speed)
    s0, s1, w = force / over, end.damper.bristle_n_s_m, 2.0 * np.pi

    def level(v):
        return force * (1.0 + (more - 1.0) * np.exp(-((v / slow) ** 2)))

    def rate(t, z):
        v = X * w * np.sin(w * t)
        return v - s0 * abs(v) * z / level(v)

    z = solve_ivp(
        rate, (0.0, bench.t_s[-1]), [0.0], t_eval=bench.t_s, rtol=1e-8, atol=1e-12, max_step=1e-3
    ).y[0]
    v = bench.speed_m_s
    other = s0 * z + s1 * (v - s0 * np.abs(v) * z / level(v))
    np.testing.assert_allclose(bench.friction_n, other, atol=0.02 * force)
    assert np.max(bench.friction_n) > 1.2 * force  # breaks away
    assert bench.friction_n[np.argmax(v)] == pytest.approx(level(np.max(v)), rel=0.01)  # slides


# ----------------------------------------------------------------------------------------------------------- void
def monotube(held_n):
    """Stiff, with a void where compression asks for more than this force."""
    area = 900e-6
    return replace(RIGID, area_mm2=900.0, gas_bar=(held_n / area + 0.3e5) / 1e5)


def void_cycle(held):
    """Angles at which a void opens and has collapsed, and the work of a cycle, by the force that the gas holds [N].

    v = V sin a. It opens where c V sin a = F; it has collapsed where the oil let through has made up for it:
    cos a1 - cos a2 = (F / c V) (a2 - a1). Work: viscous outside, F times travel inside.
    """
    share = held / (C * X * W)
    opens = np.arcsin(share)
    closes = brentq(lambda a: np.cos(opens) - np.cos(a) - share * (a - opens), np.pi - opens, 2.0 * np.pi)
    viscous = quad(lambda a: C * X**2 * W * np.sin(a) ** 2, opens, closes)[0]
    return opens, closes, VISCOUS_J - viscous + held * X * (np.cos(opens) - np.cos(closes))


@pytest.mark.parametrize("held_share", [0.2, 0.6])
def test_a_void_carries_no_force_until_it_has_collapsed(held_share):
    peak = C * X * W
    held = held_share * peak
    bench = drive(rear_end(monotube(held), c_n_s_m=C), sine_speed(X, HZ, 4))
    opens, closes, expected = void_cycle(held)
    assert closes > np.pi  # part of the way back
    assert cycle_work(bench) == pytest.approx(expected, rel=0.003)
    assert expected < 0.9 * VISCOUS_J

    angle = (W * bench.t_s) % (2.0 * np.pi)
    late, void = last_cycle(bench), bench.states[:, kernel.VOID]
    inside = late & (angle > opens + 0.1) & (angle < closes - 0.1)
    outside = late & (angle > closes + 0.1) & (angle < 2.0 * np.pi - 0.1)
    np.testing.assert_allclose(bench.oil_n[inside], held, rtol=0.02)
    assert np.all(void[inside] > 0.0) and np.all(void[outside] == 0.0)
    back = inside & (angle > np.pi)
    assert np.all(bench.oil_n[back] >= 0.0)  # a dead band: nothing holds the wheel on the way back
    np.testing.assert_allclose(bench.oil_n[outside], C * bench.speed_m_s[outside], atol=0.02 * peak)
    # the oil's share of the stroke: the deepest void, X (..) where the speed falls to F / c again
    deepest = X * (np.cos(opens) - np.cos(np.pi - opens) - held_share * (np.pi - 2.0 * opens))
    assert np.max(void[late]) == pytest.approx(deepest, rel=0.02)


def work_left(end, x, hz=HZ, **acts):
    bench = drive(end, sine_speed(x, hz, 4, STEP_S), **acts)
    return cycle_work_of(bench, 1.0 / hz, kernel.WORK) / cycle_work_of(bench, 1.0 / hz, kernel.SOUND_WORK)


def cycle_work_of(bench, cycle_s, column):
    return np.diff(np.interp([bench.t_s[-1] - cycle_s, bench.t_s[-1]], bench.t_s, bench.states[:, column]))[0]


def test_a_void_goes_with_amplitude_speed_pressure_and_heat():
    def left(x=X, hz=HZ, held=200.0, **changes):
        return work_left(rear_end(replace(monotube(held), **changes), c_n_s_m=C), x, hz)

    assert left(x=0.4e-3) == pytest.approx(1.0, abs=1e-3)  # 157 N: none
    assert 1.0 > left(x=0.8e-3) > left() > left(x=2 * X)  # amplitude
    assert left(hz=HZ / 4.0) > left()  # speed
    assert left(held=100.0) < left() < left(held=400.0)  # pressure
    # hotter: vapour at 0.3 exp((T - 60) / 25) bar, the gas no more than T / T0 as high
    assert left(start_c=85.0) < left()
    assert left(reservoir_share=0.5) == pytest.approx(
        left(held=400.0), abs=1e-3
    )  # held up by what lies ahead


def test_a_stuck_gas_piston_takes_the_pressure_away():
    end = rear_end(monotube(2000.0), c_n_s_m=C)
    assert work_left(end, X) == pytest.approx(1.0, abs=1e-3)
    # 2.25e6 Pa x 0.1 less 0.3e5 Pa on 900 mm2
    pressure = 0.1 * (2000.0 / 900e-6 + 0.3e5) - 0.3e5
    assert work_left(end, X, gas_held=0.1) == pytest.approx(
        work_left(rear_end(monotube(pressure * 900e-6), c_n_s_m=C), X), abs=2e-3
    )


def test_refilling_through_a_throttle_makes_the_void_in_rebound():
    held = 200.0
    end = rear_end(replace(monotube(held), reservoir_share=1.0, refill_share=1.0), c_n_s_m=C)
    mirrored = drive(end, -sine_speed(X, HZ, 4))
    plain = drive(rear_end(monotube(held), c_n_s_m=C), sine_speed(X, HZ, 4))
    np.testing.assert_allclose(mirrored.oil_n, -plain.oil_n, atol=1e-3)


def test_gas_is_lost_one_way_and_brings_voids():
    physics = replace(monotube(2000.0), gas_half_life_s=0.5)
    bench = drive(rear_end(physics, c_n_s_m=C), sine_speed(X, HZ, 40))
    gas = bench.states[:, kernel.GAS]
    np.testing.assert_allclose(gas, 0.5 ** (bench.t_s / 0.5), rtol=1e-3)
    # no void while the gas holds 785 N, then ever larger
    void = bench.states[:, kernel.VOID]
    first = bench.t_s[np.argmax(void > 0.0)]
    pressure = 2000.0 / 900e-6 + 0.3e5
    at = 0.5 * np.log2(pressure / (C * X * W / 900e-6 + 0.3e5))
    assert at < first < at + CYCLE_S
    assert np.max(void[-300:]) > 2.0 * np.max(void[(bench.t_s > at) & (bench.t_s < at + 3 * CYCLE_S)])


def test_lost_oil_gives_its_room_to_the_gas():
    # p V stays: 40 ml of gas, 240 ml of oil a minute
    physics = replace(monotube(2000.0), oil_lost_ml_min=240.0, gas_ml=40.0)
    bench = drive(rear_end(physics, c_n_s_m=C), sine_speed(X, HZ, 20))
    np.testing.assert_allclose(bench.states[:, kernel.GAS], 40.0 / (40.0 + 4.0 * bench.t_s), rtol=1e-3)


@pytest.mark.parametrize(
    "leak", [{"gas_half_life_s": 5.0}, {"oil_lost_ml_min": 420.0, "gas_ml": 40.0}], ids=["gas", "oil"]
)
def test_a_leak_leaves_the_loop_and_the_work_of_the_pressure_that_is_left(leak):
    # 1 % of the gas in a cycle: slow enough for the loop of a constant pressure
    bench = drive(rear_end(replace(monotube(500.0), **leak), c_n_s_m=C), sine_speed(X, HZ, 49))
    late = last_cycle(bench)
    left = float(bench.states[late, kernel.GAS].mean())
    held = (left * (500.0 / 900e-6 + 0.3e5) - 0.3e5) * 900e-6
    assert 250.0 < held < 350.0
    opens, closes, expected = void_cycle(held)
    assert cycle_work(bench) == pytest.approx(expected, rel=0.01)
    assert expected < 0.8 * void_cycle(500.0)[2]
    angle = (W * bench.t_s) % (2.0 * np.pi)
    inside = late & (angle > opens + 0.1) & (angle < closes - 0.1)
    outside = late & (angle > closes + 0.1) & (angle < 2.0 * np.pi - 0.1)
    np.testing.assert_allclose(bench.oil_n[inside], held, rtol=0.03)
    np.testing.assert_allclose(bench.oil_n[outside], C * bench.speed_m_s[outside], atol=0.02 * C * X * W)


# ------------------------------------------------------------------------------------------------------- foam, heat
def test_foam_is_soft_and_thin():
    # bubbles of a share f under p are a spring p A / (f L) in series; force at a flow is 1 - f of what it was
    f, pressure = 0.05, 8.0
    physics = replace(
        RIGID, start_foam=f, gas_bar=pressure, area_mm2=900.0, chamber_mm=40.0, reservoir_share=1.0
    )
    bench = drive(rear_end(physics, c_n_s_m=C), sine_speed(X, HZ, 8))
    c, k = C * (1.0 - f), 1.0 / (1.0 / 1e9 + f * 0.04 / (900e-6 * pressure * 1e5))
    expected = np.pi * c * W * X**2 / (1.0 + (W * c / k) ** 2)
    assert cycle_work(bench) == pytest.approx(expected, rel=0.003)
    assert expected < 0.75 * VISCOUS_J
    late = last_cycle(bench)
    turning = late & (np.abs(bench.speed_m_s) < 0.02 * X * W)
    assert np.min(np.abs(bench.oil_n[turning])) > 0.25 * np.max(
        bench.oil_n
    )  # lags: force where there is no speed


def test_foam_grows_with_work_and_goes_slowly():
    # without recovery dphi = (most - phi) dW / W0 integrates to most (1 - exp(-W / W0))
    physics = replace(RIGID, foam_most=0.2, foam_work_kj=0.1, foam_recovery_s=1e9, stiffness_n_per_mm=1e6)
    stroke = sine_speed(X, HZ, 20)
    still = np.zeros(4000)
    bench = drive(rear_end(physics, c_n_s_m=C), np.concatenate([stroke, still]))
    foam, at = bench.states[:, kernel.FOAM], len(stroke) - 1
    heat = 100.0 * -np.log(1.0 - foam[at] / 0.2)
    assert heat == pytest.approx(bench.states[at, kernel.WORK], rel=0.03)
    back = replace(physics, foam_recovery_s=0.5)
    foam = drive(rear_end(back, c_n_s_m=C), np.concatenate([stroke, still])).states[:, kernel.FOAM]
    assert foam[-1] / foam[-2001] == pytest.approx(np.exp(-1.0), rel=0.01)
    hot = replace(physics, start_c=90.0)
    assert (
        drive(rear_end(hot, c_n_s_m=C), stroke).states[-1, kernel.FOAM] > 1.5 * bench.states[at, kernel.FOAM]
    )


def test_heat_thins_the_oil_with_a_time_constant():
    # dT/dt = (P - h (T - Ta)) / C: towards Ta + P / h with C / h
    physics = replace(RIGID, start_c=25.0, ambient_c=25.0, heat_capacity_j_k=40.0, cooling_w_k=20.0)
    bench = drive(rear_end(physics, c_n_s_m=C), sine_speed(X, HZ, 80))
    temperature = bench.states[:, kernel.TEMPERATURE] - 298.15
    power = VISCOUS_J * HZ
    at = np.searchsorted(bench.t_s, [1.024, 2.048, 4.096])
    expected = power / 20.0 * (1.0 - np.exp(-bench.t_s[at] / 2.0))
    np.testing.assert_allclose(temperature[at], expected, rtol=0.01)

    warm = replace(RIGID, start_c=90.0, thinning_1_k=0.02)
    assert work_left(rear_end(warm, c_n_s_m=C), X) == pytest.approx(np.exp(-0.02 * 30.0), rel=2e-3)


# ------------------------------------------------------------------------------------------------------ stuck valve
@pytest.mark.parametrize(
    ("sides", "flat"),
    [
        ({"compression_open": 1.0}, ("compression",)),
        ({"rebound_open": 1.0}, ("rebound",)),
        ({"compression_open": 1.0, "rebound_open": 1.0}, ("compression", "rebound")),
    ],
)
def test_a_stuck_valve_flattens_its_side_of_the_loop(sides, flat):
    # oil takes valve and orifice beside each other: v = F / c + F / sqrt(c2 (F + 2 N))
    end = rear_end(RIGID, c_n_s_m=C)
    bench = drive(end, sine_speed(X, HZ, 3), **sides)
    c2 = 0.04 * C * 0.25 / 0.25**2

    def beside(speed):
        return brentq(lambda f: f / C + f / np.sqrt(c2 * (f + 2.0)) - speed, 0.0, C * speed + 1.0)

    half = quad(lambda a: beside(X * W * np.sin(a)) * X * np.sin(a), 0.0, np.pi)[0]
    assert half < 0.05 * VISCOUS_J
    expected = half * len(flat) + 0.5 * VISCOUS_J * (2 - len(flat))
    assert cycle_work(bench) == pytest.approx(expected, rel=5e-3)
    late = last_cycle(bench)
    for side, inside in (("compression", bench.speed_m_s > 0), ("rebound", bench.speed_m_s < 0)):
        most = np.max(np.abs(bench.oil_n[late & inside]))
        assert most < 0.05 * C * X * W if side in flat else most == pytest.approx(C * X * W, rel=0.01)


def test_the_work_of_the_sound_twin_is_that_of_a_sound_damper_on_the_same_stroke():
    rng = np.random.default_rng(4)
    speed = np.convolve(0.3 * rng.standard_normal(4000), np.ones(40) / 40.0, mode="same")
    sound = replace(RIGID, stiffness_n_per_mm=1500.0)
    alone = drive(rear_end(sound), speed)
    for acts in ({"scale": 0.1}, {"rebound_open": 1.0}, {"gas_held": 1e-4}):
        failing = drive(rear_end(sound), speed, **acts)
        assert failing.states[-1, kernel.SOUND_WORK] == pytest.approx(alone.states[-1, kernel.WORK], rel=1e-3)
        assert failing.states[-1, kernel.WORK] < 0.8 * alone.states[-1, kernel.WORK]
