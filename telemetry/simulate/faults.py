"""What can be wrong with the motorcycle or its sensors, on purpose and known: faults and look-alikes.

What is on the road itself (bumps, kerb ridges, rough stretches) is in `telemetry.simulate.road`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from telemetry.arrays import BoolArray, End, FloatArray
from telemetry.simulate.riding import Ride
from telemetry.simulate.vehicle import Vehicle


@dataclass(frozen=True)
class LostDamping:
    """Over a stretch of the lap the damper keeps only a share of its force.

    Parameters
    ----------
    start_m, end_m : float
        Lap distance of the front wheel. [m]
    laps : tuple of int or None
        Timed laps count from 1; every lap, also those before and after, when None.
    end : {"front", "rear"}
    scale : float
        Share of the force that is left.
    """

    start_m: float
    end_m: float
    laps: tuple[int, ...] | None = None
    end: End = "rear"
    scale: float = 0.05


@dataclass(frozen=True)
class LostDampingTime:
    """The same over a stretch of time, from the start of the log. [s]"""

    start_s: float
    end_s: float
    end: End = "rear"
    scale: float = 0.05


@dataclass(frozen=True)
class Fade:
    """A damper that loses force evenly from the first crossing of the line to the last."""

    to_scale: float
    from_scale: float = 1.0
    end: End = "rear"


@dataclass(frozen=True)
class TyreRunout:
    """A tyre out of round: its radius varies by +- amplitude once a turn."""

    amplitude_mm: float
    end: End = "rear"


@dataclass(frozen=True)
class WheelImbalance:
    """A mass off the middle of the wheel: mass x radius; 0.01 kg m is 33 g at the rim of a 300 mm wheel."""

    imbalance_kg_m: float
    end: End = "rear"


@dataclass(frozen=True)
class SensorTone:
    """A steady tone in the sensor's reading, such as an engine's vibration on a bracket."""

    frequency_hz: float
    amplitude_mm: float
    end: End = "rear"
    start_s: float = 0.0
    end_s: float = np.inf


@dataclass(frozen=True)
class SensorNoise:
    """Extra white noise in the sensor's reading."""

    sd_mm: float
    end: End = "rear"
    start_s: float = 0.0
    end_s: float = np.inf


@dataclass(frozen=True)
class DriveKick:
    """A jerk of the throttle or a change of gear: the drive force jumps for a moment at a place on every lap."""

    at_m: float
    force_n: float = -1200.0
    duration_s: float = 0.06


@dataclass(frozen=True)
class GpsDropout:
    """No position is logged for a while: trees, a bridge, a receiver that lost its satellites. [s]"""

    start_s: float
    end_s: float


@dataclass(frozen=True)
class GpsJump:
    """The position is displaced for a while, as by a reflected signal. [s, m]"""

    start_s: float
    end_s: float
    east_m: float = 40.0
    north_m: float = -30.0


Fault = (
    LostDamping
    | LostDampingTime
    | Fade
    | TyreRunout
    | WheelImbalance
    | SensorTone
    | SensorNoise
    | DriveKick
    | GpsDropout
    | GpsJump
)


@dataclass(frozen=True)
class LostStretch:
    """True stretch of lost damping. [s]"""

    end: End
    start_s: float
    end_s: float
    scale: float


def _affected(fault: LostDamping | LostDampingTime, ride: Ride, lap_m: float) -> BoolArray:
    if isinstance(fault, LostDampingTime):
        return (ride.t_s >= fault.start_s) & (ride.t_s < fault.end_s)
    lap = np.floor(ride.distance_m / lap_m).astype(int) + 1
    along = (ride.distance_m - fault.start_m) % lap_m
    # a stretch over the line belongs to the lap it starts in
    started = np.where(ride.distance_m % lap_m < fault.start_m, lap - 1, lap)
    inside = along < fault.end_m - fault.start_m
    return inside if fault.laps is None else inside & np.isin(started, fault.laps)


def _runs(inside: BoolArray) -> list[tuple[int, int]]:
    """First index, and index after the last, of every run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], inside, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def damper_scales(
    faults: Sequence[Fault], ride: Ride, lap_m: float
) -> tuple[dict[End, FloatArray], tuple[LostStretch, ...]]:
    """What is left of each damper at every instant of the rider's clock, and the stretches it was lost.

    Parameters
    ----------
    faults : sequence of Fault
    ride : Ride
    lap_m : float
        Length of the lap. [m]

    Returns
    -------
    dict of end to ndarray of shape (n,), tuple of LostStretch
        Scale 1 as in the bike file.
    """
    n = len(ride.distance_m)
    scales: dict[End, FloatArray] = {"front": np.ones(n), "rear": np.ones(n)}
    stretches = []
    laps = len(ride.lap_start_s) - 1
    for fault in faults:
        if isinstance(fault, Fade):
            ends = [fault.from_scale, fault.to_scale]
            scales[fault.end] *= np.interp(ride.distance_m, [0.0, laps * lap_m], ends)
        elif isinstance(fault, LostDamping | LostDampingTime):
            inside = _affected(fault, ride, lap_m)
            scales[fault.end][inside] *= fault.scale
            stretches += [
                LostStretch(fault.end, float(ride.t_s[a]), float(ride.t_s[min(b, n - 1)]), fault.scale)
                for a, b in _runs(inside)
            ]
    return scales, tuple(sorted(stretches, key=lambda stretch: stretch.start_s))


def faulty_vehicle(vehicle: Vehicle, faults: Sequence[Fault]) -> Vehicle:
    """The vehicle with the faults of its wheels and tyres.

    Parameters
    ----------
    vehicle : Vehicle
    faults : sequence of Fault

    Returns
    -------
    Vehicle
    """
    for fault in faults:
        if isinstance(fault, TyreRunout) and fault.end == "front":
            vehicle = replace(vehicle, front_runout_mm=fault.amplitude_mm)
        elif isinstance(fault, TyreRunout):
            vehicle = replace(vehicle, rear_runout_mm=fault.amplitude_mm)
        elif isinstance(fault, WheelImbalance) and fault.end == "front":
            vehicle = replace(vehicle, front_imbalance_kg_m=fault.imbalance_kg_m)
        elif isinstance(fault, WheelImbalance):
            vehicle = replace(vehicle, rear_imbalance_kg_m=fault.imbalance_kg_m)
    return vehicle


def kicked_ride(ride: Ride, faults: Sequence[Fault], lap_m: float) -> Ride:
    """The ride with jerks of the drive force.

    Parameters
    ----------
    ride : Ride
    faults : sequence of Fault
    lap_m : float
        Length of the lap. [m]

    Returns
    -------
    Ride
    """
    drive = ride.drive_n.copy()
    for fault in faults:
        if isinstance(fault, DriveKick):
            passed = np.floor((ride.distance_m - fault.at_m) / lap_m)
            for start in ride.t_s[np.flatnonzero(np.diff(passed) > 0) + 1]:
                inside = (ride.t_s >= start) & (ride.t_s < start + fault.duration_s)
                drive[inside] += fault.force_n
    return replace(ride, drive_n=drive)


def sensor_faults_mm(
    faults: Sequence[Fault], end: End, t_s: FloatArray, rng: np.random.Generator
) -> FloatArray:
    """What faults add to a sensor's reading, at the shaft.

    Parameters
    ----------
    faults : sequence of Fault
    end : {"front", "rear"}
    t_s : ndarray of shape (n_samples,)
        Instants of sampling. [s]
    rng : numpy.random.Generator

    Returns
    -------
    ndarray of shape (n_samples,)
        [mm]
    """
    added = np.zeros_like(t_s)
    for fault in faults:
        if isinstance(fault, SensorTone | SensorNoise) and fault.end == end:
            inside = (t_s >= fault.start_s) & (t_s < fault.end_s)
            if isinstance(fault, SensorTone):
                wave = fault.amplitude_mm * np.sin(2.0 * np.pi * fault.frequency_hz * t_s)
            else:
                wave = fault.sd_mm * rng.standard_normal(len(t_s))
            added += np.where(inside, wave, 0.0)
    return added


def gps_faults_m(faults: Sequence[Fault], t_s: FloatArray) -> FloatArray:
    """What faults add to the position; NaN where there is none.

    Parameters
    ----------
    faults : sequence of Fault
    t_s : ndarray of shape (n_samples,)
        Instants of sampling. [s]

    Returns
    -------
    ndarray of shape (2, n_samples)
        East and north. [m]
    """
    added = np.zeros((2, len(t_s)))
    for fault in faults:
        if isinstance(fault, GpsDropout | GpsJump):
            inside = (t_s >= fault.start_s) & (t_s < fault.end_s)
            moved = (np.nan, np.nan) if isinstance(fault, GpsDropout) else (fault.east_m, fault.north_m)
            added[:, inside] += np.array(moved)[:, None]
    return added
