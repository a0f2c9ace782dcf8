"""Springs at the wheel, and where the motorcycle sits on them: load, sag, wheel rate.

Each end by itself, with the load that level ground gives it; `equilibrium` has the whole motorcycle. Friction is
not in it.
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from telemetry.arrays import ENDS, End
from telemetry.bike.bikefile import Bike, Chassis, Front, Rear, needed
from telemetry.bike.curve import LeverageCurve
from telemetry.bike.leverage import leverage_curve, stroke_mm
from telemetry.bike.spring import ShaftSpring
from telemetry.errors import BikeFileError

GRAVITY_M_S2 = 9.80665  # standard gravity, 3rd General Conference on Weights and Measures, 1901


@dataclass(frozen=True)
class Sag:
    """Where one end sits under a steady load. [mm, mm, N]"""

    shaft_mm: float
    wheel_mm: float
    sprung_load_n: float


def _section(bike: Bike, end: End) -> Front | Rear:
    return bike.front if end == "front" else bike.rear


def spring_of(bike: Bike, end: End) -> ShaftSpring:
    """All that pushes along the shaft of one end at rest: coil, second rate, air, gas, top-out spring, bump stop.

    Parameters
    ----------
    end : {"front", "rear"}

    Raises
    ------
    BikeFileError
        If the bike file lacks rate or preload.
    """
    rate, preload = needed(
        bike, f"{end}.spring_rate_n_per_mm", f"{end}.preload_mm", purpose="sag and forces need it"
    )
    return ShaftSpring(rate, preload, stroke_mm(bike, end), _section(bike, end).spring)


def _ratio(curve: LeverageCurve, shaft_mm: float) -> float:
    return float(curve.ratio(np.array([shaft_mm]))[0])


def chassis_of(bike: Bike) -> Chassis:
    """The sprung mass of a bike, or a refusal where the bike file has none.

    Raises
    ------
    BikeFileError
        If the bike file has no [chassis].
    """
    if bike.chassis is None:
        raise BikeFileError(
            f"{bike.source}: has no [chassis]; give sprung_mass_kg, com_to_rear_axle_mm and com_height_mm for sag, "
            f"and pitch_inertia_kg_m2 as well for modes or simulation."
        )
    return bike.chassis


def sprung_load_n(bike: Bike, end: End) -> float:
    """Weight of the sprung mass carried by one end, on level ground at rest.

    Parameters
    ----------
    bike : Bike
        With [chassis].
    end : {"front", "rear"}

    Returns
    -------
    float
        Vertical. [N]

    Raises
    ------
    BikeFileError
        If the bike file has no [chassis].
    """
    chassis = chassis_of(bike)
    front_share = chassis.com_to_rear_axle_mm / bike.wheelbase_mm
    share = front_share if end == "front" else 1.0 - front_share
    return chassis.sprung_mass_kg * GRAVITY_M_S2 * share


def spring_force_at_wheel_n(bike: Bike, end: End, shaft_mm: float) -> float:
    """Vertical force of the spring at the wheel: its force along the shaft / leverage ratio.

    Parameters
    ----------
    end : {"front", "rear"}
    shaft_mm : float
        Shaft travel within the stroke. [mm]

    Returns
    -------
    float
        Positive pushes the wheel down. [N]
    """
    return spring_of(bike, end).force_n(shaft_mm) / _ratio(leverage_curve(bike, end), shaft_mm)


def wheel_rate_n_per_mm(bike: Bike, end: End, shaft_mm: float) -> float:
    """Rate of the spring at the wheel: k / LR^2 - F LR' / LR^3.

    The second term is the spring's force working through a ratio that changes: a falling ratio stiffens.

    Parameters
    ----------
    end : {"front", "rear"}
    shaft_mm : float
        Shaft travel within the stroke. [mm]

    Returns
    -------
    float
        Vertical. [N/mm]
    """
    spring, curve = spring_of(bike, end), leverage_curve(bike, end)
    ratio, slope = _ratio(curve, shaft_mm), curve.ratio_slope_per_mm(shaft_mm)
    return spring.rate_n_per_mm(shaft_mm) / ratio**2 - spring.force_n(shaft_mm) * slope / ratio**3


def sag_under_load(bike: Bike, end: End, load_n: float) -> Sag:
    """Where one end sits when its wheel carries a sprung load.

    Parameters
    ----------
    end : {"front", "rear"}
    load_n : float
        Vertical, without the unsprung mass. [N]

    Returns
    -------
    Sag
        At 0 when the preload alone carries the load (topped out).

    Raises
    ------
    BikeFileError
        If the load pushes this spring through its whole stroke.
    """
    curve, spring = leverage_curve(bike, end), spring_of(bike, end)

    def surplus_n(shaft_mm: float) -> float:
        return spring.force_n(shaft_mm) - load_n * _ratio(curve, shaft_mm)

    stroke = stroke_mm(bike, end)
    if surplus_n(0.0) >= 0.0:
        shaft = 0.0
    elif surplus_n(stroke) <= 0.0:
        raise BikeFileError(
            f"{bike.source}: {end}.spring_rate_n_per_mm = {spring.coil_n_per_mm:g} lets {load_n:.0f} N "
            f"at the wheel use the whole {stroke:g} mm stroke; check the rate (N/mm) and the masses."
        )
    else:
        shaft = float(brentq(surplus_n, 0.0, stroke, xtol=1e-10))
    return Sag(shaft, float(curve.wheel_travel_mm(np.array([shaft]))[0]), load_n)


def static_sag(bike: Bike) -> dict[End, Sag]:
    """Where both ends sit with the [chassis] mass of the bike file (with rider: rider sag), at rest.

    Parameters
    ----------
    bike : Bike
        With [chassis].

    Raises
    ------
    BikeFileError
        If the bike file has no [chassis], or a spring is too soft to carry it.
    """
    return {end: sag_under_load(bike, end, sprung_load_n(bike, end)) for end in ENDS}
