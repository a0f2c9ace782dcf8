"""Deliberate faults of motorcycle and sensors, and harmless look-alikes.

What is on the road itself (bumps, kerb ridges, rough stretches) is in `telemetry.simulate.circuit`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy.interpolate import CubicHermiteSpline
from scipy.ndimage import gaussian_filter1d
from scipy.signal import cont2discrete, lfilter

from telemetry.arrays import BoolArray, End, FloatArray
from telemetry.simulate import _kernel as kernel
from telemetry.simulate.riding import Ride
from telemetry.simulate.vehicle import DamperDrive, DamperPhysics, Vehicle, undisturbed


@dataclass(frozen=True)
class LostDamping:
    """Over a stretch of the lap the damper keeps only a share of its force.

    Parameters
    ----------
    start_m, end_m : float
        Lap distance of the front wheel. [m]
    laps : tuple of int or None
        Timed laps count from 1; every lap, also those before and after, when None.
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


STICKING_S = (
    0.1  # between a sixth and five sixths of the way, of a pressure that goes or comes back (a choice)
)


@dataclass(frozen=True)
class From:
    """When something befalls a damper: from a lap distance on, for a time.

    Parameters
    ----------
    at_m : float
        Lap distance of the front wheel. [m]
    lasts_s : float
        ``inf``: for good. [s]
    laps : tuple of int or None
        Timed laps count from 1; every lap when None.
    """

    at_m: float
    lasts_s: float = np.inf
    laps: tuple[int, ...] | None = None


@dataclass(frozen=True)
class WeakDamper:
    """For a while the damper keeps only a share of its force."""

    when: From
    scale: float = 0.05
    end: End = "rear"


@dataclass(frozen=True)
class StuckValve:
    """A valve or shim that is held open, by dirt or a bend: an orifice parallel to the shim stack of one side.

    ``opening`` 1 leaves about `DamperPhysics.stuck_share` of the force at 0.25 m/s, less below, more above. One
    side alone moves the mean travel.
    """

    when: From
    side: Literal["compression", "rebound", "both"] = "both"
    opening: float = 1.0
    end: End = "rear"


@dataclass(frozen=True)
class StuckGasPiston:
    """A floating piston that sticks: only a share of the gas pressure reaches the oil, and voids open early.

    How much damping is lost is up to the motion: none while compression asks for less force than the pressure holds.
    The pressure goes and comes back over about `STICKING_S`.
    """

    when: From
    share: float = 0.02
    end: End = "rear"


@dataclass(frozen=True)
class GasLeak:
    """Gas lost through a seal, slowly and one way: voids open ever earlier."""

    half_life_s: float
    end: End = "rear"


@dataclass(frozen=True)
class OilLeak:
    """Oil lost through a seal, slowly and one way: the gas grows by as much, its pressure falls."""

    ml_per_min: float
    end: End = "rear"


@dataclass(frozen=True)
class Foaming:
    """Gas beaten into the oil by work, the faster the hotter: less force, and soft; see `DamperPhysics`."""

    most: float = 0.3
    work_kj: float = 10.0
    recovery_s: float = 900.0
    end: End = "rear"


@dataclass(frozen=True)
class Overheating:
    """A damper whose force is all viscous and that gets rid of little heat: it fades from what it is at the start."""

    thinning_1_k: float = 0.02
    heat_capacity_j_k: float = 300.0
    cooling_w_k: float = 1.5
    end: End = "rear"


@dataclass(frozen=True)
class SensorPlay:
    """Play (backlash) of the sensor's mounts: it follows only when the play is taken up. Whole play, at the shaft."""

    play_mm: float
    end: End = "rear"


@dataclass(frozen=True)
class SensorBow:
    """A sensor that is not straight: reads this much more in the middle of the stroke, nothing more at its ends."""

    bow_mm: float
    end: End = "rear"


@dataclass(frozen=True)
class BracketResonance:
    """A sensor bracket that swings, driven by the shaft's acceleration.

    r'' + 2 zeta w r' + w^2 r = -coupling x'', w = 2 pi ``frequency_hz``; r is added to the reading.
    """

    frequency_hz: float
    damping_ratio: float = 0.03
    coupling: float = 0.3
    end: End = "rear"


@dataclass(frozen=True)
class ChannelClock:
    """A travel channel that is sampled late, the more the longer the log: the clocks of two boxes run apart."""

    delay_s: float = 0.0
    drift_ppm: float = 0.0
    end: End = "rear"


@dataclass(frozen=True)
class LoggerClock:
    """The clock of the whole logger is fast."""

    drift_ppm: float


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
    | WeakDamper
    | StuckValve
    | StuckGasPiston
    | GasLeak
    | OilLeak
    | Foaming
    | Overheating
    | SensorPlay
    | SensorBow
    | BracketResonance
    | ChannelClock
    | LoggerClock
    | TyreRunout
    | WheelImbalance
    | SensorTone
    | SensorNoise
    | DriveKick
    | GpsDropout
    | GpsJump
)


Loss = LostDamping | LostDampingTime | WeakDamper | StuckValve | StuckGasPiston


@dataclass(frozen=True)
class LostStretch:
    """True stretch of lost damping.

    Parameters
    ----------
    start_s, end_s : float
        When the fault acted. [s]
    scale : float
        Share of the force that was left by intent; 1 where the fault does not scale the force.
    kind : str
        "scaled force", "void", "stuck compression", "stuck rebound", "stuck both".
    damping_left : float
        Work of the damper over that of a sound twin on the same stroke, over the stretch; NaN before it is ridden.
    """

    end: End
    start_s: float
    end_s: float
    scale: float
    kind: str = "scaled force"
    damping_left: float = np.nan


def _affected(fault: Loss, ride: Ride, lap_m: float) -> BoolArray:
    if isinstance(fault, LostDampingTime):
        return (ride.t_s >= fault.start_s) & (ride.t_s < fault.end_s)
    lap = np.floor(ride.distance_m / lap_m).astype(int) + 1
    if isinstance(fault, LostDamping):
        along = (ride.distance_m - fault.start_m) % lap_m
        # a stretch over the line belongs to the lap it starts in
        started = np.where(ride.distance_m % lap_m < fault.start_m, lap - 1, lap)
        inside = along < fault.end_m - fault.start_m
        return inside if fault.laps is None else inside & np.isin(started, fault.laps)
    passed = np.flatnonzero(np.diff(np.floor((ride.distance_m - fault.when.at_m) / lap_m)) > 0) + 1
    inside = np.zeros(len(ride.t_s), dtype=np.bool_)
    for at in passed:
        if fault.when.laps is None or lap[at] in fault.when.laps:
            inside |= (ride.t_s >= ride.t_s[at]) & (ride.t_s < ride.t_s[at] + fault.when.lasts_s)
    return inside


def _runs(inside: BoolArray) -> list[tuple[int, int]]:
    """First index, and index after the last, of every run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], inside, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def damper_drives(
    faults: Sequence[Fault], ride: Ride, lap_m: float
) -> tuple[dict[End, DamperDrive], tuple[LostStretch, ...]]:
    """External influences on each damper over the rider's clock, and the stretches of lost damping."""
    n = len(ride.distance_m)
    drives: dict[End, DamperDrive] = {"front": undisturbed(n), "rear": undisturbed(n)}
    stretches = []
    laps = len(ride.lap_start_s) - 1
    for fault in faults:
        if isinstance(fault, Fade):
            ends = [fault.from_scale, fault.to_scale]
            drives[fault.end].scale[:] *= np.interp(ride.distance_m, [0.0, laps * lap_m], ends)
        elif isinstance(fault, Loss):
            inside, drive = _affected(fault, ride, lap_m), drives[fault.end]
            if isinstance(fault, StuckValve):
                scale, kind = 1.0, f"stuck {fault.side}"
                for side, opened in (
                    ("compression", drive.compression_open),
                    ("rebound", drive.rebound_open),
                ):
                    if fault.side in (side, "both"):
                        opened[inside] = fault.opening
            elif isinstance(fault, StuckGasPiston):
                scale, kind = 1.0, "void"
                held = gaussian_filter1d(np.where(inside, fault.share, 1.0), 0.5 * STICKING_S / ride.step_s)
                drive.gas_held[:] *= held
            else:
                scale, kind = fault.scale, "scaled force"
                drive.scale[inside] *= fault.scale
            stretches += [
                LostStretch(fault.end, float(ride.t_s[a]), float(ride.t_s[min(b, n - 1)]), scale, kind)
                for a, b in _runs(inside)
            ]
    return drives, tuple(sorted(stretches, key=lambda stretch: stretch.start_s))


def _faulty_damper(physics: DamperPhysics | None, fault: Fault) -> DamperPhysics | None:
    """Damper physics with a physical fault applied."""
    if isinstance(fault, GasLeak):
        return replace(physics or DamperPhysics(), gas_half_life_s=fault.half_life_s)
    if isinstance(fault, OilLeak):
        return replace(physics or DamperPhysics(), oil_lost_ml_min=fault.ml_per_min)
    if isinstance(fault, Foaming):
        return replace(
            physics or DamperPhysics(),
            foam_most=fault.most,
            foam_work_kj=fault.work_kj,
            foam_recovery_s=fault.recovery_s,
        )
    if isinstance(fault, Overheating):
        physics = physics or DamperPhysics()
        return replace(
            physics,
            warm_c=physics.start_c,
            thinning_1_k=fault.thinning_1_k,
            heat_capacity_j_k=fault.heat_capacity_j_k,
            cooling_w_k=fault.cooling_w_k,
        )
    if isinstance(fault, StuckValve | StuckGasPiston):
        return physics or DamperPhysics()
    return physics


def faulty_vehicle(vehicle: Vehicle, faults: Sequence[Fault]) -> Vehicle:
    """The vehicle with the faults of its wheels, tyres and dampers."""
    for fault in faults:
        if isinstance(fault, TyreRunout) and fault.end == "front":
            vehicle = replace(vehicle, front_runout_mm=fault.amplitude_mm)
        elif isinstance(fault, TyreRunout):
            vehicle = replace(vehicle, rear_runout_mm=fault.amplitude_mm)
        elif isinstance(fault, WheelImbalance) and fault.end == "front":
            vehicle = replace(vehicle, front_imbalance_kg_m=fault.imbalance_kg_m)
        elif isinstance(fault, WheelImbalance):
            vehicle = replace(vehicle, rear_imbalance_kg_m=fault.imbalance_kg_m)
        elif getattr(fault, "end", None) == "front":
            vehicle = replace(vehicle, front_damper=_faulty_damper(vehicle.front_damper, fault))
        else:
            vehicle = replace(vehicle, rear_damper=_faulty_damper(vehicle.rear_damper, fault))
    return vehicle


def kicked_ride(ride: Ride, faults: Sequence[Fault], lap_m: float) -> Ride:
    """The ride with jerks of the drive force."""
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
    """Error of a sensor's reading from faults, at the shaft; shape (n_samples,). [mm]"""
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


def sensed_mm(
    faults: Sequence[Fault],
    end: End,
    t_s: FloatArray,
    shaft_mm: FloatArray,
    shaft_mm_s: FloatArray,
    stroke_mm: float,
) -> FloatArray:
    """Travel as read by a used sensor: delay, bracket resonance, play, nonlinearity; shape (n_samples,). [mm]"""
    seen = shaft_mm
    for fault in faults:
        if isinstance(fault, ChannelClock) and fault.end == end:
            when = t_s - fault.delay_s - 1e-6 * fault.drift_ppm * t_s
            travel = CubicHermiteSpline(t_s, shaft_mm, shaft_mm_s)
            seen = seen + travel(np.clip(when, t_s[0], t_s[-1])) - shaft_mm
    for fault in faults:
        if isinstance(fault, BracketResonance) and fault.end == end:
            seen = seen + _swing_mm(fault, float(t_s[1] - t_s[0]), shaft_mm)
    for fault in faults:
        if isinstance(fault, SensorPlay) and fault.end == end:
            seen = kernel.with_play(seen, fault.play_mm)
    for fault in faults:
        if isinstance(fault, SensorBow) and fault.end == end:
            place = np.clip(seen / stroke_mm, 0.0, 1.0)
            seen = seen + 4.0 * fault.bow_mm * place * (1.0 - place)
    return seen


def _swing_mm(fault: BracketResonance, step_s: float, shaft_mm: FloatArray) -> FloatArray:
    """Motion of a bracket, exact for travel that runs straight from sample to sample."""
    w = 2.0 * np.pi * fault.frequency_hz
    system = ([-fault.coupling, 0.0, 0.0], [1.0, 2.0 * fault.damping_ratio * w, w**2])
    b, a, _ = cont2discrete(system, step_s, method="foh")
    return np.asarray(lfilter(np.ravel(b), a, shaft_mm - shaft_mm[0]))


def gps_faults_m(faults: Sequence[Fault], t_s: FloatArray) -> FloatArray:
    """Position errors from faults, east and north, of shape (2, n_samples); NaN during dropouts. [m]"""
    added = np.zeros((2, len(t_s)))
    for fault in faults:
        if isinstance(fault, GpsDropout | GpsJump):
            inside = (t_s >= fault.start_s) & (t_s < fault.end_s)
            moved = (np.nan, np.nan) if isinstance(fault, GpsDropout) else (fault.east_m, fault.north_m)
            added[:, inside] += np.array(moved)[:, None]
    return added
