"""The whole motorcycle at rest on its two wheels: where both ends sit for each load, exact in its geometry.

Each end carries what the centre of mass leaves it in the attitude that both sags make, so the two are solved
together. Wheels roll freely: the contact forces are vertical, and only that part which does work along fork
and axle path loads the springs. Friction is not in it: a measured sag lies within what friction holds.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.optimize import brentq

from telemetry.arrays import ENDS, End, FloatArray
from telemetry.bike.attitude import Attitude, attitude, chassis_point, steering_axis
from telemetry.bike.bikefile import Bike, Chassis, needed, value_at
from telemetry.bike.leverage import leverage_curve, stroke_mm
from telemetry.bike.plausible import unit_hint
from telemetry.bike.rearend import RearEnd, rear_end
from telemetry.bike.sections import Load
from telemetry.bike.springs import GRAVITY_M_S2, Sag, chassis_of, spring_of
from telemetry.errors import BikeFileError

LoadName = Literal["free", "static", "rider"]
LOADS: tuple[LoadName, ...] = ("free", "static", "rider")
LOAD_WORDS = {"free": "motorcycle alone", "static": "ready to ride", "rider": "with its rider"}
_SETTLED_MM = 1e-8
_NEAR_MM = 0.5  # where the next round is looked for first
_MOST_ROUNDS = 60  # each moves the sags by about a tenth of the round before


@dataclass(frozen=True)
class Standing:
    """The motorcycle at rest under one load.

    Parameters
    ----------
    load : Load
        The sprung mass and its centre. [kg, mm]
    sag : dict of end to Sag
        Wheel sag is vertical at the axle relative to the chassis. [mm]
    work_ratio : dict of end to float
        Way of the axle at right angles to the ground for each millimetre of shaft travel: what the load works on.
    """

    load: Load
    sag: dict[End, Sag]
    attitude: Attitude
    work_ratio: dict[End, float]


def without(chassis: Chassis, *parts: Load | None) -> Load:
    """The sprung mass without some of its parts."""
    taken = [part for part in parts if part is not None]
    mass = chassis.sprung_mass_kg - sum(part.mass_kg for part in taken)

    def centre(name: str) -> float:
        moment = chassis.sprung_mass_kg * float(getattr(chassis, name))
        return (moment - sum(part.mass_kg * float(getattr(part, name)) for part in taken)) / mass

    # not checked again: what is left need not be a plausible part
    return Load.model_construct(
        mass_kg=mass, com_to_rear_axle_mm=centre("com_to_rear_axle_mm"), com_height_mm=centre("com_height_mm")
    )


SAG_NEEDS = (
    "chassis.sprung_mass_kg", "chassis.com_to_rear_axle_mm", "chassis.com_height_mm",
    *(f"{end}.{key}" for end in ENDS for key in ("spring_rate_n_per_mm", "preload_mm", "tyre_radius_mm")),
)  # fmt: skip


def sag_lacks(bike: Bike) -> tuple[str, ...]:
    """Keys that the bike file would have to give for sag, and for all that is measured with the rider on it."""
    return tuple(key for key in SAG_NEEDS if value_at(bike, key) is None)


def load_of(bike: Bike, name: LoadName) -> Load | None:
    """The sprung load of a sag: "free" the motorcycle alone, "static" ready to ride, "rider" with its rider.

    Parameters
    ----------
    bike : Bike
        With [chassis].
    name : {"free", "static", "rider"}

    Returns
    -------
    Load or None
        None where the bike file does not tell the rider from the motorcycle.

    Raises
    ------
    BikeFileError
        If the bike file has no [chassis].
    """
    chassis = chassis_of(bike)
    if name == "rider":
        return without(chassis)
    if chassis.rider is None:
        return None
    return without(chassis, chassis.rider, chassis.fuel if name == "free" else None)


def sprung_loads_n(bike: Bike, load: Load, standing: Attitude) -> dict[End, float]:
    """What each wheel carries of a sprung load in an attitude. [N]"""
    ahead, _ = standing.on_ground(chassis_point(bike, load.com_to_rear_axle_mm, load.com_height_mm))
    weight, front = load.mass_kg * GRAVITY_M_S2, ahead / standing.wheelbase_mm
    if not 0.0 < front < 1.0:
        raise BikeFileError(
            f"{bike.source}: chassis.com_to_rear_axle_mm puts the centre of mass outside the wheelbase; check it "
            f"and the place of rider and fuel."
        )
    return {"front": weight * front, "rear": weight * (1.0 - front)}


def stand(bike: Bike, load: Load) -> Standing:
    """Where both ends sit at rest under a sprung load.

    Parameters
    ----------
    load : Load
        Its place given as on the measured motorcycle. [kg, mm]

    Raises
    ------
    BikeFileError
        If the bike file lacks what sag needs, a spring is pushed through its whole stroke, or the load lies outside
        the wheelbase.
    """
    needed(bike, *SAG_NEEDS, purpose="sag needs it")
    rear, axis = rear_end(bike.rear, bike.measured_at), steering_axis(bike)
    travel: dict[End, float] = {"front": 0.0, "rear": 0.0}
    for _ in range(_MOST_ROUNDS):
        now = attitude(bike, travel["front"], travel["rear"])
        loads, up = sprung_loads_n(bike, load, now), now.up
        # Both wheels roll freely, so of the chassis' way only that at right angles to the ground does work.
        found: dict[End, float] = {
            "front": _settle(bike, "front", loads["front"], _along(axis, up), travel["front"]),
            "rear": _settle(bike, "rear", loads["rear"], _path(rear, up), travel["rear"]),
        }
        moved = max(abs(found[end] - travel[end]) for end in ENDS)
        travel = found
        if moved < _SETTLED_MM:
            break
    final = attitude(bike, travel["front"], travel["rear"])
    loads = sprung_loads_n(bike, load, final)
    curves = {end: leverage_curve(bike, end) for end in ENDS}
    return Standing(
        load,
        {
            end: Sag(travel[end], float(curves[end].wheel_travel_mm(np.array([travel[end]]))[0]), loads[end])
            for end in ENDS
        },
        final,
        {"front": float(axis @ final.up), "rear": float(rear.axle_slope(travel["rear"]) @ final.up)},
    )


def _along(axis: FloatArray, up: FloatArray) -> Callable[[float], float]:
    share = float(axis @ up)
    return lambda _: share


def _path(rear: RearEnd, up: FloatArray) -> Callable[[float], float]:
    return lambda shaft_mm: float(rear.axle_slope(shaft_mm) @ up)


def _settle(bike: Bike, end: End, load_n: float, ratio_at: Callable[[float], float], near_mm: float) -> float:
    """Shaft travel at which the springs carry a load; 0 where they hold it topped out."""
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
    return float(brentq(surplus_n, low, high, xtol=1e-10, rtol=1e-14))
