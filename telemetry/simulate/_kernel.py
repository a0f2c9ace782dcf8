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
DISTANCE, SPEED, GRAVITY, PITCH_MOMENT, FRONT_JACK, REAR_JACK, FRONT_SCALE, REAR_SCALE = range(8)
FRONT_ROAD, FRONT_ROAD_RATE, FRONT_SHAKE, REAR_ROAD, REAR_ROAD_RATE, REAR_SHAKE = range(8, 14)
INPUTS = 14

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

    def layout(part: tuple[Any, ...], names: tuple[str, ...]) -> np.dtype[np.void]:
        fields = [
            (
                name,
                layout(value, value._fields) if isinstance(value, EndConstants) else ("f8", np.shape(value)),
            )
            for name, value in zip(names, part, strict=True)
        ]
        return np.dtype((np.record, fields))

    record = np.zeros(1, layout(numbers, numbers._fields))[0]
    for name, value in numbers._asdict().items():
        record[name] = tuple(value) if isinstance(value, EndConstants) else value
    return cast(Constants, record)


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
def suspension_force(wheel_m: float, wheel_m_s: float, scale: float, end: EndConstants) -> float:
    """Force between wheel and chassis at the wheel, pushing them apart."""
    shaft, ratio, force = shaft_of_wheel(wheel_m, end)
    speed = wheel_m_s / ratio
    if speed >= 0.0:
        damping = damper_force(speed, end.compression_low, end.compression_high, end.compression_knee)
    else:
        damping = damper_force(speed, end.rebound_low, end.rebound_high, end.rebound_knee)
    force += scale * damping + end.friction_n * tanh(speed / end.friction_speed)
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
    """What a wheel meets at a place: height and its rate (road and tyre out of round), force of imbalance."""
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
def acceleration(
    state: FloatArray, inputs: FloatArray, bike: Constants, rate: FloatArray, row: FloatArray
) -> None:
    """Time derivative of the state (four places, four speeds) into ``rate``; what is answered into ``row``."""
    heave, pitch, front, rear = state[0], state[1], state[2], state[3]
    heave_rate, pitch_rate, front_rate, rear_rate = state[4], state[5], state[6], state[7]
    y_front = front - (heave - bike.arm_front_m * pitch)
    y_rear = rear - (heave + bike.arm_rear_m * pitch)
    v_front = front_rate - (heave_rate - bike.arm_front_m * pitch_rate)
    v_rear = rear_rate - (heave_rate + bike.arm_rear_m * pitch_rate)

    # Between chassis and wheel: spring and damper, and what brake and chain add through the geometry.
    push_front = suspension_force(y_front, v_front, inputs[FRONT_SCALE], bike.front) + inputs[FRONT_JACK]
    push_rear = suspension_force(y_rear, v_rear, inputs[REAR_SCALE], bike.rear) + inputs[REAR_JACK]
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
) -> FloatArray:
    """March from ``start``; one row of the answer every ``sample_s``, ``substeps`` steps in between."""
    answer = np.empty((n_samples, COLUMNS))
    state, trial, rate = start.copy(), np.empty(8), np.empty(8)
    row, gain = np.empty(COLUMNS), np.empty(8)
    inputs = np.empty((3, INPUTS))
    step = sample_s / substeps
    for sample in range(n_samples):
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
                acceleration(trial, inputs[STAGE_INPUT[stage]], bike, rate, row)
                for i in range(8):
                    gain[i] += STAGE_WEIGHT[stage] * step * rate[i]
                if stage == 0:
                    keep(row, answer[sample], sub == 0)
            for i in range(8):
                state[i] += gain[i]
    return answer
