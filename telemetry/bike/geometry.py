"""Steering geometry and attitude of the motorcycle from its two wheel travels.

ISO 8855 axes: x forward, y left, z up; pitch is positive nose down.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from telemetry.arrays import ENDS, End, FloatArray
from telemetry.bike.bikefile import Bike, Chassis, leverage_curve, needed, rake_deg, value_at, wheelbase_mm
from telemetry.bike.ends import RearEnd, rear_end
from telemetry.bike.sections import Chain, Load, Point
from telemetry.bike.springs import Sag, chassis_of, settled_mm
from telemetry.constants import GRAVITY_M_S2
from telemetry.errors import BikeFileError

LoadName = Literal["free", "static", "rider"]
LOADS: tuple[LoadName, ...] = ("free", "static", "rider")
_SETTLED_MM = 1e-8
_MOST_ROUNDS = 60  # each changes the sags by about a tenth of the round before

SAG_NEEDS = (
    "chassis.sprung_mass_kg", "chassis.com_to_rear_axle_mm", "chassis.com_height_mm",
    *(f"{end}.{key}" for end in ENDS for key in ("spring_rate_n_per_mm", "preload_mm", "tyre_radius_mm")),
)  # fmt: skip


def normal_trail_mm(tyre_radius_mm: float, rake_deg: float, fork_offset_mm: float) -> float:
    """Normal trail: distance of the front contact point from the steering axis. [mm]

    Parameters
    ----------
    tyre_radius_mm : float
        Front tyre. [mm]
    rake_deg : float
        Steering axis from the vertical. [deg]
    fork_offset_mm : float
        Axle in front of the steering axis. [mm]

    References
    ----------
    .. [1] J. P. Meijaard et al., Proc. R. Soc. A 463, 1955-1982, 2007, doi:10.1098/rspa.2007.1857.
    """
    return tyre_radius_mm * float(np.sin(np.radians(rake_deg))) - fork_offset_mm


def trail_mm(tyre_radius_mm: float, rake_deg: float, fork_offset_mm: float) -> float:
    """Ground trail: from the contact point to where the steering axis meets the ground, positive behind the axis. [mm]

    Parameters as in `normal_trail_mm`.
    """
    return normal_trail_mm(tyre_radius_mm, rake_deg, fork_offset_mm) / float(np.cos(np.radians(rake_deg)))


def pitch_deg(front_wheel_mm: FloatArray, rear_wheel_mm: FloatArray, wheelbase_mm: float) -> FloatArray:
    """Pitch of the chassis from the two wheel travels: 0 with both ends extended, positive nose down.

    Parameters
    ----------
    front_wheel_mm, rear_wheel_mm : ndarray of shape (n_samples,)
        Wheel travel, compression positive; NaN where invalid. [mm]
    wheelbase_mm : float
        With both ends extended. [mm]

    Returns
    -------
    ndarray of shape (n_samples,)
        asin((front - rear) / wheelbase). The tyres' own deflection is not in it. [deg]

    References
    ----------
    .. [1] ISO 8855:2011, Road vehicles - Vehicle dynamics and road-holding ability - Vocabulary (sign).
    """
    return np.degrees(np.arcsin((front_wheel_mm - rear_wheel_mm) / wheelbase_mm))


@dataclass(frozen=True)
class Attitude:
    """The motorcycle on level ground at two damper travels. Lengths [mm], angles [deg].

    Ride heights are above the ground, of the two places of the chassis where the axles sat when it was measured,
    extended: the tyre radius then, less with sag, more with a longer shock or a taller tyre. None without the radii of
    both tyres.
    """

    rake_deg: float
    trail_mm: float | None  # None without the front tyre's radius and the fork offset
    normal_trail_mm: float | None
    wheelbase_mm: float
    pitch_deg: float  # against the measured, extended motorcycle; positive nose down (ISO 8855)
    front_ride_height_mm: float | None
    rear_ride_height_mm: float | None
    swingarm_deg: float | None  # against the ground, positive when the pivot is above the axle
    ground_deg: float  # of the ground in the chassis frame, positive rising forward
    front_axle_mm: Point
    rear_axle_mm: Point
    pivot_mm: Point | None
    rear_tyre_radius_mm: float

    @property
    def forward(self) -> FloatArray:
        """Unit vector along the ground, in the chassis frame."""
        angle = np.radians(self.ground_deg)
        return np.array([np.cos(angle), np.sin(angle)])

    @property
    def up(self) -> FloatArray:
        """Unit vector away from the ground, in the chassis frame."""
        angle = np.radians(self.ground_deg)
        return np.array([-np.sin(angle), np.cos(angle)])

    def on_ground(self, point_mm: Point | FloatArray) -> tuple[float, float]:
        """Distance ahead of the rear contact and height above the ground of a chassis-frame point. [mm]"""
        r = np.asarray(point_mm, dtype=np.float64) - np.array(self.rear_axle_mm)
        return float(r @ self.forward), float(r @ self.up) + self.rear_tyre_radius_mm


def steering_axis(bike: Bike) -> FloatArray:
    """Unit vector up the fork in the chassis frame: forward, up; shape (2,)."""
    rake = np.radians(rake_deg(bike))
    return np.array([-np.sin(rake), np.cos(rake)])


def _alike(front_mm: float | None, rear_mm: float | None) -> tuple[float, float]:
    """Both radii; a missing one is taken from the other end, 0 if both are missing. [mm]"""
    if front_mm is None or rear_mm is None:
        either = front_mm or rear_mm or 0.0
        return either, either
    return front_mm, rear_mm


def tyre_radii_mm(bike: Bike) -> tuple[float, float]:
    """Front and rear tyre radius; a missing one is taken from the other end, 0 if both are missing. [mm]"""
    return _alike(bike.front.tyre_radius_mm, bike.rear.tyre_radius_mm)


def _measured_radii(bike: Bike) -> tuple[float, float]:
    at = bike.measured_at
    return _alike(
        bike.front.tyre_radius_mm if at.front_tyre_radius_mm is None else at.front_tyre_radius_mm,
        bike.rear.tyre_radius_mm if at.rear_tyre_radius_mm is None else at.rear_tyre_radius_mm,
    )


def _measured_front_axle_mm(bike: Bike) -> FloatArray:
    front_radius, rear_radius = _measured_radii(bike)
    x, z = rear_end(bike.rear, bike.measured_at).measured_axle_mm
    return np.array([x + wheelbase_mm(bike), z + front_radius - rear_radius])


def chassis_point(bike: Bike, ahead_of_rear_axle_mm: float, height_mm: float) -> FloatArray:
    """Chassis-frame coordinates, shape (2,), of a point given as on the measured motorcycle. [mm]"""
    rear = rear_end(bike.rear, bike.measured_at)
    x, z = rear.measured_axle_mm
    return np.array([x + ahead_of_rear_axle_mm, z + height_mm - _measured_radii(bike)[1]])


def front_axle_mm(bike: Bike, fork_mm: float | FloatArray) -> FloatArray:
    """Front axle in the chassis frame at a fork travel and the current fork height. [mm]"""
    front, at = bike.front, bike.measured_at
    start = _measured_front_axle_mm(bike)
    axis = steering_axis(bike)
    raised = front.fork_height_mm - (front.fork_height_mm if at.fork_height_mm is None else at.fork_height_mm)
    offset = 0.0
    if front.fork_offset_mm is not None and at.fork_offset_mm is not None:
        offset = front.fork_offset_mm - at.fork_offset_mm
    return np.asarray(start + axis * (fork_mm + raised) + np.array([axis[1], -axis[0]]) * offset)


def attitude(bike: Bike, fork_mm: float, shock_mm: float) -> Attitude:
    """Attitude of the motorcycle on level ground at two damper travels.

    Parameters
    ----------
    fork_mm, shock_mm : float
        Travel along fork leg and shock, 0 at full extension. [mm]

    References
    ----------
    .. [1] V. Cossalter, Motorcycle Dynamics, 2nd ed., 2006, ch. 1 (rake, normal and ground trail; from memory).
    """
    rear: RearEnd = rear_end(bike.rear, bike.measured_at)
    front_radius, rear_radius = tyre_radii_mm(bike)
    f, r = front_axle_mm(bike, fork_mm), rear.axle_mm(shock_mm)
    x, z = f - r
    apart = float(np.hypot(x, z))
    ground = float(np.arctan2(z, x) - np.arcsin((front_radius - rear_radius) / apart))
    forward, up = np.array([np.cos(ground), np.sin(ground)]), np.array([-np.sin(ground), np.cos(ground)])
    rake = rake_deg(bike) - float(np.degrees(ground))
    measured_front = _measured_front_axle_mm(bike)
    swingarm = None
    if rear.pivot_mm is not None:
        along = np.array(rear.pivot_mm) - r
        swingarm = float(np.degrees(np.arctan2(along @ up, along @ forward)))
    steering = bike.front.tyre_radius_mm, bike.front.fork_offset_mm
    trail, normal_trail = None, None
    if steering[0] is not None and steering[1] is not None:
        trail = trail_mm(steering[0], rake, steering[1])
        normal_trail = normal_trail_mm(steering[0], rake, steering[1])
    from_ground = bike.front.tyre_radius_mm is not None and bike.rear.tyre_radius_mm is not None
    return Attitude(
        rake_deg=rake,
        trail_mm=trail,
        normal_trail_mm=normal_trail,
        wheelbase_mm=float((f - r) @ forward),
        pitch_deg=float(np.degrees(ground)),
        front_ride_height_mm=float((measured_front - r) @ up) + rear_radius if from_ground else None,
        rear_ride_height_mm=(
            float((np.array(rear.measured_axle_mm) - r) @ up) + rear_radius if from_ground else None
        ),
        swingarm_deg=swingarm,
        ground_deg=float(np.degrees(ground)),
        front_axle_mm=(float(f[0]), float(f[1])),
        rear_axle_mm=(float(r[0]), float(r[1])),
        pivot_mm=rear.pivot_mm,
        rear_tyre_radius_mm=rear_radius,
    )


def rake_trail_wheelbase(
    bike: Bike, fork_mm: FloatArray, shock_mm: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Steering geometry of many attitudes, as of `attitude`; the trail is NaN where the bike file does not give it.

    Parameters
    ----------
    fork_mm, shock_mm : ndarray of shape (n,)
        Travel along fork leg and shock, 0 at full extension. [mm]

    Returns
    -------
    ndarray, ndarray, ndarray of shape (n,)
        [deg, mm, mm]
    """
    front_radius, rear_radius = tyre_radii_mm(bike)
    rear = rear_end(bike.rear, bike.measured_at).axles_mm(shock_mm)
    x, z = (front_axle_mm(bike, fork_mm[:, None]) - rear).T
    ground = np.arctan2(z, x) - np.arcsin((front_radius - rear_radius) / np.hypot(x, z))
    rake = rake_deg(bike) - np.degrees(ground)
    wheelbase = x * np.cos(ground) + z * np.sin(ground)
    radius, offset = bike.front.tyre_radius_mm, bike.front.fork_offset_mm
    if radius is None or offset is None:
        return rake, np.full(len(rake), np.nan), wheelbase
    return rake, np.array([trail_mm(radius, one, offset) for one in rake.tolist()]), wheelbase


@dataclass(frozen=True)
class Squat:
    """Chain angle, squat angle and anti-squat in an attitude.

    Anti-squat is tan(squat line) over tan(load transfer line), the line whose slope is centre-of-mass height over
    wheelbase. 100: drive neither compresses nor extends the rear; below: it squats. [%]
    """

    chain_deg: float  # upper run of the chain against the ground, positive rising forward
    squat_deg: float  # from the rear contact through the meeting of chain and swingarm
    anti_squat_pct: float


def sprocket_radius_mm(teeth: int, pitch_mm: float) -> float:
    """Pitch radius of a sprocket: pitch / (2 sin(pi / teeth)); ISO 606 (from memory). [mm]"""
    return pitch_mm / (2.0 * float(np.sin(np.pi / teeth)))


def upper_run(
    chain: Chain, rear_axle: FloatArray, front_sprocket: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Upper chain run: its tangent point on the rear sprocket [mm], and its unit vector forward."""
    front_radius = sprocket_radius_mm(chain.front_teeth, chain.pitch_mm)
    rear_radius = sprocket_radius_mm(chain.rear_teeth, chain.pitch_mm)
    x, z = front_sprocket - rear_axle
    # The outer tangent above both circles.
    angle = float(np.arctan2(z, x) - np.arcsin((rear_radius - front_radius) / np.hypot(x, z)))
    along, normal = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
    return rear_axle + rear_radius * normal, along


def squat(bike: Bike, standing: Attitude, com_height_mm: float) -> Squat | None:
    """Squat line and anti-squat in an attitude.

    Parameters
    ----------
    com_height_mm : float
        Of the whole motorcycle with rider, above the ground. [mm]

    Returns
    -------
    Squat or None
        None without [rear.swingarm] and [rear.chain].

    References
    ----------
    .. [1] V. Cossalter, Motorcycle Dynamics, 2nd ed., 2006, ch. 6 (squat line, load transfer line; from memory).
    """
    chain = bike.rear.chain
    if chain is None or standing.pivot_mm is None:
        return None
    axle, pivot = (
        np.array(standing.on_ground(point)) for point in (standing.rear_axle_mm, standing.pivot_mm)
    )
    sprocket = np.array(standing.on_ground(chain.front_sprocket_mm))
    start, along = upper_run(chain, axle, sprocket)
    arm = pivot - axle
    apart = float(along[0] * arm[1] - along[1] * arm[0])
    if abs(apart) < 1e-12 * float(np.hypot(*arm)):
        slope = float(along[1] / along[0])  # chain and swingarm are parallel, so is the squat line
    else:
        way = float((axle - start)[0] * arm[1] - (axle - start)[1] * arm[0]) / apart
        meeting = start + way * along
        slope = float(meeting[1] / meeting[0])  # from the rear contact, the origin
    return Squat(
        float(np.degrees(np.arctan2(along[1], along[0]))),
        float(np.degrees(np.arctan(slope))),
        100.0 * slope * standing.wheelbase_mm / com_height_mm,
    )


def rollout_mm(bike: Bike) -> float | None:
    """Distance ridden per turn of the front sprocket, from teeth and the rear tyre's circumference. [mm]"""
    chain, radius_mm = bike.rear.chain, bike.rear.tyre_radius_mm
    if chain is None or radius_mm is None:
        return None
    return 2.0 * float(np.pi) * radius_mm * chain.front_teeth / chain.rear_teeth


@dataclass(frozen=True)
class Standing:
    """The motorcycle at rest under one load."""

    load: Load  # sprung mass and its centre
    sag: dict[End, Sag]  # at the wheel: vertical at the axle relative to the chassis
    attitude: Attitude
    work_ratio: dict[End, float]  # axle displacement normal to the ground per mm of shaft travel


def load_without(chassis: Chassis, *parts: Load | None) -> Load:
    """Sprung mass and its centre without the given parts."""
    taken = [part for part in parts if part is not None]
    mass = chassis.sprung_mass_kg - sum(part.mass_kg for part in taken)

    def centre(name: str) -> float:
        moment = chassis.sprung_mass_kg * float(getattr(chassis, name))
        return (moment - sum(part.mass_kg * float(getattr(part, name)) for part in taken)) / mass

    # not validated: the remainder may lie outside the plausible range of a part
    return Load.model_construct(
        mass_kg=mass, com_to_rear_axle_mm=centre("com_to_rear_axle_mm"), com_height_mm=centre("com_height_mm")
    )


def sag_lacks(bike: Bike) -> tuple[str, ...]:
    """Keys needed for sag that the bike file does not give."""
    return tuple(key for key in SAG_NEEDS if value_at(bike, key) is None)


def load_of(bike: Bike, name: LoadName) -> Load | None:
    """Sprung load of a sag: "free" the motorcycle alone, "static" ready to ride, "rider" with its rider. [kg, mm]

    None if the bike file gives no [chassis.rider]; raises `BikeFileError` if it has no [chassis].
    """
    chassis = chassis_of(bike)
    if name == "rider":
        return load_without(chassis)
    if chassis.rider is None:
        return None
    return load_without(chassis, chassis.rider, chassis.fuel if name == "free" else None)


def sprung_loads_n(bike: Bike, load: Load, standing: Attitude) -> dict[End, float]:
    """Vertical load of a sprung mass on each wheel, in an attitude. [N]"""
    ahead, _ = standing.on_ground(chassis_point(bike, load.com_to_rear_axle_mm, load.com_height_mm))
    weight, front = load.mass_kg * GRAVITY_M_S2, ahead / standing.wheelbase_mm
    if not 0.0 < front < 1.0:
        raise BikeFileError(
            f"{bike.source}: chassis.com_to_rear_axle_mm puts the centre of mass outside the wheelbase; check it "
            f"and the place of rider and fuel."
        )
    return {"front": weight * front, "rear": weight * (1.0 - front)}


def stand(bike: Bike, load: Load) -> Standing:
    """Equilibrium of both ends under a sprung load, its place given as on the measured motorcycle. [kg, mm]

    `BikeFileError` if the bike file lacks what sag needs, a spring is pushed through its whole stroke, or the load
    lies outside the wheelbase.
    """
    needed(bike, *SAG_NEEDS, purpose="sag needs it")
    rear, axis = rear_end(bike.rear, bike.measured_at), steering_axis(bike)
    travel: dict[End, float] = {"front": 0.0, "rear": 0.0}
    for _ in range(_MOST_ROUNDS):
        now = attitude(bike, travel["front"], travel["rear"])
        loads, up = sprung_loads_n(bike, load, now), now.up
        # Both wheels roll freely, so only chassis motion normal to the ground does work.
        settled: dict[End, float] = {
            "front": settled_mm(bike, "front", loads["front"], _along(axis, up), travel["front"]),
            "rear": settled_mm(bike, "rear", loads["rear"], _path(rear, up), travel["rear"]),
        }
        moved = max(abs(settled[end] - travel[end]) for end in ENDS)
        travel = settled
        if moved < _SETTLED_MM:
            break
    final = attitude(bike, travel["front"], travel["rear"])
    loads = sprung_loads_n(bike, load, final)
    return Standing(
        load,
        {end: Sag(s, leverage_curve(bike, end).wheel_mm_at(s), loads[end]) for end, s in travel.items()},
        final,
        {"front": float(axis @ final.up), "rear": float(rear.axle_slope(travel["rear"]) @ final.up)},
    )


def _along(axis: FloatArray, up: FloatArray) -> Callable[[float], float]:
    share = float(axis @ up)
    return lambda _: share


def _path(rear: RearEnd, up: FloatArray) -> Callable[[float], float]:
    return lambda shaft_mm: float(rear.axle_slope(shaft_mm) @ up)
