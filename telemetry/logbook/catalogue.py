"""The catalogue of a logbook: one SQLite table of runs. It can be made again from the runs' own directories."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import asdict, fields
from pathlib import Path

from telemetry.errors import LogbookError
from telemetry.logbook.entry import RunEntry, entry_from

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
    """The table of runs in one file; every question opens the file anew, so that threads may share it.

    Parameters
    ----------
    path : Path
        Made when missing.

    Raises
    ------
    LogbookError
        If the file is not a catalogue, or was written by a version with another layout.
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
        """The history of one log's run, the one that holds first."""
        return self._ask(f"SELECT * FROM run WHERE log_sha256 = ? {_NEWEST_FIRST}", log_sha256)

    def damage(self) -> tuple[str, ...]:
        """What SQLite finds wrong with the file, nothing when it is sound."""
        try:
            with self._open() as connection:
                found = [row[0] for row in connection.execute("PRAGMA integrity_check")]
        except LogbookError as error:
            return (str(error),)
        return () if found == ["ok"] else tuple(found)

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
