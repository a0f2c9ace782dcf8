"""A travel sensor between frame and swingarm, taken through the rear suspension to shock travel."""

import numpy as np
from scipy.interpolate import PchipInterpolator

from telemetry.arrays import FloatArray
from telemetry.bike.bikefile import Bike
from telemetry.bike.mechanism import LinkageError
from telemetry.bike.rearend import rear_end, shifts_mm
from telemetry.bike.sections import Point


def swingarm_sensor_length_mm(
    bike: Bike, frame_mm: Point, swingarm_mm: Point, shaft_mm: FloatArray
) -> FloatArray:
    """Distance between the two mounts of a sensor from frame to swingarm, at a shock travel.

    Parameters
    ----------
    bike : Bike
        With [rear.swingarm].
    frame_mm, swingarm_mm : (x, z)
        Its mounts at full extension, in the terms of [rear.swingarm]. [mm]
    shaft_mm : ndarray of shape (n_samples,)
        [mm]

    Returns
    -------
    ndarray of shape (n_samples,)
        [mm]

    Raises
    ------
    LinkageError
        If the bike file has no [rear.swingarm].
    """
    if bike.rear.swingarm is None:
        raise LinkageError("frame_mm and swingarm_mm need [rear.swingarm]")
    found = rear_end(bike.rear, bike.measured_at)
    assert found.pivot_mm is not None
    pivot = np.array(found.pivot_mm)
    measured = np.subtract(bike.rear.swingarm.axle_mm, bike.rear.swingarm.pivot_mm)
    shift = shifts_mm(bike.rear, bike.measured_at).get("axle_mm", (0.0, 0.0))
    start = float(np.arctan2(*(measured + shift)[::-1]))
    r = np.subtract(swingarm_mm, bike.rear.swingarm.pivot_mm)
    axle = np.array([found.axle_mm(float(s)) for s in shaft_mm]) - pivot
    turn = start - np.arctan2(axle[:, 1], axle[:, 0])
    turn = (turn + np.pi) % (2 * np.pi) - np.pi
    mount = np.column_stack(
        [r[0] * np.cos(turn) + r[1] * np.sin(turn), -r[0] * np.sin(turn) + r[1] * np.cos(turn)]
    )
    return np.asarray(np.hypot(*(pivot + mount - frame_mm).T))


def shaft_sensor(bike: Bike) -> Bike:
    """A bike whose rear sensor reads shock travel: the points of one on the swingarm taken through the linkage.

    Returns
    -------
    Bike
        The same when the sensor sits on the shock.

    Raises
    ------
    LinkageError
        If the mounts are given in part, or the sensor does not tell one shock travel from another.
    """
    sensor = bike.rear.sensor
    if sensor is None or (sensor.frame_mm is None and sensor.swingarm_mm is None):
        return bike
    if sensor.frame_mm is None or sensor.swingarm_mm is None:
        raise LinkageError("frame_mm and swingarm_mm belong together; give both or none")
    shaft = np.linspace(0.0, bike.rear.shock_stroke_mm, 71)
    length = swingarm_sensor_length_mm(bike, sensor.frame_mm, sensor.swingarm_mm, shaft)
    step = np.diff(length)
    if not (np.all(step > 0) or np.all(step < 0)):
        raise LinkageError(
            "its length does not change one way over the stroke; check frame_mm and swingarm_mm"
        )
    signal, distance = np.array(sorted(sensor.points, key=lambda point: point[1])).T
    if len(signal) == 2 or length.min() < distance[0] or length.max() > distance[-1]:
        slope, start = np.polyfit(distance, signal, 1)
        logged = start + slope * length
    else:
        logged = PchipInterpolator(distance, signal)(length)
    points = tuple((float(a), float(b)) for a, b in zip(logged, shaft, strict=True))
    made = sensor.model_copy(update={"points": points, "frame_mm": None, "swingarm_mm": None})
    return bike.model_copy(update={"rear": bike.rear.model_copy(update={"sensor": made})})
