"""The motorcycle of a bike file as parameters of the inner loop, and the result as arrays."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from telemetry.arrays import End, FloatArray
from telemetry.bike import (
    Bike,
    Damper,
    chassis_of,
    damper_force_n,
    leverage_curve,
    needed,
    spring_of,
    static_sag,
    stroke_mm,
    wheel_and_damper,
    wheel_stroke_mm,
    wheelbase_mm,
)
from telemetry.constants import GRAVITY_M_S2
from telemetry.simulate import _kernel as kernel
from telemetry.simulate.circuit import RoadProfile

ZERO_C_K = 273.15
FLOW_ROWS, FASTEST_MM_S = 2048, 2500.0  # of the table of flow against force; straight on beyond
STUCK_AT_M_S = 0.25  # shaft speed at which `stuck_share` is meant


@dataclass(frozen=True)
class DamperPhysics:
    """Oil, gas and seals of a damper. The values are such as a rear shock has (common practice, no source).

    Parameters
    ----------
    stiffness_n_per_mm : float
        Of oil, hose and walls in series with the valves, along the shaft. 8000 is stiff; a long hose or a softly
        held piston ring give 800 to 3000. [N/mm]
    area_mm2, chamber_mm : float
        Of the piston on the rod's side; length of the oil column that bubbles make soft. [mm2, mm]
    gas_bar : float
        Absolute pressure of the gas, warm. [bar]
    vapour_bar, vapour_growth_k : float
        Absolute pressure at which gas comes out of the warm oil, and the rise of temperature that makes it e times
        as high. [bar, K]
    reservoir_share : float
        Share of the compression force made on the way to the reservoir; it holds up the pressure behind the piston.
    refill_share : float
        Share of the rebound force made on the way back from the reservoir; it draws the pressure before the piston
        down. 0 of a monotube: there, rebound makes no void.
    warm_c, ambient_c, start_c : float
        Oil temperature at which the bike file's curve holds; of the air; at the start. [deg C]
    heat_capacity_j_k, cooling_w_k : float
        Their quotient is the time constant of the temperature.
    thinning_1_k : float
        Force lost per kelvin as the oil thins: about 0.02 for force that is all viscous, little for orifices. [1/K]
    start_foam, foam_most : float
        Gas in the oil by volume at the start (and at rest), and at the most.
    foam_work_kj, foam_growth_k, foam_recovery_s : float
        Work that beats gas into the warm oil to 1 - 1/e of the most; kelvins that make it e times as fast; how slowly
        it comes out again. [kJ, K, s]
    gas_half_life_s : float
        Of the gas, by a leak through a seal; one way. [s]
    oil_lost_ml_min, gas_ml : float
        Oil lost through a seal, which the gas takes the room of: p V stays the same. Gas at the start. [ml/min, ml]
    stuck_share : float
        Force that is left at 0.25 m/s, about, where the valve of a side is held open. What is left grows with speed.
    presliding_mm : float
        Travel over which friction comes in (its bristles bend); 0: friction follows a smooth curve of speed. [mm]
    breakaway : float
        Friction on breaking away over friction when sliding.
    stribeck_mm_s : float
        Speed over which it falls. [mm/s]
    """

    stiffness_n_per_mm: float = 8000.0
    area_mm2: float = 900.0
    chamber_mm: float = 40.0
    gas_bar: float = 12.0
    vapour_bar: float = 0.3
    vapour_growth_k: float = 25.0
    reservoir_share: float = 0.4
    refill_share: float = 0.0
    warm_c: float = 60.0
    ambient_c: float = 25.0
    start_c: float = 50.0
    heat_capacity_j_k: float = 1500.0
    cooling_w_k: float = 5.0
    thinning_1_k: float = 0.003
    start_foam: float = 0.0
    foam_most: float = 0.0
    foam_work_kj: float = 20.0
    foam_growth_k: float = 30.0
    foam_recovery_s: float = 900.0
    gas_half_life_s: float = np.inf
    oil_lost_ml_min: float = 0.0
    gas_ml: float = 40.0
    stuck_share: float = 0.04
    presliding_mm: float = 0.0
    breakaway: float = 1.0
    stribeck_mm_s: float = 10.0


def damper_constants(damper: Damper, physics: DamperPhysics | None) -> kernel.DamperConstants:
    """The numbers of a damper in SI units, for the inner loop."""
    given = physics or DamperPhysics()
    speed = np.linspace(0.0, FASTEST_MM_S, 20 * FLOW_ROWS)
    compression, rebound = damper_force_n(speed, damper), -damper_force_n(-speed, damper)
    force = np.linspace(0.0, min(compression[-1], rebound[-1]), FLOW_ROWS)
    at = np.array([1e3 * STUCK_AT_M_S])
    stuck_n = given.stuck_share * 0.5 * float((damper_force_n(at, damper) - damper_force_n(-at, damper))[0])
    presliding_m = given.presliding_mm / 1e3
    bristle = damper.friction_n / presliding_m if presliding_m > 0.0 else 0.0
    return kernel.DamperConstants(
        physical=float(physics is not None),
        area_m2=given.area_mm2 / 1e6,
        chamber_m=given.chamber_mm / 1e3,
        stiffness_n_m=1e3 * given.stiffness_n_per_mm,
        gas_pa=1e5 * given.gas_bar,
        vapour_pa=1e5 * given.vapour_bar,
        vapour_growth_k=given.vapour_growth_k,
        reservoir_share=given.reservoir_share,
        refill_share=given.refill_share,
        warm_k=given.warm_c + ZERO_C_K,
        ambient_k=given.ambient_c + ZERO_C_K,
        start_k=given.start_c + ZERO_C_K,
        heat_capacity_j_k=given.heat_capacity_j_k,
        cooling_w_k=given.cooling_w_k,
        thinning_1_k=given.thinning_1_k,
        start_foam=given.start_foam,
        foam_most=given.foam_most,
        foam_work_j=1e3 * given.foam_work_kj,
        foam_recovery_s=given.foam_recovery_s,
        foam_growth_k=given.foam_growth_k,
        gas_lost_1_s=float(np.log(2.0)) / given.gas_half_life_s,
        oil_lost_1_s=given.oil_lost_ml_min / 60.0 / given.gas_ml,
        stuck_n_s2_m2=stuck_n / STUCK_AT_M_S**2,
        bristle_n_m=bristle,
        # of the bristles themselves: a little, so that sticking dies away
        bristle_n_s_m=0.3 * damper.friction_n * (1.0 if bristle else 0.0),
        breakaway_n=given.breakaway * damper.friction_n,
        stribeck_m_s=given.stribeck_mm_s / 1e3,
        flow_step_n=float(force[1]),
        compression_flow_m_s=np.interp(force, compression, speed) / 1e3,
        rebound_flow_m_s=np.interp(force, rebound, speed) / 1e3,
    )


TABLE_POINTS = 4001  # of leverage and springs against wheel travel: interpolates the curve to 1e-6 mm
STEP_S = 1 / 4000  # longest step; half of it moves no travel by more than 1e-3 mm (tests/simulate)


@dataclass(frozen=True)
class MetalStop:
    """Contact of metal on metal at either end of a stroke: the last ``length_mm`` of the shaft, ever stiffer.

    A landing from 0.4 m passes the stroke by less than 0.05 mm. Rubber and top-out springs are in the bike file.
    """

    length_mm: float = 0.5
    rate_n_per_mm: float = 4000.0
    damping_n_s_per_mm: float = 4.0


@dataclass(frozen=True)
class Vehicle:
    """Vehicle data beyond the bike file: metal stops, and effects of brake and chain through the geometry.

    Parameters
    ----------
    bike : Bike
        With [chassis], masses, tyre rates and dampers.
    friction_speed_mm_s : float
        Seal friction follows tanh(shaft speed / this). [mm/s]
    dive_share : float
        Share of (brake force x tan(rake)) that compresses the fork: 1 for a plain telescopic fork.
    anti_squat_share : float
        Share of the load transfer under drive that the chain and swingarm carry past the spring.
    front_runout_mm, rear_runout_mm : float
        Amplitude of a tyre out of round, once a turn. [mm]
    front_imbalance_kg_m, rear_imbalance_kg_m : float
        Imbalance of the wheel, mass times radius. [kg m]
    front_damper, rear_damper : DamperPhysics, optional
        Oil, gas and seals; without, the damper is the bike file's curve at once, with smooth friction.
    """

    bike: Bike
    stop: MetalStop = MetalStop()
    friction_speed_mm_s: float = 5.0
    dive_share: float = 1.0
    anti_squat_share: float = 0.3
    front_runout_mm: float = 0.0
    rear_runout_mm: float = 0.0
    front_imbalance_kg_m: float = 0.0
    rear_imbalance_kg_m: float = 0.0
    front_damper: DamperPhysics | None = None
    rear_damper: DamperPhysics | None = None

    @property
    def total_mass_kg(self) -> float:
        """Motorcycle with rider. [kg]"""
        numbers = constants(self)
        return numbers.sprung_kg + numbers.front.unsprung_kg + numbers.rear.unsprung_kg


def exact_shaft_mm(bike: Bike, end: End, wheel_mm: FloatArray) -> FloatArray:
    """Shaft travel at a wheel travel, to rounding: the curve's inverse, refined by Newton's rule. [mm]"""
    curve = leverage_curve(bike, end)
    shaft = curve.shaft_travel_mm(wheel_mm)
    for _ in range(2):
        shaft = np.clip(
            shaft - (curve.wheel_travel_mm(shaft) - wheel_mm) / curve.ratio(shaft), 0.0, curve.shaft_mm[-1]
        )
    return shaft


def _end(vehicle: Vehicle, end: End) -> kernel.EndConstants:
    bike = vehicle.bike
    section = bike.end(end)
    unsprung_mass_kg, tyre_rate_n_per_mm, damper = wheel_and_damper(bike, end)
    curve, springs, stop = leverage_curve(bike, end), spring_of(bike, end), vehicle.stop
    wheel_mm = np.linspace(0.0, wheel_stroke_mm(bike, end), TABLE_POINTS)
    shaft_mm = exact_shaft_mm(bike, end, wheel_mm)
    compression, rebound = damper.compression, damper.rebound
    return kernel.EndConstants(
        unsprung_kg=unsprung_mass_kg,
        tyre_n_m=1e3 * tyre_rate_n_per_mm,
        tyre_n_s_m=1e3 * section.tyre_damping_n_s_per_mm,
        stroke_m=stroke_mm(bike, end) / 1e3,
        compression_low=1e3 * compression.low_n_s_per_mm,
        compression_high=1e3 * compression.high_n_s_per_mm,
        compression_knee=compression.knee_mm_s / 1e3,
        rebound_low=1e3 * rebound.low_n_s_per_mm,
        rebound_high=1e3 * rebound.high_n_s_per_mm,
        rebound_knee=rebound.knee_mm_s / 1e3,
        friction_n=damper.friction_n,
        friction_speed=vehicle.friction_speed_mm_s / 1e3,
        stop_length_m=stop.length_mm / 1e3,
        stop_n_m=1e3 * stop.rate_n_per_mm,
        stop_n_s_m=1e3 * stop.damping_n_s_per_mm,
        table_step_m=float(wheel_mm[1]) / 1e3,
        table_shaft_m=shaft_mm / 1e3,
        table_ratio=curve.ratio(shaft_mm),
        table_spring_n=np.array([springs.force_n(float(shaft)) for shaft in shaft_mm]),
        wheel_radius_m=needed(vehicle.bike, f"{end}.tyre_radius_mm", purpose="simulation needs it")[0] / 1e3,
        imbalance_kg_m=vehicle.front_imbalance_kg_m if end == "front" else vehicle.rear_imbalance_kg_m,
        runout_m=(vehicle.front_runout_mm if end == "front" else vehicle.rear_runout_mm) / 1e3,
        damper=damper_constants(damper, vehicle.front_damper if end == "front" else vehicle.rear_damper),
    )


def constants(vehicle: Vehicle) -> kernel.Constants:
    """The numbers of a vehicle in SI units; `BikeFileError` if a mass, a tyre rate or a damper is missing."""
    chassis = chassis_of(vehicle.bike)
    wheelbase_m, arm_rear_m = wheelbase_mm(vehicle.bike) / 1e3, chassis.com_to_rear_axle_mm / 1e3
    numbers = kernel.Constants(
        sprung_kg=chassis.sprung_mass_kg,
        inertia_kg_m2=needed(vehicle.bike, "chassis.pitch_inertia_kg_m2", purpose="simulation needs it")[0],
        arm_front_m=wheelbase_m - arm_rear_m,
        arm_rear_m=arm_rear_m,
        wheelbase_m=wheelbase_m,
        front=_end(vehicle, "front"),
        rear=_end(vehicle, "rear"),
    )
    return kernel.packed(numbers)


def at_rest(vehicle: Vehicle, front_road_m: float = 0.0, rear_road_m: float = 0.0) -> FloatArray:
    """State of the motorcycle at rest: heave, pitch, front and rear wheel, their speeds. [m, rad, m/s, rad/s]"""
    sag, bike = static_sag(vehicle.bike), constants(vehicle)
    load_front = sag["front"].sprung_load_n + bike.front.unsprung_kg * GRAVITY_M_S2
    load_rear = sag["rear"].sprung_load_n + bike.rear.unsprung_kg * GRAVITY_M_S2
    front = front_road_m - load_front / bike.front.tyre_n_m
    rear = rear_road_m - load_rear / bike.rear.tyre_n_m
    mount_front, mount_rear = front - sag["front"].wheel_mm / 1e3, rear - sag["rear"].wheel_mm / 1e3
    pitch = (mount_rear - mount_front) / bike.wheelbase_m
    return np.array([mount_front + bike.arm_front_m * pitch, pitch, front, rear, 0.0, 0.0, 0.0, 0.0])


@dataclass(frozen=True)
class DamperDrive:
    """External influences on a damper; arrays of shape (n,). The last three act on physical dampers only."""

    scale: FloatArray  # share of the bike file's force
    compression_open: FloatArray  # how far the valve is held open, 0 to 1
    rebound_open: FloatArray
    gas_held: FloatArray  # share of the gas pressure at the piston; 1 unless the floating piston sticks

    @property
    def table(self) -> FloatArray:
        """The four as columns, in the order of the inner loop."""
        return np.column_stack([self.scale, self.compression_open, self.rebound_open, self.gas_held])


def undisturbed(n: int) -> DamperDrive:
    """Nothing befalls the damper. ``n`` instants."""
    return DamperDrive(np.ones(n), np.zeros(n), np.zeros(n), np.ones(n))


@dataclass(frozen=True)
class Drive:
    """Inputs of rider and circuit to the motorcycle, on an even clock; arrays of shape (n,)."""

    step_s: float
    distance_m: FloatArray
    speed_m_s: FloatArray
    gravity_m_s2: FloatArray  # along the motorcycle's own vertical: more than g leaned over
    pitch_moment_n_m: FloatArray  # positive nose down
    front_jack_n: FloatArray  # pushes chassis and wheel apart
    rear_jack_n: FloatArray
    front_damper: DamperDrive
    rear_damper: DamperDrive


def steady_drive(speed_m_s: float, duration_s: float, *, rear_damper_scale: float = 1.0) -> Drive:
    """Straight on at one speed, without brake or drive force; ``rear_damper_scale`` 0 with the damping lost."""
    t = np.linspace(0.0, duration_s, max(2, round(duration_s / 0.005) + 1))
    ones, nil = np.ones_like(t), np.zeros_like(t)
    return Drive(
        float(t[1]),
        speed_m_s * t,
        speed_m_s * ones,
        GRAVITY_M_S2 * ones,
        nil,
        nil,
        nil,
        undisturbed(len(t)),
        replace(undisturbed(len(t)), scale=rear_damper_scale * ones),
    )


@dataclass(frozen=True)
class DamperTrace:
    """State of a damper over time, without friction; arrays of shape (n_samples,), SI units along the shaft.

    Parameters
    ----------
    force_n : ndarray
        Of the oil, compression positive.
    work_j, sound_work_j : ndarray
        Work taken from the stroke since the start: of this damper, and of a sound twin on the same stroke (the bike
        file's curve behind the same sound stiffness, warm, with its gas, nothing open).
    void_m : ndarray
        Volume of the void over the piston's area; 0 when there is none.
    foam_share, gas_share : ndarray
        Gas in the oil by volume, at the gas pressure; pressure left of the gas, heat apart.
    temperature_c : ndarray
        Of the oil. [deg C]
    """

    force_n: FloatArray
    work_j: FloatArray
    sound_work_j: FloatArray
    void_m: FloatArray
    foam_share: FloatArray
    gas_share: FloatArray
    temperature_c: FloatArray


def _trace(states: FloatArray) -> DamperTrace:
    def column(number: int) -> FloatArray:
        return states[:, number].copy()

    return DamperTrace(
        column(kernel.FORCE),
        column(kernel.WORK),
        column(kernel.SOUND_WORK),
        column(kernel.VOID),
        column(kernel.FOAM),
        column(kernel.GAS),
        column(kernel.TEMPERATURE) - ZERO_C_K,
    )


@dataclass(frozen=True)
class Ridden:
    """The motion that came out; arrays of shape (n_samples,), SI units.

    Wheel travel 0 at full extension, compression positive; ``*_most`` and ``*_least`` are its extremes from one
    sample to the next. Heave up, pitch of the chassis nose down from both ends extended on a flat road.
    """

    t_s: FloatArray
    front_m: FloatArray
    rear_m: FloatArray
    front_m_s: FloatArray
    rear_m_s: FloatArray
    front_tyre_n: FloatArray
    rear_tyre_n: FloatArray
    heave_m: FloatArray
    pitch_rad: FloatArray
    heave_m_s: FloatArray
    pitch_rad_s: FloatArray
    front_most_m: FloatArray
    front_least_m: FloatArray
    rear_most_m: FloatArray
    rear_least_m: FloatArray
    front_damper: DamperTrace
    rear_damper: DamperTrace


def ride(
    vehicle: Vehicle,
    drive: Drive,
    road: RoadProfile,
    *,
    sample_rate_hz: float,
    start: FloatArray | None = None,
    step_s: float = STEP_S,
) -> Ridden:
    """Ride a motorcycle over a road for the length of ``drive``, from ``start`` or at rest.

    ``step_s`` is the longest step of the integration, ``sample_rate_hz`` the rate of the result.
    """
    duration_s = drive.step_s * (len(drive.distance_m) - 1)
    n_samples = int(np.floor(duration_s * sample_rate_hz + 1e-9))
    table = np.column_stack(
        [
            drive.distance_m,
            drive.speed_m_s,
            drive.gravity_m_s2,
            drive.pitch_moment_n_m,
            drive.front_jack_n,
            drive.rear_jack_n,
            drive.front_damper.table,
            drive.rear_damper.table,
        ]
    )
    if start is None:
        at, behind = float(drive.distance_m[0]), wheelbase_mm(vehicle.bike) / 1e3
        under_front, _ = kernel.road_at(at, road.step_m, road.front_m)
        under_rear, _ = kernel.road_at(at - behind, road.step_m, road.rear_m)
        start = at_rest(vehicle, under_front, under_rear)
    answer, dampers = kernel.integrate(
        np.asarray(start, dtype=np.float64),
        constants(vehicle),
        drive.step_s,
        table,
        road.step_m,
        road.front_m,
        road.rear_m,
        1.0 / sample_rate_hz,
        int(np.ceil(1.0 / (sample_rate_hz * step_s) - 1e-9)),
        n_samples,
    )
    if not np.all(np.isfinite(answer)):
        first = int(np.argmax(~np.all(np.isfinite(answer), axis=1)))
        raise ValueError(
            f"simulation broke down at t = {first / sample_rate_hz:.3f} s; the bike file's rates are too high for "
            f"a step of {step_s:g} s, or a bump is too violent."
        )
    traces = [_trace(dampers[:, 0]), _trace(dampers[:, 1])]
    columns: list[Any] = [np.arange(n_samples) / sample_rate_hz, *np.ascontiguousarray(answer.T), *traces]
    return Ridden(*columns)
