"""Adding a run to a logbook, and making one again: read, review, build, take in."""

import errno
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date as calendar_date
from pathlib import Path
from typing import TYPE_CHECKING

from telemetry.bike import Bike, load_bike
from telemetry.errors import LogbookError, LogError
from telemetry.laps import Circuit, known_circuit, load_circuit
from telemetry.logbook.build import CIRCUIT, Sources, entry_of, fill, read_given
from telemetry.logbook.entry import RunEntry, Words, file_sha256, sheet_words
from telemetry.logbook.store import Store
from telemetry.logs import RawLog, read_log
from telemetry.plaintext import fault_in, plain
from telemetry.review import WHOLE, Cut, confirmed_columns, positions_deg, telling_columns, with_columns
from telemetry.setup import SetupSheet, load_sheet

if TYPE_CHECKING:
    from telemetry.review import Review


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
        result = review_log(log, bike, circuit, sources.cut)
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


def review_log(log: RawLog, bike: Bike, circuit: Circuit | None = None, cut: Cut = WHOLE) -> "Review":
    """Review a log; imported here, so that only who adds a run waits for the heavy libraries."""
    from telemetry.review import review

    return review(log, bike, circuit=circuit, cut=cut)


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
