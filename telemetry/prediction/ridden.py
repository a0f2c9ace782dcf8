"""The laps of a log ridden again with another set-up: shaft travel of both ends, sample by sample."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage, signal

from telemetry.arrays import ENDS, BoolArray, End, FloatArray
from telemetry.bike import GRAVITY_M_S2, Bike
from telemetry.motion import Motion, to_motion
from telemetry.prediction._kernel import Tables, difference_ride, wheel_forces_n
from telemetry.prediction.model import DifferenceModel
from telemetry.signals import Run, differentiate, runs

STEP_S = 0.0025  # of the integration, at most; 1 ms changes nothing (0.01 mm, 0.01 %)
SETTLE_S = 4.0  # ridden before what counts; the slowest of body and springs has died away ten times over
# After a longer gap than this the bridged travel disturbs the difference for about this time.
LONG_GAP_S, AFTER_GAP_S = 0.05, 1.0
# Of its usual load: a wheel that carries less counts as in the air; the forces are no better known than that.
LIGHT_SHARE = 0.1
SLOW_HZ = 0.5  # below which the tyres' loads are those of the weight


@dataclass(frozen=True)
class OldRide:
    """One stretch of a log to ride again; arrays of shape (2, n), front then rear, SI units.

    ``rows`` are samples of the run; the first ``lead`` of them come before what counts.
    """

    rows: slice
    lead: int
    sample_s: float
    substeps: int
    spline_m: FloatArray
    shaft_m: FloatArray
    speed_m_s: FloatArray
    usable: BoolArray


def old_ride(motion: Motion, first: int, stop: int) -> OldRide:
    """Samples ``first`` to ``stop`` with what it takes to settle before them; an end not in the motion stands still.

    Gaps are bridged in a straight line; what they spoil is not ``usable``.
    """
    rate = motion.sample_rate_hz
    lead = min(first, round(SETTLE_S * rate))
    hold = round(SETTLE_S * rate) - lead  # the log begins too late: its first travel is held
    rows = slice(first - lead, stop)
    n = stop - first + lead
    shaft, usable = np.zeros((2, hold + n)), np.zeros((2, n), dtype=bool)
    for k, end in enumerate(ENDS):
        if end not in motion.ends:
            continue
        travel = motion.ends[end].shaft_travel_mm[rows]
        valid = np.isfinite(travel)
        if not valid.any():
            continue
        filled = np.interp(np.arange(n), np.flatnonzero(valid), travel[valid])
        shaft[k] = np.concatenate((np.full(hold, filled[0]), filled)) / 1e3
        usable[k] = valid & ~_after_gaps(valid, rate)
    spline = np.array([ndimage.spline_filter1d(row, order=3, mode="mirror") for row in shaft])
    speed = np.asarray(np.gradient(shaft, 1.0 / rate, axis=1))
    substeps = max(1, int(np.ceil(1.0 / (rate * STEP_S) - 1e-9)))
    usable = np.concatenate((np.zeros((2, hold), dtype=bool), usable), axis=1)
    return OldRide(rows, hold + lead, 1.0 / rate, substeps, spline, shaft, speed, usable)


def _after_gaps(valid: BoolArray, rate_hz: float) -> BoolArray:
    """Mask of the `AFTER_GAP_S` after each long gap."""
    spoilt = np.zeros(len(valid), dtype=bool)
    starts, stops = runs(~valid)
    for start, stop in zip(starts, stops, strict=True):
        if stop - start > LONG_GAP_S * rate_hz and start > 0:
            spoilt[stop : stop + round(AFTER_GAP_S * rate_hz)] = True
    return spoilt


def tyre_loads_n(ride: OldRide, model: DifferenceModel) -> FloatArray:
    """Tyre loads of the old ride (2, n), never negative, from suspension forces and wheel acceleration. [N]

    They matter only where the tyre lost the road, so the slow part of the acceleration, which nothing measures, is left
    out.
    """
    body, tables = model.body, model.old
    force = np.empty_like(ride.shaft_m)
    wheel_forces_n(tables, ride.shaft_m, ride.speed_m_s, force)
    rate = 1.0 / ride.sample_s
    heave = force.sum(axis=0) / body.mass_kg
    pitch = (body.arm_m[1] * force[1] - body.arm_m[0] * force[0]) / body.inertia_kg_m2
    wheel = _wheel_m(tables, ride.shaft_m)
    lift = np.stack((heave - body.arm_m[0] * pitch, heave + body.arm_m[1] * pitch))
    for k in range(2):
        wheel_speed = differentiate(1e3 * wheel[k], rate).speed_mm_s
        wheel_speed = np.nan_to_num(wheel_speed) / 1e3
        lift[k] += np.gradient(wheel_speed, ride.sample_s)
    sos = signal.butter(2, SLOW_HZ, "highpass", fs=rate, output="sos")
    fast = signal.sosfiltfilt(sos, lift, axis=1) if lift.shape[1] > 30 else lift - lift.mean(axis=1)[:, None]
    load = force + body.unsprung_kg[:, None] * (GRAVITY_M_S2 + fast)
    for k in range(2):
        starts, stops = runs(load[k] < LIGHT_SHARE * np.median(load[k]))
        for start, stop in zip(starts, stops, strict=True):
            load[k, start:stop] = -body.tyre_n_m[k] * _gap_m(fast[k, start:stop], ride.sample_s)
    return np.asarray(load)


def _gap_m(lift_m_s2: FloatArray, sample_s: float) -> FloatArray:
    """Height of a wheel in the air over a straight road, take-off to landing, by its upward acceleration. [m]"""
    n = len(lift_m_s2)
    path = np.cumsum(np.cumsum(lift_m_s2)) * sample_s**2
    return np.asarray(np.maximum(0.0, path - path[-1] * np.arange(1, n + 1) / n)) if n else path


def _wheel_m(tables: Tables, shaft_m: FloatArray) -> FloatArray:
    grid = tables.shaft_from_m + tables.shaft_step_m * np.arange(tables.position_m.shape[1])
    return np.stack([np.interp(shaft_m[k], grid, tables.position_m[k]) for k in range(2)])


def ride_again(ride: OldRide, model: DifferenceModel, load_n: FloatArray | None = None) -> FloatArray:
    """Shaft travel (2, n_counting) of a stretch with the new set-up; NaN without usable travel. [mm]"""
    new_m = np.empty_like(ride.shaft_m)
    difference_ride(
        ride.spline_m,
        tyre_loads_n(ride, model) if load_n is None else load_n,
        ride.sample_s,
        ride.substeps,
        model.body,
        model.old,
        model.new,
        np.zeros(8),
        new_m,
    )
    return np.asarray(np.where(ride.usable, 1e3 * new_m, np.nan)[:, ride.lead :])


def with_shaft(run: Run, bike: Bike, shaft_mm: Mapping[End, FloatArray]) -> Motion:
    """The motion of a run with other shaft travel [mm], by the steps of the review."""
    return to_motion(replace(run, shaft_travel_mm=shaft_mm), bike)
