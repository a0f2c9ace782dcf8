"""The rider: how fast, how far leaned, on brake or throttle, over an outing on a circuit.

Quasi-steady: as fast as grip in the corners, braking and power allow, with a rider's small differences
from lap to lap and corner to corner.
"""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from telemetry.arrays import FloatArray
from telemetry.bike import chassis_of, needed, rake_deg, wheelbase_mm
from telemetry.constants import GRAVITY_M_S2
from telemetry.simulate.circuit import Circuit
from telemetry.simulate.vehicle import DamperDrive, Drive, Vehicle

GRID_M = 1.0  # of the speed profile
CLOCK_S = 0.005  # of the rider's inputs


@dataclass(frozen=True)
class Riding:
    """Capabilities of rider and engine; names in g are in units of standard gravity.

    Parameters
    ----------
    corner_g, brake_g, drive_g : float
        Most sideways, braking and driving acceleration.
    power_w : float
        At the rear wheel. [W]
    drag_n_s2_m2 : float
        Air drag over speed squared. [N s2/m2]
    spread : float
        Standard deviation of corner speed squared and braking from corner to corner; half of it from lap to lap.
    handling_s : float
        How long the rider takes from brake to throttle, and half of it from side to side: standard deviation
        of a Gaussian smoothing. [s]
    out_lap_m, in_lap_m : float
        Ridden before the first and after the last crossing of the line. [m]
    pit_s : float
        Standing still before setting off. [s]
    stops : bool
        Whether it brakes to a stop at the end, where else it rides out of the log.
    brake_bar_per_n : float
        Brake line pressure over front brake force. [bar/N]
    """

    corner_g: float = 1.2
    brake_g: float = 0.84
    drive_g: float = 0.6
    power_w: float = 125e3
    drag_n_s2_m2: float = 0.22
    top_speed_m_s: float = 78.0
    spread: float = 0.02
    handling_s: float = 0.35
    out_lap_m: float = 900.0
    in_lap_m: float = 500.0
    pit_s: float = 0.0
    front_brake_share: float = 0.9
    engine_brake_g: float = 0.08
    brake_bar_per_n: float = 0.005
    stops: bool = False


@dataclass(frozen=True)
class Ride:
    """An outing as ridden, on an even clock from t = 0; arrays of shape (n,)."""

    step_s: float
    distance_m: FloatArray  # 0 at the first crossing of the line
    speed_m_s: FloatArray
    acceleration_m_s2: FloatArray
    sideways_m_s2: FloatArray
    lean_deg: FloatArray  # positive right side down
    front_brake_n: FloatArray  # at the ground, not negative
    rear_brake_n: FloatArray  # with the engine's
    drive_n: FloatArray  # at the ground, not negative
    throttle_pct: FloatArray
    brake_bar: FloatArray
    lap_start_s: FloatArray

    @property
    def t_s(self) -> FloatArray:
        """The clock. [s]"""
        return self.step_s * np.arange(len(self.distance_m), dtype=np.float64)


def _grip(
    circuit: Circuit, place_m: FloatArray, laps: int, spread: float, rng: np.random.Generator
) -> FloatArray:
    """Share of grip used by the rider, about 1, smooth between corners and varying from lap to lap."""
    apexes = np.array([corner.apex_m for corner in circuit.corners])
    knots = np.concatenate([lap * circuit.length_m + apexes for lap in range(-1, laps + 1)])
    of_lap = np.repeat(0.5 * rng.standard_normal(laps + 2), len(apexes))
    level = 1.0 + spread * np.clip(rng.standard_normal(len(knots)) + of_lap, -2.0, 2.0)
    return np.interp(place_m, knots, level)


def _speed_over_place(
    circuit: Circuit, riding: Riding, place: FloatArray, grip: FloatArray, mass: float
) -> FloatArray:
    """Squared speed at places: limited by corners, then by braking backwards and driving forwards."""
    g = GRAVITY_M_S2
    bend = np.abs(circuit.at(place, circuit.curvature_1_m))
    square = np.minimum(riding.top_speed_m_s**2, riding.corner_g * g * grip / np.maximum(bend, 1e-6))
    square[0] = min(square[0], 1.0)
    if riding.stops:
        square[-1] = min(square[-1], 1.0)
    step = place[1] - place[0]
    sideways_limit = riding.corner_g * g * grip
    for i in range(len(place) - 2, -1, -1):
        left = _left_of_circle(square[i + 1] * bend[i + 1], sideways_limit[i + 1])
        slowing = riding.brake_g * g * grip[i] * left
        square[i] = min(square[i], square[i + 1] + 2.0 * step * slowing)
    for i in range(len(place) - 1):
        left = _left_of_circle(square[i] * bend[i], sideways_limit[i])
        speed = max(np.sqrt(square[i]), 5.0)
        drive = min(riding.drive_g * g * left, riding.power_w * left**0.5 / (mass * speed))
        gain = drive - riding.drag_n_s2_m2 * square[i] / mass
        square[i + 1] = min(square[i + 1], square[i] + 2.0 * step * gain)
    return square


def _left_of_circle(sideways: float, limit: float) -> float:
    """Share of the friction circle left along the motorcycle, 0.02 to 1."""
    return float(np.sqrt(max(4e-4, 1.0 - (sideways / limit) ** 2)))


def ride_circuit(
    circuit: Circuit, vehicle: Vehicle, riding: Riding, laps: int, rng: np.random.Generator
) -> Ride:
    """Ride out of the pits, over ``laps`` timed laps, and off."""
    mass = vehicle.total_mass_kg
    start, end = -riding.out_lap_m, laps * circuit.length_m + riding.in_lap_m
    place = np.linspace(start, end, int(np.ceil((end - start) / GRID_M)) + 1)
    grip = _grip(circuit, place, laps, riding.spread, rng)
    speed = np.sqrt(_speed_over_place(circuit, riding, place, grip, mass))
    passed = np.concatenate([[0.0], np.cumsum(2.0 * np.diff(place) / (speed[1:] + speed[:-1]))])

    # the rider's smoothing reaches four handling times ahead: stand still until it cannot be felt
    away_s = riding.pit_s + 4.0 * riding.handling_s if riding.pit_s > 0.0 else 0.0
    clock = np.arange(0.0, away_s + passed[-1], CLOCK_S)
    over_time = np.where(clock < away_s, 0.0, np.interp(clock - away_s, passed, speed))
    smooth = riding.handling_s / CLOCK_S
    over_time = gaussian_filter1d(over_time, smooth, mode="nearest")
    over_time[clock < riding.pit_s] = 0.0
    distance = np.concatenate([[0.0], np.cumsum(0.5 * CLOCK_S * (over_time[1:] + over_time[:-1]))]) + start
    along = np.gradient(over_time, CLOCK_S)
    bend = gaussian_filter1d(circuit.at(distance, circuit.curvature_1_m), 0.5 * smooth, mode="nearest")
    sideways = over_time**2 * bend

    needed = mass * along + riding.drag_n_s2_m2 * over_time**2
    drive, slow = np.maximum(needed, 0.0), np.maximum(-needed, 0.0)
    engine = np.minimum(slow, riding.engine_brake_g * GRAVITY_M_S2 * mass)
    front = riding.front_brake_share * (slow - engine)
    most = np.minimum(riding.power_w / np.maximum(over_time, 5.0), riding.drive_g * GRAVITY_M_S2 * mass)
    lines = np.arange(laps + 1) * circuit.length_m
    return Ride(
        CLOCK_S,
        distance,
        over_time,
        along,
        sideways,
        np.degrees(np.arctan2(sideways, GRAVITY_M_S2)),
        front,
        slow - front,
        drive,
        100.0 * np.clip(drive / most, 0.0, 1.0),
        riding.brake_bar_per_n * front,
        np.interp(lines, distance, clock),
    )


def drive_of(ride: Ride, vehicle: Vehicle, *, front_damper: DamperDrive, rear_damper: DamperDrive) -> Drive:
    """Inputs of an outing to the motorcycle: load transfer, dive and squat, and the load in corners.

    About the centre of mass of the sprung part, at height h, the ground forces F turn it nose down by F h - m_u a (h -
    r), m_u the unsprung masses at axle height r: their inertia acts lower than h. Air drag acts at h. The fork is
    compressed by F_brake tan(rake): virtual work along the raked legs. Roll is steady: along its own vertical the
    motorcycle carries sqrt(g^2 + a_y^2).
    """
    bike, chassis = vehicle.bike, chassis_of(vehicle.bike)
    height_m, wheelbase_m = chassis.com_height_mm / 1e3, wheelbase_mm(bike) / 1e3
    radii_mm = needed(bike, "front.tyre_radius_mm", "rear.tyre_radius_mm", purpose="riding needs it")
    radius_m = 0.5e-3 * sum(radii_mm)
    unsprung = vehicle.total_mass_kg - chassis.sprung_mass_kg
    backwards = ride.front_brake_n + ride.rear_brake_n - ride.drive_n
    low_inertia = unsprung * ride.acceleration_m_s2 * (height_m - radius_m)
    tan_rake = float(np.tan(np.radians(rake_deg(bike))))
    return Drive(
        ride.step_s,
        ride.distance_m,
        ride.speed_m_s,
        np.hypot(GRAVITY_M_S2, ride.sideways_m_s2),
        backwards * height_m + low_inertia,
        -vehicle.dive_share * tan_rake * ride.front_brake_n,
        vehicle.anti_squat_share * ride.drive_n * height_m / wheelbase_m,
        front_damper,
        rear_damper,
    )
