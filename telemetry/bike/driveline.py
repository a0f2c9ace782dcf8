"""Chain, swingarm and gearing: what the drive force does to the rear."""

from dataclasses import dataclass

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.bike.attitude import Attitude
from telemetry.bike.bikefile import Bike
from telemetry.bike.sections import Chain


@dataclass(frozen=True)
class Squat:
    """What drive does to the rear, in an attitude.

    Parameters
    ----------
    chain_deg : float
        Upper run of the chain against the ground, positive rising forward.
    squat_deg : float
        Squat line: from the rear contact through the meeting of chain and swingarm, against the ground.
    anti_squat_pct : float
        tan(squat line) over tan(load transfer line), the line whose slope is centre-of-mass height over
        wheelbase. 100: drive neither compresses nor extends the rear; below: it squats. [%]
    """

    chain_deg: float
    squat_deg: float
    anti_squat_pct: float


def sprocket_radius_mm(teeth: int, pitch_mm: float) -> float:
    """Pitch radius of a sprocket: pitch / (2 sin(pi / teeth)). [mm]

    References
    ----------
    .. [1] ISO 606, Short-pitch transmission precision roller and bush chains (pitch diameter; from memory).
    """
    return pitch_mm / (2.0 * float(np.sin(np.pi / teeth)))


def upper_run(
    chain: Chain, rear_axle: FloatArray, front_sprocket: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Upper run of the chain: the point where it leaves the rear sprocket, and its unit direction forward. [mm]"""
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
        slope = float(along[1] / along[0])  # they meet nowhere: the squat line runs alongside
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
    """Way for one turn of the front sprocket, from teeth and the rear tyre's circumference. [mm]"""
    chain, radius_mm = bike.rear.chain, bike.rear.tyre_radius_mm
    if chain is None or radius_mm is None:
        return None
    return 2.0 * float(np.pi) * radius_mm * chain.front_teeth / chain.rear_teeth
