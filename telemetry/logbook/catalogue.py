"""The catalogue of a logbook: one SQLite table of runs. It can be rebuilt from the runs' own directories."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import asdict, fields
from pathlib import Path

from telemetry.errors import LogbookError
from telemetry.logbook.entry import RunEntry

SCHEMA_VERSION = 1
_APPLICATION_ID = 0x426F7468  # "Both"
_BUSY_S = 30.0

_COLUMNS = tuple(field.name for field in fields(RunEntry))
_TABLE = """CREATE TABLE run (
    run_id TEXT PRIMARY KEY, name TEXT NOT NULL, date TEXT NOT NULL, bike TEXT NOT NULL, place TEXT NOT NULL,
    rider TEXT NOT NULL, outing TEXT NOT NULL, notes TEXT NOT NULL, added_at TEXT NOT NULL,
    log_name TEXT NOT NULL, log_sha256 TEXT NOT NULL, laps INTEGER NOT NULL, quickest_lap_s REAL,
    oscillation TEXT NOT NULL)"""


class Catalogue:
    """The table of runs in one file; every question opens the file anew, so that threads may share it.

    Parameters
    ----------
    path : Path
        Made when missing.

    Raises
    ------
    LogbookError
        If the file is not a catalogue, or was written by a newer version.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        with self.changing() as connection:
            version = connection.execute("PRAGMA user_version").fetchone()[0]
            tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
            if version == 0 and tables == 0:
                connection.execute(_TABLE)
                connection.execute(f"PRAGMA application_id = {_APPLICATION_ID}")
                connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
                return
            if connection.execute("PRAGMA application_id").fetchone()[0] != _APPLICATION_ID:
                raise LogbookError(f"{path}: is a database of something else, not a logbook's catalogue.")
        if version > SCHEMA_VERSION:
            raise LogbookError(
                f"{path}: was written by a newer version (catalogue schema {version}, this one reads "
                f"{SCHEMA_VERSION}); install the newer version to open it."
            )

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        try:
            with closing(sqlite3.connect(self.path, timeout=_BUSY_S, isolation_level=None)) as connection:
                connection.row_factory = sqlite3.Row
                yield connection
        except sqlite3.DatabaseError as error:
            raise LogbookError(f"{self.path}: the catalogue cannot be used ({error}).") from None

    @contextmanager
    def changing(self) -> Iterator[sqlite3.Connection]:
        """A transaction that no other process shares: all of it happens, or nothing."""
        with self._open() as connection:
            connection.execute("BEGIN IMMEDIATE")
            try:
                yield connection
            except BaseException:
                connection.execute("ROLLBACK")
                raise
            connection.execute("COMMIT")

    def entries(self) -> tuple[RunEntry, ...]:
        """All runs, newest outing first; within a day the last added first."""
        order = "SELECT * FROM run ORDER BY date DESC, added_at DESC, run_id"
        with self._open() as connection:
            return tuple(RunEntry(**row) for row in connection.execute(order))

    def entry(self, run_id: str) -> RunEntry | None:
        """One run, None when the catalogue does not hold it."""
        with self._open() as connection:
            row = connection.execute("SELECT * FROM run WHERE run_id = ?", (run_id,)).fetchone()
        return RunEntry(**row) if row else None


def insert(connection: sqlite3.Connection, entry: RunEntry) -> None:
    """Add a run inside a transaction; one that is there already stays as it is."""
    names = ", ".join(_COLUMNS)
    values = ", ".join(f":{name}" for name in _COLUMNS)
    connection.execute(f"INSERT OR IGNORE INTO run ({names}) VALUES ({values})", asdict(entry))
