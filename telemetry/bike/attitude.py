"""How the motorcycle stands on level ground for two damper travels: rake, trail, wheelbase, pitch, heights.

The chassis frame (x forward, z up) is level as the motorcycle stood when it was measured, both ends extended;
its origin is that of the bike file's points, the rear axle where there are none. Both axles move in it, and the
ground is the line that touches both tyres. Tyres count with their unloaded radius (for the trail the stand takes off
what they give under load); where the bike file gives none, both are taken to be alike, which moves rake by less than
0.01 deg, and what needs the radius itself is None.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.bike.bikefile import Bike
from telemetry.bike.geometry import normal_trail_mm, trail_mm
from telemetry.bike.rearend import RearEnd, rear_end
from telemetry.bike.sections import Point


@dataclass(frozen=True)
class Attitude:
    """The motorcycle on level ground at two damper travels. Lengths [mm], angles [deg].

    Parameters
    ----------
    rake_deg, wheelbase_mm : float
        Of the motorcycle as it stands.
    trail_mm, normal_trail_mm : float or None
        None without the front tyre's radius and the fork offset.
    pitch_deg : float
        Against the measured, extended motorcycle; positive nose down (ISO 8855).
    front_ride_height_mm, rear_ride_height_mm : float or None
        Height above the ground of the two places of the chassis where the axles sat when it was measured,
        extended: the tyre radius then, less with sag, more with a longer shock or a taller tyre. None without the
        radii of both tyres.
    swingarm_deg : float or None
        Swingarm against the ground, positive when the pivot is above the axle.
    ground_deg : float
        The ground in the chassis frame, positive rising forward.
    """

    rake_deg: float
    trail_mm: float | None
    normal_trail_mm: float | None
    wheelbase_mm: float
    pitch_deg: float
    front_ride_height_mm: float | None
    rear_ride_height_mm: float | None
    swingarm_deg: float | None
    ground_deg: float
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
    """Unit vector up the fork in the chassis frame."""
    rake = np.radians(bike.front.rake_deg)
    return np.array([-np.sin(rake), np.cos(rake)])


@lru_cache(maxsize=256)
def _measured_front_axle(
    wheelbase_mm: float, front_radius_mm: float, rear_radius_mm: float, rear_axle: Point
) -> Point:
    return rear_axle[0] + wheelbase_mm, rear_axle[1] + front_radius_mm - rear_radius_mm


def _alike(front_mm: float | None, rear_mm: float | None) -> tuple[float, float]:
    """Both radii; one that is not known as the other, both unknown as none. [mm]"""
    if front_mm is None or rear_mm is None:
        either = front_mm or rear_mm or 0.0
        return either, either
    return front_mm, rear_mm


def tyre_radii_mm(bike: Bike) -> tuple[float, float]:
    """Radii of the tyres on the bike, front and rear, taken alike where they are not known. [mm]"""
    return _alike(bike.front.tyre_radius_mm, bike.rear.tyre_radius_mm)


def _measured_radii(bike: Bike) -> tuple[float, float]:
    at = bike.measured_at
    return _alike(
        bike.front.tyre_radius_mm if at.front_tyre_radius_mm is None else at.front_tyre_radius_mm,
        bike.rear.tyre_radius_mm if at.rear_tyre_radius_mm is None else at.rear_tyre_radius_mm,
    )


def chassis_point(bike: Bike, ahead_of_rear_axle_mm: float, height_mm: float) -> FloatArray:
    """A place on the chassis, given as on the measured motorcycle, in the chassis frame. [mm]"""
    rear = rear_end(bike.rear, bike.measured_at)
    x, z = rear.measured_axle_mm
    return np.array([x + ahead_of_rear_axle_mm, z + height_mm - _measured_radii(bike)[1]])


def front_axle_mm(bike: Bike, fork_mm: float) -> FloatArray:
    """The front axle in the chassis frame at a fork travel, with the legs where they are clamped. [mm]"""
    front, at = bike.front, bike.measured_at
    rear = rear_end(bike.rear, bike.measured_at)
    start = np.array(_measured_front_axle(bike.wheelbase_mm, *_measured_radii(bike), rear.measured_axle_mm))
    axis = steering_axis(bike)
    raised = front.fork_height_mm - (front.fork_height_mm if at.fork_height_mm is None else at.fork_height_mm)
    offset = 0.0
    if front.fork_offset_mm is not None and at.fork_offset_mm is not None:
        offset = front.fork_offset_mm - at.fork_offset_mm
    return np.asarray(start + axis * (fork_mm + raised) + np.array([axis[1], -axis[0]]) * offset)


def attitude(bike: Bike, fork_mm: float, shock_mm: float) -> Attitude:
    """How the motorcycle stands at two damper travels.

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
    rake = bike.front.rake_deg - float(np.degrees(ground))
    measured_front = np.array(
        _measured_front_axle(bike.wheelbase_mm, *_measured_radii(bike), rear.measured_axle_mm)
    )
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
