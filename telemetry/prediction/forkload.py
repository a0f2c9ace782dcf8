"""The fork's springs in the bike file against the load that braking puts on the fork; a missing air column, fitted.

Slow forces of a motorcycle that brakes upright, at the front wheel and vertical:

    F / cos(rake) = (m g b + B h) / L + 0.92 B tan(rake),     B = -(M dv/dt + 0.2 v^2)

with B the brake force at the ground, b from the rear axle to the centre of mass, h its height. A fork file with the
coil only falls short of it by a fifth at deep travel, and the difference is the air.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import signal
from scipy.optimize import least_squares

from telemetry.arrays import BoolArray, FloatArray
from telemetry.bike import (
    GRAVITY_M_S2,
    AirColumn,
    Bike,
    SpringParts,
    rake_deg,
    spring_of,
    stroke_mm,
    wheelbase_mm,
)
from telemetry.laps import Track
from telemetry.motion import Motion
from telemetry.prediction.model import (
    USUAL_COM_HEIGHT_MM,
    body_of,
    shaft_grid_mm,
    spring_table_n,
    with_usual_rubber,
)
from telemetry.signals import Run

SLOW_HZ, WORK_HZ = 0.7, 10.0
UPRIGHT_DEG, FASTEST_GAIN_M_S2 = 15.0, 1.0
DEEP_SHARE, DEEP_S = 0.75, 2.0  # of the stroke, and the time spent deeper, at slow travel
AIR_FROM_SHARE = 0.28  # of the stroke: where air begins to count
# Where the file names air or rubber: 2.6 standard deviations (99 %) of the ratio by the errors that any bike file may
# have (mass 3 %, its place 1.5 %, spring 1.5 %, air 15 % of a fifth), which the intervals hold already.
EXPLAINED = (0.87, 1.13)
AGREES = (0.93, 1.07)  # a centre of mass 30 mm off moves the ratio by 0.02, 5 % of mass by 0.04
FRONT_BRAKE, DRAG_KG_M = 0.92, 0.2  # common practice, no source
AIR_EXPONENT = 1.2
# Standard deviations in the fit: mass, place and height of its centre, which a misfit of the springs must not be laid
# on, and a slow force. Own choices.
MASS_SD, SHARE_SD, HEIGHT_SD_M, FORCE_SD_N = 0.005, 0.003, 0.005, 60.0
# Air over the oil with the fork compressed, and area of both legs: usual, and standard deviations of their logarithms.
USUAL_OIL_LEVEL_MM, OIL_LEVEL_SD, USUAL_AREA_MM2, AREA_SD = 70.0, 0.4, 3000.0, 0.25


State = Literal["agrees", "repaired", "differs", "unchecked"]


@dataclass(frozen=True)
class ForkCheck:
    """Whether the fork's springs of the file carry what braking puts on them.

    Parameters
    ----------
    ratio : float or None
        Spring force over load at deep travel, as the file stands.
    bike : Bike
        With usual rubber at the end of the strokes where the file names none, and the fitted air column where it was
        repaired.
    """

    state: State
    ratio: float | None
    bike: Bike
    words: str


@dataclass(frozen=True)
class _Slow:
    """Slow riding, upright; arrays of shape (n,)."""

    shaft_mm: FloatArray
    gain_m_s2: FloatArray
    speed_m_s: FloatArray
    spring_n: FloatArray  # of the file, along the shaft, slow


def check_fork(run: Run, motion: Motion, track: Track, selected: BoolArray, bike: Bike) -> ForkCheck:
    """Check the fork's springs against the deceleration, and fit what a coil-only file leaves out.

    Parameters
    ----------
    selected : ndarray of bool, shape (n_samples,)
    bike : Bike
        The file, with the fork's rate and preload.
    """
    parts = bike.front.spring or SpringParts()
    coil_only = parts.air is None and parts.bump_stop is None
    bike = with_usual_rubber(bike)
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
    fitted, state = bike, "agrees"
    if coil_only and ratio < AGREES[0]:
        fitted, state = _with_air(bike, _fit_air(slow, bike)), "repaired"
        slow = _slow(run, motion, track, selected, fitted) or slow
        said.append(
            "The file gives the coil only: one air column was fitted to the difference, and the front's intervals are "
            "wider. Give the oil level and bore under [front.spring] air."
        )
    after = _deep_ratio(slow, fitted, deep)
    low, high = AGREES if coil_only else EXPLAINED
    if not low <= after <= high:
        return ForkCheck(
            "differs",
            ratio,
            bike,
            f"{said[0]} That should be {low:g} to {high:g}: rate, preload, air or the masses of the file "
            f"are not those of the motorcycle.",
        )
    return ForkCheck("repaired" if state == "repaired" else "agrees", ratio, fitted, " ".join(said))


def _deep_ratio(slow: _Slow, bike: Bike, deep: BoolArray) -> float:
    """Spring force over load at deep travel, the median."""
    load = _load_n(slow, bike, *_nominal(bike))
    return float(np.median(slow.spring_n[deep] / load[deep]))


def _with_air(bike: Bike, air: AirColumn) -> Bike:
    """The bike with an air column in its fork."""
    parts = (bike.front.spring or SpringParts()).model_copy(update={"air": air})
    return bike.model_copy(update={"front": bike.front.model_copy(update={"spring": parts})})


def _nominal(bike: Bike) -> tuple[float, float, float]:
    """Sprung mass, share of the wheelbase from the rear axle to its centre, height of it. [kg, 1, m]"""
    body = body_of(bike)
    height_mm = USUAL_COM_HEIGHT_MM if bike.chassis is None else bike.chassis.com_height_mm
    return body.mass_kg, float(body.arm_m[1] / body.arm_m.sum()), height_mm / 1e3


def _load_n(slow: _Slow, bike: Bike, mass_kg: float, share: float, height_m: float) -> FloatArray:
    """Load of the fork along its legs. [N]"""
    whole = mass_kg + float(body_of(bike).unsprung_kg.sum())
    brake = -(whole * slow.gain_m_s2 + DRAG_KG_M * slow.speed_m_s**2)
    rake, length = np.radians(rake_deg(bike)), wheelbase_mm(bike) / 1e3
    vertical = mass_kg * GRAVITY_M_S2 * share + brake * height_m / length
    return np.asarray(
        (vertical + FRONT_BRAKE * np.maximum(brake, 0.0) * np.tan(rake)) * np.cos(rake), dtype=np.float64
    )


def _slow(run: Run, motion: Motion, track: Track, selected: BoolArray, bike: Bike) -> _Slow | None:
    rate = motion.sample_rate_hz
    speed = track.speed_m_s
    known = np.isfinite(speed)
    if known.sum() < 10 * rate or "front" not in motion.ends:
        return None
    at = np.arange(len(speed))
    sos = signal.butter(2, SLOW_HZ, "lowpass", fs=rate, output="sos")

    def smooth(values: FloatArray) -> FloatArray:
        fine = np.isfinite(values)
        return np.asarray(signal.sosfiltfilt(sos, np.interp(at, at[fine], values[fine])))

    front = motion.ends["front"]
    grid = shaft_grid_mm(bike)
    force = np.interp(front.shaft_travel_mm, grid, spring_table_n(spring_of(bike, "front"), grid))
    slow_speed = smooth(speed)
    gain = np.gradient(slow_speed) * rate
    use = selected & front.valid & known & (gain < FASTEST_GAIN_M_S2)
    if "lean_deg" in run.channels:
        use &= np.abs(np.nan_to_num(run.channels["lean_deg"])) < UPRIGHT_DEG
    rows = np.flatnonzero(use)[:: max(1, round(rate / WORK_HZ))]
    if len(rows) < 10:
        return None
    return _Slow(smooth(front.shaft_travel_mm)[rows], gain[rows], slow_speed[rows], smooth(force)[rows])


def _fit_air(slow: _Slow, bike: Bike) -> AirColumn:
    """One air column for what the springs lack; the masses give way a little, since they are not exact either."""
    stroke = stroke_mm(bike, "front")
    mass, share, height = _nominal(bike)
    use = slow.shaft_mm > AIR_FROM_SHARE * stroke

    def air_n(area_mm2: float, length_mm: float) -> FloatArray:
        left = np.maximum(length_mm - np.clip(slow.shaft_mm, 0.0, stroke), 1.0)
        return np.asarray(0.101325 * area_mm2 * ((length_mm / left) ** AIR_EXPONENT - 1.0))

    def misfit(values: FloatArray) -> FloatArray:
        area, length = np.exp(values[0]), stroke + np.exp(values[1])
        mass_kg = mass * float(np.exp(values[2]))
        front = slow.spring_n + air_n(area, length)
        load = _load_n(slow, bike, mass_kg, share + values[3], height + values[4])
        off = (front - load)[use] / FORCE_SD_N / np.sqrt(WORK_HZ)  # a second of braking is one measurement
        prior = (values - usual) / spread
        return np.concatenate((off, prior))

    usual = np.array([np.log(USUAL_AREA_MM2), np.log(USUAL_OIL_LEVEL_MM), 0.0, 0.0, 0.0])
    spread = np.array([AREA_SD, OIL_LEVEL_SD, MASS_SD, SHARE_SD, HEIGHT_SD_M])
    low = np.array([np.log(300.0), np.log(15.0), -0.3, -0.1, -0.15])
    high = np.array([np.log(6000.0), np.log(250.0), 0.3, 0.1, 0.15])
    fitted = least_squares(
        misfit, usual, bounds=(low, high), loss="soft_l1", x_scale=[0.3, 0.3, 0.05, 0.02, 0.05]
    )
    area, length = float(np.exp(fitted.x[0])), stroke + float(np.exp(fitted.x[1]))
    return AirColumn(
        oil_level_mm=length - stroke, bore_mm=float(np.sqrt(2.0 * area / np.pi)), exponent=AIR_EXPONENT
    )
