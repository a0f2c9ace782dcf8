"""Springs at the wheel: load, sag, wheel rate; natural frequencies and damping of quarter and half vehicle.

Sag is of each end alone, under its load on level ground, without friction; `geometry.stand` solves the whole
motorcycle. Vibration is M x'' + C x' + K x = 0, solved through its eigenvalues; SI units inside.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import ENDS, End, FloatArray
from telemetry.bike.bikefile import Bike, Chassis, leverage_curve, needed, stroke_mm, value_at, wheelbase_mm
from telemetry.bike.ends import Damper
from telemetry.bike.sections import AirColumn, SpringParts
from telemetry.constants import GRAVITY_M_S2
from telemetry.errors import BikeFileError
from telemetry.numeric import root

ATMOSPHERE_N_PER_MM2 = 0.101325  # standard atmosphere, ISO 2533
_BAR_N_PER_MM2 = 0.1
_NEAR_MM = 0.5  # first bracket of the root search for a sag, around a guess


# Natural frequency of the sprung mass on a motorcycle's spring, about 1.8 to 2.6 Hz in road racing (common
# practice, no source); a wrong unit of factor 9.8 changes it by 3.1, one of 25.4 by 5.0.
BODY_HZ = (1.2, 4.0)
_USUAL_HZ = 2.2
_USUAL_LOAD_N = 1050.0  # sprung load of an end with rider where the file has no [chassis]; common practice
_UNITS: Mapping[str, float] = {  # factor by which a wrong unit changes the number
    "kgf/mm": 1.0 / GRAVITY_M_S2,
    "N/in": 25.4,
    "lbf/in": 25.4 / 4.4482216152605,  # 1 lbf = 4.4482216152605 N, exact
    "N/cm": 10.0,
    "kgf/in": 25.4 / GRAVITY_M_S2,
}


@dataclass(frozen=True)
class ShaftSpring:
    """Springs along the shaft of one end, as a function of shaft travel, 0 at full extension: coil k (s + preload)."""

    coil_n_per_mm: float
    preload_mm: float
    stroke_mm: float
    parts: SpringParts | None = None  # beside the coil

    def force_n(self, shaft_mm: float) -> float:
        """Force that extends the shaft; negative if the top-out spring holds it. [N]"""
        force = self.coil_n_per_mm * (shaft_mm + self.preload_mm)
        return force if self.parts is None else force + self._beside(self.parts, shaft_mm, 0)

    def rate_n_per_mm(self, shaft_mm: float) -> float:
        """d(force)/d(travel). [N/mm]"""
        beside = 0.0 if self.parts is None else self._beside(self.parts, shaft_mm, 1)
        return self.coil_n_per_mm + beside

    def _beside(self, parts: SpringParts, s: float, order: int) -> float:
        """Sum over the parts of the force (0) or its derivative (1)."""
        total = (parts.gas_force_n, 0.0)[order]
        if parts.second_rate_n_per_mm is not None and parts.second_from_mm is not None:
            over = s - (parts.second_from_mm - self.preload_mm)
            extra = parts.second_rate_n_per_mm - self.coil_n_per_mm
            total += extra * (max(0.0, over), 1.0 if over > 0 else 0.0)[order]
        if parts.top_out is not None:
            left = max(0.0, parts.top_out.length_mm - s)
            total += parts.top_out.rate_n_per_mm * (-left, 1.0 if left > 0 else 0.0)[order]
        if parts.bump_stop is not None:
            stop = parts.bump_stop
            depth = max(0.0, s - (self.stroke_mm - stop.length_mm)) / stop.length_mm
            slope = stop.power * depth ** (stop.power - 1.0) / stop.length_mm if depth > 0 else 0.0
            total += stop.force_n * (depth**stop.power, slope)[order]
        if parts.air is not None:
            total += _air(parts.air, self.stroke_mm, s)[order]
        return total


def _air(air: AirColumn, stroke_mm: float, s: float) -> tuple[float, float]:
    """Force and rate of enclosed air against the atmosphere, p V^n constant. [N, N/mm]"""
    bore = air.legs * np.pi / 4 * air.bore_mm**2
    area = bore if air.displacing_mm is None else air.legs * np.pi / 4 * air.displacing_mm**2
    full = bore * air.oil_level_mm + area * stroke_mm
    now, n = full - area * s, air.exponent
    pressure = (ATMOSPHERE_N_PER_MM2 + _BAR_N_PER_MM2 * air.pressure_bar) * (full / now) ** n
    return float(area * (pressure - ATMOSPHERE_N_PER_MM2)), float(area**2 * n * pressure / now)


@dataclass(frozen=True)
class Sag:
    """Travel of one end under a steady load, and the load. [mm, mm, N]"""

    shaft_mm: float
    wheel_mm: float
    sprung_load_n: float


def spring_of(bike: Bike, end: End) -> ShaftSpring:
    """All springs along the shaft of one end: coil, second rate, air, gas, top-out spring, bump stop.

    Raises `BikeFileError` if the bike file lacks rate or preload.
    """
    rate, preload = needed(
        bike, f"{end}.spring_rate_n_per_mm", f"{end}.preload_mm", purpose="sag and forces need it"
    )
    return ShaftSpring(rate, preload, stroke_mm(bike, end), bike.end(end).spring)


def chassis_of(bike: Bike) -> Chassis:
    """[chassis] of a bike file; a `BikeFileError` if it has none."""
    if bike.chassis is None:
        raise BikeFileError(
            f"{bike.source}: has no [chassis]; give sprung_mass_kg, com_to_rear_axle_mm and com_height_mm for sag, "
            f"and pitch_inertia_kg_m2 as well for modes or simulation."
        )
    return bike.chassis


def sprung_load_n(bike: Bike, end: End) -> float:
    """Vertical load of the sprung mass on one end, at rest on level ground; `BikeFileError` without [chassis]. [N]"""
    chassis = chassis_of(bike)
    front_share = chassis.com_to_rear_axle_mm / wheelbase_mm(bike)
    share = front_share if end == "front" else 1.0 - front_share
    return chassis.sprung_mass_kg * GRAVITY_M_S2 * share


def wheel_rate_n_per_mm(bike: Bike, end: End, shaft_mm: float) -> float:
    """Vertical spring rate at the wheel at a shaft travel: k / LR^2 - F LR' / LR^3. [N/mm]

    The second term comes from the change of the ratio: a falling ratio stiffens.
    """
    spring, curve = spring_of(bike, end), leverage_curve(bike, end)
    ratio, slope = curve.ratio_at(shaft_mm), curve.ratio_slope_per_mm(shaft_mm)
    return spring.rate_n_per_mm(shaft_mm) / ratio**2 - spring.force_n(shaft_mm) * slope / ratio**3


def sag_under_load(bike: Bike, end: End, load_n: float) -> Sag:
    """Sag of one end under a sprung load at its wheel (without the unsprung mass)."""
    curve = leverage_curve(bike, end)
    shaft = settled_mm(bike, end, load_n, curve.ratio_at)
    return Sag(shaft, curve.wheel_mm_at(shaft), load_n)


def settled_mm(
    bike: Bike, end: End, load_n: float, ratio_at: Callable[[float], float], near_mm: float = 0.0
) -> float:
    """Shaft travel at which the springs carry a load through ``ratio_at``, 0 if topped out. [mm]

    Sought about ``near_mm`` first; `BikeFileError` if the load exceeds the whole stroke.
    """
    spring, stroke = spring_of(bike, end), stroke_mm(bike, end)

    def surplus_n(shaft_mm: float) -> float:
        return spring.force_n(shaft_mm) - load_n * ratio_at(shaft_mm)

    low, high = max(0.0, near_mm - _NEAR_MM), min(stroke, near_mm + _NEAR_MM)
    if not surplus_n(low) < 0.0 < surplus_n(high):
        low, high = 0.0, stroke
        if surplus_n(0.0) >= 0.0:
            return 0.0
        if surplus_n(stroke) <= 0.0:
            raise BikeFileError(
                f"{bike.source}: {end}.spring_rate_n_per_mm = {spring.coil_n_per_mm:g} lets {load_n:.0f} N at the "
                f"wheel use the whole {stroke:g} mm stroke; "
                f"{unit_hint(bike, end) or 'check the rate (N/mm) and the masses'}."
            )
    return root(surplus_n, low, high, within=1e-10)


def static_sag(bike: Bike) -> dict[End, Sag]:
    """Sag of both ends under the [chassis] mass of the bike file, which includes the rider: rider sag.

    `BikeFileError` if the bike file has no [chassis], or a spring is too soft to carry it.
    """
    return {end: sag_under_load(bike, end, sprung_load_n(bike, end)) for end in ENDS}


def _body_hz(bike: Bike, end: End, rate_n_per_mm: float) -> float:
    load_n = sprung_load_n(bike, end) if bike.chassis else _USUAL_LOAD_N
    ratio = leverage_curve(bike, end).ratio_at(0.3 * stroke_mm(bike, end))
    rate_n_m = 1e3 * rate_n_per_mm / ratio**2
    if load_n <= 0.0:  # the centre of mass lies outside the wheelbase
        return _USUAL_HZ
    return float(np.sqrt(rate_n_m * GRAVITY_M_S2 / load_n) / (2 * np.pi))


def unit_hint(bike: Bike, end: End) -> str:
    """Unit in which an implausible spring rate was probably written, "" if N/mm is plausible; without a full stop."""
    rate = bike.end(end).spring_rate_n_per_mm
    if rate is None:
        return ""
    body_hz = _body_hz(bike, end, rate)
    if BODY_HZ[0] <= body_hz <= BODY_HZ[1]:
        return ""
    unit, factor = min(_UNITS.items(), key=lambda item: abs(np.log(body_hz / np.sqrt(item[1]) / _USUAL_HZ)))
    corrected = rate / factor
    if not BODY_HZ[0] <= body_hz / np.sqrt(factor) <= BODY_HZ[1]:
        return (
            f"{rate:g} N/mm under this load is far from any motorcycle spring; check the rate and the masses"
        )
    times = factor if factor > 1 else 1 / factor
    return (
        f"{rate:g} looks like {unit} (a factor {times:.2f} {'too high' if factor > 1 else 'too low'}); "
        f"in N/mm it would be {corrected:.3g}"
    )


def bike_warnings(bike: Bike) -> tuple[str, ...]:
    """Warnings about implausible values of a bike file, one sentence each with file and key."""
    warnings = [
        f"{bike.source}: {end}.spring_rate_n_per_mm: {hint}."
        for end in ENDS
        if (hint := unit_hint(bike, end))
    ]
    warnings += [f"{bike.source}: {words}" for words in beyond_limits(bike)]
    return tuple(warnings)


def beyond_limit(bike: Bike, key: str, value: float) -> str:
    """Sentence on a value outside its limits in [adjusters], "" if inside or without limits."""
    adjuster = bike.adjusters.get(key)
    if adjuster is not None and adjuster.max is not None and value > adjuster.max + 1e-9:
        return f"{key} = {value:g} is past its maximum of {adjuster.max:g}."
    if adjuster is not None and adjuster.min is not None and value < adjuster.min - 1e-9:
        return f"{key} = {value:g} is below its minimum of {adjuster.min:g}."
    return ""


def beyond_limits(bike: Bike) -> list[str]:
    """Sentences on all values outside their limits in [adjusters]."""
    sentences = (beyond_limit(bike, key, value_at(bike, key)) for key in bike.adjusters)
    return [words for words in sentences if words]


# Oscillating poles have a conjugate; below this relative imaginary part a pole is real.
REAL_POLE = 1e-9


@dataclass(frozen=True)
class Mode:
    """One oscillating mode."""

    fn_hz: float  # undamped natural frequency, |pole| / 2 pi
    damping_ratio: float  # -Re(pole) / |pole|
    shape: tuple[complex, ...]  # displacements, largest 1, in the order of the matrices


@dataclass(frozen=True)
class SpringEnd:
    """One end reduced to its wheel: vertical rates and damping. [kg, N/m, N s/m]"""

    unsprung_mass_kg: float
    suspension_rate_n_m: float
    tyre_rate_n_m: float
    suspension_damping_n_s_m: float
    tyre_damping_n_s_m: float = 0.0


@dataclass(frozen=True)
class Matrices:
    """Mass, damping and stiffness of a linear system, each of shape (n, n). [SI]"""

    mass: FloatArray
    damping: FloatArray
    stiffness: FloatArray


def quarter_vehicle(sprung_mass_kg: float, end: SpringEnd) -> Matrices:
    """Matrices of one end alone, shape (2, 2): x = (sprung, unsprung), up positive. [kg, N s/m, N/m]

    ``sprung_mass_kg`` is what this end carries (T. D. Gillespie, Fundamentals of Vehicle Dynamics, SAE 1992, ch. 5).
    """
    k, c = end.suspension_rate_n_m, end.suspension_damping_n_s_m
    return Matrices(
        np.diag([sprung_mass_kg, end.unsprung_mass_kg]),
        np.array([[c, -c], [-c, c + end.tyre_damping_n_s_m]]),
        np.array([[k, -k], [-k, k + end.tyre_rate_n_m]]),
    )


def half_vehicle(
    sprung_mass_kg: float,
    pitch_inertia_kg_m2: float,
    com_to_front_m: float,
    com_to_rear_m: float,
    front: SpringEnd,
    rear: SpringEnd,
) -> Matrices:
    """Matrices, shape (4, 4), of a motorcycle in its plane: x = (heave up, pitch nose down, front, rear unsprung up).

    Mass and inertia about the centre of mass of the sprung part; its distances to the axles are along the ground. [kg,
    kg m2, m, N/m]
    """
    # Suspension extension of each end is (its mount) - (its wheel); a mount sits at heave -+ arm * pitch.
    stretch = np.array([[1.0, -com_to_front_m, -1.0, 0.0], [1.0, com_to_rear_m, 0.0, -1.0]])
    tyre = np.array([[0.0, 0.0, 1.0, 0.0], [0.0, 0.0, 0.0, 1.0]])

    def assemble(suspension: tuple[float, float], tyres: tuple[float, float]) -> FloatArray:
        return np.asarray(stretch.T @ np.diag(suspension) @ stretch + tyre.T @ np.diag(tyres) @ tyre)

    return Matrices(
        np.diag([sprung_mass_kg, pitch_inertia_kg_m2, front.unsprung_mass_kg, rear.unsprung_mass_kg]),
        assemble(
            (front.suspension_damping_n_s_m, rear.suspension_damping_n_s_m),
            (front.tyre_damping_n_s_m, rear.tyre_damping_n_s_m),
        ),
        assemble(
            (front.suspension_rate_n_m, rear.suspension_rate_n_m), (front.tyre_rate_n_m, rear.tyre_rate_n_m)
        ),
    )


def modes(matrices: Matrices) -> tuple[Mode, ...]:
    """Oscillating modes of a linear system, lowest natural frequency first; real poles (overdamped) are left out."""
    n = len(matrices.mass)
    inverse_mass = np.linalg.inv(matrices.mass)
    state = np.block(
        [
            [np.zeros((n, n)), np.eye(n)],
            [-inverse_mass @ matrices.stiffness, -inverse_mass @ matrices.damping],
        ]
    )
    poles, vectors = np.linalg.eig(state)
    oscillating = []
    for pole, vector in zip(poles, vectors.T, strict=True):
        if pole.imag > REAL_POLE * abs(pole):
            shape = vector[:n] / vector[np.argmax(np.abs(vector[:n]))]
            fn_hz, damping_ratio = abs(pole) / (2 * np.pi), -pole.real / abs(pole)
            oscillating.append(
                Mode(float(fn_hz), float(damping_ratio), tuple(complex(value) for value in shape))
            )
    return tuple(sorted(oscillating, key=lambda mode: mode.fn_hz))


def wheel_and_damper(bike: Bike, end: End) -> tuple[float, float, Damper]:
    """Unsprung mass, tyre rate and damper of one end; `BikeFileError` names what the bike file lacks. [kg, N/mm]"""
    section = bike.end(end)
    mass, rate, damper = section.unsprung_mass_kg, section.tyre_rate_n_per_mm, section.damper
    if mass is None or rate is None or damper is None:
        parts = (("unsprung_mass_kg", mass), ("tyre_rate_n_per_mm", rate), (f"[{end}.damper]", damper))
        missing = " and ".join(name for name, value in parts if value is None)
        raise BikeFileError(f"{bike.source}: [{end}] lacks {missing}; modes and simulation need it.")
    return mass, rate, damper


def spring_end(bike: Bike, end: End, shaft_mm: float, *, damper_scale: float = 1.0) -> SpringEnd:
    """One end reduced to its wheel, linearised about a shaft travel [mm] within the stroke and low shaft speed.

    ``damper_scale`` is 1 as in the bike file, 0 with the damping lost. `BikeFileError` if the file lacks masses, tyre
    rates or dampers.
    """
    mass_kg, tyre_rate_n_per_mm, damper = wheel_and_damper(bike, end)
    section = bike.end(end)
    ratio = leverage_curve(bike, end).ratio_at(shaft_mm)
    # Around zero speed: mean of the low-speed slopes of both directions.
    low_n_s_per_mm = 0.5 * (damper.compression.low_n_s_per_mm + damper.rebound.low_n_s_per_mm)
    return SpringEnd(
        mass_kg,
        1e3 * wheel_rate_n_per_mm(bike, end, shaft_mm),
        1e3 * tyre_rate_n_per_mm,
        1e3 * damper_scale * low_n_s_per_mm / ratio**2,
        1e3 * section.tyre_damping_n_s_per_mm,
    )


def bike_matrices(bike: Bike, *, front_damper_scale: float = 1.0, rear_damper_scale: float = 1.0) -> Matrices:
    """Half-vehicle matrices of a bike file about rider sag at low shaft speed: heave, pitch, both unsprung.

    Without friction, stops and digression. ``*_damper_scale`` is 1 as in the file, 0 with the damping lost.
    `BikeFileError` if the file lacks [chassis], masses, tyre rates or dampers.
    """
    chassis, sag = chassis_of(bike), static_sag(bike)
    (inertia,) = needed(bike, "chassis.pitch_inertia_kg_m2", purpose="modes and simulation need it")
    to_rear_m = chassis.com_to_rear_axle_mm / 1e3
    return half_vehicle(
        chassis.sprung_mass_kg,
        inertia,
        wheelbase_mm(bike) / 1e3 - to_rear_m,
        to_rear_m,
        spring_end(bike, "front", sag["front"].shaft_mm, damper_scale=front_damper_scale),
        spring_end(bike, "rear", sag["rear"].shaft_mm, damper_scale=rear_damper_scale),
    )


def bike_modes(
    bike: Bike, *, front_damper_scale: float = 1.0, rear_damper_scale: float = 1.0
) -> tuple[Mode, ...]:
    """Modes of a bike about rider sag, at low shaft speed: bounce, pitch, then the two wheel hops. [Hz]"""
    return modes(
        bike_matrices(bike, front_damper_scale=front_damper_scale, rear_damper_scale=rear_damper_scale)
    )
