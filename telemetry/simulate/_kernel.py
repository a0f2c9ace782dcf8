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
Y_FRONT, Y_REAR, V_FRONT, V_REAR, HEAVE, PITCH, HEAVE_RATE, PITCH_RATE = range(8)
TYRE_FRONT, TYRE_REAR, FRONT_MOST, FRONT_LEAST, REAR_MOST, REAR_LEAST = range(8, 14)
COLUMNS = 14

# Columns of the drive table
DISTANCE, GRAVITY, PITCH_MOMENT, FRONT_JACK, REAR_JACK, FRONT_SCALE, REAR_SCALE = range(7)


Function = TypeVar("Function", bound=Callable[..., Any])


def compiled(function: Function) -> Function:
    """Compile a function, once per machine; strict floating point, so that results repeat."""
    return cast(Function, njit(cache=True, fastmath=False)(function))


class EndConstants(NamedTuple):
    """One end. Damper, friction, spring and stops along the shaft; mass and tyre at the wheel."""

    unsprung_kg: float
    tyre_n_m: float
    tyre_n_s_m: float
    spring_n_m: float
    preload_m: float
    stroke_m: float
    compression_low: float
    compression_high: float
    compression_knee: float
    rebound_low: float
    rebound_high: float
    rebound_knee: float
    friction_n: float
    friction_speed: float
    bump_length_m: float
    bump_force_n: float
    bump_power: float
    top_out_length_m: float
    top_out_n_m: float
    stop_length_m: float
    stop_n_m: float
    stop_n_s_m: float
    table_step_m: float  # shaft travel and ratio against wheel travel, evenly spaced from 0
    table_shaft_m: FloatArray
    table_ratio: FloatArray
    wheel_radius_m: float
    imbalance_kg_m: float
    runout_m: float


class Constants(NamedTuple):
    """The chassis and its two ends."""

    sprung_kg: float
    inertia_kg_m2: float
    arm_front_m: float
    arm_rear_m: float
    wheelbase_m: float
    front: EndConstants
    rear: EndConstants


@compiled
def damper_force(speed: float, low: float, high: float, knee: float) -> float:
    """Digressive damper force of one side at a shaft speed."""
    return high * speed + (low - high) * knee * tanh(speed / knee)


@compiled
def hard_stop(depth: float, rate: float, end: EndConstants) -> float:
    """Force of metal on metal: stiffens without limit towards the end of the stroke."""
    if depth <= 0.0:
        return 0.0
    # the last hundredth carries on straight, so that no step of the integrator meets infinity
    inside = min(depth, 0.99 * end.stop_length_m)
    left = 1.0 - inside / end.stop_length_m
    force = end.stop_n_m * (inside / left + (depth - inside) / left**2)
    return force + end.stop_n_s_m * max(rate, 0.0) * inside / end.stop_length_m


@compiled
def shaft_of_wheel(wheel_m: float, end: EndConstants) -> tuple[float, float]:
    """Shaft travel and leverage ratio at a wheel travel; straight on beyond the table."""
    n = len(end.table_shaft_m)
    place = wheel_m / end.table_step_m
    if place <= 0.0:
        return end.table_shaft_m[0] + wheel_m / end.table_ratio[0], end.table_ratio[0]
    if place >= n - 1:
        ratio = end.table_ratio[n - 1]
        return end.table_shaft_m[n - 1] + (place - (n - 1)) * end.table_step_m / ratio, ratio
    i = int(place)
    part = place - i
    shaft = end.table_shaft_m[i] + part * (end.table_shaft_m[i + 1] - end.table_shaft_m[i])
    return shaft, end.table_ratio[i] + part * (end.table_ratio[i + 1] - end.table_ratio[i])


@compiled
def suspension_force(wheel_m: float, wheel_m_s: float, scale: float, end: EndConstants) -> float:
    """Force between wheel and chassis at the wheel, pushing them apart."""
    shaft, ratio = shaft_of_wheel(wheel_m, end)
    speed = wheel_m_s / ratio
    if speed >= 0.0:
        damping = damper_force(speed, end.compression_low, end.compression_high, end.compression_knee)
    else:
        damping = damper_force(speed, end.rebound_low, end.rebound_high, end.rebound_knee)
    force = end.spring_n_m * (shaft + end.preload_m) + scale * damping
    force += end.friction_n * tanh(speed / end.friction_speed)
    bump = shaft - (end.stroke_m - end.bump_length_m)
    if bump > 0.0:
        force += end.bump_force_n * (bump / end.bump_length_m) ** end.bump_power
    if shaft < end.top_out_length_m:
        force -= end.top_out_n_m * (end.top_out_length_m - shaft)
    force += hard_stop(shaft - (end.stroke_m - end.stop_length_m), speed, end)
    force -= hard_stop(end.stop_length_m - shaft, -speed, end)
    return float(force / ratio)


@compiled
def tyre_force(road_m: float, road_m_s: float, wheel_m: float, wheel_m_s: float, end: EndConstants) -> float:
    """Vertical force of the tyre on its wheel; none when it has left the road."""
    deflection = road_m - wheel_m
    if deflection <= 0.0:
        return 0.0
    return max(0.0, end.tyre_n_m * deflection + end.tyre_n_s_m * (road_m_s - wheel_m_s))


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
def drive_at(time_s: float, step_s: float, table: FloatArray, inputs: FloatArray) -> None:
    """Rider's inputs at a time, straight between rows; the last entry becomes the speed."""
    place = time_s / step_s
    i = min(int(place), table.shape[0] - 2)
    part = place - i
    for column in range(table.shape[1]):
        inputs[column] = table[i, column] + part * (table[i + 1, column] - table[i, column])
    inputs[table.shape[1]] = (table[i + 1, DISTANCE] - table[i, DISTANCE]) / step_s


@compiled
def acceleration(
    state: FloatArray,
    inputs: FloatArray,
    road_step_m: float,
    road_front_m: FloatArray,
    road_rear_m: FloatArray,
    bike: Constants,
    rate: FloatArray,
) -> tuple[float, float, float, float, float, float]:
    """Time derivative of the state (four places, four speeds) into ``rate``."""
    heave, pitch, front, rear = state[0], state[1], state[2], state[3]
    front_m_s, rear_m_s = state[6], state[7]
    distance, speed = inputs[DISTANCE], inputs[len(inputs) - 1]

    y_front = front - (heave - bike.arm_front_m * pitch)
    y_rear = rear - (heave + bike.arm_rear_m * pitch)
    v_front = front_m_s - (state[4] - bike.arm_front_m * state[5])
    v_rear = rear_m_s - (state[4] + bike.arm_rear_m * state[5])

    # Forces between chassis and wheel: spring and damper, and what brake and chain add through the geometry.
    push_front = suspension_force(y_front, v_front, inputs[FRONT_SCALE], bike.front) + inputs[FRONT_JACK]
    push_rear = suspension_force(y_rear, v_rear, inputs[REAR_SCALE], bike.rear) + inputs[REAR_JACK]

    road_front, slope_front = road_at(distance, road_step_m, road_front_m)
    road_rear, slope_rear = road_at(distance - bike.wheelbase_m, road_step_m, road_rear_m)
    turn_front = distance / bike.front.wheel_radius_m
    turn_rear = distance / bike.rear.wheel_radius_m
    spin_front = speed / bike.front.wheel_radius_m
    spin_rear = speed / bike.rear.wheel_radius_m
    road_front += bike.front.runout_m * np.sin(turn_front)
    road_rear += bike.rear.runout_m * np.sin(turn_rear)
    tyre_front = tyre_force(
        road_front,
        slope_front * speed + bike.front.runout_m * spin_front * np.cos(turn_front),
        front,
        front_m_s,
        bike.front,
    )
    tyre_rear = tyre_force(
        road_rear,
        slope_rear * speed + bike.rear.runout_m * spin_rear * np.cos(turn_rear),
        rear,
        rear_m_s,
        bike.rear,
    )
    shake_front = bike.front.imbalance_kg_m * spin_front**2 * np.sin(turn_front)
    shake_rear = bike.rear.imbalance_kg_m * spin_rear**2 * np.sin(turn_rear)

    gravity = inputs[GRAVITY]
    rate[0:4] = state[4:8]
    rate[4] = (push_front + push_rear) / bike.sprung_kg - gravity
    rate[5] = (
        bike.arm_rear_m * push_rear - bike.arm_front_m * push_front + inputs[PITCH_MOMENT]
    ) / bike.inertia_kg_m2
    rate[6] = (tyre_front - push_front + shake_front) / bike.front.unsprung_kg - gravity
    rate[7] = (tyre_rear - push_rear + shake_rear) / bike.rear.unsprung_kg - gravity
    return y_front, y_rear, v_front, v_rear, tyre_front, tyre_rear


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
    state, trial = start.copy(), np.empty(8)
    k1, k2, k3, k4 = np.empty(8), np.empty(8), np.empty(8), np.empty(8)
    now, middle, then = np.empty(8), np.empty(8), np.empty(8)
    step = sample_s / substeps
    drive_at(0.0, drive_step_s, drive, now)
    for sample in range(n_samples):
        front_most, rear_most = -np.inf, -np.inf
        front_least, rear_least = np.inf, np.inf
        for sub in range(substeps + 1):
            y_front, y_rear, v_front, v_rear, tyre_front, tyre_rear = acceleration(
                state, now, road_step_m, road_front_m, road_rear_m, bike, k1
            )
            front_most, front_least = max(front_most, y_front), min(front_least, y_front)
            rear_most, rear_least = max(rear_most, y_rear), min(rear_least, y_rear)
            if sub == 0:
                row = answer[sample]
                row[Y_FRONT], row[Y_REAR], row[V_FRONT], row[V_REAR] = y_front, y_rear, v_front, v_rear
                row[HEAVE], row[PITCH], row[HEAVE_RATE], row[PITCH_RATE] = (
                    state[0],
                    state[1],
                    state[4],
                    state[5],
                )
                row[TYRE_FRONT], row[TYRE_REAR] = tyre_front, tyre_rear
            if sub == substeps:
                break
            time = sample * sample_s + sub * step
            drive_at(time + 0.5 * step, drive_step_s, drive, middle)
            drive_at(time + step, drive_step_s, drive, then)
            for i in range(8):
                trial[i] = state[i] + 0.5 * step * k1[i]
            acceleration(trial, middle, road_step_m, road_front_m, road_rear_m, bike, k2)
            for i in range(8):
                trial[i] = state[i] + 0.5 * step * k2[i]
            acceleration(trial, middle, road_step_m, road_front_m, road_rear_m, bike, k3)
            for i in range(8):
                trial[i] = state[i] + step * k3[i]
            acceleration(trial, then, road_step_m, road_front_m, road_rear_m, bike, k4)
            for i in range(8):
                state[i] += step / 6.0 * (k1[i] + 2.0 * k2[i] + 2.0 * k3[i] + k4[i])
                now[i] = then[i]
        row = answer[sample]
        row[FRONT_MOST], row[FRONT_LEAST] = front_most, front_least
        row[REAR_MOST], row[REAR_LEAST] = rear_most, rear_least
    return answer
