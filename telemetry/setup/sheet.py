"""The setup sheet: how the motorcycle stood when it went out, in TOML, checked when it is read.

Everything is optional: a sheet holds what the team writes down. Keys carry their unit; keys that are not
known are refused, so that a misspelt setting cannot be silently lost.
"""

from datetime import date as Date
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any, ClassVar

from pydantic import Field, ValidationError, field_validator

from telemetry.bike.sections import Section
from telemetry.errors import BikeFileError
from telemetry.tomlfile import file_error, read_toml

Text = Annotated[str, Field(max_length=2000)]


class _EndSettings(Section):
    """Settings that both ends have. Clicks and turns are counted from fully closed."""

    spring_rate_n_per_mm: float | None = None
    preload_mm: float | None = None
    compression_clicks: float | None = None
    rebound_clicks: float | None = None
    high_speed_compression_clicks: float | None = None
    high_speed_rebound_clicks: float | None = None
    free_sag_mm: float | None = None
    rider_sag_mm: float | None = None
    tyre: Text | None = None
    tyre_pressure_bar: float | None = None
    tyre_temperature_c: float | None = None
    oil_temperature_c: float | None = None


class FrontSettings(_EndSettings):
    """The fork. ``fork_height_mm`` is how far the legs stand out above the top clamp."""

    section: ClassVar[str] = "front"
    fork_height_mm: float | None = None
    fork_offset_mm: float | None = None
    oil_level_mm: float | None = None
    top_out_spring_mm: float | None = None


class RearSettings(_EndSettings):
    """The rear. ``shock_length_mm`` is between the eyes, fully extended."""

    section: ClassVar[str] = "rear"
    shock_length_mm: float | None = None
    ride_height_mm: float | None = None
    swingarm_length_mm: float | None = None
    linkage: Text | None = None


class SetupSheet(Section):
    """One setup sheet: the outing it belongs to, the conditions, and the settings of both ends."""

    name: Text | None = None
    date: Date | None = None
    place: Text | None = None
    rider: Text | None = None
    outing: Text | None = None
    notes: Text | None = None
    tyres: Text | None = None
    weather: Text | None = None
    air_temperature_c: float | None = None
    track_temperature_c: float | None = None
    fuel_l: float | None = None
    front: FrontSettings = FrontSettings()
    rear: RearSettings = RearSettings()
    source: str = Field(default="setup sheet", exclude=True)

    @field_validator("outing", mode="before")
    @classmethod
    def _outing_may_be_a_number(cls, value: object) -> object:
        return str(value) if isinstance(value, int) and not isinstance(value, bool) else value


_SECTIONS: dict[str, type[Section]] = {"front": FrontSettings, "rear": RearSettings}


def _unknown_key(loc: tuple[int | str, ...]) -> str:
    """What to say of a key that does not exist: the nearest one, or all of that section."""
    section = _SECTIONS.get(str(loc[0])) if len(loc) > 1 else SetupSheet
    allowed = [name for name in (section or SetupSheet).model_fields if name != "source"]
    near = get_close_matches(str(loc[-1]), allowed, n=1)
    hint = f"did you mean {near[0]}?" if near else f"allowed: {', '.join(allowed)}"
    return f"is not a key of a setup sheet; {hint}"


def parse_sheet(data: dict[str, Any], *, source: str = "setup sheet") -> SetupSheet:
    """Check a setup sheet given as a dictionary.

    Parameters
    ----------
    data : dict
        The keys of a setup sheet.
    source : str
        Where it came from, for messages.

    Raises
    ------
    BikeFileError
        Naming the source, the key and what is allowed.
    """
    if "source" in data:
        raise BikeFileError(f"{source}: source: {_unknown_key(('source',))}.")
    try:
        return SetupSheet.model_validate({**data, "source": source})
    except ValidationError as error:
        raise file_error(error, source, unknown_key=_unknown_key) from None


def load_sheet(path: str | Path) -> SetupSheet:
    """Read and check a setup sheet.

    Parameters
    ----------
    path : str or Path
        A TOML file.

    Raises
    ------
    BikeFileError
        If the file is missing, is not TOML, or a key is unknown or out of range.
    """
    path = Path(path)
    return parse_sheet(read_toml(path, what="setup sheet"), source=str(path))
