"""The bike file: one motorcycle in TOML, checked when it is read.

A review needs wheelbase, strokes, rake, leverage and the two sensors; every other key answers more.

Lengths are millimetres, spring and tyre rates N/mm, masses kg, angles degrees, damper rates N s/mm.
Fork springs, dampers and masses are given for the pair of legs. Keys that are not known are refused,
so that a misspelt one cannot be silently ignored. What is not in the minimum is in `sections` and `dyno`;
``fixtures/qb-6-stand.toml`` shows every key with a comment.
"""

from collections.abc import Iterator, Sequence
from datetime import date
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any, ClassVar, Self, get_args

import numpy as np
from pydantic import Field, ValidationError, model_validator

from telemetry.bike.dyno import Dyno, fitted_sides, read_dyno
from telemetry.bike.leverage import BEYOND_MM, LeverageCurve, LinkageError
from telemetry.bike.sections import (
    Adjuster,
    Chain,
    Eccentric,
    Linkage,
    Load,
    Measured,
    MeasuredAt,
    MountInsert,
    NamesColumns,
    Section,
    Sensor,
    SpringParts,
    Swingarm,
    implausible,
    with_bench_tables,
)
from telemetry.errors import BikeFileError
from telemetry.tomlfile import Key, file_error, read_toml

_KEYS = ("id", "serviced")
_CURVE = ("compression", "rebound", "dyno", "dyno_file")


class DamperIdentity(Section):
    """The damper that is fitted: what is engraved on it or written on its label, and the day of its last service."""

    id: Annotated[str, Field(min_length=1)]
    serviced: date | None = None


class WithIdentity(Section):
    """An end whose damper has an identity, with or without its curve.

    In the file ``id`` and ``serviced`` stand in the damper's section; here they are in ``fitted``, so that a damper
    without a curve has one as well.
    """

    fitted: DamperIdentity | None = None

    @model_validator(mode="before")
    @classmethod
    def _identity_of_the_damper(cls, data: Any) -> Any:
        damper = data.get("damper") if isinstance(data, dict) else None
        if not isinstance(damper, dict) or not set(_KEYS) & set(damper):
            return data
        if "id" not in damper:
            raise ValueError("damper.serviced needs damper.id as well: which damper was it?")
        try:
            identity = DamperIdentity(**{key: damper[key] for key in _KEYS if key in damper})
        except ValidationError as error:
            wrong = error.errors()[0]["loc"][0]
            needed = "a name" if wrong == "id" else "a date such as 2026-05-01"
            raise ValueError(f"damper.{wrong} must be {needed}, not {damper[str(wrong)]!r}") from None
        rest = {key: value for key, value in damper.items() if key not in _KEYS}
        has_curve = any(key in rest for key in _CURVE)
        return {**data, "fitted": identity, "damper": rest if has_curve else None}


# Low/high speed split of damper speed at the shaft: a setting of the bike file. Common practice, no source.
FRONT_SPEED_SPLIT_MM_S = 150.0
REAR_SPEED_SPLIT_MM_S = 100.0
# A table that gives more wheel travel than this at full extension was counted from somewhere else. A choice of ours.
_EXTENDED_WITHIN_MM = 1.0
# Mean leverage ratio over the stroke: about 1 with the shock at the axle, 4 with one near the pivot; common practice,
# no source.
LEVERAGE = (0.9, 6.0)
DAMPER_CLICKS = ("compression_clicks", "rebound_clicks")


class DamperSide(Section):
    """One direction of a digressive damper: steep up to the knee, flatter above.

    F(v) = high v + (low - high) knee tanh(v / knee), with v the shaft speed.
    """

    low_n_s_per_mm: float
    high_n_s_per_mm: float
    knee_mm_s: float = 120.0


class Damper(Section):
    """Damper force, compression and rebound apart, and the friction of the seals.

    Instead of the two sides a dynamometer table: ``dyno`` with rows [clicks, speed mm/s, force N], or
    ``dyno_file`` with the columns clicks, speed_mm_s, force_n beside the bike file. Compression is positive in
    speed and force; clicks are those of the side that the speed's sign names, from fully closed. The two sides
    are then fitted to the table at ``compression_clicks`` and ``rebound_clicks``, which are written in [front] and
    [rear], as in a setup sheet; in [front.damper] and [rear.damper] they are understood as well.
    """

    compression: DamperSide
    rebound: DamperSide
    friction_n: float = 0.0
    compression_clicks: float | None = None
    rebound_clicks: float | None = None
    dyno: Dyno | None = None

    @model_validator(mode="before")
    @classmethod
    def _sides_from_dyno(cls, data: Any) -> Any:
        if isinstance(data, dict) and data.get("dyno") is not None:
            return {
                **data,
                **fitted_sides(data["dyno"], data.get("compression_clicks"), data.get("rebound_clicks")),
            }
        return data


class _EndSection(WithIdentity):
    """Either end. ``tyre_circumference_mm`` may be given for ``tyre_radius_mm``: what one turn rolls.

    Travel and speed need none of these; sag, geometry and damping do. Clicks are counted from fully closed.
    """

    tyre_radius_mm: float | None = None
    spring_rate_n_per_mm: float | None = None
    preload_mm: float | None = None
    compression_clicks: float | None = None
    rebound_clicks: float | None = None
    high_speed_compression_clicks: float | None = None
    high_speed_rebound_clicks: float | None = None
    tyre_rate_n_per_mm: float | None = None
    tyre_damping_n_s_per_mm: float = 0.15
    unsprung_mass_kg: float | None = None
    damper: Damper | None = None
    sensor: Sensor | None = None
    spring: SpringParts | None = None
    measured: Measured | None = None

    @model_validator(mode="before")
    @classmethod
    def _clicks_also_for_the_damper(cls, data: Any) -> Any:
        damper = data.get("damper") if isinstance(data, dict) else None
        if not isinstance(damper, dict):
            return data
        clicks = {key: data.get(key, damper.get(key)) for key in DAMPER_CLICKS}
        given = {key: value for key, value in clicks.items() if value is not None}
        return {**data, **given, "damper": {**damper, **given}}

    @model_validator(mode="before")
    @classmethod
    def _radius_from_circumference(cls, data: Any) -> Any:
        if not isinstance(data, dict) or data.get("tyre_circumference_mm") is None:
            return data
        data = dict(data)
        around = data.pop("tyre_circumference_mm")
        if "tyre_radius_mm" in data:
            raise ValueError("give tyre_radius_mm or tyre_circumference_mm, not both")
        return {**data, "tyre_radius_mm": around / (2 * np.pi) if isinstance(around, int | float) else around}

    @model_validator(mode="after")
    def _fits_its_stroke(self) -> Self:
        stroke_mm: float = getattr(self, "stroke_mm" if self.section == "front" else "shock_stroke_mm")
        if self.preload_mm is not None and self.preload_mm > stroke_mm:
            raise ValueError(
                f"preload_mm = {self.preload_mm:g} is more than the {stroke_mm:g} mm stroke: no spring is clamped by "
                f"more than its damper moves"
            )
        return self


class Front(_EndSection):
    """The fork: stroke along the legs, rake from the vertical, offset of the axle from the steering axis.

    ``fork_height_mm`` is how far the legs stand out above the upper clamp: more lowers the front.
    """

    section: ClassVar[str] = "front"
    stroke_mm: float
    rake_deg: float
    fork_offset_mm: float | None = None
    fork_height_mm: float = 0.0
    speed_split_mm_s: float = FRONT_SPEED_SPLIT_MM_S


class Rear(_EndSection):
    """The rear: shock stroke, and one of three descriptions of its leverage.

    ``leverage_table_mm``: pairs (shock travel, vertical wheel travel), taken as they are; a table may start below 0
    or end short of the stroke, and goes on straight past its ends. ``leverage_points_mm``: the same as measured with
    calliper and tape, in any number; a smooth, monotone curve is fitted. Or [rear.linkage] with [rear.swingarm]: the
    pivot coordinates.

    ``shock_length_mm`` is eye to eye at full extension. ``axle_back_mm`` is the axle's place in the chain adjuster,
    positive to the rear along the swingarm. [rear.swingarm] may also stand beside a table.
    """

    section: ClassVar[str] = "rear"
    shock_stroke_mm: float
    leverage_table_mm: Annotated[tuple[tuple[float, float], ...], Field(min_length=2)] | None = None
    leverage_points_mm: Annotated[tuple[tuple[float, float], ...], Field(min_length=5)] | None = None
    swingarm: Swingarm | None = None
    linkage: Linkage | None = None
    shock_length_mm: float | None = None
    axle_back_mm: float = 0.0
    mount_insert: MountInsert | None = None
    eccentric: Eccentric | None = None
    chain: Chain | None = None
    speed_split_mm_s: float = REAR_SPEED_SPLIT_MM_S

    @model_validator(mode="after")
    def _one_description_of_the_leverage(self) -> Self:
        names = ("leverage_table_mm", "leverage_points_mm", "linkage")
        given = [name for name in names if getattr(self, name) is not None]
        if len(given) != 1:
            raise ValueError(f"needs exactly one of {', '.join(names)} (given: {', '.join(given) or 'none'})")
        for name, needed in (("linkage", "swingarm"), ("chain", "swingarm"), ("mount_insert", "linkage"),
                             ("eccentric", "swingarm")):  # fmt: skip
            if getattr(self, name) is not None and getattr(self, needed) is None:
                raise ValueError(f"{name} needs [rear.{needed}] as well")
        if self.eccentric and self.eccentric.moves == "pivot_mm" and self.linkage is None:
            raise ValueError("eccentric.moves = 'pivot_mm' needs [rear.linkage] as well")
        return self

    @model_validator(mode="after")
    def _columns_are_shock_and_wheel(self) -> Self:
        for name in ("leverage_table_mm", "leverage_points_mm"):
            if hint := table_slip(getattr(self, name) or ()):
                raise ValueError(f"{name}: {hint}")
        return self

    @model_validator(mode="after")
    def _table_rises_through_full_extension(self) -> Self:
        pairs = self.leverage_table_mm
        if pairs is None:
            return self
        for row, ((s0, w0), (s1, w1)) in enumerate(zip(pairs, pairs[1:], strict=False), start=2):
            if s1 <= s0 or w1 <= w0:
                raise ValueError(
                    f"leverage_table_mm row {row}: [{s1:g}, {w1:g}] does not rise above [{s0:g}, {w0:g}]; "
                    f"both columns must rise strictly (measured with noise? call it leverage_points_mm)"
                )
        shaft, wheel = np.array(pairs).T
        if shaft[0] > BEYOND_MM or shaft[-1] < 0.5 * self.shock_stroke_mm:
            raise ValueError(
                f"leverage_table_mm goes from {shaft[0]:g} to {shaft[-1]:g} mm of shock travel, but shock_stroke_mm "
                f"is {self.shock_stroke_mm:g}; measure the table over the whole stroke, in mm"
            )
        extended = float(LeverageCurve(tuple(shaft), tuple(wheel)).wheel_travel_mm(np.zeros(1))[0])
        if abs(extended) > _EXTENDED_WITHIN_MM:
            raise ValueError(
                f"leverage_table_mm must go through [0, 0] (full extension), but gives {extended:.1f} mm of wheel "
                f"travel at 0 mm of shock travel; count both columns from full extension"
            )
        return self


# At a road-race rear the wheel moves 1.6 to 2.1 times as far as the shock (common practice); wider here, for other
# linkages. A ratio below 1 throughout whose inverse lies within is a table with its columns the other way about.
USUAL_RATIO = (1.2, 3.5)
LEAST_RATIO = 0.9
# No shock is so short. [mm]
LEAST_STROKE_MM = 1.0


def table_slip(pairs: Sequence[tuple[float, float]]) -> str:
    """What was probably written wrong in a leverage table that no motorcycle has; "" where it may be one, or is none.

    Parameters
    ----------
    pairs : sequence of (shock, wheel)
        [mm]
    """
    if not pairs:
        return ""
    shock, wheel = (abs(pairs[-1][k] - pairs[0][k]) for k in (0, 1))
    if 0.0 < max(shock, wheel) < LEAST_STROKE_MM:
        return (
            f"its last row is [{pairs[-1][0]:g}, {pairs[-1][1]:g}]: this looks like metres; write millimetres"
        )
    if (
        shock > 0.0
        and wheel > 0.0
        and wheel / shock < LEAST_RATIO
        and USUAL_RATIO[0] < shock / wheel < USUAL_RATIO[1]
    ):
        return (
            f"its wheel travel is only {wheel / shock:.2f} times its shock travel, where {USUAL_RATIO[0]:g} to "
            f"{USUAL_RATIO[1]:g} is usual: the columns are probably the other way about. Write [shock, wheel]"
        )
    return ""


class Chassis(Section):
    """Sprung mass with rider, and where it is; needed for sag, modes and simulation, not for a review.

    ``com_to_rear_axle_mm`` and ``com_height_mm`` place the centre of mass of the sprung part;
    ``pitch_inertia_kg_m2`` is about it, and needed for modes and simulation only. [chassis.rider] and [chassis.fuel]
    are parts of it and say where they sit: without the rider it is the motorcycle ready to ride, without both the
    motorcycle alone.
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
    """Columns of the log by what they mean: a name, or a list of the names it has in several logs.

    Only ``time`` is needed; all others help. One that is not named is used where its name, unit and behaviour leave no
    doubt; ``""`` says that none is to be used. ``acceleration`` is along the motorcycle, forward positive (ISO 8855).

    ``rate_hz`` stands in for a log that has no column of time.
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
    """Columns of the log that hold conditions, in any unit; they stand beside the difference of two runs."""

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
    """One motorcycle, as its bike file describes it."""

    name: str
    wheelbase_mm: float
    front: Front
    rear: Rear
    chassis: Chassis | None = None
    channels: Channels = Channels()
    conditions: Conditions = Conditions()
    adjusters: dict[str, Adjuster] = {}
    measured_at: MeasuredAt = MeasuredAt()
    source: str = Field(default="bike", exclude=True)

    @model_validator(mode="after")
    def _parts_fit_together(self) -> Self:
        from telemetry.bike.rearend import rear_end

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
        stroke = self.rear.shock_stroke_mm
        low, high = LEVERAGE
        ratio = float(curve.wheel_travel_mm(np.array([stroke]))[0]) / stroke
        if not low <= ratio <= high:
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
    """The numbers at some keys, for something that cannot be without them.

    Parameters
    ----------
    *keys : str
        Dotted: ``front.spring_rate_n_per_mm``.
    purpose : str
        What needs them, for the message: "sag needs it".

    Raises
    ------
    BikeFileError
        Naming every key that the bike file does not give.
    """
    values = [value_at(bike, key) for key in keys]
    lacking = [key for key, value in zip(keys, values, strict=True) if value is None]
    if lacking:
        raise BikeFileError(f"{bike.source}: lacks {', '.join(lacking)}; {purpose}.")
    return tuple(float(value) for value in values)


# pydantic's path names the kind of linkage, which is no key of the file
LINKAGE_KINDS = ("direct", "rocker_on_frame", "rocker_on_swingarm")


# Keys that are read into others before the file is checked.
_OTHER_KEYS = {"sensor": ("table",), "damper": ("dyno_file",), "front": ("tyre_circumference_mm",)}
_OTHER_KEYS["rear"] = _OTHER_KEYS["front"]


def plain_key(key: str) -> str:
    """A key as the bike file, the setup sheet and ``--change`` have it: clicks are those of an end.

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
    """Every section that the type of a field is made of."""
    if isinstance(kind, type) and issubclass(kind, Section):
        yield kind
    else:
        for part in get_args(kind):
            yield from _sections(part)


def _allowed(path: Key) -> list[str]:
    """Keys that may stand in a section, given by its path; none where there is no such section."""
    sections: set[type[Section]] = {Bike}
    for name in path:
        fields = [each.model_fields[str(name)] for each in sections if str(name) in each.model_fields]
        if fields:
            sections = {inner for field in fields for inner in _sections(field.annotation)}
        elif name not in LINKAGE_KINDS and not isinstance(name, int) and "adjusters" not in path:
            return []
    return [name for each in sections for name in each.model_fields if name != "source"]


def _unknown_key(loc: Key) -> str:
    """What to say of a key that does not exist: the nearest one of its section."""
    others = _OTHER_KEYS.get(str(loc[-2]), ()) if len(loc) > 1 else ()
    near = get_close_matches(str(loc[-1]), [*_allowed(loc[:-1]), *others], n=1)
    return f"is not a key of a bike file; {f'did you mean {near[0]}?' if near else 'check the spelling'}"


def why_no_key(key: str) -> str:
    """Why a dotted key is none of a bike file; "" where it is one.

    Examples
    --------
    >>> why_no_key("rear.prelod_mm"), why_no_key("rear.preload_mm")
    ('is not a key of a bike file; did you mean preload_mm?', '')
    """
    path = tuple(key.split("."))
    others = _OTHER_KEYS.get(path[-2], ()) if len(path) > 1 else ()
    return "" if path[-1] in (*_allowed(path[:-1]), *others) else _unknown_key(path)


def parse_bike(data: dict[str, Any], *, source: str = "bike") -> Bike:
    """Check a bike given as a dictionary.

    Parameters
    ----------
    data : dict
        The keys of a bike file.
    source : str
        Where it came from, for messages.

    Raises
    ------
    BikeFileError
        Naming the source, the key and what is allowed.
    """
    from telemetry.bike.rearend import shaft_sensor

    try:
        bike = Bike.model_validate({"name": Path(source).stem, **_plain_adjusters(data), "source": source})
        return shaft_sensor(bike)
    except ValidationError as error:
        raise file_error(error, source, unknown_key=_unknown_key, no_keys=LINKAGE_KINDS) from None
    except LinkageError as error:
        raise BikeFileError(f"{source}: rear.sensor: {error}.") from None


def load_bike(path: str | Path) -> Bike:
    """Read and check a bike file.

    Parameters
    ----------
    path : str or Path
        A TOML file.

    Raises
    ------
    BikeFileError
        If the file is missing, is not TOML, or a key is missing, unknown or out of range.
    """
    path = Path(path)
    data = read_toml(path, what="bike file")
    data = with_bench_tables(data, path.parent)
    return parse_bike(_with_dyno_files(data, path), source=str(path))


def _with_dyno_files(data: dict[str, Any], path: Path) -> dict[str, Any]:
    """The keys with every ``dyno_file`` read; it stands beside the bike file."""
    data = dict(data)
    for end in ("front", "rear"):
        damper = data.get(end, {}).get("damper") if isinstance(data.get(end), dict) else None
        if isinstance(damper, dict) and "dyno_file" in damper:
            damper = dict(damper)
            damper["dyno"] = read_dyno(path.parent / str(damper.pop("dyno_file")))
            data[end] = {**data[end], "damper": damper}
    return data
