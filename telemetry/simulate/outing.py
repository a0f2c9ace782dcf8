"""A whole outing: out of the pits, timed laps, in again; the log that was written and the truth beside it."""

import gzip
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np

from telemetry.arrays import BoolArray, End, FloatArray, IntArray
from telemetry.bike import Bike, leverage_curve, pitch_deg, stroke_mm, wheelbase_mm
from telemetry.simulate.circuit import (
    Circuit,
    CircuitCorner,
    Road,
    RoadProfile,
    road_profile,
    vellmoor_ring,
    vellmoor_road,
)
from telemetry.simulate.faults import (
    Fault,
    LostStretch,
    _runs,
    damper_drives,
    faulty_vehicle,
    kicked_ride,
)
from telemetry.simulate.riding import Ride, Riding, drive_of, ride_circuit
from telemetry.simulate.sensors import Sensors, log_columns
from telemetry.simulate.vehicle import STEP_S, DamperDrive, DamperTrace, Ridden, Vehicle, exact_shaft_mm, ride

StopKind = Literal["bottomed", "topped_out"]
SAME_CONTACT_S = 0.05  # touches closer together than this are one


@dataclass(frozen=True)
class Contact:
    """One end against a stop, metal on metal; ``travel_mm`` is the deepest (least, when topped out) at the wheel."""

    end: End
    kind: StopKind
    start_s: float
    end_s: float
    travel_mm: float


@dataclass(frozen=True)
class Truth:
    """True motion at the instants of the log's rows; arrays of shape (n_samples,) unless noted.

    Parameters
    ----------
    t_s : ndarray
        From the first row. [s]
    front_shaft_mm, front_wheel_mm, rear_shaft_mm, rear_wheel_mm : ndarray
        Travel, 0 at full extension, compression positive. [mm]
    front_shaft_mm_s, front_wheel_mm_s, rear_shaft_mm_s, rear_wheel_mm_s : ndarray
        Speed: the exact derivative, not a difference of samples. [mm/s]
    pitch_deg : ndarray
        From the wheel travels, positive nose down (ISO 8855). [deg]
    chassis_pitch_deg : ndarray
        Of the chassis in space, tyres and road in it, 0 with both ends extended on a flat road. [deg]
    front_tyre_n, rear_tyre_n : ndarray
        Load of the tyres, 0 in the air. [N]
    lap : ndarray of int
        Timed laps from 1; 0 before the first crossing of the line, one more than the timed laps after the last.
    lap_distance_m, distance_m : ndarray
        Of the front wheel since the line, and since the first crossing (negative before it). [m]
    speed_m_s, lean_deg : ndarray
        Ground speed; lean, right side down positive. [m/s, deg]
    x_m, y_m : ndarray
        East and north of the start line. [m]
    front_damper_scale, rear_damper_scale : ndarray
        Share of the force that a fault which scales the force left.
    front_damper, rear_damper : DamperTrace
        Force, work, void, foam, gas and heat of each damper; see `damping_left`.
    lap_start_s : ndarray of shape (timed laps + 1,)
        Every crossing of the line, the last one included, to the microsecond. [s]
    """

    t_s: FloatArray
    front_shaft_mm: FloatArray
    front_wheel_mm: FloatArray
    rear_shaft_mm: FloatArray
    rear_wheel_mm: FloatArray
    front_shaft_mm_s: FloatArray
    front_wheel_mm_s: FloatArray
    rear_shaft_mm_s: FloatArray
    rear_wheel_mm_s: FloatArray
    pitch_deg: FloatArray
    chassis_pitch_deg: FloatArray
    front_tyre_n: FloatArray
    rear_tyre_n: FloatArray
    lap: IntArray
    lap_distance_m: FloatArray
    distance_m: FloatArray
    speed_m_s: FloatArray
    lean_deg: FloatArray
    x_m: FloatArray
    y_m: FloatArray
    front_damper_scale: FloatArray
    rear_damper_scale: FloatArray
    front_damper: DamperTrace
    rear_damper: DamperTrace
    lap_start_s: FloatArray
    corners: tuple[CircuitCorner, ...]
    contacts: tuple[Contact, ...]
    lost_damping: tuple[LostStretch, ...]


@dataclass(frozen=True)
class Outing:
    """A simulated outing.

    Parameters
    ----------
    log_columns : mapping of str to ndarray of shape (n_samples,)
        As logged; NaN where a cell is blank.
    units : mapping of str to str
        Of the columns.
    """

    bike: Bike
    circuit: Circuit
    road: RoadProfile
    seed: int
    log_rate_hz: float
    log_columns: Mapping[str, FloatArray]
    units: Mapping[str, str]
    truth: Truth


def _contacts(vehicle: Vehicle, ridden: Ridden) -> tuple[Contact, ...]:
    bike, found = vehicle.bike, []
    ends: tuple[tuple[End, FloatArray, FloatArray], ...] = (
        ("front", ridden.front_most_m, ridden.front_least_m),
        ("rear", ridden.rear_most_m, ridden.rear_least_m),
    )
    for end, most, least in ends:
        limits = np.array([vehicle.stop.length_mm, stroke_mm(bike, end) - vehicle.stop.length_mm])
        low, high = leverage_curve(bike, end).wheel_travel_mm(limits)
        stops: tuple[tuple[StopKind, BoolArray, FloatArray], ...] = (
            ("bottomed", 1e3 * most > high, 1e3 * most),
            ("topped_out", 1e3 * least < low, 1e3 * least),
        )
        for kind, inside, travel in stops:
            runs: list[list[int]] = []
            for a, b in _runs(inside):
                if runs and ridden.t_s[a] - ridden.t_s[runs[-1][1] - 1] < SAME_CONTACT_S:
                    runs[-1][1] = b
                else:
                    runs.append([a, b])
            for a, b in runs:
                extreme = np.max(travel[a:b]) if kind == "bottomed" else np.min(travel[a:b])
                found.append(
                    Contact(end, kind, float(ridden.t_s[a]), float(ridden.t_s[b - 1]), float(extreme))
                )
    return tuple(sorted(found, key=lambda contact: contact.start_s))


def damping_left(trace: DamperTrace, t_s: FloatArray, start_s: float, end_s: float) -> float:
    """Work of a damper over that of a sound twin on the same stroke, over a span.

    Parameters
    ----------
    t_s : ndarray of shape (n_samples,)
        Its clock. [s]

    Returns
    -------
    float
        1 for a sound damper; NaN where the sound twin would have done no work.
    """
    at = np.array([start_s, end_s])
    work, sound = np.diff(np.interp(at, t_s, trace.work_j)), np.diff(np.interp(at, t_s, trace.sound_work_j))
    return float(work[0] / sound[0]) if sound[0] > 0.0 else np.nan


def _wheels_mm(ridden: Ridden) -> tuple[dict[End, FloatArray], dict[End, FloatArray]]:
    """Travel and speed of both wheels. [mm, mm/s]"""
    return (
        {"front": 1e3 * ridden.front_m, "rear": 1e3 * ridden.rear_m},
        {"front": 1e3 * ridden.front_m_s, "rear": 1e3 * ridden.rear_m_s},
    )


def _truth(
    vehicle: Vehicle,
    circuit: Circuit,
    ridden_as: Ride,
    ridden: Ridden,
    shaft: Mapping[End, FloatArray],
    shaft_speed: Mapping[End, FloatArray],
    befalls: Mapping[End, DamperDrive],
    stretches: Sequence[LostStretch],
) -> Truth:
    """What was ridden (``ridden_as``) and what the motorcycle did (``ridden``), on the clock of the log."""
    t, (wheel, speed) = ridden.t_s, _wheels_mm(ridden)
    traces = {"front": ridden.front_damper, "rear": ridden.rear_damper}

    def now(values: FloatArray) -> FloatArray:
        return np.interp(t, ridden_as.t_s, values)

    distance = now(ridden_as.distance_m)
    return Truth(
        t_s=t,
        front_shaft_mm=shaft["front"],
        front_wheel_mm=wheel["front"],
        rear_shaft_mm=shaft["rear"],
        rear_wheel_mm=wheel["rear"],
        front_shaft_mm_s=shaft_speed["front"],
        front_wheel_mm_s=speed["front"],
        rear_shaft_mm_s=shaft_speed["rear"],
        rear_wheel_mm_s=speed["rear"],
        pitch_deg=pitch_deg(wheel["front"], wheel["rear"], wheelbase_mm(vehicle.bike)),
        chassis_pitch_deg=np.degrees(ridden.pitch_rad),
        front_tyre_n=ridden.front_tyre_n,
        rear_tyre_n=ridden.rear_tyre_n,
        lap=np.floor(distance / circuit.length_m).astype(np.int64) + 1,
        lap_distance_m=distance % circuit.length_m,
        distance_m=distance,
        speed_m_s=now(ridden_as.speed_m_s),
        lean_deg=now(ridden_as.lean_deg),
        x_m=circuit.at(distance, circuit.x_m),
        y_m=circuit.at(distance, circuit.y_m),
        front_damper_scale=now(befalls["front"].scale),
        rear_damper_scale=now(befalls["rear"].scale),
        front_damper=traces["front"],
        rear_damper=traces["rear"],
        lap_start_s=ridden_as.lap_start_s,
        corners=circuit.corners,
        contacts=_contacts(vehicle, ridden),
        lost_damping=tuple(
            replace(one, damping_left=damping_left(traces[one.end], t, one.start_s, one.end_s))
            for one in stretches
        ),
    )


def simulate_outing(
    bike: Bike,
    *,
    circuit: Circuit | None = None,
    seed: int = 0,
    laps: int = 3,
    log_rate_hz: float = 500.0,
    road: Road | None = None,
    riding: Riding | None = None,
    faults: Sequence[Fault] = (),
    sensors: Sensors | None = None,
    vehicle: Vehicle | None = None,
    road_seed: int | None = None,
    step_s: float = STEP_S,
) -> Outing:
    """Simulate an outing of a motorcycle on a circuit, as logged and as it truly was.

    Parameters
    ----------
    bike : Bike
        With [chassis], masses, tyre rates, dampers and sensors.
    circuit : Circuit, optional
        The Vellmoor Ring when not given.
    seed : int
        Of everything random. The same call gives the same values.
    laps : int
        Timed laps, between the first and the last crossing of the line.
    log_rate_hz : float
        Rate of the log, by plain sampling. [Hz]
    road : Road, optional
        The Vellmoor Ring's own on that circuit, even random unevenness on another, when not given.
    vehicle : Vehicle, optional
        Stops and load transfer other than usual; must be of ``bike``.
    road_seed : int, optional
        Of the random road: ``seed`` when not given. The same circuit keeps its road from outing to outing by
        the same ``road_seed``.
    step_s : float
        The longest step of the integration. [s]

    Raises
    ------
    BikeFileError
        If the bike file lacks what a simulation needs.
    """
    if road is None:
        road = vellmoor_road() if circuit is None else Road()
    circuit = vellmoor_ring() if circuit is None else circuit
    riding, sensors = riding or Riding(), sensors or Sensors()
    vehicle = faulty_vehicle(Vehicle(bike) if vehicle is None else vehicle, faults)
    road_rng = np.random.default_rng([seed if road_seed is None else road_seed, 1])
    profile = road_profile(road, circuit.length_m, road_rng)
    ridden_as = kicked_ride(
        ride_circuit(circuit, vehicle, riding, laps, np.random.default_rng([seed, 2])),
        faults,
        circuit.length_m,
    )
    befalls, stretches = damper_drives(faults, ridden_as, circuit.length_m)
    drive = drive_of(ridden_as, vehicle, front_damper=befalls["front"], rear_damper=befalls["rear"])
    ridden = ride(vehicle, drive, profile, sample_rate_hz=log_rate_hz, step_s=step_s)
    wheel, speed = _wheels_mm(ridden)
    shaft = {end: exact_shaft_mm(bike, end, wheel[end]) for end in wheel}
    shaft_speed = {end: speed[end] / leverage_curve(bike, end).ratio(shaft[end]) for end in wheel}
    columns, units = log_columns(
        shaft,
        shaft_speed,
        ridden.t_s,
        ridden_as,
        circuit,
        bike,
        sensors,
        faults,
        np.random.default_rng([seed, 3]),
    )
    truth = _truth(vehicle, circuit, ridden_as, ridden, shaft, shaft_speed, befalls, stretches)
    return Outing(bike, circuit, profile, seed, log_rate_hz, columns, units, truth)


# Decimals by unit; what is not listed gets 4.
DECIMALS = {"s": 4, "V": 4, "counts": 0, "mm": 3, "km/h": 2, "m/s": 3, "%": 1, "bar": 2, "deg": 2, "": 0}
POSITION_DECIMALS = 7  # of a degree: about a centimetre


def log_text(
    outing: Outing,
    *,
    delimiter: str = ",",
    decimal: str = ".",
    units_row: bool = True,
    comment: str | None = None,
) -> str:
    """The log as delimited text.

    Parameters
    ----------
    units_row : bool
        Whether a row of units follows the header.
    comment : str, optional
        A first line before the header, written after "# ".

    Returns
    -------
    str
        Lines end with a line feed; blank cells are empty.
    """
    import pandas as pd

    bike, columns = outing.bike.channels, {}
    for name, values in outing.log_columns.items():
        position = name in (bike.latitude, bike.longitude)
        decimals = POSITION_DECIMALS if position else DECIMALS.get(outing.units[name], 4)
        rounded = pd.Series(np.round(values, decimals) + 0.0)
        columns[name] = rounded.astype("Int64") if decimals == 0 else rounded
    head = f"# {comment}\n" if comment else ""
    head += delimiter.join(columns) + "\n"
    if units_row:
        head += delimiter.join(outing.units[name] for name in columns) + "\n"
    body = io.StringIO()
    pd.DataFrame(columns).to_csv(
        body, sep=delimiter, decimal=decimal, header=False, index=False, lineterminator="\n"
    )
    return head + body.getvalue()


def write_log(
    outing: Outing,
    path: str | Path,
    *,
    delimiter: str = ",",
    decimal: str = ".",
    units_row: bool = True,
    comment: str | None = None,
) -> None:
    """Write the log of an outing; the same outing gives the same bytes.

    Parameters
    ----------
    path : str or Path
        Compressed when it ends in ``.gz``.
    units_row : bool
        Whether a row of units follows the header.
    comment : str, optional
        A first line before the header, written after "# ".
    """
    path = Path(path)
    text = log_text(outing, delimiter=delimiter, decimal=decimal, units_row=units_row, comment=comment)
    data = text.encode("utf-8")
    path.write_bytes(gzip.compress(data, compresslevel=9, mtime=0) if path.suffix == ".gz" else data)
