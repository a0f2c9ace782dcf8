"""From true motion to what a logger writes: potentiometers, wheel speed, position, rider's controls."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.signal import lfilter

from telemetry.arrays import ENDS, BoolArray, End, FloatArray
from telemetry.bike import Bike, Channels, stroke_mm
from telemetry.constants import GRAVITY_M_S2
from telemetry.errors import BikeFileError
from telemetry.simulate.circuit import Circuit
from telemetry.simulate.faults import Fault, LoggerClock, gps_faults_m, sensed_mm, sensor_faults_mm
from telemetry.simulate.riding import Ride

# World Geodetic System 1984 ellipsoid
WGS84_A_M = 6378137.0
WGS84_F = 1.0 / 298.257223563
# The start line of every invented circuit lies in the open North Atlantic.
LINE_LATITUDE_DEG, LINE_LONGITUDE_DEG = 47.0, -30.0


@dataclass(frozen=True)
class Sensors:
    """Sensor and logger settings.

    Parameters
    ----------
    travel_unit : {"V", "counts", "mm"}
        What the travel columns hold; the bike file's sensor points must be in the same unit.
    bits : int
        Of the converter, over the supply (V), over its counts, or over 1.2 strokes (mm).
    supply_v : float
        [V]
    noise_mm : float
        White noise of each travel sensor, standard deviation at the shaft. [mm]
    front_zero_mm, rear_zero_mm : float
        How much more the sensor reads than its bench points say (a mount that slipped). [mm]
    front_gain, rear_gain : float
        How much steeper the sensor is than its bench points say; 1 when they are exact.
    slow_hz : float
        Rate of speed, throttle, brake and lean. [Hz]
    slow_cells : {"blank", "hold"}
        What stands in a row in which a slower channel has no new value.
    lap_signal : {"lap", "beacon", "none"}
        Lap number in every row (0 before the first crossing), or a pulse of 0.1 s at the line, or nothing.
    speed_noise_m_s, slip_per_g, lean_gain : float
        Noise of the wheel speed; what it gains by slip per g of drive; by the smaller radius at 45 degrees of lean.
    gps_noise_m, gps_wander_m : float
        White noise of a fix, and a slow drift (60 s), standard deviations on each axis. [m]
    gps_delay_s : float
        How much later a position stands in the log than it was true. [s]
    speed_gain, growth_per_100_m_s : float
        Wheel speed read over true speed at rest (a wrong tyre circumference, a wrong unit), and what it loses
        at 100 m/s because the tyre grows by centrifugal force.
    """

    travel_unit: Literal["V", "counts", "mm"] = "V"
    bits: int = 12
    supply_v: float = 5.0
    noise_mm: float = 0.03
    front_zero_mm: float = 0.0
    rear_zero_mm: float = 0.0
    front_gain: float = 1.0
    rear_gain: float = 1.0
    slow_hz: float = 50.0
    gps_hz: float = 10.0
    slow_cells: Literal["blank", "hold"] = "blank"
    lap_signal: Literal["lap", "beacon", "none"] = "lap"
    gps: bool = True
    speed_unit: Literal["km/h", "m/s"] = "km/h"
    speed_noise_m_s: float = 0.05
    slip_per_g: float = 0.02
    lean_gain: float = 0.02
    gps_noise_m: float = 0.15
    gps_wander_m: float = 0.3
    gps_delay_s: float = 0.0
    speed_gain: float = 1.0
    growth_per_100_m_s: float = 0.0


def _signal(travel_mm: FloatArray, points: tuple[tuple[float, float], ...]) -> FloatArray:
    """Signal at a travel: straight between the bench points and on beyond them."""
    signal, travel = np.array(sorted(points, key=lambda point: point[1])).T
    i = np.clip(np.searchsorted(travel, travel_mm) - 1, 0, len(travel) - 2)
    slope = np.diff(signal) / np.diff(travel)
    return np.asarray(signal[i] + slope[i] * (travel_mm - travel[i]))


def travel_signal(
    shaft_mm: FloatArray,
    bike: Bike,
    end: End,
    sensors: Sensors,
    *,
    added_mm: FloatArray | float = 0.0,
    rng: np.random.Generator,
) -> FloatArray:
    """Logged signal of a travel sensor, in ``sensors.travel_unit``, from true shaft travel plus ``added_mm`` of faults.

    Rounded to the converter's steps and kept within its range; `BikeFileError` if the bike file has no sensor there.
    """
    sensor = bike.end(end).sensor
    if sensor is None:
        raise BikeFileError(
            f"{bike.source}: has no [{end}.sensor]; give channel and points to simulate its log."
        )
    gain = sensors.front_gain if end == "front" else sensors.rear_gain
    zero = sensors.front_zero_mm if end == "front" else sensors.rear_zero_mm
    noisy = gain * shaft_mm + zero + added_mm + sensors.noise_mm * rng.standard_normal(len(shaft_mm))
    signal = _signal(noisy, sensor.points)
    steps = 2**sensors.bits - 1
    least, full = 0.0, float(steps)
    if sensors.travel_unit == "V":
        full = sensors.supply_v
    elif sensors.travel_unit == "mm":
        least, full = -0.1 * stroke_mm(bike, end), 1.1 * stroke_mm(bike, end)
    code = np.clip(np.round((signal - least) / (full - least) * steps), 0, steps)
    return np.asarray(least + code * (full - least) / steps)


def to_wgs84(x_m: FloatArray, y_m: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Latitude and longitude of places east and north of the start line, by the ellipsoid's radii at the line. [deg]"""
    latitude = np.radians(LINE_LATITUDE_DEG)
    e2 = WGS84_F * (2.0 - WGS84_F)
    w2 = 1.0 - e2 * np.sin(latitude) ** 2
    north_radius = WGS84_A_M * (1.0 - e2) / w2**1.5
    east_radius = WGS84_A_M / np.sqrt(w2) * np.cos(latitude)
    return LINE_LATITUDE_DEG + np.degrees(y_m / north_radius), LINE_LONGITUDE_DEG + np.degrees(
        x_m / east_radius
    )


def _wander(n: int, rate_hz: float, sd: float, rng: np.random.Generator) -> FloatArray:
    """Slow drift: a first-order process with a memory of 60 s."""
    keep = np.exp(-1.0 / (60.0 * rate_hz))
    white = rng.standard_normal(n) * sd * np.sqrt(1.0 - keep**2)
    white[:1] = sd * rng.standard_normal(1)
    return np.asarray(lfilter([1.0], [1.0, -keep], white))


def _at_slow_rate(fast: FloatArray, new: BoolArray, cells: Literal["blank", "hold"]) -> FloatArray:
    """Keep the values of rows with a new value; blank or hold the others."""
    if cells == "blank":
        return np.where(new, fast, np.nan)
    return fast[np.maximum.accumulate(np.where(new, np.arange(len(fast)), 0))]


def _new_rows(t_s: FloatArray, rate_hz: float) -> BoolArray:
    """Rows in which a channel of this rate has a new value."""
    tick = np.floor(t_s * rate_hz + 1e-6)
    return np.asarray(np.diff(tick, prepend=-1.0) > 0)


def _slow_channels(
    names: Channels, t_s: FloatArray, ride: Ride, sensors: Sensors, rng: np.random.Generator
) -> dict[str | None, tuple[FloatArray, str]]:
    """Wheel speed, throttle, brake and lean at every row, and their units, by column."""
    n = len(t_s)

    def now(values: FloatArray) -> FloatArray:
        return np.interp(t_s, ride.t_s, values)

    speed, lean = now(ride.speed_m_s), now(ride.lean_deg)
    slip = sensors.slip_per_g * np.maximum(now(ride.acceleration_m_s2), 0.0) / GRAVITY_M_S2
    smaller = sensors.lean_gain * (1.0 - np.cos(np.radians(lean))) / (1.0 - np.cos(np.pi / 4.0))
    grown = sensors.growth_per_100_m_s * (speed / 100.0) ** 2
    noise = sensors.speed_noise_m_s * rng.standard_normal(n)
    wheel = sensors.speed_gain * speed * (1.0 + slip + smaller - grown) + noise * (speed > 0.5)
    wheel *= 3.6 if sensors.speed_unit == "km/h" else 1.0
    throttle = np.clip(now(ride.throttle_pct) + 0.3 * rng.standard_normal(n), 0.0, 100.0)
    brake = np.maximum(now(ride.brake_bar) + 0.03 * rng.standard_normal(n), 0.0)
    return {
        names.speed: (wheel, sensors.speed_unit),
        names.throttle: (throttle, "%"),
        names.brake: (brake, "bar"),
        names.lean: (lean + 0.3 * rng.standard_normal(n), "deg"),
    }


def _position_deg(
    new: BoolArray,
    t_s: FloatArray,
    ride: Ride,
    circuit: Circuit,
    sensors: Sensors,
    faults: Sequence[Fault],
    rng: np.random.Generator,
) -> tuple[FloatArray, FloatArray]:
    """Latitude and longitude with their noise in the rows that are ``new``. [deg]"""
    fixes = int(np.sum(new))
    drift = np.zeros((2, len(t_s)))
    for axis in range(2):
        noise = sensors.gps_noise_m * rng.standard_normal(fixes)
        drift[axis, new] = noise + _wander(fixes, sensors.gps_hz, sensors.gps_wander_m, rng)
    drift += gps_faults_m(faults, t_s)
    place = np.interp(t_s - sensors.gps_delay_s, ride.t_s, ride.distance_m)
    return to_wgs84(circuit.at(place, circuit.x_m) + drift[0], circuit.at(place, circuit.y_m) + drift[1])


def log_columns(
    shaft_mm: Mapping[End, FloatArray],
    shaft_mm_s: Mapping[End, FloatArray],
    t_s: FloatArray,
    ride: Ride,
    circuit: Circuit,
    bike: Bike,
    sensors: Sensors,
    faults: Sequence[Fault],
    rng: np.random.Generator,
) -> tuple[dict[str, FloatArray], dict[str, str]]:
    """Every column of the log, named by the bike file, and its unit; NaN where a cell is blank."""
    names = bike.channels
    fast = sum(fault.drift_ppm for fault in faults if isinstance(fault, LoggerClock))
    columns: dict[str, FloatArray] = {names.time: t_s * (1.0 + 1e-6 * fast) if fast else t_s}
    units = {names.time: "s"}
    for end in ENDS:
        section = bike.end(end)
        if section.sensor is not None:
            added = sensor_faults_mm(faults, end, t_s, rng)
            seen = sensed_mm(faults, end, t_s, shaft_mm[end], shaft_mm_s[end], stroke_mm(bike, end))
            columns[section.sensor.channel] = travel_signal(seen, bike, end, sensors, added_mm=added, rng=rng)
            units[section.sensor.channel] = sensors.travel_unit

    new = _new_rows(t_s, sensors.slow_hz)
    for name, (values, unit) in _slow_channels(names, t_s, ride, sensors, rng).items():
        if name is not None:
            columns[name], units[name] = _at_slow_rate(values, new, sensors.slow_cells), unit

    new = _new_rows(t_s, sensors.gps_hz)
    if sensors.gps and names.latitude is not None and names.longitude is not None:
        latitude, longitude = _position_deg(new, t_s, ride, circuit, sensors, faults, rng)
        for name, values in ((names.latitude, latitude), (names.longitude, longitude)):
            columns[name], units[name] = _at_slow_rate(values, new, sensors.slow_cells), "deg"

    if sensors.lap_signal == "lap":
        name = names.lap or "lap"
        columns[name] = np.searchsorted(ride.lap_start_s, t_s, side="right").astype(np.float64)
        units[name] = ""
    elif sensors.lap_signal == "beacon":
        name = names.beacon or "beacon"
        since = t_s[:, None] - ride.lap_start_s[None, :]
        columns[name] = np.any((since >= 0.0) & (since < 0.1), axis=1).astype(np.float64)
        units[name] = ""
    return columns, units
