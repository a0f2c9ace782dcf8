"""Export of a logbook in open formats, import from another person, check of every file against its hash."""

import csv
import json
import re
import shutil
import zipfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, fields
from pathlib import Path, PurePosixPath
from tempfile import TemporaryDirectory
from typing import Any, cast

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq

from telemetry.arrays import FloatArray
from telemetry.bike import load_bike
from telemetry.errors import BothEndsError, LogbookError
from telemetry.logbook.draft import LARGEST_LOG_BYTES
from telemetry.logbook.logbook import Logbook
from telemetry.logbook.run import (
    BIKE,
    CHANNELS,
    CIRCUIT,
    CUT,
    DERIVED,
    ENTRY,
    ORIGINAL,
    REVIEW,
    SHEET,
    Record,
    RunEntry,
    Words,
    file_sha256,
    flush_tree,
    has_link,
    is_one_name,
    names_of_files,
    read_record,
    texts,
)
from telemetry.plaintext import csv_cell
from telemetry.review import cut_from_json

_README = """Exported from a logbook of Both Ends.

catalogue.csv, catalogue.json   what runs there are; of several lines with one log_sha256 the one with the
                                highest revision holds, the others are its history. In the CSV, a text that a
                                spreadsheet would take for a formula has an apostrophe before it
runs/.../original/              the log, byte for byte
runs/.../log.parquet            its columns as they were read, in the log's own units
runs/.../run.csv, run.parquet   the run sample by sample: t_s in s, travel in mm (compression positive, 0 at
                                full extension), speed in mm/s; empty where unknown
runs/.../review.json            the review
runs/.../bike.toml, sheet.toml  bike file (with the files it names) and setup sheet
runs/.../circuit.toml           the circuit it was ridden on, where one was given
runs/.../channels.json          which column means what, where the log's names differ from the bike file's
"""


def export(logbook: Logbook, out: str | Path, entries: Iterable[RunEntry] | None = None) -> int:
    """Write runs and their history in open formats: the original, CSV, Parquet, JSON and TOML; returns how many runs.

    ``out`` is a directory to make; it is there complete, or not at all. `LogbookError` if it is there already, lies
    inside the logbook, cannot be written, or a run is damaged.
    """
    out = Path(out)
    chosen = tuple(entries) if entries is not None else logbook.revisions()
    if out.exists():
        raise LogbookError(f"{out}: is there already; give the name of a directory to make.")
    if logbook.path.resolve() in out.resolve().parents:
        raise LogbookError(f"{out}: lies inside the logbook; export to another place.")
    part = out.with_name(f".{out.name}.part")
    try:
        shutil.rmtree(part, ignore_errors=True)
        part.mkdir(parents=True)
        (part / "README.txt").write_text(_README, encoding="utf-8")
        _write_catalogue(part, chosen)
        for entry in chosen:
            _write_run(logbook, entry, part / "runs" / _folder(entry))
        flush_tree(part)
        part.rename(out)
    except OSError as error:
        where = error.filename or out
        raise LogbookError(f"{where}: cannot be read or written ({error.strerror}).") from None
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return len(chosen)


def _write_catalogue(out: Path, entries: tuple[RunEntry, ...]) -> None:
    rows = [asdict(entry) for entry in entries]
    text = json.dumps(rows, indent=1, ensure_ascii=False)
    (out / "catalogue.json").write_text(text, encoding="utf-8")
    with (out / "catalogue.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, [field.name for field in fields(RunEntry)])
        writer.writeheader()
        writer.writerows(
            {key: csv_cell(value) if isinstance(value, str) else value for key, value in row.items()}
            for row in rows
        )


def _folder(entry: RunEntry) -> str:
    """A name that a person recognises and every file system takes; the id keeps it apart from others."""
    words = re.sub(r"[^A-Za-z0-9._-]+", "-", f"{entry.date} {entry.name}").strip("-.")
    return f"{words[:60]}-{entry.run_id}".lstrip("-")


def _write_run(logbook: Logbook, entry: RunEntry, out: Path) -> None:
    home = logbook.store.home(entry.run_id)
    # Of the files that were given, all: bike file, what it names, setup sheet.
    given = {BIKE, SHEET, *logbook.record(entry.run_id).files} - DERIVED
    for name in (f"{ORIGINAL}/{entry.log_name}", REVIEW, *sorted(given)):
        if has_link(home, name):
            raise LogbookError(
                f"{home / name}: is a link, which is not followed; bothends logbook verify says more."
            )
        if (home / name).is_file() or name not in given:
            (out / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(home / name, out / name)
    log = logbook.log(entry.run_id)
    schema = pa.schema(
        [pa.field(name, pa.float64(), metadata={"unit": log.units.get(name, "")}) for name in log.columns]
    )
    pq.write_table(_table(log.columns.items()).cast(schema), out / "log.parquet", compression="zstd")
    run = _table(logbook.traces(entry.run_id).columns.items())
    pq.write_table(run, out / "run.parquet", compression="zstd")
    pyarrow.csv.write_csv(run, out / "run.csv")


def _table(columns: Iterable[tuple[str, FloatArray]]) -> pa.Table:
    """Columns as a table; NaN becomes null."""
    return pa.table({name: pa.array(values, mask=np.isnan(values)) for name, values in columns})


_CATALOGUE, _RUNS = "catalogue.json", "runs"
# What an export may hold unpacked, and in how many files. Own choices.
LARGEST_EXPORT_BYTES, MOST_FILES = 20 * 1024**3, 100_000


@dataclass(frozen=True)
class TakenIn:
    """Result of an import: runs imported, runs that were there already, and what could not be imported."""

    added: tuple[str, ...]
    known: int
    refused: tuple[str, ...]

    @property
    def words(self) -> str:
        """The same in a sentence or two."""
        said = f"{len(self.added)} runs taken in, {self.known} were there already."
        return " ".join((said, *(f"Not taken in: {words}" for words in self.refused)))


def is_export(path: Path) -> bool:
    """Whether a file is an export as a ZIP archive: a log is none."""
    try:
        with zipfile.ZipFile(path) as packed:
            return any(PurePosixPath(name).name == _CATALOGUE for name in packed.namelist())
    except (OSError, zipfile.BadZipFile):
        return False


def take_in_export(
    logbook: Logbook, source: str | Path, progress: Callable[[str], None] = lambda words: None
) -> TakenIn:
    """Take in the runs of an export, each with its history: how it was reviewed before, oldest first.

    Nothing of the other reviews is believed: every log is reviewed here, as it was last and as it was before. A run
    whose log is in the logbook already, or in its bin, stays as it is. ``source`` is the directory that
    `telemetry.logbook.export` wrote, or a ZIP archive of it; `LogbookError` if it is neither. ``progress`` gets a few
    words before each run; what it raises ends the work, and the runs before it stay.
    """
    with _opened(Path(source), logbook.path) as home:
        of_logs = _by_log(home)
        there = {entry.log_sha256 for entry in (*logbook.revisions(), *logbook.in_bin())}
        added, known, refused = list[str](), 0, list[str]()
        for log_sha256, rows in of_logs.items():
            if log_sha256 in there:
                known += 1
                continue
            for row in rows:
                last = row is rows[-1]
                name = str(row.get("name") or row.get("run_id"))[:80] + ("" if last else ", as it was before")
                progress(f"taking in {name}")
                try:
                    run_id = _take_in(logbook, home, row)
                    added += [run_id] if last else []
                except (BothEndsError, OSError, ValueError) as error:
                    refused.append(f"{name}: {error}")
        return TakenIn(tuple(added), known, tuple(refused))


@contextmanager
def _opened(source: Path, logbook_path: Path) -> Iterator[Path]:
    """The directory of an export; of an archive, unpacked within the logbook's folder."""
    if source.is_dir():
        yield source
        return
    drafts = logbook_path / "drafts"
    drafts.mkdir(exist_ok=True)
    with TemporaryDirectory(prefix="export-", suffix=".part", dir=drafts) as place:
        try:
            with zipfile.ZipFile(source) as packed:
                _unpack(packed, Path(place), source.name)
        except (OSError, zipfile.BadZipFile, NotImplementedError, RuntimeError) as error:
            raise LogbookError(f"{source.name}: is no archive of an export ({error}).") from None
        found = next(Path(place).rglob(_CATALOGUE), None)
        if found is None:
            raise LogbookError(f"{source.name}: holds no {_CATALOGUE}, so it is no export of a logbook.")
        yield found.parent


def _unpack(packed: zipfile.ZipFile, place: Path, name: str) -> None:
    """Unpack regular files below a place, up to `LARGEST_EXPORT_BYTES`; sizes stated in it are not trusted."""
    left = min(LARGEST_EXPORT_BYTES, shutil.disk_usage(place).free)
    members = [one for one in packed.infolist() if not one.is_dir()]
    if len(members) > MOST_FILES:
        raise LogbookError(f"{name}: holds more than {MOST_FILES} files.")
    for member in members:
        parts = PurePosixPath(member.filename.replace("\\", "/")).parts
        if not parts or not all(is_one_name(part) for part in parts):
            raise LogbookError(f"{name}: holds a file whose name leads elsewhere.")
        out = place.joinpath(*parts)
        out.parent.mkdir(parents=True, exist_ok=True)
        with packed.open(member) as read, out.open("xb") as file:
            while piece := read.read(1024**2):
                left -= len(piece)
                if left < 0:
                    raise LogbookError(f"{name}: unpacked it is larger than there is room for.")
                file.write(piece)


def _by_log(home: Path) -> dict[str, list[dict[str, Any]]]:
    """Rows of the catalogue by log, those of one log oldest first: the last one holds."""
    try:
        rows = json.loads((home / _CATALOGUE).read_text(encoding="utf-8"))
        found: dict[str, list[dict[str, Any]]] = {}
        for row in sorted(rows, key=lambda row: (str(row["added_at"]), int(row["revision"]))):
            found.setdefault(str(row["log_sha256"]), []).append(row)
        return found
    except (OSError, ValueError, TypeError, KeyError):
        raise LogbookError(f"{home}: holds no {_CATALOGUE} of an export.") from None


def _take_in(logbook: Logbook, home: Path, row: dict[str, Any]) -> str:
    """Review and keep one run of an export. Raises `BothEndsError`."""
    run_id = str(row["run_id"])
    place = next((one for one in (home / _RUNS).iterdir() if one.name.endswith(run_id)), None)
    name = str(row.get("log_name", ""))
    log = place / ORIGINAL / name if place is not None and is_one_name(name) else None
    if place is None or log is None or not log.is_file():
        raise LogbookError("its log is missing in the export.")
    if log.stat().st_size > LARGEST_LOG_BYTES or file_sha256(log) != row["log_sha256"]:
        raise LogbookError("its log is not the one that was exported.")
    load_bike(place / BIKE, beside=True)
    # empty words are said too: they take back what the run said before; a date cannot be empty
    said = {
        word: text
        for word in Words.__annotations__
        if isinstance(text := row.get(word), str) and (text or word != "date")
    }
    channels, cut = place / CHANNELS, place / CUT
    return logbook.add(
        log,
        place / BIKE,
        place / SHEET if (place / SHEET).is_file() else None,
        channels=texts().validate_json(channels.read_text(encoding="utf-8")) if channels.is_file() else None,
        circuit_path=place / CIRCUIT if (place / CIRCUIT).is_file() else None,
        cut=cut_from_json(cut.read_text(encoding="utf-8")) if cut.is_file() else None,
        **cast(Words, said),
    )


@dataclass(frozen=True)
class Damage:
    """One thing in a logbook that is not as it was kept: where, what, and what to do. ``run_id`` may be ""."""

    run_id: str
    path: str
    what: str
    advice: str


@dataclass(frozen=True)
class Verification:
    """Result of a check: numbers of runs, files and bytes, and the damages."""

    runs: int
    files: int
    bytes: int
    damages: tuple[Damage, ...]


def verify(logbook: Logbook) -> Verification:
    """Check the catalogue, and every file of every run and its history; nothing is changed."""
    catalogue, runs = logbook.store.catalogue, logbook.store.runs
    damages = [Damage("", str(catalogue.path), what, _REMADE_CATALOGUE) for what in catalogue.damage()]
    if damages:
        return Verification(0, 0, 0, tuple(damages))
    entries = {entry.run_id: entry for entry in logbook.revisions()}
    there = sorted(runs.iterdir())
    homes = [home for home in there if home.is_dir() and not home.is_symlink()]
    damages += [
        Damage("", str(path), "is not the directory of a run", _STRANGE)
        for path in there
        if path not in homes
    ]
    files = size = 0
    for home in homes:
        names = names_of_files(home)
        files += len(names) + 1
        size += sum((home / name).lstat().st_size for name in names)
        damages += _damages(home, names, entries.get(home.name))
    for run_id in entries.keys() - {home.name for home in homes}:
        damages.append(Damage(run_id, str(runs / run_id), "is missing", _AGAIN))
    return Verification(len(homes), files, size, tuple(damages))


_REMADE_CATALOGUE = (
    "Move it away: it is made again from the runs' directories when the logbook is opened next."
)
_AGAIN = "Restore it from a copy; or move the run's directory out of the logbook and add the log again."
_REBUILD = "Restore it from a copy, or make the run again: bothends logbook rebuild {run_id}."
_STRANGE = "Move it out; a logbook keeps no other files."


def _damages(home: Path, names: tuple[str, ...], entry: RunEntry | None) -> Iterator[Damage]:
    """Damages of one run."""
    run_id = home.name
    try:
        record = read_record(home / ENTRY)
    except LogbookError:
        yield Damage(run_id, str(home / ENTRY), "the record of the run is missing or damaged", _AGAIN)
        return
    if record.entry.run_id != run_id:
        yield Damage(run_id, str(home), f"holds the run {record.entry.run_id}", "Give it that name again.")
    elif entry is not None and entry != record.entry:
        yield Damage(run_id, str(home / ENTRY), "says other than the catalogue", _REMADE_CATALOGUE)
    for name, expected in record.files.items():
        path = home / name
        if has_link(home, name):
            yield Damage(run_id, str(path), "is a link, not a file of this run", _advice(record, name))
        elif not path.is_file():
            yield Damage(run_id, str(path), "is missing", _advice(record, name))
        elif file_sha256(path) != expected:
            yield Damage(run_id, str(path), "is not as it was kept (SHA-256 differs)", _advice(record, name))
    for name in sorted(set(names) - set(record.files)):
        yield Damage(run_id, str(home / name), "is not a file of this run", _STRANGE)


def _advice(record: Record, name: str) -> str:
    """A review or trace can be made again from the original; original, bike file and sheet cannot."""
    return _REBUILD.format(run_id=record.entry.run_id) if name in DERIVED else _AGAIN
