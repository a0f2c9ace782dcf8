"""The bike file: one motorcycle in TOML, checked when it is read.

A review needs a sensor at one end at least; every other key answers more, wheelbase, strokes, rake and leverage most.

Lengths are millimetres, spring and tyre rates N/mm, masses kg, angles degrees, damper rates N s/mm.
Fork springs, dampers and masses are given for the pair of legs. Unknown keys are refused,
so that a misspelt key is not ignored silently. Optional sections are in `sections` and `dyno`;
``fixtures/qb-6-stand.toml`` shows every key with a comment.
"""

from collections.abc import Iterator
from difflib import get_close_matches
from pathlib import Path
from typing import Any, ClassVar, Self, get_args

import numpy as np
from pydantic import Field, ValidationError, model_validator

from telemetry.arrays import ENDS, End, FloatArray
from telemetry.bike.dyno import read_dyno
from telemetry.bike.ends import DAMPER_CLICKS, LEVERAGE, LEVERAGES, LONGEST_STROKE_MM, Front, Rear
from telemetry.bike.leverage import LeverageCurve, LinkageError
from telemetry.bike.rearend import rear_end, shifts_mm
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
from telemetry.tomlfile import Key, file_error, read_toml

# pydantic's path names the kind of linkage, which is no key of the file
LINKAGE_KINDS = ("direct", "rocker_on_frame", "rocker_on_swingarm")
# Keys that are read into others before the file is checked.
# Of an open rake: between 20 and 30 degrees, which hardly a motorcycle leaves (common practice, no source), the wheel
# travel of the front is then right to 5 %.
USUAL_RAKE_DEG = 25.0
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
        ratio = float(curve.wheel_travel_mm(np.array([stroke]))[0]) / stroke
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

    Raises
    ------
    BikeFileError
        Naming every key that the bike file does not give; ``purpose`` says what needs them: "sag needs it".
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

    Raises
    ------
    BikeFileError
        Naming the source, the key and what is allowed.
    """
    try:
        bike = Bike.model_validate({"name": Path(source).stem, **_plain_adjusters(data), "source": source})
        return shaft_sensor(bike)
    except ValidationError as error:
        raise file_error(error, source, unknown_key=_unknown_key, no_keys=LINKAGE_KINDS) from None
    except LinkageError as error:
        raise BikeFileError(f"{source}: rear.sensor: {error}.") from None


def load_bike(path: str | Path, *, beside: bool = False) -> Bike:
    """Read and check a bike file (TOML).

    Parameters
    ----------
    beside : bool
        Whether the files it names have to lie beside it: so for a file that comes from elsewhere.

    Raises
    ------
    BikeFileError
        If the file is missing, is not TOML, or a key is missing, unknown or out of range.
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
    return float(leverage_curve(bike, end).wheel_travel_mm(np.array([stroke_mm(bike, end)]))[0])


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
    turn = (turn + np.pi) % (2 * np.pi) - np.pi
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
