"""Springs at the wheel: load, sag, wheel rate.

Each end alone, under its load on level ground; `geometry.stand` solves the whole motorcycle. Without friction.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import ENDS, End
from telemetry.bike.bikefile import Bike, Chassis, leverage_curve, needed, stroke_mm, value_at, wheelbase_mm
from telemetry.bike.leverage import LeverageCurve
from telemetry.bike.sections import AirColumn, SpringParts
from telemetry.errors import BikeFileError
from telemetry.numeric import root

ATMOSPHERE_N_PER_MM2 = 0.101325  # standard atmosphere, ISO 2533
_BAR_N_PER_MM2 = 0.1
_NEAR_MM = 0.5  # first bracket of the root search for a sag, around a guess

GRAVITY_M_S2 = 9.80665  # standard gravity, 3rd General Conference on Weights and Measures, 1901

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


def _ratio(curve: LeverageCurve, shaft_mm: float) -> float:
    return float(curve.ratio(np.array([shaft_mm]))[0])


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
    ratio, slope = _ratio(curve, shaft_mm), curve.ratio_slope_per_mm(shaft_mm)
    return spring.rate_n_per_mm(shaft_mm) / ratio**2 - spring.force_n(shaft_mm) * slope / ratio**3


def sag_under_load(bike: Bike, end: End, load_n: float) -> Sag:
    """Sag of one end under a sprung load at its wheel (without the unsprung mass)."""
    curve = leverage_curve(bike, end)
    shaft = settled_mm(bike, end, load_n, lambda shaft_mm: _ratio(curve, shaft_mm))
    return Sag(shaft, float(curve.wheel_travel_mm(np.array([shaft]))[0]), load_n)


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

    Raises
    ------
    BikeFileError
        If the bike file has no [chassis], or a spring is too soft to carry it.
    """
    return {end: sag_under_load(bike, end, sprung_load_n(bike, end)) for end in ENDS}


def _body_hz(bike: Bike, end: End, rate_n_per_mm: float) -> float:
    load_n = sprung_load_n(bike, end) if bike.chassis else _USUAL_LOAD_N
    ratio = float(leverage_curve(bike, end).ratio(np.array([0.3 * stroke_mm(bike, end)]))[0])
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
