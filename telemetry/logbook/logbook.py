"""The logbook: a directory that keeps every log as it was, with its review and what belongs to it.

::

    catalogue.sqlite     what runs there are
    runs/<run id>/       one run, see `telemetry.logbook.run`
    season/              numbers of the runs for a season, made again when missing, see `telemetry.season`
    bin/                 runs that were thrown away, with their history
    rider/               what riders said, see `telemetry.logbook.rider`
    ticks/               what was ticked off at the stand, see `telemetry.logbook.rider`
    drafts/              logs that wait for answers, see `telemetry.logbook.draft`
    incoming/            runs being built, see `telemetry.logbook.store`

Killed at any moment, the logbook is as before or holds the run: a run that was moved in but not entered in
the catalogue is entered when the logbook is opened next. A run that is made again from its original gets a
directory and id of its own, and what was there before stays as its history.
"""

import errno
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date as calendar_date
from pathlib import Path
from typing import Unpack

from telemetry.bike import Bike, load_bike
from telemetry.errors import LogbookError, LogError
from telemetry.laps import Circuit, known_circuit, load_circuit
from telemetry.logbook.columns import read_stored_log, read_whole_traces
from telemetry.logbook.rider import RiderWord, new_word, read_ticks, read_words, write_tick, write_words
from telemetry.logbook.run import (
    CIRCUIT,
    ENTRY,
    REVIEW,
    TRACES,
    Record,
    RunEntry,
    Sources,
    Words,
    entry_of,
    file_sha256,
    fill,
    read_given,
    sheet_words,
    version_of,
)
from telemetry.logbook.run import LOG as STORED_LOG
from telemetry.logbook.store import CATALOGUE, CHANGED_MEANWHILE, Store
from telemetry.logs import RawLog, read_log
from telemetry.plaintext import fault_in, plain
from telemetry.review import (
    WHOLE,
    Cut,
    Measured,
    confirmed_columns,
    measure,
    positions_deg,
    telling_columns,
    with_columns,
)
from telemetry.review import review as review_log
from telemetry.season import REGISTRY, Dataset, RunRecord, date_in, record_of
from telemetry.setup import DamperRun, SetupSheet, damper_history, load_sheet
from telemetry.summary import TRACE_COLUMNS, Summary, Traces, summary_from_json


def keep(
    store: Store,
    log_path: Path,
    bike_path: Path,
    sheet_path: Path | None,
    words: Words,
    *,
    log_name: str,
    channels: Mapping[str, str],
    circuit_path: Path | None = None,
    cut: Cut | None = None,
    progress: Callable[[str], None] | None = None,
    anew: bool = False,
) -> str:
    """Keep a log as `telemetry.logbook.Logbook.add` says, and return its run id.

    ``sheet_path``, ``circuit_path``, ``cut``: None keeps what the log's run has, if any; ``channels`` (chosen columns
    by meaning) are added to its own. ``progress`` gets a few words before each long step; ``anew`` makes the run again
    even from the very same files.
    """
    check_words(words)
    given = {word: str(text) for word, text in words.items() if text is not None}
    if not log_path.is_file():
        raise LogError(f"{log_path}: no such file; check the path of the log.")
    where = store.path
    try:
        log_sha256 = file_sha256(log_path)
        history = store.of_log(log_sha256)
        if history:
            given = {**store.record(history[0].run_id).given, **given}
            sheet_path = sheet_path or store.sheet(history[0].run_id)
            circuit_path = circuit_path or store.circuit(history[0].run_id)
            channels = {**store.channels(history[0].run_id), **channels}
            cut = store.cut(history[0].run_id) if cut is None else cut
        files = _read(bike_path, sheet_path, circuit_path)
        sources = Sources(log_path, _name_to_keep(log_name), log_sha256, files.given, channels, cut or WHOLE)
        same = next((entry for entry in history if entry.inputs == sources.inputs), None)
        if same is None or anew:
            return _make(store, sources, files, given, history, progress or _silent)
        right = replace(
            same,
            **sheet_words(files.sheet, same.log_name) | given,  # type: ignore[arg-type]  # texts, all of them
            revision=same.revision if same == history[0] else history[0].revision + 1,
        )
        if right != same:
            store.put_right(right, given)
        return same.run_id
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            raise LogbookError(
                f"{where}: the disk is full. The logbook is as before: make room, then do it again."
            ) from None
        place = plain(str(error.filename or where))
        raise LogbookError(f"{place}: cannot be read or written ({error.strerror or error}).") from None


def _silent(words: str) -> None:
    """Nobody waits for progress."""


@dataclass(frozen=True)
class _Files:
    """User's files: parsed values, and the bytes they were read from."""

    bike: Bike
    sheet: SetupSheet
    circuit: Circuit | None
    given: Mapping[str, bytes]


def _read(bike_path: Path, sheet_path: Path | None, circuit_path: Path | None) -> _Files:
    """Bike file, setup sheet and circuit. Raises `BothEndsError` for one that cannot be used or changes meanwhile."""
    _load(bike_path, sheet_path, circuit_path)  # first, since it says best what is wrong with a file
    before = read_given(bike_path, sheet_path, circuit_path)
    loaded = _load(bike_path, sheet_path, circuit_path)
    if read_given(bike_path, sheet_path, circuit_path) != before:
        raise LogbookError(
            f"{bike_path}: it, or a file with it, changes while it is read; add the log again."
        )
    return _Files(*loaded, before)


def _load(bike: Path, sheet: Path | None, circuit: Path | None) -> tuple[Bike, SetupSheet, Circuit | None]:
    return (
        load_bike(bike),
        load_sheet(sheet) if sheet else SetupSheet(),
        load_circuit(circuit) if circuit else None,
    )


def _make(
    store: Store,
    sources: Sources,
    files: _Files,
    given: Mapping[str, str],
    history: tuple[RunEntry, ...],
    progress: Callable[[str], None],
) -> str:
    """Review a log and take it in. The original of an earlier revision serves again."""
    progress("reading the log")
    log = read_log(sources.log)
    if not history:  # what was confirmed for such logs is kept with the run: it says the same on any computer
        sources = replace(sources, channels={**confirmed_columns(files.bike, log), **sources.channels})
    bike = with_columns(files.bike, log, sources.channels)
    circuit = files.circuit
    if circuit is None and not history and (positions := positions_deg(bike, log)) is not None:
        circuit = known_circuit(*positions)  # and so is the circuit that is kept for the place
        if circuit is not None:
            sources = replace(sources, given={**sources.given, CIRCUIT: Path(circuit.kept_in).read_bytes()})
    progress("reviewing")
    with telling_columns(bike, log):
        result = review_log(log, bike, circuit=circuit, cut=sources.cut)
    name = sources.log_name
    summary = replace(result.summary, run=replace(result.summary.run, source=name))
    revision = history[0].revision + 1 if history else 1
    run_id = sources.inputs
    if store.catalogue.entry(run_id) in history:  # made again from the very same files
        run_id = f"{run_id}v{revision}"
    entry = entry_of(run_id, sources, summary, files.sheet, given, revision)
    kept = store.original(history[0]) if history else None
    progress("keeping the run")
    with store.workshop() as place:
        fill(place, sources, replace(log, source=name), summary, result.traces, entry, given, kept)
        store.take_in(place, run_id)
    return run_id


def check_words(words: Words) -> None:
    """Refuse, before the work, what the catalogue could not keep."""
    for word, text in words.items():
        if text is not None and (fault := fault_in(str(text))):
            raise LogbookError(f"{word} {plain(str(text))[:60]!r}: {fault}.")
    try:
        if (date := words.get("date")) is not None:
            calendar_date.fromisoformat(str(date))
    except ValueError:
        raise LogbookError(f"date {words['date']!r}: is not a date; write it as 2026-05-01.") from None


def _name_to_keep(log_name: str) -> str:
    """File name of the original in the logbook, valid on every system."""
    return plain(log_name).replace("\ufffd", "_").replace("\n", "_").replace("\t", "_").replace("\r", "_")


RIDER = "rider"  # folder of what riders said
TICKS = "ticks"  # and of what was ticked off
SEASON = "season"


class Logbook:
    """A logbook in a directory, which is made when missing or empty; not so with ``create`` False.

    `LogbookError` if there is no logbook, or it was written by another version.
    """

    def __init__(self, path: str | Path, *, create: bool = True) -> None:
        self.path = Path(path)
        self._check_place(create)
        try:
            self.store = Store(self.path)
        except OSError as error:
            raise LogbookError(f"{self.path}: cannot be made a logbook ({error.strerror}).") from None

    def _check_place(self, create: bool) -> None:
        runs = self.path / "runs"
        if (self.path / CATALOGUE).is_file():
            return
        if self.path.exists() and not self.path.is_dir():
            raise LogbookError(f"{self.path}: is a file; a logbook is a directory.")
        if self.path.is_dir() and any(self.path.iterdir()) and not any(runs.glob(f"*/{ENTRY}")):
            raise LogbookError(f"{self.path}: is not a logbook, and not empty; choose another directory.")
        if not create and not runs.is_dir():
            raise LogbookError(f"{self.path}: there is no logbook; make one with 'bothends add'.")

    def add(
        self,
        log_path: str | Path,
        bike_path: str | Path,
        sheet_path: str | Path | None = None,
        *,
        channels: Mapping[str, str] | None = None,
        circuit_path: str | Path | None = None,
        cut: Cut | None = None,
        progress: Callable[[str], None] | None = None,
        **words: Unpack[Words],
    ) -> str:
        """Review a log and keep it: the original byte for byte, the review, and what it rests on.

        Parameters
        ----------
        log_path, bike_path : str or Path
            Log and bike file.
        sheet_path : str or Path, optional
            Setup sheet; otherwise the one that this log's run already has, if any.
        channels : mapping of str to str, optional
            Column by key of [channels] and by ``front`` and ``rear``, where the log's names differ from the bike
            file's; otherwise those that this log's run has, or that were confirmed for a log of the same shape.
        circuit_path : str or Path, optional
            Circuit file, from an earlier run on it: places, corner numbers and names are then those of the circuit.
            Otherwise the one that this log's run already has, if any.
        cut : Cut, optional
            What of the log counts, in later rebuilds as well; otherwise what this log's run counts, else all of it.
        progress : callable, optional
            Gets a few words before each long step; what it raises ends the work, and the logbook is as before.
        **words : str, optional
            ``name``, ``date`` (ISO 8601, such as "2026-05-01"), ``place``, ``rider``, ``outing``, ``tyres``,
            ``notes``: what the catalogue is to say; otherwise what the setup sheet says.

        Returns
        -------
        str
            Run id. The same bytes of the log are one run. With the same bike file, setup sheet and circuit
            nothing is made again, only words that are given are put right; with others the run is made again, and
            what was there before stays as its history.

        Raises
        ------
        BothEndsError
            One of its kinds, if a file cannot be used; the logbook is then as before.
        """
        log_path = Path(log_path)
        sheet = Path(sheet_path) if sheet_path is not None else None
        return keep(
            self.store,
            log_path,
            Path(bike_path),
            sheet,
            words,
            log_name=log_path.name,
            channels=channels or {},
            circuit_path=Path(circuit_path) if circuit_path is not None else None,
            cut=cut,
            progress=progress,
        )

    def rebuild(
        self,
        run_id: str,
        *,
        bike_path: str | Path | None = None,
        sheet_path: str | Path | None = None,
        channels: Mapping[str, str] | None = None,
        circuit_path: str | Path | None = None,
        cut: Cut | None = None,
        progress: Callable[[str], None] | None = None,
        **words: Unpack[Words],
    ) -> str:
        """Make a run again from its original; what is given takes the place of what the run was made with.

        Parameters as of `add`; ``channels`` are added to those of the run. Returns the id of the run as it is now;
        what was there before stays as its history. `BothEndsError`, one of its kinds, if the run is unknown, its
        original is damaged, or a file cannot be used.
        """
        entry, original = self.entry(run_id), self.original(run_id)
        if not original.is_file() or file_sha256(original) != entry.log_sha256:
            raise LogbookError(
                f"{original}: is missing or damaged, so the run cannot be made again. Move "
                f"{self._home(run_id)} out of the logbook and add your own copy of the log."
            )
        bike = Path(bike_path) if bike_path is not None else self.store.bike(run_id)
        sheet = Path(sheet_path) if sheet_path is not None else self.store.sheet(run_id)
        return keep(
            self.store,
            original,
            bike,
            sheet,
            words,
            log_name=entry.log_name,
            channels=channels or {},
            circuit_path=Path(circuit_path) if circuit_path is not None else self.store.circuit(run_id),
            cut=cut,
            progress=progress,
            anew=True,
        )

    def version(self, run_id: str) -> str:
        """What changes whenever the words of a run do, or it is no longer the one that holds."""
        return version_of(self.record(run_id)) if self.history(run_id)[-1].run_id == run_id else ""

    def expect(self, run_id: str, version: str) -> None:
        """Raises `LogbookError` if a run was changed since its ``version`` was asked for."""
        if not version or version != self.version(run_id):
            raise LogbookError(CHANGED_MEANWHILE)

    def set_words(self, run_id: str, words: Mapping[str, str], *, version: str) -> None:
        """Put right what the catalogue says of a run; what it said before stays in its history.

        A word that is missing, or the same as on the setup sheet, is as the sheet has it. `LogbookError` if somebody
        else changed the run since its ``version`` was asked for, or a word cannot be kept.
        """
        check_words({key: text for key, text in words.items() if text})  # type: ignore[arg-type]
        self.expect(run_id, version)
        entry = self.entry(run_id)
        of_sheet = sheet_words(self.sheet(run_id) or SetupSheet(), entry.log_name)
        given = {word: text for word, text in words.items() if word in of_sheet and text != of_sheet[word]}
        changed = replace(entry, **of_sheet | given)  # type: ignore[arg-type]  # texts, all of them
        if changed != entry:
            self.store.put_right(changed, given, expected=version)

    def go_back(self, run_id: str, earlier_id: str, *, version: str) -> None:
        """Let an earlier version of a run hold again, with the words as they are now.

        `LogbookError` if it is none of this run, or somebody else changed the run since its ``version`` was asked for.
        """
        self.expect(run_id, version)
        now, given = self.entry(run_id), self.record(run_id).given
        earlier = next((one for one in self.history(run_id) if one.run_id == earlier_id), None)
        if earlier is None:
            raise LogbookError(f"{earlier_id!r} is no earlier version of this run.")
        of_sheet = sheet_words(self.sheet(earlier_id) or SetupSheet(), earlier.log_name)
        words = of_sheet | dict(given)
        self.store.put_right(replace(earlier, **words, revision=now.revision + 1), given)  # type: ignore[arg-type]

    def rider_words(self, run_id: str) -> tuple[RiderWord, ...]:
        """What the rider said of a run, oldest first; it stays when the run is made again."""
        return read_words(self.path / RIDER, self.entry(run_id).log_sha256)

    def add_rider_word(
        self,
        run_id: str,
        *,
        corner: int | None = None,
        lap: int | None = None,
        felt: str = "",
        text: str = "",
    ) -> None:
        """Keep an answer of the rider, as of `telemetry.logbook.rider.RiderWord`. Raises `LogbookError`."""
        word, log = new_word(corner, lap, felt, text), self.entry(run_id).log_sha256
        with self.store.catalogue.changing():  # nobody else adds one meanwhile
            write_words(self.path / RIDER, log, (*read_words(self.path / RIDER, log), word))

    def ticks(self, run_id: str) -> frozenset[str]:
        """What was ticked off of the checks of a run; it stays when the run is made again."""
        return read_ticks(self.path / TICKS, self.entry(run_id).log_sha256)

    def tick(self, run_id: str, check: str, *, on: bool) -> None:
        """Tick a check off, or take that back. Raises `LogbookError`."""
        log = self.entry(run_id).log_sha256
        with self.store.catalogue.changing():
            write_tick(self.path / TICKS, log, check, on=on)

    def throw_away(self, run_id: str, *, version: str = "") -> None:
        """Move a run with its history into the bin. Raises `LogbookError` if somebody else changed it since."""
        if version:
            self.expect(run_id, version)
        self.store.to_bin(self.history(run_id))

    def in_bin(self) -> tuple[RunEntry, ...]:
        """Runs in the bin, each as it was last."""
        newest: dict[str, RunEntry] = {}
        for entry in self.store.binned():
            newest.setdefault(entry.log_sha256, entry)
        return tuple(newest.values())

    def take_back(self, run_id: str) -> None:
        """Put a run from the bin back with its history. Raises `LogbookError` for one that is not there."""
        binned = self.store.binned()
        entry = next((one for one in binned if one.run_id == run_id), None)
        if entry is None:
            raise LogbookError(f"The bin holds no run {run_id[:80]!r}.")
        self.store.from_bin(tuple(one for one in binned if one.log_sha256 == entry.log_sha256))

    def runs(self) -> tuple[RunEntry, ...]:
        """All runs, newest outing first."""
        return self.store.catalogue.entries()

    def left_out(self) -> tuple[Path, ...]:
        """Directories of runs whose record cannot be read, so that no catalogue holds them; `verify` says more."""
        return self.store.left_out()

    def history(self, run_id: str) -> tuple[RunEntry, ...]:
        """Earlier versions of a run, oldest first; the last one is current."""
        return self.store.catalogue.of_log(self.entry(run_id).log_sha256)[::-1]

    def revisions(self) -> tuple[RunEntry, ...]:
        """All runs and their history."""
        return self.store.catalogue.revisions()

    def entry(self, run_id: str) -> RunEntry:
        """Catalogue entry of a run. Raises `LogbookError` if the logbook has no such run."""
        entry = self.store.catalogue.entry(run_id)
        if entry is None:
            raise LogbookError(f"{self.path}: has no run {run_id[:80]!r}; it has {len(self.runs())} others.")
        return entry

    def find(self, text: str) -> RunEntry:
        """The run that a person means: by its id, the start of its id, or its name.

        `LogbookError` if no run is meant, or more than one.
        """
        runs = self.runs()
        exact = self.store.catalogue.entry(text)  # of a run's history, too, when it is meant to the letter
        for matches in (
            [exact] if exact else [],
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

    def record(self, run_id: str) -> Record:
        """Record of a run's directory with the hash of every file. Raises `LogbookError`."""
        return self.store.record(self.entry(run_id).run_id)

    def _home(self, run_id: str) -> Path:
        return self.store.home(self.entry(run_id).run_id)

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

    def season_record(self, run_id: str) -> RunRecord:
        """Numbers of a run for a season, kept beside the runs and made again when they are missing.

        `LogbookError` for an unknown id, or a review that cannot be read.
        """
        return self._with_words(self.entry(run_id), {one.run_id: one for one in self._kept_records()})

    def season(self) -> tuple[RunRecord, ...]:
        """Numbers of all runs for a season, without runs whose review cannot be read."""
        kept = {one.run_id: one for one in self._kept_records()}
        found = []
        for entry in self.runs():
            try:
                found.append(self._with_words(entry, kept))
            except LogbookError:  # `logbook verify` names it
                continue
        return tuple(found)

    def _kept_records(self) -> tuple[RunRecord, ...]:
        try:
            return Dataset(self.path / SEASON).records()
        except LogbookError:  # damaged: they are made again
            return ()

    def _with_words(self, entry: RunEntry, kept: Mapping[str, RunRecord]) -> RunRecord:
        """Record of a run with the words that the catalogue has now."""
        record = kept.get(entry.run_id)
        if record is None or record.inputs != REGISTRY:
            summary = self.summary(entry.run_id)
            record = replace(
                record_of(summary, entry.log_name, name=entry.name),
                run_id=entry.run_id,
                log_sha256=entry.log_sha256,
                inputs=REGISTRY,
            )
            with suppress(LogbookError):  # a disk that cannot be written to costs time, not the numbers
                Dataset(self.path / SEASON).add(record)
        date = entry.date or date_in(entry.log_name)
        return replace(record, name=entry.name or entry.run_id, date=date, circuit=entry.place)

    def traces(self, run_id: str, columns: tuple[str, ...] | None = None) -> Traces:
        """The traces of a run, all or some columns, as far as the run has them (a log without GPS has no ``x_m``).

        `LogbookError` for an unknown id or traces that cannot be read.
        """
        path = self._home(run_id) / TRACES
        return read_whole_traces(path, lambda: self.bike(run_id), columns or TRACE_COLUMNS)

    def bike(self, run_id: str) -> Bike:
        """The bike file a run was reviewed with. Raises `LogbookError` for an unknown id."""
        return load_bike(self.store.bike(self.entry(run_id).run_id))

    def measured(self, run_id: str, bike: Bike | None = None) -> tuple[Measured, Bike]:
        """Motion and laps of a run as reviewed, or with another ``bike``, and the bike with the columns of that log.

        `BothEndsError`, one of its kinds, for an unknown id or a log that cannot be read.
        """
        log, path = self.log(run_id), self.store.circuit(run_id)
        named = with_columns(bike or self.bike(run_id), log, self.store.channels(run_id))
        circuit = load_circuit(path) if path else None
        return measure(log, named, circuit=circuit, cut=self.store.cut(run_id), last_use=True), named

    def sheet(self, run_id: str) -> SetupSheet | None:
        """The setup sheet of a run, None when it has none. Raises `LogbookError` for an unknown id."""
        path = self.store.sheet(self.entry(run_id).run_id)
        return load_sheet(path) if path else None

    def original(self, run_id: str) -> Path:
        """The log as it was added, byte for byte. Raises `LogbookError` for an unknown id."""
        return self.store.original(self.entry(run_id))

    def log(self, run_id: str) -> RawLog:
        """The columns of the log as they were read, without reading it again where that is possible.

        `BothEndsError`, one of its kinds, for an unknown id or a log that cannot be read.
        """
        path = self._home(run_id) / STORED_LOG
        return read_stored_log(path) if path.is_file() else read_log(self.original(run_id))


def damper_histories(
    entries: Iterable[RunEntry], summary_of: Callable[[str], Summary]
) -> dict[str, tuple[DamperRun, ...]]:
    """Outings, oldest first, of every damper that a bike file names, by its ``id`` in alphabetical order.

    ``summary_of`` gives the review of a run by its id; a run that cannot be read (`LogbookError`) is left out.
    """
    runs = []
    for entry in sorted(entries, key=lambda entry: (entry.date, entry.added_at)):
        try:
            runs.append((entry.run_id, entry.name, entry.date, summary_of(entry.run_id)))
        except LogbookError:
            continue
    names = sorted({fitted.id for *_, summary in runs for fitted in summary.dampers.values()})
    return {name: damper_history(name, runs) for name in names}


def history_of_damper(logbook: Logbook, damper: str) -> tuple[DamperRun, ...]:
    """Outings of a damper, by its ``id`` in the bike files, oldest first.

    `LogbookError` if no run has it; the message names those there are.
    """
    found = damper_histories(logbook.runs(), logbook.summary)
    if damper not in found:
        there = f"there are {', '.join(found)}" if found else "no bike file names one"
        raise LogbookError(
            f"{logbook.path}: no run has a damper with the id {damper!r} ({there}); it is written as id in "
            "[front.damper] or [rear.damper] of the bike file."
        )
    return found[damper]
