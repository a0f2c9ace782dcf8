"""Optional sections of a bike file.

Each class is one section and documents its keys. Points are [x, z] in millimetres in the chassis frame:
x forward and z up as the motorcycle stands on its wheels with both ends fully extended; the origin is free
(the swingarm pivot is handy), but the same for all points of the file.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import hypot, isfinite
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    PrivateAttr,
    ValidationInfo,
    field_validator,
    model_validator,
)
from pydantic.functional_validators import ModelWrapValidatorHandler  # 2.10 has it here only
from pydantic_core import PydanticCustomError

from telemetry.constants import GRAVITY_M_S2
from telemetry.errors import BikeFileError
from telemetry.tomlfile import TO_FILL_IN

POUND_KG = 0.45359237  # exact
POUND_N_PER_INCH = POUND_KG * GRAVITY_M_S2 / 25.4  # N/mm of one lbf/in

Conversion = Callable[[float], float]


@dataclass(frozen=True)
class Range:
    """Least and largest plausible value, and their unit."""

    low: float
    high: float
    unit: str

    @property
    def middle(self) -> float:
        """Geometric mean of the limits if both are positive, else their arithmetic mean."""
        return (self.low * self.high) ** 0.5 if self.low > 0 else 0.5 * (self.low + self.high)

    def holds(self, value: float) -> bool:
        """True if a value lies within the limits, both included."""
        return self.low <= value <= self.high


_PLACE = Range(-3000, 3000, "mm")  # of a point in the chassis frame
_ANGLE = Range(-360, 360, "deg")
_CLICKS = Range(0, 100, "clicks")
_DAMPER = Range(0.01, 60, "N s/mm")
_TRAVEL = Range(-20, 500, "mm")
_SAG = Range(0, 250, "mm")

# By key, with its section in front if the key has another meaning there.
RANGES: Mapping[str, Range] = {
    "wheelbase_mm": Range(900, 2000, "mm"),
    "stroke_mm": Range(20, 350, "mm"),
    "shock_stroke_mm": Range(10, 350, "mm"),
    "rake_deg": Range(5, 50, "deg"),
    "fork_offset_mm": Range(-30, 120, "mm"),
    "fork_height_mm": Range(-50, 100, "mm"),
    "tyre_radius_mm": Range(150, 450, "mm"),
    "front_tyre_radius_mm": Range(150, 450, "mm"),
    "rear_tyre_radius_mm": Range(150, 450, "mm"),
    "front.spring_rate_n_per_mm": Range(5, 70, "N/mm"),
    "rear.spring_rate_n_per_mm": Range(12, 350, "N/mm"),
    "second_rate_n_per_mm": Range(3, 600, "N/mm"),
    "second_from_mm": Range(1, 300, "mm"),
    "preload_mm": Range(0, 80, "mm"),
    "tyre_rate_n_per_mm": Range(40, 600, "N/mm"),
    "tyre_damping_n_s_per_mm": Range(0, 5, "N s/mm"),
    "unsprung_mass_kg": Range(3, 60, "kg"),
    "speed_split_mm_s": Range(5, 1000, "mm/s"),
    "compression_clicks": _CLICKS,
    "rebound_clicks": _CLICKS,
    "high_speed_compression_clicks": _CLICKS,
    "high_speed_rebound_clicks": _CLICKS,
    "low_n_s_per_mm": _DAMPER,
    "high_n_s_per_mm": _DAMPER,
    "knee_mm_s": Range(2, 3000, "mm/s"),
    "friction_n": Range(0, 1000, "N"),
    "dyno.clicks": _CLICKS,
    "dyno.speed_mm_s": Range(-6000, 6000, "mm/s"),
    "dyno.force_n": Range(-30000, 30000, "N"),
    "gas_force_n": Range(0, 1500, "N"),
    "oil_level_mm": Range(5, 400, "mm"),
    "bore_mm": Range(10, 80, "mm"),
    "displacing_mm": Range(5, 80, "mm"),
    "pressure_bar": Range(0, 30, "bar"),
    "exponent": Range(1.0, 1.7, ""),
    "length_mm": Range(0.5, 200, "mm"),
    "rate_n_per_mm": Range(0.5, 1000, "N/mm"),
    "force_n": Range(10, 50000, "N"),
    "power": Range(1, 8, ""),
    "leverage_table_mm": _TRAVEL,
    "leverage_points_mm": _TRAVEL,
    "shock_length_mm": Range(100, 700, "mm"),
    "axle_back_mm": Range(-100, 100, "mm"),
    **dict.fromkeys(
        ("pivot_mm", "axle_mm", "shock_frame_mm", "shock_swingarm_mm", "rocker_pivot_mm", "rod_rocker_mm",
         "rod_swingarm_mm", "rod_frame_mm", "shock_rocker_mm", "front_sprocket_mm", "frame_mm", "swingarm_mm"),
        _PLACE,
    ),
    "offset_mm": Range(-60, 60, "mm"),
    "radius_mm": Range(0.5, 100, "mm"),
    "angle_deg": _ANGLE,
    "eccentric_deg": _ANGLE,
    "pitch_mm": Range(6, 26, "mm"),
    "points.mm": Range(-150, 1500, "mm"),
    "rate_hz": Range(1, 100000, "Hz"),
    "sprung_mass_kg": Range(30, 600, "kg"),
    "mass_kg": Range(0.1, 600, "kg"),
    "pitch_inertia_kg_m2": Range(1, 200, "kg m2"),
    "chassis.com_to_rear_axle_mm": Range(100, 1600, "mm"),
    "chassis.com_height_mm": Range(150, 1200, "mm"),
    "com_to_rear_axle_mm": Range(-500, 2000, "mm"),  # of rider and fuel
    "com_height_mm": Range(100, 2000, "mm"),
    "free_sag_mm": _SAG,
    "static_sag_mm": _SAG,
    "rider_sag_mm": _SAG,
    "per_turn": Range(0.01, 20, "of its unit"),
    "per_click": Range(0.001, 20, "of its unit"),
    # of a setup sheet only
    "tyre_pressure_bar": Range(0.3, 6, "bar"),
    "tyre_temperature_c": Range(-40, 200, "deg C"),
    "oil_temperature_c": Range(-40, 250, "deg C"),
    "top_out_spring_mm": Range(0, 200, "mm"),
    "ride_height_mm": Range(-500, 1500, "mm"),
    "swingarm_length_mm": Range(200, 1000, "mm"),
    "air_temperature_c": Range(-40, 70, "deg C"),
    "track_temperature_c": Range(-40, 100, "deg C"),
    "fuel_l": Range(0, 60, "l"),
}  # fmt: skip
# Any number is plausible: signals and times of the log, and limits, which have the range of the key they limit.
ANY_NUMBER = frozenset(("zero", "zero_interval_s", "supply_reference", "mm_per_unit", "min", "max"))
_COLUMNS: Mapping[str, tuple[str | None, ...]] = {  # of tables whose columns are different quantities
    "points": (None, "points.mm"),
    "dyno": ("dyno.clicks", "dyno.speed_mm_s", "dyno.force_n"),
}
# Units that a number may have been written in, and their conversion to the unit of the key.
_SLIPS: Mapping[str, tuple[tuple[str, Conversion], ...]] = {
    "mm": (("metres", lambda x: 1e3 * x), ("centimetres", lambda x: 10 * x), ("inches", lambda x: 25.4 * x)),
    "N/mm": (
        ("N/m", lambda x: 1e-3 * x),
        ("kgf/mm", lambda x: GRAVITY_M_S2 * x),
        ("lbf/in", lambda x: POUND_N_PER_INCH * x),
        ("N/in", lambda x: x / 25.4),
        ("N/cm", lambda x: 0.1 * x),
    ),
    "deg": (("radians", lambda x: 57.29577951308232 * x),),
    "kg": (("newtons", lambda x: x / GRAVITY_M_S2), ("pounds", lambda x: POUND_KG * x), ("grams", lambda x: 1e-3 * x)),
    "N s/mm": (("N s/m", lambda x: 1e-3 * x),),
    "mm/s": (("m/s", lambda x: 1e3 * x),),
    "N": (("kN", lambda x: 1e3 * x), ("kgf", lambda x: GRAVITY_M_S2 * x)),
    "bar": (("psi", lambda x: 0.0689476 * x), ("kPa", lambda x: 1e-2 * x), ("Pa", lambda x: 1e-5 * x)),
    "kg m2": (("kg cm2", lambda x: 1e-4 * x), ("kg mm2", lambda x: 1e-6 * x)),
}  # fmt: skip
_FROM_THE_HORIZONTAL = ("rake_deg", lambda x: 90 - x)


def range_of(name: str, section: str = "") -> Range | None:
    """Plausible range of a key such as ``wheelbase_mm``, None if any number is; it may depend on the section."""
    return RANGES.get(f"{section}.{name}") or RANGES.get(name)


def slip(name: str, value: float, limits: Range) -> str:
    """Question proposing the unit or sign in which an implausible value would make sense, "" if there is none.

    >>> slip("wheelbase_mm", 1.42, RANGES["wheelbase_mm"])
    'In metres? Then write 1420'
    >>> slip("wheelbase_mm", -3.0, RANGES["wheelbase_mm"])
    ''
    """
    ways = [(f"In {unit}", convert(value)) for unit, convert in _SLIPS.get(limits.unit, ())]
    if name == _FROM_THE_HORIZONTAL[0]:
        ways.append(("From the horizontal", _FROM_THE_HORIZONTAL[1](value)))
    ways.append(("With the wrong sign", -value))
    fitting = [(words, meant) for words, meant in ways if limits.holds(meant)]
    if not fitting or value == 0:
        return ""
    words, meant = min(fitting, key=lambda way: abs(way[1] - limits.middle))
    return f"{words}? Then write {meant:.4g}"


def implausible(name: str, value: float, section: str = "") -> str:
    """Reason why a value is implausible, "" if it is plausible: begins with "= ", no full stop. [unit of the key]"""
    limits = range_of(name, section)
    if limits is None or limits.holds(value):
        return ""
    unit = f" {limits.unit}" if limits.unit else ""
    meant = slip(name, value, limits)
    return (
        f"= {value:g} is not between {limits.low:g} and {limits.high:g}{unit}{'. ' if meant else ''}{meant}"
    )


def check_plausible(name: str, value: object, section: str = "") -> None:
    """Refuse an implausible number (in a table, the first) by `PydanticCustomError` of type "implausible"."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        _refuse(implausible(name, value, section))
    elif isinstance(value, tuple) and value and isinstance(value[0], tuple):
        for row, cells in enumerate(value, start=1):
            for column, cell in zip(_COLUMNS.get(name, (name,) * len(cells)), cells, strict=False):
                if column is not None and isinstance(cell, int | float):
                    _refuse(implausible(column, cell, section), f"row {row} ")
    elif isinstance(value, tuple):
        for cell in value:
            if isinstance(cell, int | float):
                _refuse(implausible(name, cell, section))


def _refuse(words: str, where: str = "") -> None:
    if words:
        text = f"{where}{words}".replace("{", "(").replace("}", ")")
        raise PydanticCustomError("implausible", text)


Point = tuple[float, float]
SWINGARM_LENGTH_MM = (200.0, 1000.0)  # common practice, no source


class Section(BaseModel):
    """A table of the file: refuses unknown keys and implausible numbers; immutable.

    ``section`` is its name in `RANGES`, for keys whose range depends on the section.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)
    section: ClassVar[str] = ""

    @field_validator("*", mode="after")
    @classmethod
    def _plausible(cls, value: Any, info: ValidationInfo) -> Any:
        if value == TO_FILL_IN:
            raise PydanticCustomError("unfilled", "to be filled in")  # file_error writes the message
        check_plausible(info.field_name or "", value, cls.section)
        return value


class NamesColumns(Section):
    """A table with column names of the log; a list holds the names used in several logs."""

    _others: dict[str, tuple[str, ...]] = PrivateAttr(default_factory=dict)

    @model_validator(mode="wrap")
    @classmethod
    def _first_of_several(cls, data: Any, handler: ModelWrapValidatorHandler[Self]) -> Self:
        several = {
            key: value
            for key, value in (data.items() if isinstance(data, dict) else ())
            if isinstance(value, list) and value and all(isinstance(name, str) for name in value)
        }
        made = handler({**data, **{key: names[0] for key, names in several.items()}} if several else data)
        made._others = {key: tuple(names[1:]) for key, names in several.items()}
        return made

    def names(self, key: str) -> tuple[str, ...]:
        """Every name given for a key, empty for none or ``""``."""
        first = getattr(self, key)
        return (first, *self._others.get(key, ())) if first else ()


class AirColumn(Section):
    """Enclosed air above the oil of a fork: p V^exponent is constant.

    ``oil_level_mm`` is the height of the air with the leg fully compressed and the spring out, ``bore_mm`` the
    inner diameter there, ``displacing_mm`` the diameter of what comes in while the leg shortens (the bore when
    not given), per leg. ``pressure_bar`` is above the atmosphere with the leg extended. ``exponent`` is 1.0 for
    air that keeps its temperature (standing) and 1.4 for bumps too quick for that; 1.2 lies between.
    """

    oil_level_mm: float
    bore_mm: float
    displacing_mm: float | None = None
    legs: Literal[1, 2] = 2
    pressure_bar: float = 0.0
    exponent: float = 1.2


class TopOut(Section):
    """Spring that takes up the last ``length_mm`` of the extension and works against the main spring."""

    length_mm: float
    rate_n_per_mm: float


class BumpStop(Section):
    """Rubber over the last ``length_mm`` of the stroke: force_n (depth / length) ^ power."""

    length_mm: float
    force_n: float
    power: float = 2.0


class SpringParts(Section):
    """Springs that act beside the coil, along the shaft.

    ``second_rate_n_per_mm`` takes over from ``second_from_mm`` of spring compression (preload and travel) on.
    ``gas_force_n`` is the steady push of a gas-charged damper on its rod.
    """

    second_rate_n_per_mm: float | None = None
    second_from_mm: float | None = None
    gas_force_n: float = 0.0
    air: AirColumn | None = None
    top_out: TopOut | None = None
    bump_stop: BumpStop | None = None

    @model_validator(mode="after")
    def _two_rates_need_their_meeting(self) -> Self:
        if (self.second_rate_n_per_mm is None) != (self.second_from_mm is None):
            raise ValueError("second_rate_n_per_mm and second_from_mm belong together; give both or none")
        return self


class Swingarm(Section):
    """Swingarm pivot and rear axle at full extension."""

    pivot_mm: Point
    axle_mm: Point

    @model_validator(mode="after")
    def _as_long_as_a_swingarm(self) -> Self:
        length_mm = hypot(self.axle_mm[0] - self.pivot_mm[0], self.axle_mm[1] - self.pivot_mm[1])
        if not SWINGARM_LENGTH_MM[0] <= length_mm <= SWINGARM_LENGTH_MM[1]:
            metres = SWINGARM_LENGTH_MM[0] <= 1e3 * length_mm <= SWINGARM_LENGTH_MM[1]
            raise ValueError(
                f"pivot_mm and axle_mm are {length_mm:.3g} mm apart, but a swingarm is {SWINGARM_LENGTH_MM[0]:g} to "
                f"{SWINGARM_LENGTH_MM[1]:g} mm long{'. In metres? Then write them in millimetres' if metres else ''}"
            )
        return self


class DirectShock(Section):
    """Two eyes of a shock between frame and swingarm."""

    kind: Literal["direct"]
    shock_frame_mm: Point
    shock_swingarm_mm: Point


class _Rocker(Section):
    rocker_pivot_mm: Point
    rod_rocker_mm: Point
    shock_rocker_mm: Point
    shock_frame_mm: Point | None = None
    shock_swingarm_mm: Point | None = None
    rod: Literal["pull", "push"] | None = None

    @model_validator(mode="after")
    def _one_far_eye(self) -> Self:
        if (self.shock_frame_mm is None) == (self.shock_swingarm_mm is None):
            raise ValueError("the other eye of the shock: give either shock_frame_mm or shock_swingarm_mm")
        return self


class RockerOnFrame(_Rocker):
    """Rocker turning on the frame at ``rocker_pivot_mm``, moved by a rod from the swingarm.

    The rod goes from ``rod_rocker_mm`` to ``rod_swingarm_mm``, the shock from ``shock_rocker_mm`` to ``shock_frame_mm``
    or ``shock_swingarm_mm``; ``rod`` is pulled or pushed as the wheel rises, as a check of the points.
    """

    kind: Literal["rocker_on_frame"]
    rod_swingarm_mm: Point


class RockerOnSwingarm(_Rocker):
    """Rocker on the swingarm, its rod from ``rod_rocker_mm`` to ``rod_frame_mm``; the rest as in `RockerOnFrame`."""

    kind: Literal["rocker_on_swingarm"]
    rod_frame_mm: Point


Linkage = Annotated[DirectShock | RockerOnFrame | RockerOnSwingarm, Field(discriminator="kind")]


class InsertPosition(Section):
    """Position of a mount insert: its name, and the offset of the moved point from the first position."""

    name: str
    offset_mm: Point


class MountInsert(Section):
    """Mount insert that moves one point of the linkage: the point, the positions, and the one ``selected``."""

    moves: Literal[
        "pivot_mm",
        "rocker_pivot_mm",
        "rod_frame_mm",
        "rod_swingarm_mm",
        "shock_frame_mm",
        "shock_swingarm_mm",
    ]
    selected: str
    positions: Annotated[tuple[InsertPosition, ...], Field(min_length=2)]

    @model_validator(mode="after")
    def _selected_is_one_of_them(self) -> Self:
        self.offset_mm(self.selected)
        return self

    def offset_mm(self, name: str) -> Point:
        """Offset of a position. [mm]"""
        for position in self.positions:
            if position.name == name:
                return position.offset_mm
        names = ", ".join(repr(position.name) for position in self.positions)
        raise ValueError(f"selected = {name!r} is none of its positions ({names})")


class Eccentric(Section):
    """An eccentric that carries the rear axle in the swingarm, or the swingarm pivot in the frame."""

    moves: Literal["axle_mm", "pivot_mm"]
    radius_mm: float  # of the point from the middle
    angle_deg: float  # from forward, positive upwards at first


class Chain(Section):
    """Final drive: centre of the front sprocket, teeth, chain pitch (15.875 mm is 5/8 inch)."""

    front_sprocket_mm: Point
    front_teeth: Annotated[int, Field(ge=8, le=40)]
    rear_teeth: Annotated[int, Field(ge=20, le=90)]
    pitch_mm: float = 15.875


class Load(Section):
    """A part of the sprung mass: its mass and centre, measured as in [chassis]."""

    mass_kg: float
    com_to_rear_axle_mm: float
    com_height_mm: float


class Measured(Section):
    """Measured wheel sags of this end, to check the bike file."""

    free_sag_mm: float | None = None
    static_sag_mm: float | None = None
    rider_sag_mm: float | None = None


class Adjuster(Section):
    """Adjuster of a value: change per turn or click, and the maker's limits."""

    per_turn: float | None = None
    per_click: float | None = None
    min: float | None = None
    max: float | None = None


class MeasuredAt(Section):
    """Settings when wheelbase, rake, centre of mass and points were measured; by default the current ones."""

    front_tyre_radius_mm: float | None = None
    rear_tyre_radius_mm: float | None = None
    fork_height_mm: float | None = None
    fork_offset_mm: float | None = None
    shock_length_mm: float | None = None
    axle_back_mm: float | None = None
    mount_insert: str | None = None
    eccentric_deg: float | None = None


BenchPoints = tuple[tuple[float, float], ...]
DATA_SHEET_MM = (-100.0, 500.0)  # a data sheet's scale holds over any travel: limits beyond every stroke
HOW_TO_CALIBRATE = (
    "needs points = [[signal, mm], ...] from the bench, or zero and mm_per_unit as on the sensor's data sheet"
)


class Sensor(NamesColumns):
    """A travel sensor: its column (or the names it has in several logs), and bench points or a data sheet's slope.

    ``points`` are pairs (signal, shaft travel [mm], 0 at full extension); ``table`` names a CSV of them beside the bike
    file; ``shape`` forces a line or a curve. ``mm_per_unit`` with a zero replaces points, negative where the signal
    falls under compression. Zero is the bench's unless ``zero`` (signal at full extension), ``zero_interval_s`` (wheels
    hung free) or ``zero_topped_out`` is given. ``supply`` is the column of the sensor's supply voltage,
    ``supply_reference`` its bench reading: a potentiometer's signal is corrected for it. Between frame and swingarm,
    mounted at ``frame_mm`` and ``swingarm_mm`` as in [rear.swingarm], points hold the distance of the mounts [mm]; with
    ``measures = "wheel"`` vertical wheel travel [mm].
    """

    channel: str
    points: Annotated[BenchPoints, Field(min_length=2)]
    mm_per_unit: float | None = None
    shape: Literal["line", "curve"] | None = None
    measures: Literal["shaft", "wheel"] = "shaft"
    zero: float | None = None
    zero_interval_s: tuple[float, float] | None = None
    zero_topped_out: bool = False
    supply: str | None = None
    supply_reference: float | None = None
    frame_mm: Point | None = None
    swingarm_mm: Point | None = None

    @model_validator(mode="before")
    @classmethod
    def _points_of_data_sheet(cls, data: Any) -> Any:
        if not isinstance(data, dict) or "points" in data and "mm_per_unit" not in data:
            return data
        if "mm_per_unit" not in data:
            raise ValueError(HOW_TO_CALIBRATE)
        if not isinstance(data["mm_per_unit"], int | float):  # the key's own validation gives the message
            return {"points": ((0.0, 0.0), (1.0, 1.0)), **data}
        scale, zero = data["mm_per_unit"], data.get("zero")
        if scale == 0 or not isfinite(scale):
            raise ValueError(f"mm_per_unit = {scale:g} makes no travel of any signal")
        if zero is None and data.get("zero_interval_s") is None and not data.get("zero_topped_out"):
            raise ValueError(
                "mm_per_unit needs zero as well: the signal at full extension (or zero_interval_s, or "
                "zero_topped_out = true)"
            )
        if data.get("frame_mm") is not None:
            raise ValueError("frame_mm needs points: pairs of signal and distance between the mounts")
        start = zero if isinstance(zero, int | float) else 0.0
        line = tuple((start + travel_mm / scale, travel_mm) for travel_mm in DATA_SHEET_MM)
        if "points" in data and tuple(map(tuple, data["points"])) != line:
            raise ValueError("give points or mm_per_unit, not both")
        return {**data, "points": line}

    @model_validator(mode="after")
    def _keys_go_together(self) -> Self:
        zeros = (self.zero is not None, self.zero_interval_s is not None, self.zero_topped_out)
        if sum(zeros) > 1:
            raise ValueError("give one of zero, zero_interval_s and zero_topped_out")
        if self.zero_interval_s is not None and not 0 <= self.zero_interval_s[0] < self.zero_interval_s[1]:
            raise ValueError(
                "zero_interval_s must be [from, to] in seconds of the log, the first the smaller"
            )
        if (self.supply is None) != (self.supply_reference is None):
            raise ValueError("supply and supply_reference belong together; give both or none")
        if self.measures == "wheel" and (self.frame_mm is not None or self.swingarm_mm is not None):
            raise ValueError("measures = 'wheel' needs no frame_mm and swingarm_mm; give one description")
        return self


def read_bench_table(path: Path) -> BenchPoints:
    """Bench points from a text table of signal and mm; `BikeFileError` names file and line.

    Separated by comma, semicolon or tab (then with a decimal comma too); headings above, and lines with #, are left
    out.
    """
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except OSError as error:
        raise BikeFileError(f"{path}: cannot be read ({error.strerror}); see table in [sensor].") from None
    except UnicodeDecodeError:
        raise BikeFileError(f"{path}: is not a text file; a bench table is CSV in UTF-8.") from None
    points: list[tuple[float, float]] = []
    for number, line in enumerate(lines, start=1):
        if not line.strip(" \t,;") or line.lstrip().startswith("#"):
            continue
        pair = _pair(line)
        if pair is not None:
            points.append(pair)
        elif points:
            raise BikeFileError(f"{path}, line {number}: {line.strip()[:40]!r} is not a pair: signal, mm.")
    if len(points) < 2:
        raise BikeFileError(
            f"{path}: holds {len(points)} pairs of numbers; a calibration needs two or more: signal, mm."
        )
    return tuple(points)


def _pair(line: str) -> tuple[float, float] | None:
    delimiter = next((mark for mark in ";\t" if mark in line), ",")
    cells = [cell.strip().strip('"') for cell in line.split(delimiter)]
    if delimiter != ",":
        cells = [cell.replace(",", ".") for cell in cells]
    cells = cells[:2] + [cell for cell in cells[2:] if cell]
    try:
        signal, travel = map(float, cells)
    except ValueError:
        return None
    return signal, travel
