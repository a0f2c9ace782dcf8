"""The bike file: one motorcycle in TOML, checked when it is read.

Lengths are millimetres, spring and tyre rates N/mm, masses kg, angles degrees, damper rates N s/mm.
Fork springs, dampers and masses are given for the pair of legs. Keys that are not known are refused,
so that a misspelt one cannot be silently ignored.
"""

import tomllib
from pathlib import Path
from typing import Annotated, Any, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from telemetry.errors import BikeFileError

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]

# Low/high speed split of damper speed at the shaft: a setting of the bike file. Common practice, no source.
FRONT_SPEED_SPLIT_MM_S = 150.0
REAR_SPEED_SPLIT_MM_S = 100.0


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Sensor(_Section):
    """A travel sensor: its column in the log and its bench points.

    ``points`` are pairs (signal as logged, damper shaft travel [mm], 0 at full extension). ``zero`` is the
    signal logged at full extension on the bike; when given, it shifts the curve so that this signal is 0 mm.
    """

    channel: str
    points: Annotated[tuple[tuple[float, float], ...], Field(min_length=2)]
    zero: float | None = None


class DamperSide(_Section):
    """One direction of a digressive damper: steep up to the knee, flatter above.

    F(v) = high v + (low - high) knee tanh(v / knee), with v the shaft speed.
    """

    low_n_s_per_mm: Positive
    high_n_s_per_mm: Positive
    knee_mm_s: Positive = 120.0


class Damper(_Section):
    """Damper force, compression and rebound apart, and the friction of the seals."""

    compression: DamperSide
    rebound: DamperSide
    friction_n: NotNegative = 0.0


class _EndSection(_Section):
    tyre_radius_mm: Positive
    spring_rate_n_per_mm: Positive
    preload_mm: NotNegative
    tyre_rate_n_per_mm: Positive | None = None
    tyre_damping_n_s_per_mm: NotNegative = 0.15
    unsprung_mass_kg: Positive | None = None
    damper: Damper | None = None
    sensor: Sensor | None = None


class Front(_EndSection):
    """The fork: stroke along the legs, rake from the vertical, offset of the axle from the steering axis."""

    stroke_mm: Positive
    rake_deg: Annotated[float, Field(gt=0, lt=60)]
    fork_offset_mm: float
    speed_split_mm_s: Positive = FRONT_SPEED_SPLIT_MM_S


class Rear(_EndSection):
    """The rear: shock stroke, and the measured table of shock against vertical wheel travel."""

    shock_stroke_mm: Positive
    leverage_table_mm: Annotated[tuple[tuple[float, float], ...], Field(min_length=2)]
    speed_split_mm_s: Positive = REAR_SPEED_SPLIT_MM_S

    @model_validator(mode="after")
    def _table_rises_and_covers_the_stroke(self) -> Self:
        pairs = self.leverage_table_mm
        for row, ((s0, w0), (s1, w1)) in enumerate(zip(pairs, pairs[1:], strict=False), start=2):
            if s1 <= s0 or w1 <= w0:
                raise ValueError(
                    f"leverage_table_mm row {row}: [{s1:g}, {w1:g}] does not rise above [{s0:g}, {w0:g}]; "
                    f"both columns must rise strictly"
                )
        if pairs[0] != (0.0, 0.0):
            raise ValueError(f"leverage_table_mm must start at [0, 0] (full extension), not {list(pairs[0])}")
        if pairs[-1][0] < self.shock_stroke_mm:
            raise ValueError(
                f"leverage_table_mm ends at {pairs[-1][0]:g} mm of shock travel, but shock_stroke_mm is "
                f"{self.shock_stroke_mm:g}; measure the table over the whole stroke"
            )
        return self


class Chassis(_Section):
    """Sprung mass with rider, and where it is; needed for modes and simulation, not for a review.

    ``com_to_rear_axle_mm`` and ``com_height_mm`` place the centre of mass of the sprung part;
    ``pitch_inertia_kg_m2`` is about it.
    """

    sprung_mass_kg: Positive
    com_to_rear_axle_mm: Positive
    com_height_mm: Positive
    pitch_inertia_kg_m2: Positive


class Channels(_Section):
    """Columns of the log by what they mean. Only ``time`` is needed; all others help."""

    time: str = "time"
    speed: str | None = None
    latitude: str | None = None
    longitude: str | None = None
    throttle: str | None = None
    brake: str | None = None
    lean: str | None = None
    lap: str | None = None
    beacon: str | None = None


class Bike(_Section):
    """One motorcycle, as its bike file describes it."""

    name: str
    wheelbase_mm: Positive
    front: Front
    rear: Rear
    chassis: Chassis | None = None
    channels: Channels = Channels()
    source: str = Field(default="bike", exclude=True)


def _one_line(error: ValidationError, source: str) -> str:
    """The first few complaints as one line: key, what is allowed, what was given."""
    parts = []
    for item in error.errors()[:3]:
        key = ".".join(str(part) for part in item["loc"]) or "file"
        message = item["msg"].removeprefix("Value error, ")
        if item["type"] == "extra_forbidden":
            message = "is not a key of a bike file; check the spelling"
        elif item["type"] == "missing":
            message = "is missing"
        elif not isinstance(item["input"], dict):
            message = f"{message} (given: {str(item['input'])[:60]})"
        parts.append(f"{key}: {message}")
    more = f"; and {error.error_count() - 3} more" if error.error_count() > 3 else ""
    return f"{source}: {'; '.join(parts)}{more}."


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
    try:
        return Bike.model_validate({**data, "source": source})
    except ValidationError as error:
        raise BikeFileError(_one_line(error, source)) from None


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
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise BikeFileError(f"{path}: no such bike file; check the path after --bike.") from None
    except OSError as error:
        raise BikeFileError(f"{path}: cannot be read ({error.strerror}).") from None
    except UnicodeDecodeError:
        raise BikeFileError(f"{path}: is not a text file; a bike file is TOML in UTF-8.") from None
    except tomllib.TOMLDecodeError as error:
        raise BikeFileError(f"{path}: is not valid TOML ({error}).") from None
    return parse_bike(data, source=str(path))
