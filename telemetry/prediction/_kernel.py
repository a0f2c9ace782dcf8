"""The compiled inner loop: the difference between two rides over the same road, Runge-Kutta of fourth order.

State: heave z up, pitch nose down, height of the front and the rear wheel, each the new ride less the old one, and
their rates. SI units throughout. Both ends in every array: 0 is the front, 1 the rear.
"""

from collections.abc import Callable
from typing import Any, NamedTuple, TypeVar, cast

import numpy as np
from numba import njit

from telemetry.arrays import FloatArray

STATES = 8
# One end of the old ride at an instant
SHAFT, WHEEL_SPEED, RATIO, POSITION, FORCE, LOAD = range(6)
INSTANT = 6
NEWTON_STEPS, SOLVED_M = 4, 1e-13  # from wheel travel to shaft travel

Function = TypeVar("Function", bound=Callable[..., Any])


def compiled(function: Function) -> Function:
    """Compile a function, once per machine; strict floating point, so that results repeat."""
    return cast(Function, njit(cache=True, fastmath=False, error_model="numpy")(function))


class Body(NamedTuple):
    """Masses and tyres; ``arm_m`` from the centre of mass to the axles, front then rear. SI units."""

    mass_kg: float
    inertia_kg_m2: float
    arm_m: FloatArray
    unsprung_kg: FloatArray
    tyre_n_m: FloatArray
    tyre_n_s_m: FloatArray


class Tables(NamedTuple):
    """Shaft forces and wheel position against the chassis of both ends, on even grids (2, n), linear. SI units.

    ``ratio`` is the derivative of ``position_m``.
    """

    shaft_from_m: float
    shaft_step_m: float
    spring_n: FloatArray
    position_m: FloatArray
    ratio: FloatArray
    speed_from_m_s: float
    speed_step_m_s: float
    damper_n: FloatArray


@compiled
def _place(start: float, step: float, count: int, x: float) -> tuple[int, float]:
    """Cell of an evenly spaced table, and the share of it that x is in; beyond the ends the outermost cell."""
    place = (x - start) / step
    index = min(max(int(place), 0), count - 2)
    return index, place - index


@compiled
def _between(table: FloatArray, end: int, index: int, share: float) -> float:
    """A table on the straight line through a cell."""
    value: float = table[end, index] + share * (table[end, index + 1] - table[end, index])
    return value


@compiled
def wheel_force_n(tables: Tables, end: int, shaft_m: float, speed_m_s: float) -> float:
    """Vertical force of spring, damper and friction at the wheel. [N]"""
    i, share = _place(tables.shaft_from_m, tables.shaft_step_m, tables.spring_n.shape[1], shaft_m)
    j, part = _place(tables.speed_from_m_s, tables.speed_step_m_s, tables.damper_n.shape[1], speed_m_s)
    along = _between(tables.spring_n, end, i, share) + _between(tables.damper_n, end, j, part)
    return along / _between(tables.ratio, end, i, share)


@compiled
def wheel_forces_n(tables: Tables, shaft_m: FloatArray, speed_m_s: FloatArray, force_n: FloatArray) -> None:
    """`wheel_force_n` of both ends over a ride, into ``force_n``; all of shape (2, n)."""
    for end in range(2):
        for i in range(shaft_m.shape[1]):
            force_n[end, i] = wheel_force_n(tables, end, shaft_m[end, i], speed_m_s[end, i])


@compiled
def _spline(coefficients: FloatArray, end: int, i: int, t: float) -> tuple[float, float]:
    """Value and slope per sample of a uniform cubic B-spline, the share t of the way from sample i to the next."""
    last = coefficients.shape[1] - 1
    a = coefficients[end, abs(i - 1)]
    b = coefficients[end, i]
    c = coefficients[end, last - abs(last - i - 1)]
    d = coefficients[end, last - abs(last - i - 2)]
    s = 1.0 - t
    value = (a * s**3 + b * (4 - 6 * t**2 + 3 * t**3) + c * (4 - 6 * s**2 + 3 * s**3) + d * t**3) / 6.0
    slope = (-a * s**2 + b * (3 * t**2 - 4 * t) - c * (3 * s**2 - 4 * s) + d * t**2) / 2.0
    return value, slope


@compiled
def _old_instant(tables: Tables, end: int, shaft_m: float, speed_m_s: float, instant: FloatArray) -> None:
    """One end of the old ride at an instant, into ``instant``: shaft, speed along the wheel, ratio, position, force."""
    i, share = _place(tables.shaft_from_m, tables.shaft_step_m, tables.ratio.shape[1], shaft_m)
    ratio = _between(tables.ratio, end, i, share)
    instant[end, SHAFT], instant[end, RATIO] = shaft_m, ratio
    instant[end, WHEEL_SPEED] = ratio * speed_m_s
    instant[end, POSITION] = _between(tables.position_m, end, i, share)
    instant[end, FORCE] = wheel_force_n(tables, end, shaft_m, speed_m_s)


@compiled
def _derivative(
    state: FloatArray, instant: FloatArray, body: Body, new: Tables, rate: FloatArray, new_shaft_m: FloatArray
) -> None:
    """Rates of the state into ``rate``, the new shaft travel into ``new_shaft_m``."""
    lift = turn = 0.0
    cells = new.ratio.shape[1]
    for end in range(2):
        arm = body.arm_m[end] if end == 0 else -body.arm_m[end]
        moved = state[2 + end] - state[0] + arm * state[1]
        moved_rate = state[6 + end] - state[4] + arm * state[5]
        wanted = instant[end, POSITION] + moved
        there = instant[end, SHAFT] + moved / instant[end, RATIO]
        for _ in range(NEWTON_STEPS):
            i, share = _place(new.shaft_from_m, new.shaft_step_m, cells, there)
            away = _between(new.position_m, end, i, share) - wanted
            if abs(away) < SOLVED_M:
                break
            there -= away * new.shaft_step_m / (new.position_m[end, i + 1] - new.position_m[end, i])
        i, share = _place(new.shaft_from_m, new.shaft_step_m, cells, there)
        new_speed = (instant[end, WHEEL_SPEED] + moved_rate) / _between(new.ratio, end, i, share)
        new_shaft_m[end] = there
        force = wheel_force_n(new, end, there, new_speed) - instant[end, FORCE]
        # a tyre never pulls, and pushes only once the wheel has come down to the road
        load = instant[end, LOAD]
        more = -body.tyre_n_m[end] * state[2 + end] - body.tyre_n_s_m[end] * state[6 + end]
        tyre = max(0.0, load + more) - max(0.0, load)
        rate[2 + end] = state[6 + end]
        rate[6 + end] = (tyre - force) / body.unsprung_kg[end]
        lift += force
        turn -= arm * force
    rate[0], rate[1] = state[4], state[5]
    rate[4] = lift / body.mass_kg
    rate[5] = turn / body.inertia_kg_m2


@compiled
def difference_ride(
    spline_m: FloatArray,
    load_n: FloatArray,
    sample_s: float,
    substeps: int,
    body: Body,
    old: Tables,
    new: Tables,
    state: FloatArray,
    new_shaft_m: FloatArray,
) -> None:
    """Shaft travel of the new ride at every sample of the old one, into ``new_shaft_m`` (2, n).

    ``spline_m`` are coefficients of a cubic B-spline through the old shaft travel, ``load_n`` the old tyre loads (in
    the air what the tyre would pull with if it could), both (2, n); ``state`` is where the difference starts, and is
    set to where it ends.
    """
    n = spline_m.shape[1]
    step = sample_s / substeps
    rates = np.zeros((4, STATES))
    answer, here, instant = np.zeros(2), np.zeros(STATES), np.zeros((2, INSTANT))
    for i in range(n):
        for part in range(substeps):
            for stage in range(4):
                ahead = 0.0 if stage == 0 else (1.0 if stage == 3 else 0.5)
                # the last instant of a step is the first of the next, and the middle ones are one
                if stage == 1 or stage == 3 or (stage == 0 and i == 0 and part == 0):
                    share = (part + ahead) / substeps
                    for end in range(2):
                        shaft, slope = _spline(spline_m, end, i, share)
                        _old_instant(old, end, shaft, slope / sample_s, instant)
                        after = load_n[end, min(i + 1, n - 1)]
                        instant[end, LOAD] = load_n[end, i] + share * (after - load_n[end, i])
                for k in range(STATES):
                    here[k] = state[k] + (ahead * step * rates[stage - 1, k] if stage > 0 else 0.0)
                _derivative(here, instant, body, new, rates[stage], answer)
                if stage == 0 and part == 0:
                    new_shaft_m[0, i], new_shaft_m[1, i] = answer[0], answer[1]
                    if i == n - 1:
                        return
            for k in range(STATES):
                state[k] += step / 6.0 * (rates[0, k] + 2.0 * rates[1, k] + 2.0 * rates[2, k] + rates[3, k])
