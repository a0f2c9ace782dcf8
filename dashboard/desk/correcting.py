"""Correct a stored run: texts, laps, columns, bike file, setup sheet; its history, and undoing a step."""

import shutil
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from dashboard.desk.adding import RUN_WORDS, Faults
from dashboard.desk.jobs import Progress
from telemetry.arrays import ENDS
from telemetry.bike import Bike, beyond_limit, load_bike, value_at
from telemetry.errors import BikeFileError, BothEndsError, LogbookError
from telemetry.laps import circuit_text
from telemetry.logbook import Logbook, RunEntry
from telemetry.review import KEYS, WHOLE, Cut, measure, named_columns, with_columns
from telemetry.setup import (
    FrontSettings,
    RearSettings,
    SetupSheet,
    changes,
    load_sheet,
    parse_sheet,
    sheet_settings,
    sheet_text,
    worded,
)


def words_said(said: Mapping[str, str]) -> dict[str, str]:
    """The words of a run, from a form."""
    return {word: said[f"run.{word}"].strip() for word in RUN_WORDS if f"run.{word}" in said}


@dataclass(frozen=True)
class Correction:
    """What is to be different when a run is made again; None is as it was.

    ``bike_text`` and ``sheet_text`` are TOML, ``start_line`` latitude and longitude. [deg]
    """

    bike_text: str | None = None
    sheet_text: str | None = None
    channels: Mapping[str, str] | None = None
    cut: Cut | None = None
    start_line: tuple[float, float] | None = None

    @property
    def changes(self) -> bool:
        """Whether anything is."""
        return self != Correction()


def correction_of(said: Mapping[str, str], logbook: Logbook, run_id: str) -> Correction:
    """What a form changes of a run. Raises `Faults`."""
    faults: dict[str, str] = {}
    before = logbook.store.bike(run_id).read_text(encoding="utf-8")
    text = said.get("bike.text", before).replace("\r\n", "\n")
    found = Correction(bike_text=text if text.strip() != before.strip() else None)
    if found.bike_text is not None and (words := _wrong_bike(logbook, run_id, text)):
        faults["bike.text"] = words
    columns = set(logbook.log(run_id).columns)
    known = column_choice(logbook, run_id)
    chosen = {key: said[f"column.{key}"] for key in (*KEYS, *ENDS) if f"column.{key}" in said}
    for key, column in chosen.items():
        if column and column not in columns:
            faults[f"column.{key}"] = "is no column of this log."
    different = {key: column for key, column in chosen.items() if column != known.get(key, "")}
    found = replace(found, channels=different or None)
    if any(name.startswith(("laps.", "cut.")) for name in said):
        try:
            cut = cut_said(said)
            found = replace(found, cut=cut if cut != logbook.store.cut(run_id) else None)
        except Faults as error:
            faults |= error.faults
    if line := said.get("start_line", "").strip():
        try:
            latitude, longitude = (float(part) for part in line.replace(";", " ").replace(",", " ").split())
            if not (abs(latitude) <= 90 and abs(longitude) <= 180):
                raise ValueError
            found = replace(found, start_line=(latitude, longitude))
        except ValueError:
            faults["start_line"] = "needs latitude and longitude in degrees, such as 41.2301 -8.6112."
    if faults:
        raise Faults(faults)
    return found


def column_choice(logbook: Logbook, run_id: str) -> dict[str, str]:
    """Column of each meaning as a run has it."""
    log = logbook.log(run_id)
    bike = with_columns(logbook.bike(run_id), log, logbook.store.channels(run_id))
    named = named_columns(bike, log)
    return {key: column for key, name in named.items() if (column := log.called(name)) is not None}


def cut_said(said: Mapping[str, str]) -> Cut:
    """Which part of a log counts, from a form. Raises `Faults`."""
    out = tuple(
        sorted(
            int(name.removeprefix("laps."))
            for name, text in said.items()
            if name.startswith("laps.") and not text
        )
    )
    why = said.get("cut.why", "").strip()[:500]
    if out and not why:
        raise Faults({"cut.why": "Say why a lap does not count, for who reads this later."})
    times = {}
    for key in ("from_s", "to_s"):
        text = said.get(f"cut.{key}", "").strip().replace(",", ".")
        try:
            times[key] = float(text) if text else None
        except ValueError:
            raise Faults({f"cut.{key}": "is no number of seconds."}) from None
    return (
        Cut(times["from_s"], times["to_s"], out, why if out else "") if out or any(times.values()) else WHOLE
    )


def _wrong_bike(logbook: Logbook, run_id: str, text: str) -> str:
    try:
        with _beside(logbook, run_id, text) as path:
            load_bike(path, beside=True)
    except BikeFileError as error:
        return " ".join(error.faults) or str(error).partition(": ")[2]
    return ""


class _beside:  # noqa: N801 - used as a function
    """A bike file's text as a file, with the files that the run's own names beside it."""

    def __init__(self, logbook: Logbook, run_id: str, text: str) -> None:
        self._home, self._text = logbook.store.bike(run_id).parent, text
        self._place = TemporaryDirectory(prefix="bothends-")

    def __enter__(self) -> Path:
        folder = Path(self._place.name)
        for name in self._home.glob("*.csv"):
            shutil.copy(name, folder / name.name)
        path = folder / "bike.toml"
        path.write_text(self._text, encoding="utf-8")
        return path

    def __exit__(self, *problem: object) -> None:
        self._place.cleanup()


def correct(logbook: Logbook, run_id: str, correction: Correction, version: str, progress: Progress) -> str:
    """Make a run again with what was put right; returns its id as it is now. What it was stays in its history."""
    logbook.expect(run_id, version)
    text = correction.bike_text
    if text is None:
        text = logbook.store.bike(run_id).read_text(encoding="utf-8")
    with _beside(logbook, run_id, text) as bike_path:
        folder = bike_path.parent
        sheet_path = circuit_path = None
        if correction.sheet_text is not None:
            sheet_path = folder / "sheet.toml"
            sheet_path.write_text(correction.sheet_text, encoding="utf-8")
            load_sheet(sheet_path)
        if correction.start_line is not None:
            progress("looking for laps over the line")
            circuit_path = _circuit_file(logbook, run_id, bike_path, correction, folder)
        return logbook.rebuild(
            run_id,
            bike_path=bike_path if correction.bike_text is not None else None,
            sheet_path=sheet_path,
            channels=correction.channels,
            circuit_path=circuit_path,
            cut=correction.cut,
            progress=progress,
        )


def _circuit_file(
    logbook: Logbook, run_id: str, bike_path: Path, correction: Correction, folder: Path
) -> Path:
    log = logbook.log(run_id)
    chosen = {**logbook.store.channels(run_id), **(correction.channels or {})}
    bike = with_columns(load_bike(bike_path), log, chosen)
    circuit = measure(log, bike, start_line=correction.start_line).track.circuit
    if circuit is None:
        raise LogbookError("No complete lap goes over this line; choose another place on the map.")
    path = folder / "circuit.toml"
    path.write_text(circuit_text(circuit), encoding="utf-8")
    return path


@dataclass(frozen=True)
class Step:
    """One step of a run's history: when, what was different after it, and how to go back to before it."""

    at: str
    what: str
    back_to: str = ""


def history_of(logbook: Logbook, run_id: str) -> list[Step]:
    """What was done to a run, newest first."""
    versions = logbook.history(run_id)
    steps: list[Step] = []
    for place, entry in enumerate(versions):
        try:
            record = logbook.record(entry.run_id)
            before = logbook.record(versions[place - 1].run_id) if place else None
        except BothEndsError:
            continue
        if before is None:
            steps.append(Step(entry.added_at, "Reviewed for the first time"))
        else:
            changed = [words for name, words in _FILES if record.files.get(name) != before.files.get(name)]
            what = f"Reviewed again: {', '.join(changed) if changed else 'nothing changed but the program'}"
            steps.append(Step(entry.added_at, what, versions[place - 1].run_id))
        given = [*(dict(one.given) for one in record.earlier), dict(record.given)]
        for number, one in enumerate(record.earlier):
            names = sorted(
                key
                for key in given[number] | given[number + 1]
                if given[number].get(key) != given[number + 1].get(key)
            )
            steps.append(Step(one.until, f"Words changed: {', '.join(names)}", f"{entry.run_id}:{number}"))
    return sorted(steps, key=lambda step: step.at, reverse=True)


_FILES = (
    ("bike.toml", "bike file"),
    ("sheet.toml", "setup sheet"),
    ("channels.json", "columns"),
    ("circuit.toml", "start line and circuit"),
    ("cut.json", "which laps count"),
)


def go_back(logbook: Logbook, run_id: str, to: str, version: str) -> str:
    """Undo a step of a run's history; returns the id of the run as it is now."""
    earlier_id, _, number = to.partition(":")
    if not number:
        logbook.go_back(run_id, earlier_id, version=version)
        return earlier_id
    record = logbook.record(earlier_id)
    if not number.isdecimal() or int(number) >= len(record.earlier):
        raise LogbookError("There is no such step in the history of this run.")
    logbook.set_words(run_id, record.earlier[int(number)].given, version=version)
    return run_id


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
