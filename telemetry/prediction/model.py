"""Difference of two rides from a bike file: forces, masses, tyres with their uncertainty; laps ridden again.

Missing values are those of a usual road-race motorcycle, with a wider uncertainty. Spring rate, preload and leverage
are never assumed.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np
from scipy import ndimage, signal

from telemetry.arrays import ENDS, BoolArray, End, FloatArray
from telemetry.bike import (
    Bike,
    BumpStop,
    Damper,
    DamperSide,
    ShaftSpring,
    SpringParts,
    damper_force_n,
    leverage_curve,
    spring_of,
    stroke_mm,
    value_at,
    wheelbase_mm,
)
from telemetry.constants import GRAVITY_M_S2
from telemetry.motion import Motion, to_motion
from telemetry.prediction._kernel import Body, Tables, difference_ride, wheel_forces_n
from telemetry.signals import Run, differentiate, runs

# The grid of the force tables: a quarter of a millimetre follows air and rubber to 0.01 N.
BEYOND_MM, SHAFT_STEP_MM = 25.0, 0.25
SPEED_REACH_MM_S, SPEED_STEP_MM_S = 4000.0, 0.5
FRICTION_KNEE_MM_S = 8.0  # over which seal friction turns round; own choice, twice or half changes nothing
STOP_N_PER_MM = (
    2500.0  # metal on metal at the end of the travel; 1500 to 3000 changes nothing but the deepest contact
)

# A usual road-race motorcycle with its rider, where a bike file says nothing. Common practice, no source.
USUAL_SPRUNG_KG, USUAL_COM_SHARE, USUAL_COM_HEIGHT_MM = 215.0, 0.51, 610.0
USUAL_GYRATION = (
    0.40  # radius of gyration in pitch over the geometric mean of the arms, squared: inertia / (m a b)
)
USUAL_UNSPRUNG_KG: Mapping[End, float] = {"front": 16.0, "rear": 20.0}
USUAL_TYRE_N_PER_MM: Mapping[End, float] = {"front": 175.0, "rear": 180.0}
USUAL_FRICTION_N: Mapping[End, float] = {"front": 30.0, "rear": 18.0}
USUAL_DAMPER: Mapping[End, Damper] = {
    "front": Damper(
        compression=DamperSide(low_n_s_per_mm=1.0, high_n_s_per_mm=0.45, knee_mm_s=150.0),
        rebound=DamperSide(low_n_s_per_mm=1.7, high_n_s_per_mm=0.80, knee_mm_s=150.0),
    ),
    "rear": Damper(
        compression=DamperSide(low_n_s_per_mm=4.3, high_n_s_per_mm=1.8, knee_mm_s=100.0),
        rebound=DamperSide(low_n_s_per_mm=7.0, high_n_s_per_mm=3.0, knee_mm_s=100.0),
    ),
}
# Relative standard deviations of what a bike file says, and of what is taken in its place. Own choices: scales,
# spring testers and dampers on a dyno repeat so well; tyres vary with pressure and temperature.
SPREAD = {
    "mass": (0.03, 0.10), "com": (0.015, 0.03), "inertia": (0.12, 0.25), "unsprung": (0.03, 0.15),
    "tyre": (0.07, 0.12), "tyre_damping": (0.40, 0.50), "damper": (0.10, 0.40), "friction": (0.40, 0.60),
    "spring": (0.015, 0.015), "air": (0.15, 0.25), "oil_level": (0.03, 0.40), "top_out": (0.20, 0.20),
    "rubber": (0.20, 0.60), "rubber_length": (0.05, 0.25),
}  # fmt: skip
OF_AN_END = (
    "unsprung", "tyre", "tyre_damping", "friction", "spring", "air", "oil_level", "top_out", "rubber", "rubber_length",
)  # fmt: skip
# What stands in for what a bike file lacks: a part of the error belongs to what is named
_LACKED_WITH = {"oil_level": "air", "rubber_length": "rubber"}
ZERO_SD_MM = 0.3  # error of a sensor's zero; half of the change by a new fit
# Rubber at the end of the stroke: every fork and shock ends in some, and a file that names none does not say that there
# is none. Common practice, no source.
USUAL_RUBBER: Mapping[End, BumpStop] = {
    "front": BumpStop(length_mm=12.0, force_n=900.0),
    "rear": BumpStop(length_mm=11.0, force_n=2500.0),
}


@dataclass(frozen=True)
class FileError:
    """One draw of a bike file's errors: factors, 1 where exact; ``zero_mm`` is added to the log's shaft travel."""

    factors: Mapping[str, float] = field(default_factory=dict)
    zero_mm: Mapping[End, float] = field(default_factory=dict)

    def factor(self, name: str, end: End | None = None) -> float:
        """The factor of a part, of one end where it is an end's."""
        return self.factors.get(name if end is None else f"{end}.{name}", 1.0)


EXACT = FileError()


@dataclass(frozen=True)
class Fitted:
    """Parts of a bike file by the log: means and covariance of ln(factor), named as in `FileError` ("front.air")."""

    names: tuple[str, ...]
    mean: FloatArray
    covariance: FloatArray

    def error(self, scatter: FloatArray | float = 0.0) -> FileError:
        """The file's error at so many standard deviations of each principal direction; 0 is the likeliest."""
        logs = self.mean + np.linalg.cholesky(self.covariance) @ np.broadcast_to(scatter, self.mean.shape)
        return FileError(dict(zip(self.names, map(float, np.exp(logs)), strict=True)))


def spread_of(name: str, lacks: Sequence[str], end: End | None = None) -> float:
    """Relative standard deviation of a part of a bike file, wider where a usual value stands in for it."""
    lacked = _LACKED_WITH.get(name, name)
    return SPREAD[name][(lacked if end is None else f"{end}.{lacked}") in lacks]


def draw_errors(lacks: Sequence[str], count: int, fitted: Fitted | None = None) -> tuple[FileError, ...]:
    """Draws of the errors of a bike file, the same for the same file; ``lacks`` (from `assumed`) have usual values."""
    rng = np.random.default_rng(20240501)
    draws = []
    for _ in range(count):
        factors = {}
        for name in ("mass", "com", "inertia"):
            factors[name] = _drawn(rng, spread_of(name, lacks))
        for end in ENDS:
            for name in OF_AN_END:
                factors[f"{end}.{name}"] = _drawn(rng, spread_of(name, lacks, end))
            for side in ("compression", "rebound"):
                factors[f"{end}.{side}"] = _drawn(rng, spread_of("damper", lacks, end))
        if fitted is not None:
            factors |= fitted.error(rng.standard_normal(len(fitted.names))).factors
        zero: dict[End, float] = {end: ZERO_SD_MM * float(rng.standard_normal()) for end in ENDS}
        draws.append(FileError(factors, zero))
    return tuple(draws)


def _drawn(rng: np.random.Generator, spread: float) -> float:
    return float(np.exp(spread * rng.standard_normal()))


def spring_lacks(bike: Bike, end: End) -> tuple[str, ...]:
    """Missing spring keys of one end; they are never assumed."""
    keys = (f"{end}.spring_rate_n_per_mm", f"{end}.preload_mm")
    return tuple(key for key in keys if value_at(bike, key) is None)


def assumed(bike: Bike) -> tuple[str, ...]:
    """Model data missing from a bike file and assumed, by the names of `FileError`."""
    chassis = bike.chassis
    lacks = ["mass", "com", "inertia"] if chassis is None else []
    if chassis is not None and chassis.pitch_inertia_kg_m2 is None:
        lacks.append("inertia")
    for end in ENDS:
        section = bike.end(end)
        if section.unsprung_mass_kg is None:
            lacks.append(f"{end}.unsprung")
        if section.tyre_rate_n_per_mm is None:
            lacks.append(f"{end}.tyre")
        if section.damper is None:
            lacks += [f"{end}.damper", f"{end}.friction"]
        if section.spring is None or section.spring.bump_stop is None:
            lacks.append(f"{end}.rubber")
    return tuple(lacks)


def with_usual_rubber(bike: Bike) -> Bike:
    """The bike with usual rubber at the end of the stroke where its file names none."""
    for end in ENDS:
        section = bike.end(end)
        parts = section.spring or SpringParts()
        if parts.bump_stop is None:
            parts = parts.model_copy(update={"bump_stop": USUAL_RUBBER[end]})
            bike = bike.model_copy(update={end: section.model_copy(update={"spring": parts})})
    return bike


def body_of(bike: Bike, error: FileError = EXACT, *, one_end: bool = False) -> Body:
    """Masses and tyres of a bike file; with ``one_end`` the inertia is m a b, so that the ends move independently."""
    chassis, length_m = bike.chassis, wheelbase_mm(bike) / 1e3
    mass = USUAL_SPRUNG_KG if chassis is None else chassis.sprung_mass_kg
    back_m = USUAL_COM_SHARE * length_m if chassis is None else chassis.com_to_rear_axle_mm / 1e3
    inertia = None if chassis is None else chassis.pitch_inertia_kg_m2
    if inertia is None:
        inertia = USUAL_GYRATION * mass * back_m * (length_m - back_m)
    mass, inertia = mass * error.factor("mass"), inertia * error.factor("inertia")
    back_m = float(np.clip(back_m * error.factor("com"), 0.2 * length_m, 0.8 * length_m))
    sections = {"front": bike.front, "rear": bike.rear}

    def of_ends(name: str, key: str, usual: Mapping[End, float], scale: float) -> FloatArray:
        values = []
        for end in ENDS:
            given = getattr(sections[end], key)
            values.append(scale * (usual[end] if given is None else given) * error.factor(name, end))
        return np.array(values)

    return Body(
        mass,
        mass * back_m * (length_m - back_m) if one_end else inertia,
        np.array([length_m - back_m, back_m]),
        of_ends("unsprung", "unsprung_mass_kg", USUAL_UNSPRUNG_KG, 1.0),
        of_ends("tyre", "tyre_rate_n_per_mm", USUAL_TYRE_N_PER_MM, 1e3),
        of_ends("tyre_damping", "tyre_damping_n_s_per_mm", {}, 1e3),
    )


def spring_with_error(bike: Bike, end: End, nominal: Bike, error: FileError) -> ShaftSpring:
    """Springs of one end with a file's error; the difference from the nominal coil (before the change) stays exact."""
    spring = spring_of(bike, end)
    base = spring_of(nominal, end).coil_n_per_mm
    coil = spring.coil_n_per_mm + base * (error.factor("spring", end) - 1.0)
    parts = spring.parts or SpringParts()
    update: dict[str, object] = {}
    if parts.second_rate_n_per_mm is not None:
        update["second_rate_n_per_mm"] = parts.second_rate_n_per_mm + coil - spring.coil_n_per_mm
    if (top_out := parts.top_out) is not None:
        update["top_out"] = top_out.model_copy(
            update={"rate_n_per_mm": top_out.rate_n_per_mm * error.factor("top_out", end)}
        )
    if (stop := parts.bump_stop) is not None:
        length = min(spring.stroke_mm, stop.length_mm * error.factor("rubber_length", end))
        force = stop.force_n * error.factor("rubber", end)
        update["bump_stop"] = stop.model_copy(update={"length_mm": length, "force_n": force})
    if (air := parts.air) is not None:
        wide, level = float(np.sqrt(error.factor("air", end))), error.factor("oil_level", end)
        displacing = None if air.displacing_mm is None else air.displacing_mm * wide
        update["air"] = air.model_copy(
            update={
                "bore_mm": air.bore_mm * wide,
                "displacing_mm": displacing,
                "oil_level_mm": air.oil_level_mm * level,
            }
        )
    return replace(spring, coil_n_per_mm=coil, parts=parts.model_copy(update=update))


def shaft_grid_mm(bike: Bike) -> FloatArray:
    """Shaft travel of the tables: both strokes and what lies beyond them. [mm]"""
    longest = max(stroke_mm(bike, end) for end in ENDS)
    return np.arange(-BEYOND_MM, longest + BEYOND_MM + SHAFT_STEP_MM / 2, SHAFT_STEP_MM)


def spring_table_n(spring: ShaftSpring, grid_mm: FloatArray, zero_mm: float = 0.0) -> FloatArray:
    """Shaft force on a grid of sensor readings: the springs within the stroke, metal stops beyond. [mm to N]

    ``zero_mm`` is shaft travel less sensor reading.
    """
    true_mm = grid_mm + zero_mm
    inside = np.clip(true_mm, 0.0, spring.stroke_mm)
    unique, where = np.unique(inside, return_inverse=True)
    force = np.array([spring.force_n(float(x)) for x in unique])
    return np.asarray(force[where] + STOP_N_PER_MM * (true_mm - inside))


def damper_of(bike: Bike, end: End) -> Damper:
    """The damper of one end, a usual one where the file has none."""
    section = bike.end(end)
    usual = USUAL_DAMPER[end].model_copy(update={"friction_n": USUAL_FRICTION_N[end]})
    return section.damper or usual


@lru_cache(maxsize=16)
def _oil_n(damper: Damper) -> tuple[FloatArray, FloatArray]:
    speed = np.arange(-SPEED_REACH_MM_S, SPEED_REACH_MM_S + SPEED_STEP_MM_S / 2, SPEED_STEP_MM_S)
    return speed, damper_force_n(speed, damper)


def damper_table_n(damper: Damper, end: End, error: FileError = EXACT) -> FloatArray:
    """Force of oil and seals along the shaft, on the grid of speeds. [N]"""
    speed, oil = _oil_n(damper)
    side = np.where(speed >= 0, error.factor("compression", end), error.factor("rebound", end))
    friction = damper.friction_n * error.factor("friction", end)
    return np.asarray(oil * side + friction * np.tanh(speed / FRICTION_KNEE_MM_S))


def length_change_mm(old: Bike, new: Bike) -> float:
    """Change of shock length, new minus old bike, 0 if unknown. [mm]"""
    before, after = old.rear.shock_length_mm, new.rear.shock_length_mm
    return 0.0 if before is None or after is None else after - before


def tables_of(bike: Bike, nominal: Bike, error: FileError = EXACT, ends: Sequence[End] = ENDS) -> Tables:
    """Forces and wheel position of logged ends; equal lengths of the ``nominal`` shock are equal wheel positions."""
    grid = shaft_grid_mm(nominal)
    springs, positions, ratios, dampers = [], [], [], []
    for end in ENDS:
        if end not in ends:  # no forces: it does not move
            springs.append(np.zeros(len(grid)))
            positions.append(grid / 1e3)
            ratios.append(np.ones(len(grid)))
            dampers.append(np.zeros(len(_oil_n(USUAL_DAMPER[end])[0])))
            continue
        spring = spring_with_error(bike, end, nominal, error)
        springs.append(spring_table_n(spring, grid, error.zero_mm.get(end, 0.0)))
        curve = leverage_curve(bike, end)
        position = curve.wheel_travel_mm(grid)
        longer = length_change_mm(nominal, bike) if end == "rear" else 0.0
        # the shock is as long at travel q + longer as it was at q: there the wheel is at the same place
        if longer > 0.0:
            position = position - curve.wheel_mm_at(longer)
        elif longer < 0.0:
            position = position + leverage_curve(nominal, end).wheel_mm_at(-longer)
        positions.append(position / 1e3)
        ratios.append(curve.ratio(grid))
        dampers.append(damper_table_n(damper_of(bike, end), end, error))
    return Tables(
        float(grid[0]) / 1e3,
        SHAFT_STEP_MM / 1e3,
        np.array(springs),
        np.array(positions),
        np.array(ratios),
        -SPEED_REACH_MM_S / 1e3,
        SPEED_STEP_MM_S / 1e3,
        np.array(dampers),
    )


@dataclass(frozen=True)
class DifferenceModel:
    """Two set-ups of one motorcycle."""

    body: Body
    old: Tables
    new: Tables


def difference_model(
    old: Bike, new: Bike, error: FileError = EXACT, ends: Sequence[End] = ENDS
) -> DifferenceModel:
    """Model of the change from ``old`` to ``new``, both with the same file error, for the logged ends."""
    return DifferenceModel(
        body_of(old, error, one_end=len(ends) < len(ENDS)),
        tables_of(old, old, error, ends),
        tables_of(new, old, error, ends),
    )


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
