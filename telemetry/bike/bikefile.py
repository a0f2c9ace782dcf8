"""The bike file: one motorcycle in TOML, checked when it is read.

Lengths are millimetres, spring and tyre rates N/mm, masses kg, angles degrees, damper rates N s/mm.
Fork springs, dampers and masses are given for the pair of legs. Keys that are not known are refused,
so that a misspelt one cannot be silently ignored. What is not in the minimum is in `sections` and `dyno`;
``fixtures/qb-6-stand.toml`` shows every key with a comment.
"""

from pathlib import Path
from typing import Annotated, Any, Self

import numpy as np
from pydantic import Field, ValidationError, model_validator

from telemetry.bike.dyno import Dyno, fitted_sides, read_dyno
from telemetry.bike.identity import WithIdentity
from telemetry.bike.mechanism import LinkageError
from telemetry.bike.sections import (
    Adjuster,
    Chain,
    Eccentric,
    FlipChip,
    Linkage,
    Load,
    Measured,
    MeasuredAt,
    NotNegative,
    Positive,
    Section,
    SpringParts,
    Swingarm,
)
from telemetry.bike.sensor import Sensor, with_bench_tables
from telemetry.errors import BikeFileError
from telemetry.tomlfile import complaints, read_toml

# Low/high speed split of damper speed at the shaft: a setting of the bike file. Common practice, no source.
FRONT_SPEED_SPLIT_MM_S = 150.0
REAR_SPEED_SPLIT_MM_S = 100.0


class DamperSide(Section):
    """One direction of a digressive damper: steep up to the knee, flatter above.

    F(v) = high v + (low - high) knee tanh(v / knee), with v the shaft speed.
    """

    low_n_s_per_mm: Positive
    high_n_s_per_mm: Positive
    knee_mm_s: Positive = 120.0


class Damper(Section):
    """Damper force, compression and rebound apart, and the friction of the seals.

    Instead of the two sides a dynamometer table: ``dyno`` with rows [clicks, speed mm/s, force N], or
    ``dyno_file`` with the columns clicks, speed_mm_s, force_n beside the bike file. Compression is positive in
    speed and force; clicks are those of the side that the speed's sign names, from fully closed. The two sides
    are then fitted to the table at ``compression_clicks`` and ``rebound_clicks``.
    """

    compression: DamperSide
    rebound: DamperSide
    friction_n: NotNegative = 0.0
    compression_clicks: NotNegative | None = None
    rebound_clicks: NotNegative | None = None
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
    """Either end. ``tyre_circumference_mm`` may be given for ``tyre_radius_mm``: what one turn rolls."""

    tyre_radius_mm: Positive
    spring_rate_n_per_mm: Positive
    preload_mm: NotNegative
    tyre_rate_n_per_mm: Positive | None = None
    tyre_damping_n_s_per_mm: NotNegative = 0.15
    unsprung_mass_kg: Positive | None = None
    damper: Damper | None = None
    sensor: Sensor | None = None
    spring: SpringParts | None = None
    measured: Measured | None = None

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


class Front(_EndSection):
    """The fork: stroke along the legs, rake from the vertical, offset of the axle from the steering axis.

    ``fork_height_mm`` is how far the legs stand out above the upper clamp: more lowers the front.
    """

    stroke_mm: Positive
    rake_deg: Annotated[float, Field(gt=0, lt=60)]
    fork_offset_mm: float
    fork_height_mm: float = 0.0
    speed_split_mm_s: Positive = FRONT_SPEED_SPLIT_MM_S


class Rear(_EndSection):
    """The rear: shock stroke, and one of three descriptions of its leverage.

    ``leverage_table_mm``: pairs (shock travel, vertical wheel travel), taken as they are. ``leverage_points_mm``:
    the same as measured with calliper and tape, in any number; a smooth, monotone curve is fitted. Or
    [rear.linkage] with [rear.swingarm]: the pivot coordinates.

    ``shock_length_mm`` is eye to eye at full extension. ``axle_back_mm`` is the axle's place in the chain adjuster,
    positive to the rear along the swingarm. [rear.swingarm] may also stand beside a table.
    """

    shock_stroke_mm: Positive
    leverage_table_mm: Annotated[tuple[tuple[float, float], ...], Field(min_length=2)] | None = None
    leverage_points_mm: Annotated[tuple[tuple[float, float], ...], Field(min_length=5)] | None = None
    swingarm: Swingarm | None = None
    linkage: Linkage | None = None
    shock_length_mm: Positive | None = None
    axle_back_mm: float = 0.0
    flip_chip: FlipChip | None = None
    eccentric: Eccentric | None = None
    chain: Chain | None = None
    speed_split_mm_s: Positive = REAR_SPEED_SPLIT_MM_S

    @model_validator(mode="after")
    def _one_description_of_the_leverage(self) -> Self:
        names = ("leverage_table_mm", "leverage_points_mm", "linkage")
        given = [name for name in names if getattr(self, name) is not None]
        if len(given) != 1:
            raise ValueError(f"needs exactly one of {', '.join(names)} (given: {', '.join(given) or 'none'})")
        for name, needed in (("linkage", "swingarm"), ("chain", "swingarm"), ("flip_chip", "linkage"),
                             ("eccentric", "swingarm")):  # fmt: skip
            if getattr(self, name) is not None and getattr(self, needed) is None:
                raise ValueError(f"{name} needs [rear.{needed}] as well")
        if self.eccentric and self.eccentric.moves == "pivot_mm" and self.linkage is None:
            raise ValueError("eccentric.moves = 'pivot_mm' needs [rear.linkage] as well")
        return self

    @model_validator(mode="after")
    def _table_rises_and_covers_the_stroke(self) -> Self:
        pairs = self.leverage_table_mm
        if pairs is None:
            return self
        for row, ((s0, w0), (s1, w1)) in enumerate(zip(pairs, pairs[1:], strict=False), start=2):
            if s1 <= s0 or w1 <= w0:
                raise ValueError(
                    f"leverage_table_mm row {row}: [{s1:g}, {w1:g}] does not rise above [{s0:g}, {w0:g}]; "
                    f"both columns must rise strictly (measured with noise? call it leverage_points_mm)"
                )
        if pairs[0] != (0.0, 0.0):
            raise ValueError(f"leverage_table_mm must start at [0, 0] (full extension), not {list(pairs[0])}")
        if pairs[-1][0] < self.shock_stroke_mm:
            raise ValueError(
                f"leverage_table_mm ends at {pairs[-1][0]:g} mm of shock travel, but shock_stroke_mm is "
                f"{self.shock_stroke_mm:g}; measure the table over the whole stroke"
            )
        return self


class Chassis(Section):
    """Sprung mass with rider, and where it is; needed for modes and simulation, not for a review.

    ``com_to_rear_axle_mm`` and ``com_height_mm`` place the centre of mass of the sprung part;
    ``pitch_inertia_kg_m2`` is about it. [chassis.rider] and [chassis.fuel] are parts of it and say where they sit:
    without the rider it is the motorcycle ready to ride, without both the motorcycle alone.
    """

    sprung_mass_kg: Positive
    com_to_rear_axle_mm: Positive
    com_height_mm: Positive
    pitch_inertia_kg_m2: Positive
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


class Channels(Section):
    """Columns of the log by what they mean. Only ``time`` is needed; all others help.

    ``acceleration`` is along the motorcycle, forward positive (ISO 8855).

    ``rate_hz`` stands in for a log that has no column of time.
    """

    time: str = "time"
    rate_hz: Positive | None = None
    speed: str | None = None
    latitude: str | None = None
    longitude: str | None = None
    throttle: str | None = None
    brake: str | None = None
    lean: str | None = None
    acceleration: str | None = None
    lap: str | None = None
    beacon: str | None = None


class Bike(Section):
    """One motorcycle, as its bike file describes it."""

    name: str
    wheelbase_mm: Positive
    front: Front
    rear: Rear
    chassis: Chassis | None = None
    channels: Channels = Channels()
    adjusters: dict[str, Adjuster] = {}
    measured_at: MeasuredAt = MeasuredAt()
    source: str = Field(default="bike", exclude=True)

    @model_validator(mode="after")
    def _parts_fit_together(self) -> Self:
        from telemetry.bike.rearend import rear_end

        for key in self.adjusters:
            if not isinstance(value_at(self, key), int | float):
                raise ValueError(f"adjusters: {key!r} is no number of this bike file")
        front, rear = self.front.sensor, self.rear.sensor
        if front is not None and rear is not None and front.channel.strip() == rear.channel.strip():
            raise ValueError(
                f"front.sensor.channel and rear.sensor.channel are both {front.channel!r}; each end has a column of "
                f"its own"
            )
        try:
            rear_end(self.rear, self.measured_at)
        except LinkageError as error:
            raise ValueError(f"rear.{'linkage' if self.rear.linkage else 'leverage'}: {error}") from None
        return self


def value_at(bike: Bike, key: str) -> Any:
    """The value at a dotted key such as ``rear.spring_rate_n_per_mm``, None where there is none.

    Parameters
    ----------
    bike : Bike
    key : str

    Returns
    -------
    Any
    """
    value: Any = bike
    for name in key.split("."):
        value = getattr(value, name, None) if isinstance(value, Section) else None
    return value


# pydantic's path names the kind of linkage, which is no key of the file
LINKAGE_KINDS = ("direct", "rocker_on_frame", "rocker_on_swingarm")


def _unknown_key(_: tuple[int | str, ...]) -> str:
    return "is not a key of a bike file; check the spelling"


def parse_bike(data: dict[str, Any], *, source: str = "bike") -> Bike:
    """Check a bike given as a dictionary.

    Parameters
    ----------
    data : dict
        The keys of a bike file.
    source : str
        Where it came from, for messages.

    Returns
    -------
    Bike

    Raises
    ------
    BikeFileError
        Naming the source, the key and what is allowed.
    """
    from telemetry.bike.swingarm_sensor import shaft_sensor

    try:
        bike = Bike.model_validate({**data, "source": source})
        return shaft_sensor(bike)
    except ValidationError as error:
        said = complaints(error, source, unknown_key=_unknown_key, no_keys=LINKAGE_KINDS)
        raise BikeFileError(said) from None
    except LinkageError as error:
        raise BikeFileError(f"{source}: rear.sensor: {error}.") from None


def load_bike(path: str | Path) -> Bike:
    """Read and check a bike file.

    Parameters
    ----------
    path : str or Path
        A TOML file.

    Returns
    -------
    Bike

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
