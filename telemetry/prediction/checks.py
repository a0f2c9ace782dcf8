"""Limits of a prediction: refused changes and numbers, with reasons; the fork's springs against the load of braking.

Slow forces of a motorcycle that brakes upright, at the front wheel and vertical:

    F / cos(rake) = (m g b + B h) / L + 0.92 B tan(rake),     B = -(M dv/dt + 0.2 v^2)

with B the brake force at the ground, b from the rear axle to the centre of mass, h its height. A fork file with the
coil only falls short of it by a fifth at deep travel, and the difference is the air. A file with air and rubber is
corrected as far as the load tells more than the file does: both are measurements with errors, weighed by least squares.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from scipy import signal
from scipy.optimize import least_squares

from telemetry.arrays import ENDS, BoolArray, End, FloatArray, IntArray
from telemetry.bike import (
    AirColumn,
    Bike,
    SpringParts,
    rake_deg,
    stroke_mm,
    value_at,
    wheelbase_mm,
)
from telemetry.constants import GRAVITY_M_S2
from telemetry.damping import Oscillation, dampers_in_doubt
from telemetry.errors import PredictionError
from telemetry.laps import Track
from telemetry.motion import Motion
from telemetry.prediction.model import (
    EXACT,
    USUAL_COM_HEIGHT_MM,
    FileError,
    Fitted,
    body_of,
    damper_of,
    shaft_grid_mm,
    spread_of,
    spring_lacks,
    spring_table_n,
    spring_with_error,
    with_usual_rubber,
)
from telemetry.signals import Run
from telemetry.stand import Changed

SLOW_HZ, WORK_HZ, FINE_HZ = 0.7, 10.0, 50.0
CHECKED_S = 240.0  # of riding, at most
UPRIGHT_DEG, FASTEST_GAIN_M_S2 = 15.0, 1.0
DEEP_SHARE, DEEP_S = 0.75, 2.0  # of the stroke, and the time spent deeper, at slow travel
AIR_FROM_SHARE = 0.28  # of the stroke: where air begins to count
# Where the file names air or rubber: 2.6 standard deviations (99 %) of the ratio by the errors that any bike file may
# have (mass 3 %, its place 1.5 %, spring 1.5 %, air 15 % of a fifth), which the intervals hold already.
EXPLAINED = (0.87, 1.13)
AGREES = (0.93, 1.07)  # a centre of mass 30 mm off moves the ratio by 0.02, 5 % of mass by 0.04
FRONT_BRAKE, DRAG_KG_M = 0.92, 0.2  # common practice, no source
AIR_EXPONENT = 1.2
# Standard deviations in the fit of what no bike file states, of a slow force, and the time over which its errors are
# one error. Own choices.
HEIGHT_SD_M, FRONT_BRAKE_SD, FORCE_SD_N, ONE_S = 0.02, 0.03, 60.0, 2.0
USUAL_OIL_LEVEL_MM, USUAL_AREA_MM2 = 70.0, 3000.0  # of a fork with a lot of oil; area of both legs


State = Literal["agrees", "repaired", "differs", "unchecked"]


@dataclass(frozen=True)
class ForkCheck:
    """Whether the fork's springs of the file carry what braking puts on them.

    ``bike`` has usual rubber at the end of the strokes where the file names none, and a usual air column where
    repaired.
    """

    state: State
    ratio: float | None  # spring force over load at deep travel, as the file stands
    bike: Bike
    words: str
    fitted: Fitted | None = None  # what braking says of its springs; None where it could not be checked


@dataclass(frozen=True)
class _Slow:
    """Slow, upright riding; ``travel_mm`` is all shaft travel at about `FINE_HZ`, ``rows`` the samples in use."""

    rate_hz: float
    travel_mm: FloatArray
    rows: IntArray
    shaft_mm: FloatArray
    gain_m_s2: FloatArray
    speed_m_s: FloatArray

    def spring_n(self, bike: Bike, error: FileError = EXACT) -> FloatArray:
        """Slow force of the fork's springs along its legs. [N]"""
        grid = shaft_grid_mm(bike)
        table = spring_table_n(spring_with_error(bike, "front", bike, error), grid)
        return _smooth(np.interp(self.travel_mm, grid, table), self.rate_hz)[self.rows]


def check_fork(
    run: Run, motion: Motion, track: Track, selected: BoolArray, bike: Bike, lacks: Sequence[str] = ()
) -> ForkCheck:
    """Check the fork's springs against the deceleration, and fit what a coil-only file leaves out.

    ``selected`` has shape (n_samples,); the file has the fork's rate and preload; ``lacks`` is from
    `telemetry.prediction.model.assumed`.
    """
    parts = bike.front.spring or SpringParts()
    coil_only = parts.air is None and parts.bump_stop is None
    file = bike = with_usual_rubber(bike)
    short = "the bike file gives neither air nor a bump stop for the fork" if coil_only else ""
    slow = _slow(run, motion, track, selected, bike)
    if slow is None:
        why = "The fork's springs could not be checked: no ground speed, or no riding upright."
        return ForkCheck("unchecked", None, bike, f"{why} And {short}." if short else why)
    stroke = stroke_mm(bike, "front")
    deep = slow.shaft_mm > DEEP_SHARE * stroke
    if np.count_nonzero(deep) < DEEP_S * WORK_HZ:
        why = "No braking was deep enough to check the fork's springs of the bike file"
        return ForkCheck("unchecked", None, bike, f"{why}, and {short}." if short else f"{why}.")
    ratio = _deep_ratio(slow, bike, deep)
    said = [f"At deep travel the fork's springs carry {ratio:.2f} of what braking puts on them."]
    state: State = "agrees"
    if coil_only and ratio < AGREES[0]:
        bike, state = _with_usual_air(bike), "repaired"
        lacks = (*lacks, "front.air")
        said.append(
            "The file gives the coil only: one air column was fitted to the difference, and the front's intervals are "
            "wider. Give the oil level and bore under [front.spring] air."
        )
    fitted = _fit(slow, bike, lacks)
    after = _deep_ratio(slow, bike, deep, fitted.error()) if state == "repaired" else ratio
    low, high = AGREES if coil_only else EXPLAINED
    if not low <= after <= high:
        return ForkCheck(
            "differs",
            ratio,
            file,
            f"{said[0]} That should be {low:g} to {high:g}: rate, preload, air or the masses of the file "
            f"are not those of the motorcycle.",
        )
    return ForkCheck(state, ratio, bike, " ".join(said), fitted)


def _deep_ratio(slow: _Slow, bike: Bike, deep: BoolArray, error: FileError = EXACT) -> float:
    """Spring force over load at deep travel, the median."""
    load = _load_n(slow, bike, *_nominal(bike))
    return float(np.median(slow.spring_n(bike, error)[deep] / load[deep]))


def _with_usual_air(bike: Bike) -> Bike:
    """The bike with a usual air column in its fork."""
    bore_mm = float(np.sqrt(2.0 * USUAL_AREA_MM2 / np.pi))
    air = AirColumn(oil_level_mm=USUAL_OIL_LEVEL_MM, bore_mm=bore_mm, exponent=AIR_EXPONENT)
    parts = (bike.front.spring or SpringParts()).model_copy(update={"air": air})
    return bike.model_copy(update={"front": bike.front.model_copy(update={"spring": parts})})


def _nominal(bike: Bike) -> tuple[float, float, float]:
    """Sprung mass, share of the wheelbase from the rear axle to its centre, height of it. [kg, 1, m]"""
    body = body_of(bike)
    height_mm = USUAL_COM_HEIGHT_MM if bike.chassis is None else bike.chassis.com_height_mm
    return body.mass_kg, float(body.arm_m[1] / body.arm_m.sum()), height_mm / 1e3


def _load_n(
    slow: _Slow, bike: Bike, mass_kg: float, share: float, height_m: float, front_brake: float = FRONT_BRAKE
) -> FloatArray:
    """Load of the fork along its legs. [N]"""
    whole = mass_kg + float(body_of(bike).unsprung_kg.sum())
    brake = -(whole * slow.gain_m_s2 + DRAG_KG_M * slow.speed_m_s**2)
    rake, length = np.radians(rake_deg(bike)), wheelbase_mm(bike) / 1e3
    vertical = mass_kg * GRAVITY_M_S2 * share + brake * height_m / length
    return np.asarray(
        (vertical + front_brake * np.maximum(brake, 0.0) * np.tan(rake)) * np.cos(rake), dtype=np.float64
    )


def _smooth(values: FloatArray, rate_hz: float) -> FloatArray:
    sos = signal.butter(2, SLOW_HZ, "lowpass", fs=rate_hz, output="sos")
    return np.asarray(signal.sosfiltfilt(sos, values))


def _slow(run: Run, motion: Motion, track: Track, selected: BoolArray, bike: Bike) -> _Slow | None:
    step = max(1, round(motion.sample_rate_hz / FINE_HZ))
    first = int(np.argmax(selected))  # the braking of some laps is that of all
    part = slice(first, first + round(CHECKED_S * motion.sample_rate_hz), step)
    speed = track.speed_m_s[part]
    known = np.isfinite(speed)
    if known.sum() < 10 * FINE_HZ or "front" not in motion.ends:
        return None
    at = np.arange(len(speed))

    def filled(values: FloatArray) -> FloatArray:
        fine = np.isfinite(values)
        return np.interp(at, at[fine], values[fine])

    rate = motion.sample_rate_hz / step
    front = motion.ends["front"]
    travel = filled(front.shaft_travel_mm[part])
    slow_speed = _smooth(filled(speed), rate)
    gain = np.gradient(slow_speed) * rate
    use = selected[part] & front.valid[part] & known & (gain < FASTEST_GAIN_M_S2)
    if "lean_deg" in run.channels:
        use &= np.abs(np.nan_to_num(run.channels["lean_deg"][part])) < UPRIGHT_DEG
    rows = np.flatnonzero(use)[:: max(1, round(rate / WORK_HZ))]
    if len(rows) < 10:
        return None
    return _Slow(rate, travel, rows, _smooth(travel, rate)[rows], gain[rows], slow_speed[rows])


def _fit(slow: _Slow, bike: Bike, lacks: Sequence[str]) -> Fitted:
    """Air and rubber of the fork by its travel under braking, as far as that tells more than the file.

    Coil, masses and the front's share of the brake are not exact either and take their part of a misfit.
    """
    mass, share, height = _nominal(bike)
    use = slow.shaft_mm > AIR_FROM_SHARE * stroke_mm(bike, "front")
    has_air = bike.front.spring is not None and bike.front.spring.air is not None
    names = (*(("air", "oil_level") if has_air else ()), "rubber", "rubber_length", "spring")
    keys = tuple(f"front.{name}" for name in names)
    own = slice(len(keys))
    spread = [spread_of(name, lacks, "front") for name in names]
    spread += [spread_of("mass", lacks), spread_of("com", lacks), HEIGHT_SD_M, FRONT_BRAKE_SD]

    @lru_cache(maxsize=2)  # half of the unknowns leave the springs alone
    def springs_n(*factors: float) -> FloatArray:
        return slow.spring_n(bike, FileError(dict(zip(keys, factors, strict=True))))[use]

    def misfit(scaled: FloatArray) -> FloatArray:
        values = scaled * spread
        mass_kg, where, high, brake = values[len(keys) :]
        load = _load_n(
            slow, bike, mass * np.exp(mass_kg), share * np.exp(where), height + high, FRONT_BRAKE + brake
        )
        off = (springs_n(*map(float, np.exp(values[own]))) - load[use]) / FORCE_SD_N
        robust = np.sqrt(2.0 * (np.sqrt(1.0 + off**2) - 1.0)) * np.sign(off)  # soft L1
        return np.concatenate((robust / np.sqrt(WORK_HZ * ONE_S), scaled))

    found = least_squares(misfit, np.zeros(len(spread)), bounds=(-3.0, 3.0), max_nfev=5)
    covariance = np.linalg.inv(found.jac.T @ found.jac) * np.outer(spread, spread)
    return Fitted(keys, (found.x * spread)[own], covariance[own, own])


SLOWEST_HZ = 100.0
STOP_SHARE = 0.05  # of the time in the stop: beyond, most of what counts happened where the log sees no force
DYNO_REACH = 1.5  # times its fastest row, beyond which a damper curve is unknown
# What acts on the forces along the shafts; everything else is for the stand.
FORCE_KEYS = ("spring_rate_n_per_mm", "preload_mm", "compression_clicks", "rebound_clicks")
FORCE_PARTS = (".spring.", ".damper.")
DEEP = ("travel.p95_mm", "travel.max_mm", "travel.left_mm", "near_stop", "stop_contacts")


@dataclass(frozen=True)
class Refusal:
    """Numbers that are not predicted: those whose key begins so, or is one of them; and why."""

    keys: tuple[str, ...]
    reason: str

    def covers(self, key: str) -> bool:
        """Whether a number is among them."""
        return any(key == name or (name.endswith(".") and key.startswith(name)) for name in self.keys)


def changed_ends(changed: Sequence[Changed]) -> tuple[End, ...]:
    """Ends that something is changed at."""
    return tuple(end for end in ENDS if any(change.key.startswith(f"{end}.") for change in changed))


def acts_on_forces(key: str) -> bool:
    """Whether a key of the bike file acts on the forces of an end and can be predicted."""
    end, _, rest = key.partition(".")
    if end not in ENDS:
        return False
    parts = any(part.strip(".") == rest.split(".")[0] for part in FORCE_PARTS)
    return rest in FORCE_KEYS or key == "rear.shock_length_mm" or parts


def clicks_only(bike: Bike, changed: Sequence[Changed]) -> tuple[str, ...]:
    """Changed clickers at an end without a dyno table: only the direction of their effect is known."""
    return tuple(
        change.key
        for change in changed
        if change.key.endswith("_clicks")
        and value_at(bike, f"{change.key.split('.')[0]}.damper.dyno") is None
    )


def check_change(bike: Bike, motion: Motion, changed: Sequence[Changed]) -> None:
    """Raise `PredictionError`, naming the key and what to do, for a change that cannot be predicted at all."""
    for change in changed:
        key = change.key
        if not acts_on_forces(key):
            raise PredictionError(
                f"{key}: does not act on the forces of spring and damper, so its laps cannot be predicted; "
                f"'bothends stand' says what it does to the geometry."
            )
        end: End = "front" if key.startswith("front.") else "rear"
        if end not in motion.ends:
            raise PredictionError(
                f"{key}: the {end} was not measured in this log ({motion.not_judged.get(end, '')})"
            )
        if lacks := spring_lacks(bike, end):
            raise PredictionError(
                f"{bike.source}: lacks {', '.join(lacks)}; a prediction at the {end} needs it."
            )
        if any(part in key for part in FORCE_PARTS) and value_at(bike, key) is None:
            raise PredictionError(
                f"{bike.source}: lacks {key}; a change of it needs it as the bike was logged."
            )
        dyno = value_at(bike, f"{end}.damper.dyno")
        if dyno is not None and (".damper.compression." in key or ".damper.rebound." in key):
            raise PredictionError(
                f"{key}: the {end} damper is a dyno table, which this does not change; change {end}.compression_clicks "
                f"or {end}.rebound_clicks."
            )
        if key == "rear.shock_length_mm" and change.before is None:
            raise PredictionError(
                f"{bike.source}: lacks rear.shock_length_mm; give the length it was logged with."
            )


def check_log(motion: Motion, selected: BoolArray, oscillation: Oscillation | None) -> None:
    """Raise `PredictionError`, saying why, for a log that no change can be predicted on.

    ``selected``, of shape (n_samples,), are the complete laps at pace, while riding; ``oscillation`` what the detector
    says, None where it was not asked.
    """
    if motion.sample_rate_hz < SLOWEST_HZ * (1 - 1e-3):
        raise PredictionError(
            f"{motion.source}: logged at {motion.sample_rate_hz:.0f} Hz; a prediction needs {SLOWEST_HZ:.0f} Hz or "
            f"more, since the dampers work faster than this log sees."
        )
    if not selected.any():
        raise PredictionError(f"{motion.source}: holds no riding, so there are no laps to ride again.")
    doubt = () if oscillation is None else dampers_in_doubt(oscillation)
    if doubt:
        raise PredictionError(
            f"{motion.source}: the {' and '.join(doubt)} damper is in doubt on this log ('bothends review' says "
            f"where), so it is not the one of the bike file and no change is predicted. Have it inspected by a "
            f"qualified technician first."
        )


def refusals(
    bike: Bike, motion: Motion, selected: BoolArray, changed: Sequence[Changed], fork: ForkCheck | None
) -> tuple[Refusal, ...]:
    """Reasons by number that cannot be predicted for a change; ``fork`` is None without the front."""
    refused = []
    ends = changed_ends(changed)
    if fork is not None and "front" in ends:
        parts = bike.front.spring
        no_end = parts is None or (
            parts.air is None and parts.bump_stop is None
        )  # of the file, nothing fitted
        if fork.state == "differs" or (fork.state == "unchecked" and no_end):
            refused.append(Refusal(tuple(f"front.{key}" for key in DEEP), fork.words))
    for end in ends:
        own = motion.ends[end]
        use = selected & own.valid
        in_stop = use & (own.shaft_travel_mm >= own.stroke_mm)
        share = float(np.count_nonzero(in_stop)) / max(1, int(np.count_nonzero(use)))
        if share > STOP_SHARE:
            refused.append(
                Refusal(
                    (f"{end}.", "balance."),
                    f"The {end} was in its stop for {100 * share:.0f} % of the time: what pushed it there is not in "
                    f"the log.",
                )
            )
        if clicks := [key for key in clicks_only(bike, changed) if key.startswith(end)]:
            refused.append(
                Refusal(
                    ("front.", "rear.", "balance."),
                    f"{clicks[0]}: what a click does is not known without a dyno table in [{end}.damper]; only the "
                    f"direction is given.",
                )
            )
        damper_changed = any(f"{end}.damper" in c.key or c.key.endswith("_clicks") for c in changed)
        dyno = value_at(bike, f"{end}.damper.dyno")
        if damper_changed and dyno is not None and use.any():
            fastest = DYNO_REACH * max(abs(row[1]) for row in dyno)
            reached = float(np.percentile(np.abs(own.shaft_speed_mm_s[use]), 99.0))
            if reached > fastest:
                refused.append(
                    Refusal(
                        (f"{end}.", "balance."),
                        f"The {end} shaft moved at {reached:.0f} mm/s, the dyno table ends at "
                        f"{fastest / DYNO_REACH:.0f} mm/s.",
                    )
                )
    return tuple(refused)


def direction_bike(bike: Bike, changed: Sequence[Changed]) -> Bike:
    """Bike with the sides of the changed clickers 10 % firmer or softer, to find the direction of the effect.

    Clicks are counted from fully closed: fewer are firmer. ``bike`` is after the change.
    """
    for key in clicks_only(bike, changed):
        change = next(c for c in changed if c.key == key)
        end: End = "front" if key.startswith("front.") else "rear"
        before = change.before if isinstance(change.before, int | float) else 0.0
        firmer = 1.1 if float(change.after) < before else 0.9
        side = "compression" if "compression" in key else "rebound"
        damper = damper_of(bike, end)
        old = getattr(damper, side)
        scaled = old.model_copy(
            update={
                "low_n_s_per_mm": old.low_n_s_per_mm * firmer,
                "high_n_s_per_mm": old.high_n_s_per_mm * firmer,
            }
        )
        section = bike.end(end)
        section = section.model_copy(update={"damper": damper.model_copy(update={side: scaled})})
        bike = bike.model_copy(update={end: section})
    return bike
