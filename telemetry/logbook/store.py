"""The directories of a logbook and its catalogue, changed together: a change is made completely or not at all.

A run is built in ``incoming``, flushed to the disk, moved to ``runs`` in one step and then entered in the
catalogue. What a directory in ``runs`` holds never changes, but for the words in its record.
"""

import json
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, closing, contextmanager
from dataclasses import asdict, fields
from datetime import UTC, datetime
from pathlib import Path

from telemetry.errors import LogbookError
from telemetry.logbook.run import (
    BIKE,
    CHANGING,
    CHANNELS,
    CIRCUIT,
    CUT,
    ENTRY,
    MOST_EARLIER,
    ORIGINAL,
    SHEET,
    Earlier,
    Record,
    RunEntry,
    entry_from,
    flush,
    flush_tree,
    read_record,
    record_to_json,
    replace_text,
    sweep,
    texts,
    version_of,
    workshop,
)
from telemetry.review import WHOLE, Cut, cut_from_json

LAYOUT = 2  # of catalogue and directories together; SQLite keeps it as user_version
_APPLICATION_ID = 0x426F7468  # "Both"
_BUSY_S = 30.0

_COLUMNS = tuple(field.name for field in fields(RunEntry))
# Columns that came later, within this layout: an older version writes its rows without them.
_ADDED = ("rear_damper", "front_damper")
_TABLE = f"""CREATE TABLE run (
    run_id TEXT PRIMARY KEY, name TEXT NOT NULL, date TEXT NOT NULL, bike TEXT NOT NULL, place TEXT NOT NULL,
    rider TEXT NOT NULL, outing TEXT NOT NULL, notes TEXT NOT NULL, added_at TEXT NOT NULL,
    log_name TEXT NOT NULL, log_sha256 TEXT NOT NULL, laps INTEGER NOT NULL, quickest_lap_s REAL,
    oscillation TEXT NOT NULL, tyres TEXT NOT NULL DEFAULT '', revision INTEGER NOT NULL DEFAULT 1,
    inputs TEXT NOT NULL DEFAULT '', {", ".join(f"{name} TEXT NOT NULL DEFAULT ''" for name in _ADDED)})"""
_NEWEST_FIRST = "ORDER BY revision DESC, added_at DESC, run_id"
_MADE_AGAIN = (
    "Move this file away: it is made again from the runs' own directories when the logbook is opened next."
)
_HOLDING = f"""SELECT * FROM (
    SELECT *, row_number() OVER (PARTITION BY log_sha256 {_NEWEST_FIRST}) AS place_in_history FROM run
    ) WHERE place_in_history = 1 ORDER BY date DESC, added_at DESC, run_id"""


class Catalogue:
    """The table of runs in one file, made when missing, opened anew for every question, so that threads may share it.

    `LogbookError` if the file is not a catalogue, or has the layout of another version.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        if not path.exists():
            path.touch()
        with self.changing() as connection:
            version = connection.execute("PRAGMA user_version").fetchone()[0]
            tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
            if version == 0 and tables == 0:
                connection.execute(_TABLE)
                connection.execute(f"PRAGMA application_id = {_APPLICATION_ID}")
                connection.execute(f"PRAGMA user_version = {LAYOUT}")
                return
            if connection.execute("PRAGMA application_id").fetchone()[0] != _APPLICATION_ID:
                raise LogbookError(f"{path}: is a database of something else, not a logbook's catalogue.")
            if version == LAYOUT:
                _add_columns(connection)
            columns = {row["name"] for row in connection.execute("PRAGMA table_info(run)")}
            if version == LAYOUT and not columns.issuperset(_COLUMNS):
                raise LogbookError(f"{path}: the catalogue lacks columns. {_MADE_AGAIN}")
        if version != LAYOUT:
            other = "a newer version" if version > LAYOUT else "an older version"
            raise LogbookError(
                f"{path}: was written by {other} (catalogue schema {version}, this one reads {LAYOUT}); install that "
                f"version to open it."
            )

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        if not self.path.is_file():  # SQLite would make an empty one in its place
            raise LogbookError(
                f"{self.path}: the catalogue is gone. Start again: it is made again from the runs' own directories."
            )
        try:
            with closing(sqlite3.connect(self.path, timeout=_BUSY_S, isolation_level=None)) as connection:
                connection.row_factory = sqlite3.Row
                yield connection
        except sqlite3.OperationalError as error:  # locked, disk full, no right to write
            raise LogbookError(f"{self.path}: the catalogue cannot be used ({error}).") from None
        except sqlite3.DatabaseError as error:
            raise LogbookError(
                f"{self.path}: the catalogue cannot be used ({error}). {_MADE_AGAIN}"
            ) from None

    @contextmanager
    def changing(self) -> Iterator[sqlite3.Connection]:
        """A transaction that no other process shares: all of it happens, or nothing."""
        with self._open() as connection:
            connection.execute("BEGIN IMMEDIATE")
            try:
                yield connection
            except BaseException:
                if connection.in_transaction:  # on a full disk SQLite has already given it up
                    connection.execute("ROLLBACK")
                raise
            connection.execute("COMMIT")

    def entries(self) -> tuple[RunEntry, ...]:
        """All runs as they hold now, newest outing first; within a day the last added first."""
        return self._ask(_HOLDING)

    def revisions(self) -> tuple[RunEntry, ...]:
        """All runs and their history."""
        return self._ask("SELECT * FROM run ORDER BY log_sha256, revision, added_at, run_id DESC")

    def entry(self, run_id: str) -> RunEntry | None:
        """One run, current or not; None when the catalogue does not hold it."""
        return next(iter(self._ask("SELECT * FROM run WHERE run_id = ?", run_id)), None)

    def of_log(self, log_sha256: str) -> tuple[RunEntry, ...]:
        """Versions of a log's run, newest first."""
        return self._ask(f"SELECT * FROM run WHERE log_sha256 = ? {_NEWEST_FIRST}", log_sha256)

    def damage(self) -> tuple[str, ...]:
        """Problems reported by SQLite's integrity check, empty if there are none."""
        try:
            with self._open() as connection:
                problems = [row[0] for row in connection.execute("PRAGMA integrity_check")]
        except LogbookError as error:
            return (str(error),)
        return () if problems == ["ok"] else tuple(problems)

    def _ask(self, question: str, *values: str) -> tuple[RunEntry, ...]:
        with self._open() as connection:
            rows = connection.execute(question, values)
            try:
                return tuple(entry_from({name: row[name] for name in _COLUMNS}) for row in rows)
            except (ValueError, LookupError):
                raise LogbookError(
                    f"{self.path}: the catalogue holds what is no run. {_MADE_AGAIN}"
                ) from None


def _add_columns(connection: sqlite3.Connection) -> None:
    """The columns that came later, to a table that an older version made."""
    there = {row["name"] for row in connection.execute("PRAGMA table_info(run)")}
    for name in (name for name in _ADDED if name not in there):
        connection.execute(f"ALTER TABLE run ADD COLUMN {name} TEXT NOT NULL DEFAULT ''")


def enter(connection: sqlite3.Connection, entry: RunEntry) -> None:
    """Write a run's line inside a transaction, over the one it has."""
    names = ", ".join(_COLUMNS)
    values = ", ".join(f":{name}" for name in _COLUMNS)
    connection.execute(f"INSERT OR REPLACE INTO run ({names}) VALUES ({values})", asdict(entry))


CATALOGUE = "catalogue.sqlite"
CHANGED_MEANWHILE = (
    "Somebody changed this run meanwhile; nothing of theirs was overwritten. What you typed is still here: copy it, "
    "load the page again to see theirs, then change it again."
)


class Store:
    """Run directories and catalogue of a logbook; what a killed process left is put in order.

    `LogbookError` if the catalogue cannot be used, or was written by a newer version.
    """

    def __init__(self, path: Path) -> None:
        self.path, self.runs, self._incoming = path, path / "runs", path / "incoming"
        self.bin = path / "bin"
        path.mkdir(parents=True, exist_ok=True)
        self.catalogue = Catalogue(path / CATALOGUE)
        self.runs.mkdir(exist_ok=True)
        self._incoming.mkdir(exist_ok=True)
        self._tidy()

    def _tidy(self) -> None:
        """Enter what was moved in or changed but not entered, and clear away what dead processes left."""
        with self.catalogue.changing() as connection:
            sweep(self._incoming)
            entered = {row[0] for row in connection.execute("SELECT run_id FROM run")}
            for run_id in entered:  # moved to the bin, but not yet taken out of the catalogue
                if not (self.runs / run_id).exists() and (self.bin / run_id).is_dir():
                    connection.execute("DELETE FROM run WHERE run_id = ?", (run_id,))
            found = []
            for home in self.runs.iterdir():
                if home.name not in entered or (home / CHANGING).exists():
                    try:
                        found.append((read_record(home / ENTRY), home))
                    except LogbookError:
                        continue  # damaged: `left_out` names it; the others stay of use
            for record, home in sorted(found, key=lambda one: one[0].entry.added_at):
                if record.entry.run_id != home.name:
                    continue  # entered, it would be looked for elsewhere
                try:
                    enter(connection, record.entry)
                except (sqlite3.IntegrityError, sqlite3.DataError, OverflowError, UnicodeError):
                    continue
                (home / CHANGING).unlink(missing_ok=True)

    def left_out(self) -> tuple[Path, ...]:
        """Directories of runs that the catalogue does not hold, since their record cannot be read."""
        entered = {entry.run_id for entry in self.catalogue.revisions()}
        homes = (home for home in self.runs.iterdir() if home.is_dir() and home.name not in entered)
        return tuple(sorted(home for home in homes if not self._has_record(home)))

    def _has_record(self, home: Path) -> bool:
        try:
            return read_record(home / ENTRY).entry.run_id == home.name
        except LogbookError:
            return False

    def home(self, run_id: str) -> Path:
        """The directory of a run that the catalogue holds."""
        return self.runs / run_id

    def original(self, entry: RunEntry) -> Path:
        """The log as it was added."""
        return self.home(entry.run_id) / ORIGINAL / entry.log_name

    def bike(self, run_id: str) -> Path:
        """The bike file of a run."""
        return self.home(run_id) / BIKE

    def sheet(self, run_id: str) -> Path | None:
        """The setup sheet of a run, None where it has none."""
        path = self.home(run_id) / SHEET
        return path if path.is_file() else None

    def circuit(self, run_id: str) -> Path | None:
        """The circuit file that a run was reviewed with, None where none was given."""
        path = self.home(run_id) / CIRCUIT
        return path if path.is_file() else None

    def channels(self, run_id: str) -> dict[str, str]:
        """The columns by meaning that a person chose for a run. Raises `LogbookError` when they are damaged."""
        path = self.home(run_id) / CHANNELS
        try:
            if not path.is_file():
                return {}
            return texts().validate_python(json.loads(path.read_text(encoding="utf-8")))
        except (OSError, ValueError, RecursionError):
            raise LogbookError(f"{path}: cannot be read; restore it or make the run again.") from None

    def cut(self, run_id: str) -> Cut:
        """Part of the log used in a run. Raises `LogbookError` if its file is damaged."""
        path = self.home(run_id) / CUT
        try:
            return cut_from_json(path.read_text(encoding="utf-8")) if path.is_file() else WHOLE
        except (OSError, ValueError):
            raise LogbookError(f"{path}: cannot be read; restore it or make the run again.") from None

    def record(self, run_id: str) -> Record:
        """The record of a run. Raises `LogbookError` when it is damaged."""
        return read_record(self.home(run_id) / ENTRY)

    def of_log(self, log_sha256: str) -> tuple[RunEntry, ...]:
        """Versions of a log's run whose directories exist, newest first."""
        entries = self.catalogue.of_log(log_sha256)
        return tuple(entry for entry in entries if (self.home(entry.run_id) / ENTRY).is_file())

    @contextmanager
    def workshop(self) -> Iterator[Path]:
        """A place to build a run, opened while nobody tidies."""
        with ExitStack() as stack:
            with self.catalogue.changing():
                place = stack.enter_context(workshop(self._incoming))
            yield place

    def take_in(self, place: Path, run_id: str) -> None:
        """Move a finished run in, in one step, and enter it."""
        home = self.home(run_id)
        flush_tree(place)
        try:
            place.rename(home)
        except OSError:
            if not (home / ENTRY).is_file():  # otherwise another process has just added the same run
                raise
        flush(self.runs)
        with self.catalogue.changing() as connection:
            enter(connection, read_record(home / ENTRY).entry)

    def put_right(self, entry: RunEntry, given: Mapping[str, str], *, expected: str = "") -> None:
        """Change the words of a run, keeping the old ones; `LogbookError` if its version is not ``expected`` ("": any).

        A mark stands in its directory until the catalogue says the same as the record.
        """
        home = self.home(entry.run_id)
        with self.catalogue.changing() as connection:
            before = read_record(home / ENTRY)
            if expected and expected != version_of(before):
                raise LogbookError(CHANGED_MEANWHILE)
            earlier = before.earlier
            if dict(before.given) != dict(given):
                now = datetime.now(UTC).isoformat(timespec="microseconds")
                earlier = (*earlier, Earlier(now, before.given))[-MOST_EARLIER:]
            record = Record(entry, given, before.files, earlier)
            (home / CHANGING).touch()
            flush(home)
            replace_text(home / ENTRY, record_to_json(record))
            enter(connection, entry)
        (home / CHANGING).unlink(missing_ok=True)

    def to_bin(self, entries: tuple[RunEntry, ...]) -> None:
        """Move a run with its history into the bin: all of it is there afterwards, and none in the catalogue."""
        self.bin.mkdir(exist_ok=True)
        with self.catalogue.changing() as connection:
            for entry in entries:
                self.home(entry.run_id).rename(self.bin / entry.run_id)
                connection.execute("DELETE FROM run WHERE run_id = ?", (entry.run_id,))
        flush(self.bin)
        flush(self.runs)

    def binned(self) -> tuple[RunEntry, ...]:
        """Runs in the bin and their history, newest first; what cannot be read is left out."""
        found = []
        for home in self.bin.iterdir() if self.bin.is_dir() else ():
            try:
                found.append(read_record(home / ENTRY).entry)
            except LogbookError:
                continue
        return tuple(sorted(found, key=lambda entry: (entry.revision, entry.added_at), reverse=True))

    def from_bin(self, entries: tuple[RunEntry, ...]) -> None:
        """Put runs from the bin back; one that is in the logbook again stays in the bin."""
        with self.catalogue.changing() as connection:
            for entry in entries:
                if not self.home(entry.run_id).exists():
                    (self.bin / entry.run_id).rename(self.home(entry.run_id))
                    enter(connection, entry)
        flush(self.runs)
