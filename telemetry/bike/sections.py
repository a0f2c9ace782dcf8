"""The sections of a bike file beyond its minimum: what a technician at the stand knows of the motorcycle.

Every class is one section and says what its keys mean. Points are [x, z] in millimetres in the chassis frame:
x forward and z up as the motorcycle stands on its wheels with both ends fully extended; the origin is free
(the swingarm pivot is handy), but the same for all points of the file.
"""

from math import hypot
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    ModelWrapValidatorHandler,
    PrivateAttr,
    ValidationInfo,
    field_validator,
    model_validator,
)
from pydantic_core import PydanticCustomError

from telemetry.bike.ranges import check_plausible
from telemetry.tomlfile import TO_FILL_IN

Point = tuple[float, float]
SWINGARM_LENGTH_MM = (200.0, 1000.0)  # common practice, no source


class Section(BaseModel):
    """A table of the file: keys that are not known are refused, numbers are plausible, values do not change.

    ``section`` is its name in `telemetry.bike.ranges`, where a key means something else in another section.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)
    section: ClassVar[str] = ""

    @field_validator("*", mode="after")
    @classmethod
    def _plausible(cls, value: Any, info: ValidationInfo) -> Any:
        if value == TO_FILL_IN:
            raise PydanticCustomError("unfilled", "to be filled in")  # worded where all faults are
        check_plausible(info.field_name or "", value, cls.section)
        return value


class NamesColumns(Section):
    """A table whose texts name columns of the log; a list of names serves logs that call one column differently."""

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
        """Every name that the file gives under a key; none where it gives none, or ``""``."""
        first = getattr(self, key)
        return (first, *self._others.get(key, ())) if first else ()


class AirColumn(Section):
    """Air enclosed in a fork above its oil: p V^exponent stays the same while it is compressed.

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
    """What works beside the coil of ``spring_rate_n_per_mm`` and ``preload_mm``; all along the shaft.

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
    """Shock straight between frame and swingarm: its two eyes."""

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
    """Rocker turning on the frame, moved by a rod from the swingarm.

    ``rocker_pivot_mm`` on the frame; the rod from ``rod_rocker_mm`` to ``rod_swingarm_mm``; the shock from
    ``shock_rocker_mm`` to ``shock_frame_mm`` (or to ``shock_swingarm_mm``). ``rod`` says whether the rod is
    pulled or pushed when the wheel rises, as a check of the points.
    """

    kind: Literal["rocker_on_frame"]
    rod_swingarm_mm: Point


class RockerOnSwingarm(_Rocker):
    """Rocker turning on the swingarm, held by a rod to the frame.

    ``rocker_pivot_mm`` on the swingarm; the rod from ``rod_rocker_mm`` to ``rod_frame_mm``; the shock from
    ``shock_rocker_mm`` to ``shock_frame_mm`` (or to ``shock_swingarm_mm``). ``rod`` says whether the rod is
    pulled or pushed when the wheel rises, as a check of the points.
    """

    kind: Literal["rocker_on_swingarm"]
    rod_frame_mm: Point


Linkage = Annotated[DirectShock | RockerOnFrame | RockerOnSwingarm, Field(discriminator="kind")]


class InsertPosition(Section):
    """A position of a mount insert: its name, and where it puts the point it moves against the first position."""

    name: str
    offset_mm: Point


class MountInsert(Section):
    """An insert that moves one point of the linkage: which, its positions, and the one ``selected``."""

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
    """An eccentric that carries the rear axle in the swingarm, or the swingarm pivot in the frame.

    ``angle_deg`` from forward, positive upwards at first; the point lies ``radius_mm`` from the middle.
    """

    moves: Literal["axle_mm", "pivot_mm"]
    radius_mm: float
    angle_deg: float


class Chain(Section):
    """Final drive: centre of the front sprocket, teeth, chain pitch (15.875 mm is 5/8 inch)."""

    front_sprocket_mm: Point
    front_teeth: Annotated[int, Field(ge=8, le=40)]
    rear_teeth: Annotated[int, Field(ge=20, le=90)]
    pitch_mm: float = 15.875


class Load(Section):
    """A part of the sprung mass of [chassis]: its mass and where it is, in the terms of [chassis]."""

    mass_kg: float
    com_to_rear_axle_mm: float
    com_height_mm: float


class Measured(Section):
    """Sags that were measured at this end, at the wheel, to check the file with."""

    free_sag_mm: float | None = None
    static_sag_mm: float | None = None
    rider_sag_mm: float | None = None


class Adjuster(Section):
    """How a value of the bike file is set: its change with one turn or click, and the maker's limits."""

    per_turn: float | None = None
    per_click: float | None = None
    min: float | None = None
    max: float | None = None


class MeasuredAt(Section):
    """What stood on the motorcycle when wheelbase, rake, centre of mass and points were measured.

    By default what the file says now. A length that is changed later leaves these as they were.
    """

    front_tyre_radius_mm: float | None = None
    rear_tyre_radius_mm: float | None = None
    fork_height_mm: float | None = None
    fork_offset_mm: float | None = None
    shock_length_mm: float | None = None
    axle_back_mm: float | None = None
    mount_insert: str | None = None
    eccentric_deg: float | None = None
