"""Rides over known bumps whose truth is known: even and uneven bikes, with and without roughness and noise.

Every ride goes straight on over (1 - cos) bumps at known places of a random road. The truth is the same ride, or a
longer one of its kind, through sensors without noise.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.fft import next_fast_len

from telemetry.arrays import End, FloatArray
from telemetry.bike import (
    Bike,
    DamperSide,
    leverage_curve,
    sprung_load_n,
    static_sag,
    wheel_rate_n_per_mm,
)
from telemetry.constants import GRAVITY_M_S2
from telemetry.laps import Track, find_track
from telemetry.motion import Motion, to_motion
from telemetry.signals import Run
from telemetry.signals.spectra import sensor_noise_mm
from telemetry.simulate import Bump, Road, Vehicle
from telemetry.simulate.circuit import RoadProfile, road_profile
from telemetry.simulate.vehicle import Drive, Ridden, exact_shaft_mm, ride, steady_drive
from tests.randomised.bikes import random_bike

BITS, RANGE_MM = 12, 140.0
SPEED_RATE_HZ, SPEED_NOISE_M_S = 50.0, 0.05
STEP_S = 1 / 1500  # of the integration; moves no travel by more than 0.006 mm against 1/4000


def bike_with_damping(seed: int, compression: float, rebound: float) -> Bike:
    """A random bike whose rear damping ratios are these multiples of the front's, at every wheel speed.

    The damping ratio is that of the end's body motion: c / (2 sqrt(k m)) with everything at the wheel, where
    the end sits with its rider. Both dampers digress alike at the wheel, so that the ratio is the same at every
    speed; how much, and how firm they are, is drawn.
    """
    bike, rng = random_bike(seed), np.random.default_rng([seed, 7])
    firm = {"compression": rng.uniform(0.2, 0.35), "rebound": rng.uniform(0.35, 0.6)}
    flatter, knee_mm_s = rng.uniform(0.45, 1.0), rng.uniform(120.0, 200.0)
    changed = {}
    for end, factors in (("front", (1.0, 1.0)), ("rear", (compression, rebound))):
        ratio, critical = critical_n_s_per_mm(bike, end)
        sides = {}
        for (name, zeta), factor in zip(firm.items(), factors, strict=True):
            low = zeta * factor * critical * ratio**2
            sides[name] = DamperSide(
                low_n_s_per_mm=low, high_n_s_per_mm=flatter * low, knee_mm_s=knee_mm_s / ratio
            )
        section = getattr(bike, end)
        changed[end] = section.model_copy(update={"damper": section.damper.model_copy(update=sides)})
    return bike.model_copy(update=changed)


def critical_n_s_per_mm(bike: Bike, end: End) -> tuple[float, float]:
    """Leverage ratio and critical damping 2 sqrt(k m) of an end at the wheel, where it sits with its rider."""
    shaft = static_sag(bike)[end].shaft_mm
    ratio = float(leverage_curve(bike, end).ratio(np.array([shaft]))[0])
    mass = sprung_load_n(bike, end) / GRAVITY_M_S2
    return ratio, 2e-3 * float(np.sqrt(1e3 * wheel_rate_n_per_mm(bike, end, shaft) * mass))


@dataclass(frozen=True)
class Plan:
    """One ride. ``bump_mm`` and ``bump_m`` are ranges of height and length, ``apart_s`` of the time between bumps."""

    seed: int
    speed_m_s: float
    duration_s: float = 60.0
    rate_hz: float = 500.0
    psd_m3: float = 8e-6
    noise_mm: float = 0.03
    bump_mm: tuple[float, float] = (4.0, 12.0)
    bump_m: tuple[float, float] = (0.5, 3.0)
    apart_s: tuple[float, float] = (0.7, 1.3)
    compression: float = 1.0
    rebound: float = 1.0
    speeds_up: float = 0.2  # by this share of the speed, evenly over the ride
    speed_gain: float = 1.0  # of the speed channel
    swapped: bool = False
    rear_late_s: float = 0.0  # of the rear travel channel
    exact_sensors: bool = False  # travel without noise and steps, speed as it was
    road_seed: int | None = None  # of road and bumps; the bike's by default


@dataclass(frozen=True)
class Ride:
    """A ride with its truth: when each bump was met by the front axle, and by the rear."""

    plan: Plan
    bike: Bike
    motion: Motion
    track: Track
    bumps: tuple[Bump, ...]
    front_at_s: FloatArray
    rear_at_s: FloatArray
    ridden: Ridden
    distance_m: FloatArray

    def rear_due_s(self, front_s: FloatArray) -> FloatArray:
        """When the rear axle is where the front axle was. [s]"""
        place = np.interp(front_s, self.ridden.t_s, self.distance_m)
        return np.interp(place + self.bike.wheelbase_mm / 1e3, self.distance_m, self.ridden.t_s)


def _drive(plan: Plan) -> Drive:
    steady = steady_drive(plan.speed_m_s, plan.duration_s)
    t = steady.step_s * np.arange(len(steady.distance_m))
    speed = plan.speed_m_s * (1.0 + plan.speeds_up * (t / t[-1] - 0.5))
    distance = np.concatenate(([0.0], np.cumsum((speed[1:] + speed[:-1]) / 2))) * steady.step_s
    return replace(steady, distance_m=distance, speed_m_s=speed)


def _bumps(plan: Plan, length_m: float) -> tuple[Bump, ...]:
    rng = np.random.default_rng([plan.seed if plan.road_seed is None else plan.road_seed, 11])
    found, at = [], 2.0 * plan.speed_m_s
    while at < length_m - 2.0 * plan.speed_m_s:
        found.append(Bump(at, float(rng.uniform(*plan.bump_mm)), float(rng.uniform(*plan.bump_m))))
        at += plan.speed_m_s * rng.uniform(*plan.apart_s)
    return tuple(found)


def _over(profile: RoadProfile, bumps: tuple[Bump, ...]) -> RoadProfile:
    """The road with bumps on it, each written where it is: a long road has thousands."""
    height = profile.front_m.copy()
    for bump in bumps:
        first, last = (round((bump.at_m + side * bump.length_m / 2) / profile.step_m) for side in (-1, 1))
        along = (np.arange(first, last + 1) * profile.step_m - bump.at_m) / bump.length_m
        height[first : last + 1] += (
            0.5e-3 * bump.height_mm * (1.0 + np.cos(2.0 * np.pi * np.clip(along, -0.5, 0.5)))
        )
    return RoadProfile(profile.step_m, height, height)


def make(plan: Plan) -> Ride:
    """Ride a plan."""
    bike = bike_with_damping(plan.seed, plan.compression, plan.rebound)
    drive = _drive(plan)
    length = float(drive.distance_m[-1])
    bumps = _bumps(plan, length)
    road_seed = plan.seed if plan.road_seed is None else plan.road_seed
    road = Road(psd_m3=plan.psd_m3)
    quick = (
        next_fast_len(int((length + 50.0) / road.step_m), real=True) * road.step_m
    )  # for its Fourier transform
    rough = road_profile(road, quick, np.random.default_rng([road_seed, 3]))
    ridden = ride(Vehicle(bike), drive, _over(rough, bumps), sample_rate_hz=plan.rate_hz, step_s=STEP_S)
    noise = np.random.default_rng([plan.seed, 5])
    shaft = {}
    for end, wheel_m in (("front", ridden.front_m), ("rear", ridden.rear_m)):
        exact = exact_shaft_mm(bike, end, 1e3 * wheel_m)
        step = RANGE_MM / 2**BITS
        measured = np.round((exact + plan.noise_mm * noise.standard_normal(len(exact))) / step) * step
        shaft[end] = exact if plan.exact_sensors else np.maximum(measured, 0.0)
    late = round(plan.rear_late_s * plan.rate_hz)
    shaft["rear"] = np.concatenate(
        (np.full(late, shaft["rear"][0]), shaft["rear"][: len(shaft["rear"]) - late])
    )
    if plan.swapped:
        shaft = swapped_ends(bike, shaft)
    speed = np.interp(ridden.t_s, drive.step_s * np.arange(len(drive.speed_m_s)), drive.speed_m_s)
    every = max(1, round(plan.rate_hz / SPEED_RATE_HZ))
    logged = speed[::every] + (0.0 if plan.exact_sensors else SPEED_NOISE_M_S) * noise.standard_normal(
        len(speed[::every])
    )
    logged = plan.speed_gain * np.interp(ridden.t_s, ridden.t_s[::every], logged)
    run = Run(
        "trial",
        ridden.t_s,
        plan.rate_hz,
        shaft,
        {"speed_m_s": logged},
        {},
        {end: sensor_noise_mm(values) for end, values in shaft.items()},
        {},
    )
    distance = np.interp(ridden.t_s, drive.step_s * np.arange(len(drive.distance_m)), drive.distance_m)
    front_at = np.interp(np.array([bump.at_m for bump in bumps]), distance, ridden.t_s)
    motion, track = to_motion(run, bike), find_track(run)
    ride_ = Ride(plan, bike, motion, track, bumps, front_at, front_at, ridden, distance)
    return replace(ride_, rear_at_s=ride_.rear_due_s(front_at))


def swapped_ends(bike: Bike, shaft_mm: dict[End, FloatArray]) -> dict[End, FloatArray]:
    """The two sensors plugged into each other's socket; kept inside the other's stroke."""
    stroke = {"front": bike.front.stroke_mm, "rear": bike.rear.shock_stroke_mm}
    return {
        "front": np.minimum(shaft_mm["rear"], stroke["front"]),
        "rear": np.minimum(shaft_mm["front"], stroke["rear"]),
    }
