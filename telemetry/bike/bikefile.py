"""The bike file: one motorcycle in TOML, checked when it is read, and the template of a new one.

A review needs a sensor at one end at least; every other key answers more, wheelbase, strokes, rake and leverage most.

Lengths are millimetres, spring and tyre rates N/mm, masses kg, angles degrees, damper rates N s/mm.
Fork springs, dampers and masses are given for the pair of legs. Unknown keys are refused,
so that a misspelt key is not ignored silently. Optional sections are in `sections` and `dyno`;
``fixtures/qb-6-stand.toml`` shows every key with a comment.
"""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any, ClassVar, Self, get_args

import numpy as np
from pydantic import Field, ValidationError, model_validator

from telemetry.arrays import ENDS, End, FloatArray
from telemetry.bike.dyno import read_dyno
from telemetry.bike.ends import (
    DAMPER_CLICKS,
    LEVERAGE,
    LEVERAGES,
    LONGEST_STROKE_MM,
    Front,
    Rear,
    rear_end,
    shifts_mm,
)
from telemetry.bike.leverage import LeverageCurve, LinkageError
from telemetry.bike.sections import (
    Adjuster,
    Load,
    MeasuredAt,
    NamesColumns,
    Point,
    Section,
    Sensor,
    implausible,
    read_bench_table,
)
from telemetry.errors import BikeFileError
from telemetry.numeric import shape_preserving
from telemetry.tomlfile import TO_FILL_IN, Key, file_error, read_toml

# pydantic's path names the kind of linkage, which is no key of the file
LINKAGE_KINDS = ("direct", "rocker_on_frame", "rocker_on_swingarm")
# Of an open rake: between 20 and 30 degrees, which hardly a motorcycle leaves (common practice, no source), the wheel
# travel of the front is then right to 5 %.
USUAL_RAKE_DEG = 25.0
# Keys that are read into others before the file is checked.
_OTHER_KEYS = {"sensor": ("table",), "damper": ("dyno_file",), "front": ("tyre_circumference_mm",)}
_OTHER_KEYS["rear"] = _OTHER_KEYS["front"]


class Chassis(Section):
    """Sprung mass with rider and its centre of mass; needed for sag, modes and simulation, not for a review.

    ``com_to_rear_axle_mm`` and ``com_height_mm`` place the centre of mass of the sprung part;
    ``pitch_inertia_kg_m2`` is about it, and needed for modes and simulation only. The mass includes [chassis.rider] and
    [chassis.fuel]: without the rider it is the motorcycle ready to ride, without both the motorcycle alone.
    """

    section: ClassVar[str] = "chassis"
    sprung_mass_kg: float
    com_to_rear_axle_mm: float
    com_height_mm: float
    pitch_inertia_kg_m2: float | None = None
    rider: Load | None = None
    fuel: Load | None = None

    @model_validator(mode="after")
    def _parts_are_lighter_than_the_whole(self) -> Self:
        parts = sum(part.mass_kg for part in (self.rider, self.fuel) if part is not None)
        if parts >= self.sprung_mass_kg:
            raise ValueError(
                f"rider and fuel are {parts:g} kg, but sprung_mass_kg, which includes them, is {self.sprung_mass_kg:g}"
            )
        return self


class Channels(NamesColumns):
    """Names of the log's columns by meaning: one name, or a list of the names used in several logs.

    Only ``time`` is needed. An unnamed channel is found by name, unit and behaviour if these leave no doubt; ``""``
    switches a channel off. ``acceleration`` is along the motorcycle, forward positive (ISO 8855). ``rate_hz`` is for a
    log without a time column.
    """

    time: str = "time"
    rate_hz: float | None = None
    speed: str | None = None
    latitude: str | None = None
    longitude: str | None = None
    throttle: str | None = None
    brake: str | None = None
    lean: str | None = None
    acceleration: str | None = None
    lap: str | None = None
    beacon: str | None = None


class Conditions(NamesColumns):
    """Columns of the log with conditions, in any unit; shown beside the difference of two runs."""

    track_temperature: str | None = None
    air_temperature: str | None = None
    fuel: str | None = None
    front_tyre_pressure: str | None = None
    rear_tyre_pressure: str | None = None
    front_tyre_temperature: str | None = None
    rear_tyre_temperature: str | None = None
    front_oil_temperature: str | None = None
    rear_oil_temperature: str | None = None


def _same_names(one: Sensor, other: Sensor) -> list[str]:
    others = {name.strip() for name in other.names("channel")}
    return [name for name in one.names("channel") if name.strip() in others]


class Bike(Section):
    """One motorcycle: the checked contents of its bike file."""

    name: str
    wheelbase_mm: float | None = None
    front: Front
    rear: Rear
    chassis: Chassis | None = None
    channels: Channels = Channels()
    conditions: Conditions = Conditions()
    adjusters: dict[str, Adjuster] = {}
    measured_at: MeasuredAt = MeasuredAt()
    source: str = Field(default="bike", exclude=True)

    def end(self, name: End) -> Front | Rear:
        """The section of one end."""
        return self.front if name == "front" else self.rear

    @model_validator(mode="after")
    def _parts_fit_together(self) -> Self:
        for key, adjuster in self.adjusters.items():
            if not isinstance(value_at(self, key), int | float):
                raise ValueError(f"adjusters: {key!r} is no number of this bike file")
            for name, limit in (("min", adjuster.min), ("max", adjuster.max)):
                if limit is not None and (words := implausible(key.split(".")[-1], limit, key.split(".")[0])):
                    raise ValueError(f"adjusters: {key!r} {name} {words}")
        front, rear = self.front.sensor, self.rear.sensor
        if front is not None and rear is not None and (both := _same_names(front, rear)):
            raise ValueError(
                f"front.sensor.channel and rear.sensor.channel are both {both[0]!r}; each end has a column of "
                f"its own"
            )
        try:
            curve = rear_end(self.rear, self.measured_at).curve
        except LinkageError as error:
            raise ValueError(f"rear.{'linkage' if self.rear.linkage else 'leverage'}: {error}") from None
        if self.chassis is not None and (lacking := open_geometry(self)):
            raise ValueError(f"chassis: its masses say nothing without {', '.join(lacking)}")
        stroke = self.rear.shock_stroke_mm or curve.shaft_mm[-1]
        low, high = LEVERAGE
        ratio = curve.wheel_mm_at(stroke) / stroke
        if ratio < low or ratio > high:
            raise ValueError(
                f"rear: the wheel moves {ratio:.2f} mm for each mm of the shock, which is not between {low:g} and "
                f"{high:g}; check the points"
            )
        return self


def value_at(bike: Bike, key: str) -> Any:
    """The value at a dotted key such as ``rear.spring_rate_n_per_mm``, None where there is none."""
    value: Any = bike
    for name in key.split("."):
        value = getattr(value, name, None) if isinstance(value, Section) else None
    return value


def needed(bike: Bike, *keys: str, purpose: str) -> tuple[float, ...]:
    """Numbers at dotted keys such as ``front.spring_rate_n_per_mm``.

    `BikeFileError` names every key that the bike file does not give, and ``purpose``: "sag needs it".
    """
    values = [value_at(bike, key) for key in keys]
    lacking = [key for key, value in zip(keys, values, strict=True) if value is None]
    if lacking:
        raise BikeFileError(f"{bike.source}: lacks {', '.join(lacking)}; {purpose}.")
    return tuple(float(value) for value in values)


def plain_key(key: str) -> str:
    """Key as written in the bike file, setup sheet and ``--change``: clicks belong to the end, not its damper.

    Examples
    --------
    >>> plain_key("rear.damper.rebound_clicks")
    'rear.rebound_clicks'
    """
    head, _, name = key.rpartition(".")
    return f"{head.removesuffix('.damper')}.{name}" if name in DAMPER_CLICKS else key


def _plain_adjusters(data: dict[str, Any]) -> dict[str, Any]:
    adjusters = data.get("adjusters")
    if not isinstance(adjusters, dict):
        return data
    return {**data, "adjusters": {plain_key(key): adjuster for key, adjuster in adjusters.items()}}


def _sections(kind: Any) -> Iterator[type[Section]]:
    """Section classes in a field's type annotation."""
    if isinstance(kind, type) and issubclass(kind, Section):
        yield kind
    else:
        for part in get_args(kind):
            yield from _sections(part)


def _allowed(path: Key) -> list[str]:
    """Keys allowed in the section at a path; empty if there is no such section."""
    sections: set[type[Section]] = {Bike}
    for name in path:
        fields = [each.model_fields[str(name)] for each in sections if str(name) in each.model_fields]
        if fields:
            sections = {inner for field in fields for inner in _sections(field.annotation)}
        elif name not in LINKAGE_KINDS and not isinstance(name, int) and "adjusters" not in path:
            return []
    return [name for each in sections for name in each.model_fields if name != "source"]


def _unknown_key(loc: Key) -> str:
    """Message for an unknown key, with the most similar key of its section."""
    others = _OTHER_KEYS.get(str(loc[-2]), ()) if len(loc) > 1 else ()
    near = get_close_matches(str(loc[-1]), [*_allowed(loc[:-1]), *others], n=1)
    return f"is not a key of a bike file; {f'did you mean {near[0]}?' if near else 'check the spelling'}"


def why_no_key(key: str) -> str:
    """Reason why a dotted key is not a bike file key, "" if it is one.

    Examples
    --------
    >>> why_no_key("rear.prelod_mm"), why_no_key("rear.preload_mm")
    ('is not a key of a bike file; did you mean preload_mm?', '')
    """
    path = tuple(key.split("."))
    others = _OTHER_KEYS.get(path[-2], ()) if len(path) > 1 else ()
    return "" if path[-1] in (*_allowed(path[:-1]), *others) else _unknown_key(path)


def parse_bike(data: dict[str, Any], *, source: str = "bike") -> Bike:
    """Check a bike given as the keys of a bike file; ``source`` is where it came from, for messages.

    `BikeFileError` names the source, the key and what is allowed.
    """
    try:
        bike = Bike.model_validate({"name": Path(source).stem, **_plain_adjusters(data), "source": source})
        return shaft_sensor(bike)
    except ValidationError as error:
        raise file_error(error, source, unknown_key=_unknown_key, no_keys=LINKAGE_KINDS) from None
    except LinkageError as error:
        raise BikeFileError(f"{source}: rear.sensor: {error}.") from None


def load_bike(path: str | Path, *, beside: bool = False) -> Bike:
    """Read and check a bike file (TOML); if ``beside``, the files it names have to lie beside it.

    `BikeFileError` if the file is missing, is not TOML, or a key is missing, unknown or out of range.
    """
    path = Path(path)
    data = read_toml(path, what="bike file")
    return parse_bike(_with_files(data, path.parent, beside=beside), source=str(path))


def _with_files(data: dict[str, Any], folder: Path, *, beside: bool) -> dict[str, Any]:
    """Bike file keys with sensor tables and dyno files read in; `BikeFileError` if unreadable or given twice."""
    data = dict(data)
    for section, key, rows, read in (
        ("sensor", "table", "points", read_bench_table),
        ("damper", "dyno_file", "dyno", read_dyno),
    ):
        for end in ENDS:
            part = data[end].get(section) if isinstance(data.get(end), dict) else None
            if isinstance(part, dict) and key in part:
                path = folder / str(part[key])
                if beside and Path(str(part[key])).name != str(part[key]):
                    raise BikeFileError(f"{path}: {end}.{section}.{key} must lie beside the bike file.")
                if rows in part:
                    raise BikeFileError(f"{path}: {end}.{section} has {rows} and {key}; give one of them.")
                part = {name: value for name, value in part.items() if name != key} | {rows: read(path)}
                data[end] = {**data[end], section: part}
    return data


def leverage_curve(bike: Bike, end: End) -> LeverageCurve:
    """The leverage curve of one end of a bike, for the shock length and inserts of the file.

    In front wheel travel = shaft travel x cos(rake); at the rear the measured table, the curve through the measured
    points, or the solved linkage; where the file leaves these open, every wheel travel of it is NaN. An open rake is
    taken as `USUAL_RAKE_DEG`.
    """
    if end == "front":
        stroke = bike.front.stroke_mm or LONGEST_STROKE_MM
        rake = USUAL_RAKE_DEG if bike.front.rake_deg is None else bike.front.rake_deg
        return LeverageCurve((0.0, stroke), (0.0, stroke * float(np.cos(np.radians(rake)))))
    return rear_end(bike.rear, bike.measured_at).curve


def stroke_mm(bike: Bike, end: End) -> float:
    """Mechanical stroke of the damper at one end, along the shaft, NaN where the file leaves it open. [mm]"""
    stroke = bike.front.stroke_mm if end == "front" else bike.rear.shock_stroke_mm
    return float("nan") if stroke is None else stroke


def wheelbase_mm(bike: Bike) -> float:
    """Wheelbase with both ends extended, NaN where the file leaves it open. [mm]"""
    return float("nan") if bike.wheelbase_mm is None else bike.wheelbase_mm


def rake_deg(bike: Bike) -> float:
    """Steering axis from the vertical with both ends extended, NaN where the file leaves it open. [deg]"""
    return float("nan") if bike.front.rake_deg is None else bike.front.rake_deg


def open_geometry(bike: Bike) -> tuple[str, ...]:
    """What the file leaves open of wheelbase, rake, strokes and leverage, by key."""
    keys = ("wheelbase_mm", "front.stroke_mm", "front.rake_deg", "rear.shock_stroke_mm")
    found = [key for key in keys if value_at(bike, key) is None]
    return (*found, *(() if knows_leverage(bike) else ("rear.leverage_table_mm",)))


def knows_leverage(bike: Bike) -> bool:
    """Whether the file describes the leverage of the rear."""
    return any(getattr(bike.rear, name) is not None for name in LEVERAGES)


def wheel_stroke_mm(bike: Bike, end: End) -> float:
    """Wheel travel at the full stroke of the damper. [mm]"""
    return leverage_curve(bike, end).wheel_mm_at(stroke_mm(bike, end))


def swingarm_sensor_length_mm(
    bike: Bike, frame_mm: Point, swingarm_mm: Point, shaft_mm: FloatArray
) -> FloatArray:
    """Distance of the mounts of a frame-to-swingarm sensor at shock travels; `LinkageError` without mounts. [mm]"""
    if bike.rear.swingarm is None:
        raise LinkageError("frame_mm and swingarm_mm need [rear.swingarm]")
    rear = rear_end(bike.rear, bike.measured_at)
    assert rear.pivot_mm is not None
    pivot = np.array(rear.pivot_mm)
    measured = np.subtract(bike.rear.swingarm.axle_mm, bike.rear.swingarm.pivot_mm)
    shift = shifts_mm(bike.rear, bike.measured_at).get("axle_mm", (0.0, 0.0))
    start = float(np.arctan2(*(measured + shift)[::-1]))
    r = np.subtract(swingarm_mm, bike.rear.swingarm.pivot_mm)
    axle = np.array([rear.axle_mm(float(s)) for s in shaft_mm]) - pivot
    turn = start - np.arctan2(axle[:, 1], axle[:, 0])
    mount = np.column_stack(
        [r[0] * np.cos(turn) + r[1] * np.sin(turn), -r[0] * np.sin(turn) + r[1] * np.cos(turn)]
    )
    return np.asarray(np.hypot(*(pivot + mount - frame_mm).T))


def shaft_sensor(bike: Bike) -> Bike:
    """Bike whose rear sensor reads shock travel: points of a swingarm sensor converted through the linkage.

    `LinkageError` if mounts are given in part, or the sensor reads the same at two shock travels.
    """
    sensor = bike.rear.sensor
    if sensor is None or (sensor.frame_mm is None and sensor.swingarm_mm is None):
        return bike
    if sensor.frame_mm is None or sensor.swingarm_mm is None:
        raise LinkageError("frame_mm and swingarm_mm belong together; give both or none")
    shaft = np.linspace(
        0.0, bike.rear.shock_stroke_mm or rear_end(bike.rear, bike.measured_at).curve.shaft_mm[-1], 71
    )
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
        logged = shape_preserving(distance, signal)(length)
    points = tuple((float(a), float(b)) for a, b in zip(logged, shaft, strict=True))
    made = sensor.model_copy(update={"points": points, "frame_mm": None, "swingarm_mm": None})
    return bike.model_copy(update={"rear": bike.rear.model_copy(update={"sensor": made})})


# The end of the file, and of the demo bike at the stand: keys that few need.
OTHER_KEYS = """\
# What else a bike file may hold. In [front] or [rear]:
#   tyre_circumference_mm = 1885           in place of tyre_radius_mm: what one turn rolls
#   speed_split_mm_s = 150                 between low and high damper speed, at the shaft
#   high_speed_compression_clicks = 10     clicks that are only written down, as high_speed_rebound_clicks
#   damper.dyno = [[12, 50, 180], …]       rows of clicks, speed mm/s, force N in place of dyno_file
#   sensor.measures = "wheel"              points are then signal and vertical wheel travel, measured as it sits
#   sensor.table = "bench.csv"             points in a file beside this one: two columns, signal and mm
#   sensor.shape = "curve"                 or "line": insists on it, where the points alone would decide
#   sensor.mm_per_unit = 30.4              with a zero, in place of points: as on the data sheet, mm for one volt
#   sensor.zero = 0.40                     signal logged at full extension, on the bike
#   sensor.zero_interval_s = [2.0, 6.5]    in its place: from when to when of the log the wheels hung free
#   sensor.zero_topped_out = true          or: zero is where the end tops out in the log
#   sensor.supply = "5V"                   column of the voltage that feeds the sensor, and
#   sensor.supply_reference = 4.98         what it read at the bench
#   sensor.frame_mm, sensor.swingarm_mm    mounts of a sensor from frame to swingarm, in the terms of [rear.swingarm];
#                                          its points are then signal and distance between the mounts
#   spring.gas_force_n = 150               steady push of a gas-charged damper
#   spring.air                             with displacing_mm, legs, pressure_bar as well
#   measured.static_sag_mm                 ready to ride, without rider; free_sag_mm and rider_sag_mm as above
# In [rear], in place of [rear.linkage]:
#   leverage_table_mm = [[0, 0], [10, 19.7], …]     shock and vertical wheel travel, smooth, taken as it is
#   leverage_points_mm = [[0, 0.4], [5, 10.1], …]   the same as measured, with its noise: a smooth curve is fitted
# Other kinds of [rear.linkage]:
#   kind = "direct"                with shock_frame_mm and shock_swingarm_mm
#   kind = "rocker_on_swingarm"    with rod_frame_mm in place of rod_swingarm_mm; the rocker turns on the swingarm
#   shock_swingarm_mm              in place of shock_frame_mm, where the far eye of the shock moves with the swingarm
# [rear.eccentric]    moves = "axle_mm" or "pivot_mm", radius_mm, angle_deg (from forward, up positive)
# rear.chain.pitch_mm = 15.875
# channels.beacon = "beacon"
# channels.acceleration = "ax"             along the motorcycle, forward positive
# channels.rate_hz = 200                   for a log without a column of time
# [conditions]    columns of the log that stand beside the difference of two runs: track_temperature,
#                 air_temperature, fuel, front_tyre_pressure, rear_tyre_pressure, front_tyre_temperature,
#                 rear_tyre_temperature, front_oil_temperature, rear_oil_temperature
# [adjusters] entries may have per_click in place of per_turn.
# [measured_at]    what stood on the bike when wheelbase, rake, masses and points were measured, where that is not
#                  what the file says now: front_tyre_radius_mm, rear_tyre_radius_mm, fork_height_mm,
#                  fork_offset_mm, shock_length_mm, axle_back_mm, mount_insert, eccentric_deg
"""

_OPTIONAL = "#: "  # before a key of the template that a review can do without
_INSTEAD = "#| "  # before a key that may stand in place of those before it
_TEMPLATE = """\
# A motorcycle for bothends. Lengths in mm, rates in N/mm, damper rates in N s/mm, masses in kg, angles in degrees.
# Replace every "?" by a value; wheelbase, strokes, rake and leverage may be taken out, and the review says what it
# cannot answer without. A key with # directly before it answers more: take the # away and write the number of this
# motorcycle. The numbers there are those of an invented one, to show the form.
name = "?"
wheelbase_mm = "?"               # axle to axle, both ends extended

[front]
stroke_mm = "?"                  # of the fork along its legs, from stop to stop
rake_deg = "?"                   # steering axis from the vertical, both ends extended
# For sag: both legs together
#: spring_rate_n_per_mm = 19.0
#: preload_mm = 12
#: tyre_radius_mm = 300          # unloaded; also for ride height and trail
# For trail, and for changes at the stand
#: fork_offset_mm = 30           # axle ahead of the steering axis
#: fork_height_mm = 6            # legs above the upper clamp: more lowers the front
#: compression_clicks = 10       # from fully closed
#: rebound_clicks = 12
# For vibration and the damping balance
#: tyre_rate_n_per_mm = 170
#: tyre_damping_n_s_per_mm = 0.15
#: unsprung_mass_kg = 15         # wheel, tyre, brakes and lower legs

[front.sensor]                   # take the whole section out where the log has no such sensor
channel = "?"                    # its column in the log
zero = "?"                       # its signal with the fork fully extended
mm_per_unit = "?"                # travel of one volt or count, from its data sheet; negative where the signal falls
# In place of zero: from when to when of the log the wheels hung free, or the moments at which the end tops out
#| zero_interval_s = [2.0, 6.5]
#| zero_topped_out = true
# In place of zero and mm_per_unit, from the bench: pairs of signal and mm of fork travel
#| points = [[0.312, 0.0], [2.284, 60.0], [4.420, 125.0]]

# What works beside the coil, both legs
#: [front.spring]
#: top_out = { length_mm = 12, rate_n_per_mm = 20 }
#: bump_stop = { length_mm = 40, force_n = 600, power = 2.5 }
# air = { oil_level_mm = 110, bore_mm = 40, exponent = 1.2 }     # in place of such a bump stop
# second_rate_n_per_mm = 21                                     # dual-rate: from so much spring compression on
# second_from_mm = 80

#: [front.damper]                # both legs, along the legs
#: friction_n = 18
#: compression = { low_n_s_per_mm = 0.75, high_n_s_per_mm = 0.42, knee_mm_s = 150 }
#: rebound = { low_n_s_per_mm = 1.25, high_n_s_per_mm = 0.70, knee_mm_s = 150 }

#: [front.measured]              # with a tape, at the wheel
#: rider_sag_mm = 34

[rear]
shock_stroke_mm = "?"            # of the shock, from stop to stop
leverage_table_mm = "?"          # pairs of shock and vertical wheel travel: [[0, 0], [10, 19.7], [20, 38.8], ...]
#| leverage_points_mm = [[0, 0.4], [5, 10.1]]    # the same as measured, in any number: a smooth curve is fitted
# For sag
#: spring_rate_n_per_mm = 70
#: preload_mm = 12
#: tyre_radius_mm = 320
# For changes at the stand
#: shock_length_mm = 332         # eye to eye, extended
#: axle_back_mm = 0              # in the chain adjuster
#: compression_clicks = 12
#: rebound_clicks = 12
# For vibration and the damping balance
#: tyre_rate_n_per_mm = 180
#: tyre_damping_n_s_per_mm = 0.20
#: unsprung_mass_kg = 20

[rear.sensor]                    # as [front.sensor]; mm are those of the shock
channel = "?"
zero = "?"
mm_per_unit = "?"
#| zero_interval_s = [2.0, 6.5]
#| zero_topped_out = true
#| points = [[0.405, 0.0], [3.870, 70.0]]

#: [rear.spring]
#: top_out = { length_mm = 7, rate_n_per_mm = 115 }
#: bump_stop = { length_mm = 12, force_n = 3000, power = 2.0 }

#: [rear.damper]                 # along the shock
#: id = "R1"                     # engraved on it: "bothends damper R1 --logbook DIR" lists what it has been through
#: serviced = 2026-04-20         # the last time
#: friction_n = 15
#: compression = { low_n_s_per_mm = 3.8, high_n_s_per_mm = 2.4, knee_mm_s = 80 }
#: rebound = { low_n_s_per_mm = 6.8, high_n_s_per_mm = 3.9, knee_mm_s = 80 }
# dyno_file = "dyno.csv"         # in place of both: columns clicks, speed_mm_s, force_n

#: [rear.measured]
#: free_sag_mm = 11
#: rider_sag_mm = 31

# Points are [x, z] from an origin of your choice, x forward and z up, on its wheels with both ends extended.
#: [rear.swingarm]
#: pivot_mm = [0, 0]
#: axle_mm = [-566, -122]

#: [rear.chain]
#: front_sprocket_mm = [80, 20]
#: front_teeth = 16
#: rear_teeth = 42

# In place of leverage_table_mm: the linkage, here a rocker on the frame pulled by a rod from the swingarm
# [rear.linkage]
# kind = "rocker_on_frame"
# rod = "pull"
# rocker_pivot_mm = [-60.2, -64.0]
# rod_rocker_mm = [-104.9, -85.2]
# rod_swingarm_mm = [-192.2, 5.0]
# shock_rocker_mm = [-162.7, -72.0]
# shock_frame_mm = [-88.7, 251.7]
# [rear.mount_insert]               # insert at the upper shock mount
# moves = "shock_frame_mm"
# selected = "standard"
# positions = [{ name = "standard", offset_mm = [0, 0] }, { name = "high", offset_mm = [0, -3] }]

#: [chassis]                     # sprung part with rider and fuel: all but wheels, tyres, brakes and lower legs
#: sprung_mass_kg = 212
#: com_to_rear_axle_mm = 700     # centre of mass ahead of the rear axle, both ends extended
#: com_height_mm = 610           # above the ground
#: pitch_inertia_kg_m2 = 26      # for vibration only
#: rider = { mass_kg = 76, com_to_rear_axle_mm = 610, com_height_mm = 800 }    # for free and static sag
#: fuel = { mass_kg = 9, com_to_rear_axle_mm = 690, com_height_mm = 740 }

[channels]                       # columns of the log; each of them answers more questions
time = "time"
#| rate_hz = 200                 # in place of time, for a log without: samples a second
#: speed = "speed"
#: latitude = "latitude"
#: longitude = "longitude"
#: throttle = "throttle"
#: brake = "brake"
#: lean = "lean"
#: acceleration = "ax"           # along the motorcycle, forward positive
#: lap = "lap"                   # a lap counter
#: beacon = "beacon"             # a switch that closes at the line

# What one turn or click moves, and the maker's limits; for values that stand above
# [adjusters]
# "rear.preload_mm" = { per_turn = 1.0, min = 4, max = 22 }
# "rear.rebound_clicks" = { min = 4, max = 20 }

"""


@dataclass(frozen=True)
class Answer:
    """Known value of a key as TOML text, and its reason as a comment; ``value`` "" leaves the key out."""

    value: str
    why: str = ""


LEFT_OUT = Answer("")
LEFT_OPEN = Answer("", "left open")  # the key stays as a comment, for later


def toml_text(text: str) -> str:
    """A string as TOML."""
    return json.dumps(text, ensure_ascii=False)


def new_bike_text(answers: Mapping[str, Answer]) -> str:
    """A bike file (TOML) to fill in, in which ``"?"`` stands for what a review still needs.

    ``answers`` are by dotted key, such as ``front.stroke_mm``; by section to leave the whole of it out.
    """
    lines: list[str] = []
    section, skipped = "", False
    for line in _TEMPLATE.splitlines():
        if line.startswith("["):
            section = line[1 : line.index("]")] + "."
            skipped = answers.get(section[:-1]) == LEFT_OUT
        if skipped and line:
            continue
        skipped = False
        lines += _answered(line, section, answers)
    return "\n".join(lines) + "\n" + OTHER_KEYS


def _answered(line: str, section: str, answers: Mapping[str, Answer]) -> list[str]:
    """A line of the template as it stands in the new file."""
    shown = line.removeprefix(_OPTIONAL).removeprefix(_INSTEAD)
    key = shown.partition(" =")[0]
    answer = answers.get(section + key)
    if answer == LEFT_OUT:
        return []
    if answer == LEFT_OPEN:
        return [_with_comment(f"# {key} = ", f"{LEFT_OPEN.why}: {_comment(shown)}")]
    if answer is not None:
        return [_with_comment(f"{key} = {answer.value}", answer.why or _comment(shown))]
    if line.startswith(_OPTIONAL):
        return [_with_comment(f"#{shown.partition('#')[0].rstrip()}", _comment(shown))]
    return [f"# {shown}" if line.startswith(_INSTEAD) else line]


def _comment(line: str) -> str:
    return line.partition("#")[2].strip()


def _with_comment(line: str, comment: str) -> str:
    return f"{line:<32} # {comment}" if comment else line


def left_open(text: str) -> tuple[str, ...]:
    """Dotted keys of a bike file that are still to be filled in."""
    open_keys, section = [], ""
    for line in text.splitlines():
        if line.startswith("["):
            section = line[1 : line.index("]")] + "."
        name, equals, value = line.partition(" = ")
        if equals and not line.startswith("#") and value.startswith(f'"{TO_FILL_IN}"'):
            open_keys.append(section + name)
    return tuple(open_keys)
