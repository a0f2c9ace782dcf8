"""The setup sheet: settings of the motorcycle for an outing, in TOML, checked when it is read.

Everything is optional: a sheet holds what the team writes down. Keys carry their unit; keys that are not
known are refused, so that a misspelt setting cannot be silently lost.
"""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date as Date
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field, ValidationError, field_validator

from telemetry.arrays import ENDS
from telemetry.bike import Section
from telemetry.errors import BikeFileError
from telemetry.summary import Summary
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
    """Check a setup sheet given as the keys of its file; ``source`` is where it came from, for messages.

    `BikeFileError` names the source, the key and what is allowed.
    """
    if "source" in data:
        raise BikeFileError(f"{source}: source: {_unknown_key(('source',))}.")
    try:
        return SetupSheet.model_validate({**data, "source": source})
    except ValidationError as error:
        raise file_error(error, source, unknown_key=_unknown_key) from None


def load_sheet(path: str | Path) -> SetupSheet:
    """Read and check a setup sheet (TOML).

    `BikeFileError` if the file is missing, is not TOML, or a key is unknown or out of range.
    """
    path = Path(path)
    return parse_sheet(read_toml(path, what="setup sheet"), source=str(path))


def sheet_text(data: Mapping[str, Any]) -> str:
    """A setup sheet as TOML, from keys as `parse_sheet` takes them; what is None is not written."""
    lines = [
        f"{key} = {_toml(value)}"
        for key, value in data.items()
        if not isinstance(value, dict) and value is not None
    ]
    for end in ENDS:
        written_down = {key: value for key, value in data.get(end, {}).items() if value is not None}
        if written_down:
            lines += ["", f"[{end}]", *(f"{key} = {_toml(value)}" for key, value in written_down.items())]
    return "\n".join(lines) + "\n"


def _toml(value: object) -> str:
    if isinstance(value, Date):
        return value.isoformat()
    return f"{value:.10g}" if isinstance(value, int | float) else json.dumps(str(value), ensure_ascii=False)


def sheet_settings(sheet: SetupSheet) -> dict[str, Any]:
    """Keys of a sheet as `sheet_text` takes them."""
    data = sheet.model_dump(exclude_none=True, exclude={"source"})
    return {key: value for key, value in data.items() if value != {}}


NOT_WRITTEN = "not written down"

# Keys that say which outing it was, not how the bike stood.
_LABELS = frozenset({"name", "date", "outing", "notes", "source", "front", "rear"})
# Of an end, but nothing that is set with a spanner: what comes of the ride, and what was measured at the stand.
_TEMPERATURES = frozenset({"tyre_temperature_c", "oil_temperature_c"})
_MEASURED = frozenset({"free sag", "rider sag"})
ChangeKind = Literal["setting", "condition", "bike file"]
_UNITS = (
    ("_n_per_mm", "N/mm"), ("_mm_s", "mm/s"), ("_mm", "mm"), ("_deg", "deg"), ("_kg", "kg"), ("_bar", "bar"),
    ("_c", "°C"), ("_l", "L"),
)  # fmt: skip


@dataclass(frozen=True)
class Change:
    """One thing that differs. ``before`` and ``after`` are as a person would write them, with unit.

    Conditions are what nobody turns a spanner for: rider, place, tyres, weather, fuel.
    """

    what: str
    before: str
    after: str
    kind: ChangeKind = "setting"


def worded(key: str) -> tuple[str, str]:
    """Key of a sheet or bike file -> what a person calls it, and its unit."""
    found = next(((suffix, unit) for suffix, unit in _UNITS if key.endswith(suffix)), ("", ""))
    return key.removesuffix(found[0]).replace("_", " ").replace(".", " "), found[1]


def _written(sheet: SetupSheet) -> Iterator[tuple[str, str, ChangeKind]]:
    """Every setting and condition with what is written for it."""
    for where, part in (("", sheet), *((end, getattr(sheet, end)) for end in ENDS)):
        for key in type(part).model_fields:
            if where == "" and key in _LABELS:
                continue
            words, unit = worded(key)
            value = getattr(part, key)
            text = f"{value:g}" if isinstance(value, float) else str(value)
            written = NOT_WRITTEN if value is None else f"{text} {unit}".strip()
            kind: ChangeKind = "setting" if where and key not in _TEMPERATURES else "condition"
            yield f"{where} {words}".strip(), written, kind


def written(sheet: SetupSheet) -> tuple[tuple[str, str], ...]:
    """Everything a sheet says, in its order: what, and how it is written with its unit."""
    labels = [(key, getattr(sheet, key)) for key in ("name", "date", "outing", "notes")]
    settings = [(what, value) for what, value, _ in _written(sheet) if value != NOT_WRITTEN]
    return (*((key, str(value)) for key, value in labels if value is not None), *settings)


def settings(sheet: SetupSheet) -> dict[str, str]:
    """Settings that a sheet writes down, by what they are; without conditions and measured sag."""
    return {
        what: value
        for what, value, kind in _written(sheet)
        if kind == "setting" and value != NOT_WRITTEN and what.partition(" ")[2] not in _MEASURED
    }


def changes(sheet_a: SetupSheet, sheet_b: SetupSheet) -> tuple[Change, ...]:
    """What differs between two sheets, before and after, in the order of the sheet.

    Only what both sheets write down can differ (`written_on_one` are the others). Names, dates and notes are not
    settings and are left out.
    """
    pairs = zip(_written(sheet_a), _written(sheet_b), strict=True)
    return tuple(
        Change(what, before, after, kind)
        for (what, before, kind), (_, after, _) in pairs
        if before != after and NOT_WRITTEN not in (before, after)
    )


def written_on_one(sheet_a: SetupSheet, sheet_b: SetupSheet) -> tuple[str, ...]:
    """What only one of two sheets writes down: whether it differs is not known."""
    pairs = zip(_written(sheet_a), _written(sheet_b), strict=True)
    return tuple(
        what
        for (what, before, _), (_, after, _) in pairs
        if (before == NOT_WRITTEN) != (after == NOT_WRITTEN)
    )


def bike_file_changes(values_a: Mapping[str, float], values_b: Mapping[str, float]) -> tuple[Change, ...]:
    """Differences of the bike files (``Summary.bike_values``) of two reviews, in what both hold."""
    found = []
    for key in values_a:
        if key in values_b:
            what, unit = worded(key)
            before, after = (f"{values[key]:g} {unit}".strip() for values in (values_a, values_b))
            if before != after:
                found.append(Change(what, before, after, "bike file"))
    return tuple(found)


_OF_RUN = (
    ("track_temperature", "track_temperature_c", "°C"),
    ("air_temperature", "air_temperature_c", "°C"),
    ("fuel", "fuel_l", "L"),
)
_OF_END = (
    ("tyre_pressure", "tyre_pressure_bar", "bar"),
    ("tyre_temperature", "tyre_temperature_c", "°C"),
    ("oil_temperature", "oil_temperature_c", "°C"),
)


@dataclass(frozen=True)
class Condition:
    """One condition before and after; None where it is not known. ``source`` is where it is from."""

    what: str
    unit: str
    before: float | None
    after: float | None
    source: str


def conditions(
    a: Summary, b: Summary, sheet_a: SetupSheet | None, sheet_b: SetupSheet | None
) -> tuple[Condition, ...]:
    """Conditions that at least one of the runs has: those written down, then those logged."""
    keys = [(name, "", key, unit) for name, key, unit in _OF_RUN]
    keys += [(f"{end}_{name}", end, key, unit) for end in ENDS for name, key, unit in _OF_END]
    written = [
        Condition(
            name.replace("_", " "),
            unit,
            _condition_written(sheet_a, end, key),
            _condition_written(sheet_b, end, key),
            "setup sheet",
        )
        for name, end, key, unit in keys
    ]
    logged = [condition for name, *_ in keys for condition in _logged(a, b, name)]
    return tuple(each for each in (*written, *logged) if (each.before, each.after) != (None, None))


def _condition_written(sheet: SetupSheet | None, end: str, key: str) -> float | None:
    if sheet is None:
        return None
    value: float | None = getattr(getattr(sheet, end) if end else sheet, key)
    return value


def _logged(a: Summary, b: Summary, name: str) -> tuple[Condition, ...]:
    """Of both logs, in one row where they use one unit."""
    what, one, other = name.replace("_", " "), a.conditions.get(name), b.conditions.get(name)
    if one is None or other is None or one.unit == other.unit:
        unit = next((each.unit for each in (one, other) if each is not None), "")
        before, after = (None if each is None else each.value for each in (one, other))
        return (Condition(what, unit, before, after, "log"),)
    return (
        Condition(what, one.unit, one.value, None, "log"),
        Condition(what, other.unit, None, other.value, "log"),
    )
