"""The setup sheet as a form: this bike's adjusters with their limits, and what differs from the run before."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dashboard.desk.adding import Faults
from telemetry.arrays import ENDS
from telemetry.bike import Bike, beyond_limit, value_at
from telemetry.errors import BikeFileError
from telemetry.logbook import Logbook, RunEntry
from telemetry.setup import (
    FrontSettings,
    RearSettings,
    SetupSheet,
    changes,
    parse_sheet,
    sheet_settings,
    sheet_text,
    worded,
)

SECTIONS = {"front": FrontSettings, "rear": RearSettings}
OF_OUTING = ("tyres", "weather", "air_temperature_c", "track_temperature_c", "fuel_l")
_TEXTS = ("tyres", "weather", "tyre", "linkage")


@dataclass(frozen=True)
class Setting:
    """One setting of the form.

    Parameters
    ----------
    key : str
        Of the sheet, such as ``rear.preload_mm``.
    of_file : str
        What the bike file has for it, "" where it has nothing.
    hint : str
        Step and limits of the adjuster, as far as the bike file gives them.
    """

    key: str
    label: str
    of_file: str
    hint: str


def settings_of(bike: Bike) -> dict[str, list[Setting]]:
    """Settings by end: those of the bike's adjusters first, then all others that a sheet can hold."""
    found = {}
    for end in ENDS:
        keys = [f"{end}.{name}" for name in SECTIONS[end].model_fields]
        adjusted = [key for key in keys if key in bike.adjusters]
        found[end] = [
            _setting(bike, key) for key in (*adjusted, *(key for key in keys if key not in adjusted))
        ]
    return found


def _setting(bike: Bike, key: str) -> Setting:
    words, unit = worded(key.partition(".")[2])
    value, adjuster = value_at(bike, key), bike.adjusters.get(key)
    hint = []
    if adjuster is not None and None not in (adjuster.min, adjuster.max):
        hint.append(f"{adjuster.min:g} to {adjuster.max:g}")
    if adjuster is not None and adjuster.per_turn is not None:
        hint.append(f"{adjuster.per_turn:g} a turn")
    if key.endswith("_clicks"):
        hint.append("from fully closed")
    of_file = f"{value:g}" if isinstance(value, int | float) else ""
    return Setting(key, f"{words} [{unit}]" if unit else words, of_file, ", ".join(hint))


def sheet_fields(sheet: SetupSheet | None) -> dict[str, str]:
    """A sheet as fields of the form."""
    if sheet is None:
        return {}
    data = sheet_settings(sheet)
    flat = {key: value for key, value in data.items() if key in OF_OUTING}
    for end in ENDS:
        flat |= {f"{end}.{key}": value for key, value in data.get(end, {}).items()}
    return {
        f"set.{key}": f"{value:g}" if isinstance(value, float) else str(value) for key, value in flat.items()
    }


def sheet_said(said: Mapping[str, str], before: SetupSheet | None, bike: Bike) -> str:
    """A form as the text of a setup sheet; what the form does not show stays as it was. Raises `Faults`."""
    data: dict[str, Any] = sheet_settings(before) if before is not None else {}
    faults: dict[str, str] = {}
    for field, text in said.items():
        if not field.startswith("set."):
            continue
        head, _, name = field.removeprefix("set.").rpartition(".")
        section = data.setdefault(head, {}) if head in SECTIONS else data
        text = text.strip()
        if not text:
            section.pop(name, None)
            continue
        if name in _TEXTS:
            section[name] = text
            continue
        try:
            section[name] = float(text.replace(",", "."))
        except ValueError:
            faults[field] = "That is no number."
            continue
        if words := beyond_limit(bike, f"{head}.{name}", section[name]):
            faults[field] = f"{words} If the part allows it, put the limit right in the bike file."
    if faults:
        raise Faults(faults)
    try:
        parse_sheet(data)
    except BikeFileError as error:
        raise Faults(_by_field(error)) from None
    return sheet_text(data)


def _by_field(error: BikeFileError) -> dict[str, str]:
    found = {}
    for fault in error.faults or (str(error),):
        key, _, rest = fault.partition(" ") if " = " in fault else fault.partition(":")
        found[f"set.{key.strip()}" if rest else ""] = fault
    return found


def run_before(logbook: Logbook, entry: RunEntry) -> RunEntry | None:
    """The run of the same motorcycle before one, None for the first."""
    runs = [one for one in logbook.runs() if one.bike == entry.bike]
    place = next((k for k, one in enumerate(runs) if one.log_sha256 == entry.log_sha256), len(runs))
    return runs[place + 1] if place + 1 < len(runs) else None


def difference_words(before: SetupSheet | None, after: SetupSheet | None) -> tuple[str, ...]:
    """What was changed between two sheets, in sentences; more than one change is said."""
    if before is None or after is None:
        return ("Nothing to compare with: one of the two runs has no setup sheet.",)
    found = changes(before, after)
    turned = [change for change in found if change.kind == "setting"]
    said = [f"{change.what}: {change.before} to {change.after}." for change in found]
    if len(turned) > 1:
        said.append(
            f"{len(turned)} settings were changed at once: what came of it cannot be told apart between them."
        )
    return tuple(said) or ("Both sheets say the same.",)
