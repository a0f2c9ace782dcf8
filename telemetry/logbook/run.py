"""A run: its entry in the catalogue, and its directory with the record that names every file.

::

    original/…         the log, byte for byte, under its own name
    log.parquet        its columns, exact to the logged digits
    bike.toml …        the bike file, and the files it names
    sheet.toml         the setup sheet, where there is one
    circuit.toml       the circuit it was ridden on, where one was given
    channels.json      which column means what, where a person had to say so
    cut.json           which part of the log counts, where it is not all of it
    review.json        the review
    traces.parquet     the run sample by sample
    entry.json         the record: what the catalogue says, and the hash of every file
"""

import json
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, fields
from datetime import UTC, datetime
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any, TypedDict
from uuid import uuid4

from pydantic import TypeAdapter

from telemetry.errors import BikeFileError, BothEndsError, LogbookError
from telemetry.findings import damper_answer
from telemetry.logbook.columns import write_log, write_stored_traces
from telemetry.logs import RawLog
from telemetry.plaintext import plain
from telemetry.review import WHOLE, Cut, cut_to_json
from telemetry.setup import Outing, SetupSheet
from telemetry.summary import Summary, Traces, summary_to_json
from telemetry.tomlfile import read_toml

SCHEMA = "bothends.entry/2"


@dataclass(frozen=True)
class RunEntry:
    """One run in a logbook; texts are "" where nothing was written down.

    ``run_id`` names what was kept under it and never changes its meaning. ``log_sha256`` is of the original
    log: the same bytes are the same run, and of several entries with them the one with the highest
    ``revision`` holds, the others are its history. ``inputs`` names the bytes of log, bike file and setup
    sheet together. ``date`` is ISO 8601, ``added_at`` is ISO 8601 in UTC. ``rear_damper`` and ``front_damper`` are
    those of `telemetry.findings.damper_answer`, "" in runs added by older versions, which kept the rear's
    ``oscillation`` alone.
    """

    run_id: str
    name: str
    date: str
    bike: str
    place: str
    rider: str
    outing: str
    notes: str
    added_at: str
    log_name: str
    log_sha256: str
    laps: int
    quickest_lap_s: float | None
    oscillation: str
    tyres: str = ""
    revision: int = 1
    inputs: str = ""
    rear_damper: str = ""
    front_damper: str = ""


_LARGEST = 2**63 - 1  # that SQLite keeps

PACKED = (".gz", ".bz2", ".xz", ".zst", ".lz4")


class Words(TypedDict, total=False):
    """Details of a run given by hand when it is added; they override the setup sheet."""

    name: str | None
    date: str | None
    place: str | None
    rider: str | None
    outing: str | None
    tyres: str | None
    notes: str | None


def _without_suffix(log_name: str) -> str:
    """A log's name without its kind: ``run 3`` of ``run 3.csv.gz``."""
    path = Path(log_name)
    return Path(path.stem).stem if path.suffix in PACKED else path.stem


def sheet_words(sheet: SetupSheet, log_name: str) -> dict[str, str]:
    """The same words, as the setup sheet has them."""
    of_each_end = [end.tyre for end in (sheet.front, sheet.rear) if end.tyre]
    return {
        "name": sheet.name or _without_suffix(log_name),
        "date": sheet.date.isoformat() if sheet.date else "",
        "place": sheet.place or "",
        "rider": sheet.rider or "",
        "outing": sheet.outing or "",
        "tyres": sheet.tyres or " / ".join(dict.fromkeys(of_each_end)),
        "notes": sheet.notes or "",
    }


@dataclass(frozen=True)
class Earlier:
    """Words that a person gave and that were replaced; ``until`` is when, ISO 8601 in UTC."""

    until: str
    given: Mapping[str, str]


# So many earlier words are kept with a run. Own choice.
MOST_EARLIER = 200


@dataclass(frozen=True)
class Record:
    """Record in a run's directory: enough to rebuild the catalogue and to check every file.

    ``given`` are the words a person gave, kept on a rebuild; ``files`` the SHA-256 of every other file by path;
    ``earlier`` what the words were before, oldest first.
    """

    entry: RunEntry
    given: Mapping[str, str] = field(default_factory=dict)
    files: Mapping[str, str] = field(default_factory=dict)
    earlier: tuple[Earlier, ...] = ()


def record_to_json(record: Record) -> str:
    """Record as JSON text with its own hash."""
    data = {
        "schema": SCHEMA,
        **asdict(record.entry),
        "given": dict(record.given),
        "files": dict(record.files),
    }
    if record.earlier:
        data["earlier"] = [{"until": one.until, "given": dict(one.given)} for one in record.earlier]
    return json.dumps({**data, "sha256": _hash(data)}, indent=1)


def version_of(record: Record) -> str:
    """What changes whenever a record does."""
    return sha256(record_to_json(record).encode()).hexdigest()[:16]


def read_record(path: Path) -> Record:
    """Read a run's record; `LogbookError` if missing, damaged, newer, or naming files outside the run's directory."""
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        if data["schema"] != SCHEMA:
            raise LogbookError(
                f"{path}: was written by another version ({plain(str(data['schema']))[:40]!r}, this one reads "
                f"{SCHEMA!r}); install the newer version to open it."
            )
        if data.pop("sha256") != _hash(data):
            raise ValueError
        given = {word: plain(text) for word, text in data["given"].items()}
        files = texts().validate_python(data["files"])
        if not all(is_inside(name) for name in files):
            raise ValueError
        earlier = tuple(
            Earlier(plain(one["until"]), {word: plain(text) for word, text in one["given"].items()})
            for one in data.get("earlier", ())
        )
        return Record(entry_from(data), given, files, earlier)
    except (OSError, ValueError, LookupError, TypeError, AttributeError, RecursionError):
        raise LogbookError(f"{path}: cannot be read; restore it or move its directory out.") from None


def entry_from(data: Mapping[str, Any]) -> RunEntry:
    """An entry from a file or the catalogue, which may be a stranger's: its words are made plain text.

    `ValueError` if a field is missing or of another type, or names a file or directory elsewhere.
    """
    known = {each.name: data[each.name] for each in fields(RunEntry) if each.name in data}
    words = {name: plain(value) for name, value in known.items() if isinstance(value, str)}
    entry = _entries().validate_python(known | words)
    for name in ("run_id", "log_name"):
        if not is_one_name(words[name]) or words[name] != known[name]:
            raise ValueError(f"{name} is not the name of a file")
    if max(abs(entry.laps), abs(entry.revision)) > _LARGEST:
        raise ValueError("a number that no catalogue can hold")
    return entry


def is_one_name(name: str) -> bool:
    """Whether a text is the name of one file or directory: no path, no drive, no way up."""
    return name not in ("", ".", "..") and Path(name).name == name


def is_inside(path: str) -> bool:
    """Whether a path, written with ``/``, leads to a file below the directory that it starts from."""
    return path != "" and all(is_one_name(part) for part in path.split("/"))


@cache
def _entries() -> TypeAdapter[RunEntry]:
    return TypeAdapter(RunEntry)


@cache
def texts() -> TypeAdapter[dict[str, str]]:
    """Validator for dictionaries of str to str."""
    return TypeAdapter(dict[str, str])


def _hash(data: Mapping[str, Any]) -> str:
    return sha256(json.dumps(data, sort_keys=True).encode()).hexdigest()


_BLOCK = 1 << 20


def file_sha256(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal."""
    digest = sha256()
    with path.open("rb") as file:
        while block := file.read(_BLOCK):
            digest.update(block)
    return digest.hexdigest()


def has_link(home: Path, name: str) -> bool:
    """Whether a symbolic link stands anywhere on the way from a directory to a file below it."""
    place = home
    for part in Path(name).parts:
        place = place / part
        if place.is_symlink():
            return True
    return False


def flush_tree(directory: Path) -> None:
    """Have everything below a directory on the disk, not only in the system's memory."""
    for path in sorted(directory.rglob("*"), reverse=True):
        flush(path)
    flush(directory)


def flush(path: Path) -> None:
    """Have one file, or the names in one directory, on the disk. Windows has no such call for a directory."""
    if path.is_dir() and os.name == "nt":
        return
    handle = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def part_of(path: Path) -> Path:
    """Temporary file for a new text before it replaces a file."""
    return path.with_name(f".{path.name}.part")


def replace_text(path: Path, text: str) -> None:
    """Put a new text in a file's place in one step, on the disk before it takes the name."""
    part = part_of(path)
    part.write_text(text, encoding="utf-8")
    flush(part)
    part.replace(path)
    flush(path.parent)


@contextmanager
def workshop(incoming: Path) -> Iterator[Path]:
    """A directory to build a run in, gone afterwards unless it was moved away.

    A lock beside it, dropped by the system however the builder ends, shows other processes that it lives. (An SQLite
    file: that works on every system.)
    """
    directory = incoming / uuid4().hex
    lock = directory.with_suffix(".lock")
    connection = sqlite3.connect(lock, isolation_level=None)
    try:
        connection.execute("BEGIN EXCLUSIVE")
        directory.mkdir()
        yield directory
    finally:
        shutil.rmtree(directory, ignore_errors=True)
        connection.close()
        lock.unlink(missing_ok=True)


def sweep(incoming: Path) -> None:
    """Remove what dead processes left in the workshop."""
    for lock in incoming.glob("*.lock"):
        connection = sqlite3.connect(lock, timeout=0, isolation_level=None)
        try:
            connection.execute("BEGIN EXCLUSIVE")
            shutil.rmtree(lock.with_suffix(""), ignore_errors=True)
        except sqlite3.OperationalError:
            continue  # its builder lives
        finally:
            connection.close()
        lock.unlink(missing_ok=True)


# So many runs of a bike are looked at for repeats of a set-up: reading a review takes a moment. A choice, no source.
MOST_OUTINGS = 30


def outings_of(
    bike: str,
    runs: Sequence[RunEntry],
    summary: Callable[[str], Summary],
    sheet: Callable[[str], SetupSheet | None],
) -> tuple[Outing, ...]:
    """Runs of a bike (its name) that have a setup sheet, `MOST_OUTINGS` at most; ``runs`` come newest first.

    ``summary`` and ``sheet`` give review and setup sheet by run id; runs where they cannot be read are left out.
    """
    found: list[Outing] = []
    for entry in runs:
        if entry.bike != bike or len(found) == MOST_OUTINGS:
            continue
        try:
            written = sheet(entry.run_id)
            if written is not None:
                found.append(Outing(summary(entry.run_id), written))
        except BothEndsError:  # the comparison does not depend on it; `logbook verify` names it
            continue
    return tuple(found)


ENTRY, REVIEW, TRACES, LOG = "entry.json", "review.json", "traces.parquet", "log.parquet"
BIKE, SHEET, CIRCUIT, CHANNELS, ORIGINAL = (
    "bike.toml",
    "sheet.toml",
    "circuit.toml",
    "channels.json",
    "original",
)
DERIVED = {REVIEW, TRACES, LOG}  # can be made again from the others
CHANGING = ".changing"  # stands in a run's directory while its words change
CUT = "cut.json"
_OURS = {ENTRY, REVIEW, TRACES, LOG, BIKE, SHEET, CIRCUIT, CHANNELS, CUT, ORIGINAL}

_PASSING = {ENTRY, CHANGING, part_of(Path(ENTRY)).name}


@dataclass(frozen=True)
class Sources:
    """Input files of a run; ``log_name`` is the log's name when it was first added.

    ``given`` are the bytes of everything else that was read, by the name each gets in the run's directory; ``channels``
    the columns by meaning that a person chose.
    """

    log: Path
    log_name: str
    log_sha256: str
    given: Mapping[str, bytes]
    channels: Mapping[str, str] = field(default_factory=dict)
    cut: Cut = WHOLE

    @property
    def inputs(self) -> str:
        """Identifier of a run: hash of all its inputs."""
        hashed = {name: sha256(content).hexdigest() for name, content in self.given.items()}
        named = sorted(hashed.keys() - {BIKE, SHEET, CIRCUIT})
        parts = [self.log_sha256, hashed[BIKE], *(hashed[name] for name in named)]
        parts += [hashed.get(SHEET, "no sheet")]
        parts += [channels_to_json(self.channels)] if self.channels else []
        parts += [hashed[CIRCUIT]] if CIRCUIT in hashed else []
        parts += [cut_to_json(self.cut)] if self.cut != WHOLE else []
        return "r" + sha256(" ".join(parts).encode()).hexdigest()[:16]


def read_given(bike: Path, sheet: Path | None, circuit: Path | None) -> dict[str, bytes]:
    """The bytes of the bike file, of the files that it names, of setup sheet and circuit, by their names in a run.

    `BikeFileError` if the bike file is no TOML, or names a file that a logbook cannot keep; `OSError` if one cannot be
    read.
    """
    given = {BIKE: bike.read_bytes()}
    given |= {name: (bike.parent / name).read_bytes() for name in files_named_by(bike)}
    given |= {SHEET: sheet.read_bytes()} if sheet else {}
    given |= {CIRCUIT: circuit.read_bytes()} if circuit else {}
    return given


def entry_of(
    run_id: str,
    sources: Sources,
    summary: Summary,
    sheet: SetupSheet,
    given: Mapping[str, str],
    revision: int,
) -> RunEntry:
    """The line in the catalogue of a run that has just been reviewed."""
    complete = [lap for lap in summary.laps if lap.complete]
    return RunEntry(
        **{**sheet_words(sheet, sources.log_name), **given},
        run_id=run_id,
        bike=summary.run.bike,
        added_at=datetime.now(UTC).isoformat(timespec="microseconds"),
        log_name=sources.log_name,
        log_sha256=sources.log_sha256,
        laps=len(complete),
        quickest_lap_s=min((lap.time_s for lap in complete), default=None),
        oscillation=summary.oscillation.verdict,
        rear_damper=damper_answer(summary.oscillation, "rear"),
        front_damper=damper_answer(summary.oscillation, "front"),
        revision=revision,
        inputs=sources.inputs,
    )


def fill(
    place: Path,
    sources: Sources,
    log: RawLog,
    summary: Summary,
    traces: Traces,
    entry: RunEntry,
    given: Mapping[str, str],
    kept: Path | None,
) -> None:
    """Write everything of a run into its directory; ``kept`` is the same original in an earlier revision."""
    _keep_original(place / ORIGINAL / entry.log_name, sources, kept)
    for name, content in sources.given.items():
        target = place / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(content)
    if sources.channels:
        (place / CHANNELS).write_text(channels_to_json(sources.channels), encoding="utf-8")
    if sources.cut != WHOLE:
        (place / CUT).write_text(cut_to_json(sources.cut), encoding="utf-8")
    write_log(log, place / LOG)
    (place / REVIEW).write_text(summary_to_json(summary), encoding="utf-8")
    write_stored_traces(traces, place / TRACES)
    record = Record(entry, given, hashes(place, entry))
    (place / ENTRY).write_text(record_to_json(record), encoding="utf-8")


def channels_to_json(channels: Mapping[str, str]) -> str:
    """Columns by meaning as text, the same for the same columns."""
    return json.dumps(dict(channels), indent=1, sort_keys=True, ensure_ascii=False)


def _keep_original(target: Path, sources: Sources, kept: Path | None) -> None:
    """The original into the directory: the same file as before where the disk can do that, else a copy."""
    target.parent.mkdir()
    if kept is not None:
        try:
            os.link(kept, target)
            if file_sha256(target) == sources.log_sha256:
                return
            target.unlink()
        except OSError:
            target.unlink(missing_ok=True)
    shutil.copyfile(sources.log, target)
    if file_sha256(target) != sources.log_sha256:
        raise LogbookError(
            f"{sources.log}: changed while it was being read; add it again when it is complete."
        )


def hashes(place: Path, entry: RunEntry) -> dict[str, str]:
    """SHA-256 of every file of a run but the record, by path; that of the original is from when it was added."""
    original = f"{ORIGINAL}/{entry.log_name}"
    names = (name for name in names_of_files(place) if (place / name).is_file() and not has_link(place, name))
    others = {name: file_sha256(place / name) for name in names if name != original}
    return {original: entry.log_sha256, **others}


def names_of_files(place: Path) -> tuple[str, ...]:
    """Every file of a run but the record, by its path below the run's directory."""
    others = (path for path in place.rglob("*") if path.is_symlink() or not path.is_dir())
    files = (path.relative_to(place).as_posix() for path in others)
    return tuple(sorted(name for name in files if name not in _PASSING))


def files_named_by(bike_path: Path) -> tuple[str, ...]:
    """Files that a bike file names (``dyno_file``, a sensor's ``table``).

    `BikeFileError` if one stands outside its directory, or bears a name that the logbook uses.
    """
    names = tuple(sorted(set(_file_values(read_toml(bike_path, what="bike file")))))
    for name in names:
        parts = Path(name).parts
        if not is_inside(Path(name).as_posix()) or parts[0] in _OURS:
            raise BikeFileError(
                f"{bike_path}: {name!r}: a logbook cannot keep it there; put it beside the bike file, under a "
                "name of its own."
            )
    return names


def _file_values(data: Any) -> Iterator[str]:
    if isinstance(data, dict):
        for key, value in data.items():
            if (key == "table" or key.endswith("_file")) and isinstance(value, str):
                yield value
            yield from _file_values(value)
    elif isinstance(data, list):
        for value in data:
            yield from _file_values(value)
