"""The compiled inner loop: in-plane motorcycle, classical Runge-Kutta of fourth order.

Coordinates: heave z up, pitch nose down, both wheels up; zero with both ends extended and the tyres just
touching a flat road. Wheel travel of an end is (wheel) - (its mount on the chassis). SI units throughout.
"""

from collections.abc import Callable
from math import tanh
from typing import Any, NamedTuple, TypeVar, cast

import numpy as np
from numba import njit

from telemetry.arrays import FloatArray

# Columns of the answer
Y_FRONT, Y_REAR, V_FRONT, V_REAR, TYRE_FRONT, TYRE_REAR = range(6)
HEAVE, PITCH, HEAVE_RATE, PITCH_RATE = range(6, 10)
FRONT_MOST, FRONT_LEAST, REAR_MOST, REAR_LEAST = range(10, 14)
COLUMNS = 14

# Columns of the drive table; the wheels' own follow them in what acts on the motorcycle at one instant
DISTANCE, SPEED, GRAVITY, PITCH_MOMENT, FRONT_JACK, REAR_JACK = range(6)
FRONT_DAMPER, REAR_DAMPER = 6, 10  # the first of four columns each:
SCALE, COMPRESSION_OPEN, REBOUND_OPEN, GAS_HELD = range(4)
FRONT_ROAD, FRONT_ROAD_RATE, FRONT_SHAKE, REAR_ROAD, REAR_ROAD_RATE, REAR_SHAKE = range(14, 20)
INPUTS = 20

# State of a damper, and what is answered of it. Force and work are the oil's, along the shaft; friction is not in them.
STRETCH, SOUND_STRETCH, BRISTLE, TEMPERATURE, FOAM, GAS, SHAFT_SPEED, FORCE, VOID, WORK, SOUND_WORK = range(
    11
)
DAMPER_STATES = 11

AIR_PA = 1.013e5
LAMINAR_N = 2.0  # force below which the flow beside a valve that is held open is laminar
SOLVED_N, SOLVED_M = 1e-6, 1e-9  # when the damper's force is solved; a void below this is none

PATCH_M = 0.002  # tyre deflection over which its damping comes in

# Runge-Kutta of fourth order: which of the inputs (start, middle, end of the step) each stage sees,
# how far it looks ahead from the stage before, and its weight
STAGE_INPUT = (0, 1, 1, 2)
STAGE_AHEAD = (0.0, 0.5, 0.5, 1.0)
STAGE_WEIGHT = (1.0 / 6.0, 1.0 / 3.0, 1.0 / 3.0, 1.0 / 6.0)


Function = TypeVar("Function", bound=Callable[..., Any])


def compiled(function: Function) -> Function:
    """Compile a function, once per machine; strict floating point, so that results repeat."""
    return cast(Function, njit(cache=True, fastmath=False)(function))


class DamperConstants(NamedTuple):
    """A damper with oil, gas and seals as in `telemetry.simulate.vehicle`, SI; ``physical`` 0 without."""

    physical: float
    area_m2: float
    chamber_m: float
    stiffness_n_m: float
    gas_pa: float
    vapour_pa: float
    vapour_growth_k: float
    reservoir_share: float
    refill_share: float
    warm_k: float
    ambient_k: float
    start_k: float
    heat_capacity_j_k: float
    cooling_w_k: float
    thinning_1_k: float
    start_foam: float
    foam_most: float
    foam_work_j: float
    foam_recovery_s: float
    foam_growth_k: float
    gas_lost_1_s: float
    oil_lost_1_s: float
    stuck_n_s2_m2: float
    bristle_n_m: float  # 0: friction follows tanh
    bristle_n_s_m: float
    breakaway_n: float
    stribeck_m_s: float
    flow_step_n: float  # of what follows, against force, evenly spaced from 0
    compression_flow_m_s: FloatArray
    rebound_flow_m_s: FloatArray


class EndConstants(NamedTuple):
    """One end. Damper, friction, springs and stops along the shaft; mass and tyre at the wheel."""

    unsprung_kg: float
    tyre_n_m: float
    tyre_n_s_m: float
    stroke_m: float
    compression_low: float
    compression_high: float
    compression_knee: float
    rebound_low: float
    rebound_high: float
    rebound_knee: float
    friction_n: float
    friction_speed: float
    stop_length_m: float
    stop_n_m: float
    stop_n_s_m: float
    table_step_m: float  # of what follows, against wheel travel, evenly spaced from 0
    table_shaft_m: FloatArray
    table_ratio: FloatArray
    table_spring_n: FloatArray
    wheel_radius_m: float
    imbalance_kg_m: float
    runout_m: float
    damper: DamperConstants


class Constants(NamedTuple):
    """The chassis and its two ends; handed to the inner loop as a record, see `packed`."""

    sprung_kg: float
    inertia_kg_m2: float
    arm_front_m: float
    arm_rear_m: float
    wheelbase_m: float
    front: EndConstants
    rear: EndConstants


def packed(numbers: Constants) -> Constants:
    """The same numbers as a NumPy record with the same attributes.

    Compiled functions hand a record on by address but a tuple by value: this halves the time of the inner loop.
    """

    def layout(part: Any) -> np.dtype[np.void]:
        fields = [
            (name, layout(value) if isinstance(value, tuple) else ("f8", np.shape(value)))
            for name, value in part._asdict().items()
        ]
        return np.dtype((np.record, fields))

    def plain(part: Any) -> Any:
        return tuple(plain(value) for value in part) if isinstance(part, tuple) else part

    record = np.zeros(1, layout(numbers))
    record[0] = plain(numbers)
    return cast(Constants, record[0])


@compiled
def damper_force(speed: float, low: float, high: float, knee: float) -> float:
    """Digressive damper force of one side at a shaft speed."""
    return high * speed + (low - high) * knee * tanh(speed / knee)


@compiled
def hard_stop(depth: float, rate: float, end: EndConstants) -> float:
    """Force of metal on metal: stiffens without limit towards the end of the stroke."""
    if depth <= 0.0:
        return 0.0
    # the last tenth carries on straight, so that no step of the integrator meets infinity
    inside = min(depth, 0.9 * end.stop_length_m)
    left = 1.0 - inside / end.stop_length_m
    force = end.stop_n_m * (inside / left + (depth - inside) / left**2)
    return force + end.stop_n_s_m * max(rate, 0.0) * inside / end.stop_length_m


@compiled
def shaft_of_wheel(wheel_m: float, end: EndConstants) -> tuple[float, float, float]:
    """Shaft travel, leverage ratio and force of the springs at a wheel travel; beyond the table the shaft goes on."""
    n = len(end.table_shaft_m)
    place = wheel_m / end.table_step_m
    i = max(0, min(int(place), n - 2))
    part = max(0.0, min(place - i, 1.0))
    shaft = end.table_shaft_m[i] + part * (end.table_shaft_m[i + 1] - end.table_shaft_m[i])
    ratio = end.table_ratio[i] + part * (end.table_ratio[i + 1] - end.table_ratio[i])
    spring = end.table_spring_n[i] + part * (end.table_spring_n[i + 1] - end.table_spring_n[i])
    return shaft + (place - i - part) * end.table_step_m / ratio, ratio, spring


@compiled
def sound_force(speed: float, end: EndConstants) -> float:
    """Damper force of the bike file at a shaft speed."""
    if speed >= 0.0:
        return damper_force(speed, end.compression_low, end.compression_high, end.compression_knee)
    return damper_force(speed, end.rebound_low, end.rebound_high, end.rebound_knee)


@compiled
def flow_of_force(
    force_n: float, thickness: float, opened: float, damper: DamperConstants
) -> tuple[float, float]:
    """Speed of the oil through the valves (as of a piston), and its slope, at a force.

    ``thickness`` 1 for the bike file's curve. Beside a valve that is held open (0 to 1) the oil also takes an orifice.
    """
    size = abs(force_n)
    table = damper.compression_flow_m_s if force_n >= 0.0 else damper.rebound_flow_m_s
    place = size / (thickness * damper.flow_step_n)
    i = min(int(place), len(table) - 2)
    rise = table[i + 1] - table[i]
    flow, slope = table[i] + (place - i) * rise, rise / (thickness * damper.flow_step_n)
    if opened > 0.0:
        # turbulent, F = c w^2, but for the first newtons, where it is laminar
        root = np.sqrt(damper.stuck_n_s2_m2 * (size + LAMINAR_N))
        flow += opened * size / root
        slope += opened * (1.0 - 0.5 * size / (size + LAMINAR_N)) / root
    return (flow if force_n >= 0.0 else -flow), slope


@compiled
def oil_force(
    reach_n: float,
    give_m_n_s: float,
    least_n: float,
    most_n: float,
    thickness: float,
    compression_open: float,
    rebound_open: float,
    damper: DamperConstants,
) -> float:
    """Force F of F + ``give_m_n_s`` w(F) = ``reach_n``; kept where a void holds it. Newton's rule between bounds."""
    opened = compression_open if reach_n >= 0.0 else rebound_open
    low, high = min(0.0, reach_n), max(0.0, reach_n)
    low, high = max(low, min(least_n, high)), min(high, max(most_n, low))
    force = high if reach_n >= 0.0 else low
    for _ in range(40):
        flow, slope = flow_of_force(force, thickness, opened, damper)
        wrong = force + give_m_n_s * flow - reach_n
        if wrong > 0.0:
            high = force
        else:
            low = force
        new = force - wrong / (1.0 + give_m_n_s * slope)
        if new < low or new > high:
            new = 0.5 * (low + high)
        if abs(new - force) < SOLVED_N:
            return new
        force = new
    return force


@compiled
def stretched(
    stretch: float,
    speed_before: float,
    speed: float,
    step_s: float,
    k: float,
    least_n: float,
    most_n: float,
    thickness: float,
    compression_open: float,
    rebound_open: float,
    damper: DamperConstants,
) -> tuple[float, float, float]:
    """Force of the oil, its stretch q and the flow after a step of q' = v - w(F), F = k q; see `damper`.

    The one-step method of weight theta on the new instant, theta = 1 / (1 - e^-z) - 1 / z, z = k h w'(F): exact for a
    valve that is a straight line and a speed that changes evenly, stable for any stiffness (exponential fitting: W.
    Liniger, R. A. Willoughby, SIAM J. Numer. Anal. 7(1), 47-66, 1970).
    """
    before = max(least_n, min(most_n, k * stretch))
    if step_s == 0.0:
        return before, stretch, 0.0
    flow, slope = flow_of_force(
        before, thickness, compression_open if before >= 0.0 else rebound_open, damper
    )
    z = k * step_s * slope
    theta = 0.5 + z / 12.0 if z < 1e-3 else 1.0 / (1.0 - np.exp(-z)) - 1.0 / z
    moved = stretch + step_s * (theta * speed + (1.0 - theta) * (speed_before - flow))
    force = oil_force(
        k * moved, k * theta * step_s, least_n, most_n, thickness, compression_open, rebound_open, damper
    )
    flow, _ = flow_of_force(force, thickness, compression_open if force >= 0.0 else rebound_open, damper)
    return force, moved - theta * step_s * flow, flow


@compiled
def void_limits(state: FloatArray, gas_held: float, damper: DamperConstants) -> tuple[float, float]:
    """Forces between which no void opens (least, most), by gas pressure, temperature and vapour pressure."""
    gas, vapour = gas_pressure(state, gas_held, damper), vapour_pressure(state, damper)
    left = max(gas - vapour, 0.0) * damper.area_m2
    most = left / max(1.0 - damper.reservoir_share, 1e-9)
    return -left / max(damper.refill_share, 1e-9), most


@compiled
def gas_pressure(state: FloatArray, gas_held: float, damper: DamperConstants) -> float:
    """Absolute pressure of the gas: as a closed volume with temperature, less what leaked; the air's at least."""
    return float(gas_held * max(damper.gas_pa * state[GAS] * state[TEMPERATURE] / damper.warm_k, AIR_PA))


@compiled
def vapour_pressure(state: FloatArray, damper: DamperConstants) -> float:
    """Absolute pressure at which gas or vapour comes out of the oil."""
    return float(damper.vapour_pa * np.exp((state[TEMPERATURE] - damper.warm_k) / damper.vapour_growth_k))


@compiled
def oil_stiffness(state: FloatArray, gas_held: float, damper: DamperConstants) -> float:
    """Stiffness of oil and walls, with the bubbles in the oil in series (isothermal: bulk modulus p over fraction)."""
    bubbles = state[FOAM] * damper.chamber_m / (damper.area_m2 * gas_pressure(state, gas_held, damper))
    return float(1.0 / (1.0 / damper.stiffness_n_m + bubbles))


@compiled
def oil_thickness(state: FloatArray, scale: float, damper: DamperConstants) -> float:
    """Damper force over that of the bike file at the same flow: thinner when hot, less dense with bubbles in it."""
    thin = np.exp(-damper.thinning_1_k * (state[TEMPERATURE] - damper.warm_k))
    return float(max(1e-4, scale * thin * (1.0 - state[FOAM])))


@compiled
def oil_after(
    state: FloatArray, speed: float, ahead_s: float, inputs: FloatArray, first: int, damper: DamperConstants
) -> tuple[float, float, float]:
    """Force of the oil, its stretch and the flow through the valves, after a step to a shaft speed."""
    held = inputs[first + GAS_HELD]
    least, most = void_limits(state, held, damper)
    return stretched(
        state[STRETCH],
        state[SHAFT_SPEED],
        speed,
        ahead_s,
        oil_stiffness(state, held, damper),
        least,
        most,
        oil_thickness(state, inputs[first + SCALE], damper),
        inputs[first + COMPRESSION_OPEN],
        inputs[first + REBOUND_OPEN],
        damper,
    )


@compiled
def friction_after(
    bristle: float, speed: float, mean_speed: float, ahead_s: float, end: EndConstants
) -> tuple[float, float]:
    """Friction and the bend of its bristles after a step at a mean shaft speed: the LuGre model.

    z' = v - s0 |v| z / g(v), F = s0 z + s1 z', g(v) = Fc + (Fs - Fc) exp(-(v / vs)^2); solved for an even speed.
    With Fs = Fc and s1 = 0 it is Dahl's. C. Canudas de Wit, H. Olsson, K. J. Astrom, P. Lischinsky, IEEE Trans.
    Automatic Control 40(3), 419-425, 1995; P. R. Dahl, AIAA Journal 14(12), 1675-1682, 1976.
    """
    damper = end.damper
    if damper.bristle_n_m == 0.0:
        return end.friction_n * tanh(speed / end.friction_speed), 0.0
    more = damper.breakaway_n - end.friction_n
    level = end.friction_n + more * np.exp(-((mean_speed / damper.stribeck_m_s) ** 2))
    if level <= 0.0:
        return 0.0, 0.0
    bent = level / damper.bristle_n_m * np.sign(mean_speed)
    z = bent + (bristle - bent) * np.exp(-abs(mean_speed) * ahead_s * damper.bristle_n_m / level)
    now = end.friction_n + more * np.exp(-((speed / damper.stribeck_m_s) ** 2))
    rate = speed - damper.bristle_n_m * abs(speed) * z / now
    return damper.bristle_n_m * z + damper.bristle_n_s_m * rate, z


@compiled
def damper_push(
    speed: float, state: FloatArray, ahead_s: float, inputs: FloatArray, first: int, end: EndConstants
) -> float:
    """Force of damper and friction along the shaft, a little after the instant of ``state``."""
    if end.damper.physical == 0.0:
        sliding = end.friction_n * tanh(speed / end.friction_speed)
        return float(inputs[first + SCALE] * sound_force(speed, end) + sliding)
    mean = 0.5 * (state[SHAFT_SPEED] + speed)
    oil, _, _ = oil_after(state, speed, ahead_s, inputs, first, end.damper)
    friction, _ = friction_after(state[BRISTLE], speed, mean, ahead_s, end)
    return oil + friction


@compiled
def damper_goes_on(
    speed: float, state: FloatArray, step_s: float, inputs: FloatArray, first: int, end: EndConstants
) -> None:
    """Carry the damper's state over a step, with the work done, and the work of a sound twin on the same stroke."""
    damper = end.damper
    last = state[SHAFT_SPEED]
    mean = 0.5 * (last + speed)
    if damper.physical == 0.0:
        sound = sound_force(mean, end)
        state[SHAFT_SPEED], state[FORCE] = speed, inputs[first + SCALE] * sound
        state[WORK] += step_s * mean * state[FORCE]
        state[SOUND_WORK] += step_s * mean * sound
        return
    k, before = damper.stiffness_n_m, state[FORCE]
    force, stretch, flow = oil_after(state, speed, step_s, inputs, first, damper)
    friction, z = friction_after(state[BRISTLE], speed, mean, step_s, end)
    sound, sound_stretch, _ = stretched(
        state[SOUND_STRETCH], last, speed, step_s, k, -np.inf, np.inf, 1.0, 0.0, 0.0, damper
    )
    state[WORK] += 0.5 * step_s * (last * before + speed * force)
    state[SOUND_WORK] += 0.5 * step_s * (last * k * state[SOUND_STRETCH] + speed * sound)
    void = abs(stretch) - abs(force) / oil_stiffness(state, inputs[first + GAS_HELD], damper)
    state[VOID] = void if void > SOLVED_M else 0.0
    heat = force * flow + max(0.0, friction * mean)
    state[STRETCH], state[SOUND_STRETCH], state[FORCE], state[BRISTLE] = stretch, sound_stretch, force, z
    state[SHAFT_SPEED] = speed

    warmer = heat - damper.cooling_w_k * (state[TEMPERATURE] - damper.ambient_k)
    gulped = heat / damper.foam_work_j * np.exp((state[TEMPERATURE] - damper.warm_k) / damper.foam_growth_k)
    state[FOAM] += step_s * (
        (damper.foam_most - state[FOAM]) * gulped - (state[FOAM] - damper.start_foam) / damper.foam_recovery_s
    )
    state[TEMPERATURE] += step_s * warmer / damper.heat_capacity_j_k
    state[GAS] -= step_s * (damper.gas_lost_1_s + damper.oil_lost_1_s * state[GAS]) * state[GAS]


@compiled
def suspension_force(
    wheel_m: float,
    wheel_m_s: float,
    state: FloatArray,
    ahead_s: float,
    inputs: FloatArray,
    first: int,
    end: EndConstants,
) -> float:
    """Force between wheel and chassis at the wheel, pushing them apart."""
    shaft, ratio, force = shaft_of_wheel(wheel_m, end)
    speed = wheel_m_s / ratio
    force += damper_push(speed, state, ahead_s, inputs, first, end)
    force += hard_stop(shaft - (end.stroke_m - end.stop_length_m), speed, end)
    force -= hard_stop(end.stop_length_m - shaft, -speed, end)
    return float(force / ratio)


@compiled
def tyre_force(road_m: float, road_m_s: float, wheel_m: float, wheel_m_s: float, end: EndConstants) -> float:
    """Vertical force of the tyre on its wheel; none when it has left the road.

    Its damping comes in over the first 2 mm, as the contact patch grows, so that touching down is no jump.
    """
    deflection = road_m - wheel_m
    if deflection <= 0.0:
        return 0.0
    patch = min(1.0, deflection / PATCH_M)
    return max(0.0, end.tyre_n_m * deflection + patch * end.tyre_n_s_m * (road_m_s - wheel_m_s))


@compiled
def road_at(distance_m: float, step_m: float, height_m: FloatArray) -> tuple[float, float]:
    """Height and slope of a closed road at a place: Catmull-Rom through its even points."""
    n = len(height_m)
    place = distance_m / step_m
    floor = np.floor(place)
    part = place - floor
    i = int(floor) % n
    before, here = height_m[i - 1], height_m[i]
    after, beyond = height_m[(i + 1) % n], height_m[(i + 2) % n]
    a = 0.5 * (after - before)
    b = before - 2.5 * here + 2.0 * after - 0.5 * beyond
    c = 0.5 * (beyond - before) + 1.5 * (here - after)
    return here + part * (a + part * (b + part * c)), (a + part * (2.0 * b + 3.0 * part * c)) / step_m


@compiled
def wheel_at(
    distance_m: float, speed_m_s: float, road_step_m: float, road_m: FloatArray, end: EndConstants
) -> tuple[float, float, float]:
    """Road height at a wheel [m], its rate [m/s] including tyre runout, and the force of imbalance [N]."""
    height, slope = road_at(distance_m, road_step_m, road_m)
    if end.runout_m == 0.0 and end.imbalance_kg_m == 0.0:
        return height, slope * speed_m_s, 0.0
    turn, spin = distance_m / end.wheel_radius_m, speed_m_s / end.wheel_radius_m
    height += end.runout_m * np.sin(turn)
    rate = slope * speed_m_s + end.runout_m * spin * np.cos(turn)
    return height, rate, end.imbalance_kg_m * spin**2 * np.sin(turn)


@compiled
def inputs_at(
    time_s: float,
    step_s: float,
    table: FloatArray,
    road_step_m: float,
    road_front_m: FloatArray,
    road_rear_m: FloatArray,
    bike: Constants,
    inputs: FloatArray,
) -> None:
    """Everything that acts on the motorcycle at a time, straight between the rows of the drive table."""
    place = time_s / step_s
    i = min(int(place), table.shape[0] - 2)
    part = place - i
    for column in range(table.shape[1]):
        inputs[column] = table[i, column] + part * (table[i + 1, column] - table[i, column])
    distance, speed = inputs[DISTANCE], inputs[SPEED]
    inputs[FRONT_ROAD], inputs[FRONT_ROAD_RATE], inputs[FRONT_SHAKE] = wheel_at(
        distance, speed, road_step_m, road_front_m, bike.front
    )
    inputs[REAR_ROAD], inputs[REAR_ROAD_RATE], inputs[REAR_SHAKE] = wheel_at(
        distance - bike.wheelbase_m, speed, road_step_m, road_rear_m, bike.rear
    )


@compiled
def travel_of(state: FloatArray, bike: Constants) -> tuple[float, float, float, float]:
    """Wheel travel and its speed, front and rear, of a state."""
    heave, pitch, front, rear = state[0], state[1], state[2], state[3]
    heave_rate, pitch_rate, front_rate, rear_rate = state[4], state[5], state[6], state[7]
    y_front = front - (heave - bike.arm_front_m * pitch)
    y_rear = rear - (heave + bike.arm_rear_m * pitch)
    v_front = front_rate - (heave_rate - bike.arm_front_m * pitch_rate)
    v_rear = rear_rate - (heave_rate + bike.arm_rear_m * pitch_rate)
    return y_front, y_rear, v_front, v_rear


@compiled
def dampers_go_on(
    state: FloatArray, dampers: FloatArray, step_s: float, inputs: FloatArray, bike: Constants
) -> None:
    """Carry both dampers over a step to where the motorcycle is after it."""
    y_front, y_rear, v_front, v_rear = travel_of(state, bike)
    _, ratio_front, _ = shaft_of_wheel(y_front, bike.front)
    _, ratio_rear, _ = shaft_of_wheel(y_rear, bike.rear)
    damper_goes_on(v_front / ratio_front, dampers[0], step_s, inputs, FRONT_DAMPER, bike.front)
    damper_goes_on(v_rear / ratio_rear, dampers[1], step_s, inputs, REAR_DAMPER, bike.rear)


@compiled
def fresh_damper(end: EndConstants) -> FloatArray:
    """State of a damper at rest."""
    state = np.zeros(DAMPER_STATES)
    state[TEMPERATURE], state[FOAM], state[GAS] = end.damper.start_k, end.damper.start_foam, 1.0
    return state


@compiled
def acceleration(
    state: FloatArray,
    dampers: FloatArray,
    ahead_s: float,
    inputs: FloatArray,
    bike: Constants,
    rate: FloatArray,
    row: FloatArray,
) -> None:
    """Time derivative of the state (four places, four speeds) into ``rate``; what is answered into ``row``.

    ``dampers`` are as they were ``ahead_s`` before.
    """
    heave, pitch, front, rear = state[0], state[1], state[2], state[3]
    heave_rate, pitch_rate, front_rate, rear_rate = state[4], state[5], state[6], state[7]
    y_front, y_rear, v_front, v_rear = travel_of(state, bike)

    # Between chassis and wheel: spring and damper, and what brake and chain add through the geometry.
    push_front = suspension_force(y_front, v_front, dampers[0], ahead_s, inputs, FRONT_DAMPER, bike.front)
    push_rear = suspension_force(y_rear, v_rear, dampers[1], ahead_s, inputs, REAR_DAMPER, bike.rear)
    push_front += inputs[FRONT_JACK]
    push_rear += inputs[REAR_JACK]
    tyre_front = tyre_force(inputs[FRONT_ROAD], inputs[FRONT_ROAD_RATE], front, front_rate, bike.front)
    tyre_rear = tyre_force(inputs[REAR_ROAD], inputs[REAR_ROAD_RATE], rear, rear_rate, bike.rear)

    gravity = inputs[GRAVITY]
    turning = bike.arm_rear_m * push_rear - bike.arm_front_m * push_front + inputs[PITCH_MOMENT]
    for i in range(4):
        rate[i] = state[4 + i]
    rate[4] = (push_front + push_rear) / bike.sprung_kg - gravity
    rate[5] = turning / bike.inertia_kg_m2
    rate[6] = (tyre_front - push_front + inputs[FRONT_SHAKE]) / bike.front.unsprung_kg - gravity
    rate[7] = (tyre_rear - push_rear + inputs[REAR_SHAKE]) / bike.rear.unsprung_kg - gravity

    row[Y_FRONT], row[Y_REAR], row[V_FRONT], row[V_REAR] = y_front, y_rear, v_front, v_rear
    row[TYRE_FRONT], row[TYRE_REAR] = tyre_front, tyre_rear
    row[HEAVE], row[PITCH], row[HEAVE_RATE], row[PITCH_RATE] = heave, pitch, heave_rate, pitch_rate


@compiled
def keep(row: FloatArray, kept: FloatArray, first: bool) -> None:
    """Write what is answered at a sample, and widen its extremes by what comes until the next."""
    if first:
        for column in range(FRONT_MOST):
            kept[column] = row[column]
        kept[FRONT_MOST], kept[FRONT_LEAST] = row[Y_FRONT], row[Y_FRONT]
        kept[REAR_MOST], kept[REAR_LEAST] = row[Y_REAR], row[Y_REAR]
    kept[FRONT_MOST] = max(kept[FRONT_MOST], row[Y_FRONT])
    kept[FRONT_LEAST] = min(kept[FRONT_LEAST], row[Y_FRONT])
    kept[REAR_MOST] = max(kept[REAR_MOST], row[Y_REAR])
    kept[REAR_LEAST] = min(kept[REAR_LEAST], row[Y_REAR])


@compiled
def integrate(
    start: FloatArray,
    bike: Constants,
    drive_step_s: float,
    drive: FloatArray,
    road_step_m: float,
    road_front_m: FloatArray,
    road_rear_m: FloatArray,
    sample_s: float,
    substeps: int,
    n_samples: int,
) -> tuple[FloatArray, FloatArray]:
    """March from ``start``; one row of the answer every ``sample_s``, ``substeps`` steps in between.

    The second answer, of shape (n_samples, 2, DAMPER_STATES), is of the dampers.
    """
    answer, answer_dampers = np.empty((n_samples, COLUMNS)), np.empty((n_samples, 2, DAMPER_STATES))
    dampers = np.empty((2, DAMPER_STATES))
    dampers[0], dampers[1] = fresh_damper(bike.front), fresh_damper(bike.rear)
    state, trial, rate = start.copy(), np.empty(8), np.empty(8)
    row, gain = np.empty(COLUMNS), np.empty(8)
    inputs = np.empty((3, INPUTS))
    step = sample_s / substeps
    for sample in range(n_samples):
        answer_dampers[sample] = dampers
        for sub in range(substeps):
            time = sample * sample_s + sub * step
            for part in range(3):
                inputs_at(
                    time + 0.5 * part * step,
                    drive_step_s,
                    drive,
                    road_step_m,
                    road_front_m,
                    road_rear_m,
                    bike,
                    inputs[part],
                )
            for i in range(8):
                rate[i], gain[i] = 0.0, 0.0
            for stage in range(4):
                for i in range(8):
                    trial[i] = state[i] + STAGE_AHEAD[stage] * step * rate[i]
                ahead = STAGE_AHEAD[stage] * step
                acceleration(trial, dampers, ahead, inputs[STAGE_INPUT[stage]], bike, rate, row)
                for i in range(8):
                    gain[i] += STAGE_WEIGHT[stage] * step * rate[i]
                if stage == 0:
                    keep(row, answer[sample], sub == 0)
            for i in range(8):
                state[i] += gain[i]
            dampers_go_on(state, dampers, step, inputs[2], bike)
    return answer, answer_dampers


@compiled
def with_play(travel: FloatArray, play: float) -> FloatArray:
    """Travel seen through mechanical play: constant until the play is taken up."""
    seen = np.empty(len(travel))
    at = travel[0]
    for i in range(len(travel)):
        at = min(max(at, travel[i] - 0.5 * play), travel[i] + 0.5 * play)
        seen[i] = at
    return seen
