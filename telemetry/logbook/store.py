"""The directories of a logbook and its catalogue, changed together: all of a change is there, or nothing.

A run is built in ``incoming``, flushed to the disk, moved to ``runs`` in one step and then entered in the
catalogue. What a directory in ``runs`` holds never changes, but for the words in its record.
"""

import json
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path

from telemetry.cut import WHOLE, Cut, cut_from_json
from telemetry.errors import LogbookError
from telemetry.logbook.build import BIKE, CHANGING, CHANNELS, CIRCUIT, CUT, ENTRY, ORIGINAL, SHEET
from telemetry.logbook.catalogue import Catalogue, enter
from telemetry.logbook.entry import Record, RunEntry, read_record, record_to_json, texts
from telemetry.logbook.files import flush, flush_tree, replace_text, sweep, workshop

CATALOGUE = "catalogue.sqlite"


class Store:
    """Where a logbook keeps its runs.

    Parameters
    ----------
    path : Path
        The logbook's directory. What a killed process left is put in order.

    Raises
    ------
    LogbookError
        If the catalogue cannot be used, or was written by a newer version.
    """

    def __init__(self, path: Path) -> None:
        self.path, self.runs, self._incoming = path, path / "runs", path / "incoming"
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
        """What of the log counts in a run. Raises `LogbookError` when that is damaged."""
        path = self.home(run_id) / CUT
        try:
            return cut_from_json(path.read_text(encoding="utf-8")) if path.is_file() else WHOLE
        except (OSError, ValueError):
            raise LogbookError(f"{path}: cannot be read; restore it or make the run again.") from None

    def record(self, run_id: str) -> Record:
        """The record of a run. Raises `LogbookError` when it is damaged."""
        return read_record(self.home(run_id) / ENTRY)

    def of_log(self, log_sha256: str) -> tuple[RunEntry, ...]:
        """The history of a log's run, newest first, as far as its directories are there."""
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

    def put_right(self, entry: RunEntry, given: Mapping[str, str]) -> None:
        """Change the words of a run that is there, or let it hold again.

        A mark stands in its directory until the catalogue says the same as the record.
        """
        home = self.home(entry.run_id)
        with self.catalogue.changing() as connection:
            record = Record(entry, given, read_record(home / ENTRY).files)
            (home / CHANGING).touch()
            flush(home)
            replace_text(home / ENTRY, record_to_json(record))
            enter(connection, entry)
        (home / CHANGING).unlink(missing_ok=True)
