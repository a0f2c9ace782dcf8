"""The logbook: a directory that keeps every log as it was, with its review and what belongs to it.

::

    catalogue.sqlite            what runs there are
    runs/<run id>/original/…    the log, byte for byte, under its own name
    runs/<run id>/              bike.toml, sheet.toml, review.json, traces.parquet, entry.json
    incoming/                   runs being built

A run is built in ``incoming``, flushed to the disk, moved to ``runs`` in one step and then entered in the
catalogue. Killed at any moment, the logbook is as before or holds the run: a run that was moved but not
entered is entered when the logbook is opened next.
"""

import json
import shutil
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import asdict, replace
from datetime import UTC, datetime
from datetime import date as calendar_date
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.parquet as pq

from telemetry.bike import Bike, load_bike
from telemetry.errors import LogbookError, LogError
from telemetry.logbook.catalogue import Catalogue, insert
from telemetry.logbook.entry import RunEntry, read_entry
from telemetry.logbook.files import file_sha256, flush, flush_tree, sweep, workshop
from telemetry.logs import RawLog, read_log
from telemetry.setup import SetupSheet, load_sheet
from telemetry.summary import (
    Summary,
    Traces,
    read_traces,
    summary_from_json,
    summary_to_json,
    write_traces,
)

if TYPE_CHECKING:
    from telemetry.review import Review

CATALOGUE = "catalogue.sqlite"
ENTRY, REVIEW, TRACES, BIKE, SHEET = "entry.json", "review.json", "traces.parquet", "bike.toml", "sheet.toml"


class Logbook:
    """A logbook in a directory.

    Parameters
    ----------
    path : str or Path
        Made when it is missing or empty.
    create : bool
        False refuses a directory that does not hold a logbook yet.

    Raises
    ------
    LogbookError
        If there is no logbook, or it was written by a newer version.
    """

    def __init__(self, path: str | Path, *, create: bool = True) -> None:
        self.path = Path(path)
        self._runs, self._incoming = self.path / "runs", self.path / "incoming"
        self._check_place(create)
        try:
            self.path.mkdir(parents=True, exist_ok=True)
            self._catalogue = Catalogue(self.path / CATALOGUE)
            self._runs.mkdir(exist_ok=True)
            self._incoming.mkdir(exist_ok=True)
        except OSError as error:
            raise LogbookError(f"{self.path}: cannot be made a logbook ({error.strerror}).") from None
        self._tidy()

    def _check_place(self, create: bool) -> None:
        if (self.path / CATALOGUE).is_file():
            return
        if self.path.exists() and not self.path.is_dir():
            raise LogbookError(f"{self.path}: is a file; a logbook is a directory.")
        if self.path.is_dir() and any(self.path.iterdir()) and not any(self._runs.glob(f"*/{ENTRY}")):
            raise LogbookError(f"{self.path}: is not a logbook, and not empty; choose another directory.")
        if not create and not self._runs.is_dir():
            raise LogbookError(f"{self.path}: there is no logbook; make one with 'bothends add'.")

    def _tidy(self) -> None:
        """Enter runs that were moved in but not entered, and clear away what dead processes left."""
        with self._catalogue.changing() as connection:
            sweep(self._incoming)
            entered = {row[0] for row in connection.execute("SELECT run_id FROM run")}
            for file in sorted(self._runs.glob(f"*/{ENTRY}")):
                if file.parent.name not in entered:
                    insert(connection, read_entry(file))

    def add(
        self,
        log_path: str | Path,
        bike_path: str | Path,
        sheet_path: str | Path | None = None,
        *,
        name: str | None = None,
        date: str | None = None,
    ) -> str:
        """Review a log and keep it: the original byte for byte, the review, and what it rests on.

        Parameters
        ----------
        log_path, bike_path : str or Path
            Log and bike file.
        sheet_path : str or Path, optional
            Setup sheet.
        name : str, optional
            What to call the run; otherwise the sheet's name, or that of the log.
        date : str, optional
            ISO 8601, such as "2026-05-01"; otherwise the sheet's.

        Returns
        -------
        str
            Run id. The same bytes of log, bike file and setup sheet are one run: adding them again changes
            nothing.

        Raises
        ------
        BothEndsError
            One of its kinds, if a file cannot be used; the logbook is then as before.
        """
        log_path, bike_path = Path(log_path), Path(bike_path)
        sheet_path = Path(sheet_path) if sheet_path is not None else None
        bike = load_bike(bike_path)
        sheet = load_sheet(sheet_path) if sheet_path else SetupSheet()
        _check_date(date)
        if not log_path.is_file():
            raise LogError(f"{log_path}: no such file; check the path of the log.")
        try:
            log_sha256 = file_sha256(log_path)
            run_id = _run_id(log_sha256, bike_path, sheet_path)
            if self._catalogue.entry(run_id) is None:
                result = review_log(read_log(log_path), bike)
                summary = replace(result.summary, run=replace(result.summary.run, source=log_path.name))
                entry = _entry(run_id, summary, sheet, log_path, log_sha256, name, date)
                with self._workshop() as place:
                    _fill(place, entry, summary, result.traces, log_path, bike_path, sheet_path)
                    self._take_in(place, entry)
        except OSError as error:
            where = error.filename or log_path
            raise LogbookError(f"{where}: cannot be read or written ({error.strerror}).") from None
        return run_id

    @contextmanager
    def _workshop(self) -> Iterator[Path]:
        """A place to build a run, opened while nobody tidies."""
        with ExitStack() as stack:
            with self._catalogue.changing():
                place = stack.enter_context(workshop(self._incoming))
            yield place

    def _take_in(self, place: Path, entry: RunEntry) -> None:
        """Move a finished run in, in one step, and enter it."""
        home = self._runs / entry.run_id
        flush_tree(place)
        try:
            place.rename(home)
        except OSError:
            if not (home / ENTRY).is_file():  # otherwise another process has just added the same run
                raise
        flush(self._runs)
        with self._catalogue.changing() as connection:
            insert(connection, read_entry(home / ENTRY))

    def runs(self) -> tuple[RunEntry, ...]:
        """All runs, newest outing first."""
        return self._catalogue.entries()

    def entry(self, run_id: str) -> RunEntry:
        """What the catalogue says of a run.

        Raises
        ------
        LogbookError
            If the logbook has no such run.
        """
        entry = self._catalogue.entry(run_id)
        if entry is None:
            raise LogbookError(f"{self.path}: has no run {run_id[:80]!r}; it has {len(self.runs())} others.")
        return entry

    def find(self, text: str) -> RunEntry:
        """The run that a person means: by its id, the start of its id, or its name.

        Raises
        ------
        LogbookError
            If no run is meant, or more than one.
        """
        runs = self.runs()
        for matches in (
            [entry for entry in runs if entry.run_id == text],
            [entry for entry in runs if entry.name == text],
            [entry for entry in runs if text and entry.run_id.startswith(text)],
        ):
            if len(matches) > 1:
                ids = ", ".join(entry.run_id for entry in matches[:5])
                raise LogbookError(f"{self.path}: {text!r} means {len(matches)} runs ({ids}); give an id.")
            if matches:
                return matches[0]
        known = ", ".join(f"{entry.run_id} ({entry.name})" for entry in runs[:5])
        raise LogbookError(f"{self.path}: has no run {text[:80]!r}; it has {known or 'none'}.")

    def _home(self, run_id: str) -> Path:
        return self._runs / self.entry(run_id).run_id

    def review_file(self, run_id: str) -> Path:
        """The review of a run as JSON, schema ``bothends.review/1``. Raises `LogbookError` for an unknown id."""
        return self._home(run_id) / REVIEW

    def summary(self, run_id: str) -> Summary:
        """The review of a run. Raises `LogbookError` for an unknown id or a review that cannot be read."""
        path = self.review_file(run_id)
        try:
            return summary_from_json(path.read_bytes(), source=str(path))
        except OSError as error:
            raise LogbookError(f"{path}: cannot be read ({error.strerror}).") from None

    def traces(self, run_id: str, columns: tuple[str, ...] | None = None) -> Traces:
        """The traces of a run.

        Parameters
        ----------
        run_id : str
        columns : tuple of str, optional
            Only those, as far as the run has them (a log without GPS has no ``x_m``).

        Returns
        -------
        Traces

        Raises
        ------
        LogbookError
            For an unknown id or traces that cannot be read.
        """
        path = self._home(run_id) / TRACES
        if columns is None:
            return read_traces(path)
        kept = tuple(name for name in columns if name in _trace_names(path))
        return read_traces(path, kept) if kept else Traces({})

    def bike(self, run_id: str) -> Bike:
        """The bike file a run was reviewed with. Raises `LogbookError` for an unknown id."""
        return load_bike(self._home(run_id) / BIKE)

    def sheet(self, run_id: str) -> SetupSheet | None:
        """The setup sheet of a run, None when it has none. Raises `LogbookError` for an unknown id."""
        path = self._home(run_id) / SHEET
        return load_sheet(path) if path.is_file() else None

    def original(self, run_id: str) -> Path:
        """The log as it was added, byte for byte. Raises `LogbookError` for an unknown id."""
        entry = self.entry(run_id)
        return self._runs / entry.run_id / "original" / entry.log_name


def review_log(log: RawLog, bike: Bike) -> "Review":
    """Review a log; imported here, so that only who adds a run waits for the heavy libraries."""
    from telemetry.review import review

    return review(log, bike)


def _trace_names(path: Path) -> tuple[str, ...]:
    try:
        return tuple(pq.read_schema(path).names)
    except (OSError, pa.ArrowInvalid):
        raise LogbookError(f"{path}: traces cannot be read.") from None


def _run_id(log_sha256: str, bike_path: Path, sheet_path: Path | None) -> str:
    """The name of log, bike file and sheet together: the same three have the same name everywhere."""
    parts = [log_sha256, file_sha256(bike_path), file_sha256(sheet_path) if sheet_path else "no sheet"]
    return "r" + sha256(" ".join(parts).encode()).hexdigest()[:16]


def _check_date(text: str | None) -> None:
    try:
        if text is not None:
            calendar_date.fromisoformat(text)
    except ValueError:
        raise LogbookError(f"date {text!r}: is not a date; write it as 2026-05-01.") from None


def _entry(
    run_id: str,
    summary: Summary,
    sheet: SetupSheet,
    log_path: Path,
    log_sha256: str,
    name: str | None,
    date: str | None,
) -> RunEntry:
    complete = [lap for lap in summary.laps if lap.complete]
    return RunEntry(
        run_id=run_id,
        name=name or sheet.name or log_path.stem,
        date=date or (sheet.date.isoformat() if sheet.date else ""),
        bike=summary.run.bike,
        place=sheet.place or "",
        rider=sheet.rider or "",
        outing=sheet.outing or "",
        notes=sheet.notes or "",
        added_at=datetime.now(UTC).isoformat(timespec="microseconds"),
        log_name=log_path.name,
        log_sha256=log_sha256,
        laps=len(complete),
        quickest_lap_s=min((lap.time_s for lap in complete), default=None),
        oscillation=summary.oscillation.verdict,
    )


def _fill(
    place: Path,
    entry: RunEntry,
    summary: Summary,
    traces: Traces,
    log_path: Path,
    bike_path: Path,
    sheet_path: Path | None,
) -> None:
    """Write everything of a run into its directory."""
    original = place / "original" / entry.log_name
    original.parent.mkdir()
    shutil.copyfile(log_path, original)
    if file_sha256(original) != entry.log_sha256:
        raise LogbookError(f"{log_path}: changed while it was being read; add it again when it is complete.")
    shutil.copyfile(bike_path, place / BIKE)
    if sheet_path:
        shutil.copyfile(sheet_path, place / SHEET)
    (place / REVIEW).write_text(summary_to_json(summary), encoding="utf-8")
    write_traces(traces, place / TRACES)
    (place / ENTRY).write_text(json.dumps(asdict(entry), indent=1), encoding="utf-8")
