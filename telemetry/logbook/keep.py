"""Adding a run to a logbook, and making one again: read, review, build, take in."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import date as calendar_date
from pathlib import Path
from typing import TYPE_CHECKING

from telemetry.bike import Bike, load_bike
from telemetry.columns import confirmed_columns, telling_columns, with_columns
from telemetry.cut import WHOLE, Cut
from telemetry.errors import LogbookError, LogError
from telemetry.laps import Circuit, load_circuit
from telemetry.logbook.build import Sources, entry_of, fill
from telemetry.logbook.entry import RunEntry, Words, sheet_words
from telemetry.logbook.files import file_sha256
from telemetry.logbook.store import Store
from telemetry.logs import RawLog, read_log
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
    anew: bool = False,
) -> str:
    """Keep a log: as `telemetry.logbook.Logbook.add` says.

    Parameters
    ----------
    store : Store
    log_path, bike_path : Path
    sheet_path : Path or None
        None: the one that the log's run already has, if any.
    words : Words
    log_name : str
        What to call the original.
    channels : mapping of str to str
        Columns by meaning that a person chose, added to those that the log's run already has.
    circuit_path : Path or None
        None: the one that the log's run already has, if any.
    cut : Cut or None
        What of the log counts; None: as in the log's run, if any.
    anew : bool
        Make the run again even when it was made from the very same files.

    Returns
    -------
    str
        Run id.
    """
    bike = load_bike(bike_path)
    sheet = load_sheet(sheet_path) if sheet_path else SetupSheet()
    given = {word: str(text) for word, text in words.items() if text is not None}
    _check_date(given.get("date"))
    if not log_path.is_file():
        raise LogError(f"{log_path}: no such file; check the path of the log.")
    try:
        log_sha256 = file_sha256(log_path)
        history = store.of_log(log_sha256)
        if history:
            given = {**store.record(history[0].run_id).given, **given}
            if sheet_path is None and (sheet_path := store.sheet(history[0].run_id)):
                sheet = load_sheet(sheet_path)
            circuit_path = circuit_path or store.circuit(history[0].run_id)
            channels = {**store.channels(history[0].run_id), **channels}
            cut = store.cut(history[0].run_id) if cut is None else cut
        sources = Sources(
            log_path, log_name, log_sha256, bike_path, sheet_path, channels, circuit_path, cut or WHOLE
        )
        same = next((entry for entry in history if entry.inputs == sources.inputs), None)
        if same is None or anew:
            return _make(store, sources, bike, sheet, given, history)
        right = replace(
            same,
            **sheet_words(sheet, same.log_name) | given,  # type: ignore[arg-type]  # texts, all of them
            revision=same.revision if same == history[0] else history[0].revision + 1,
        )
        if right != same:
            store.put_right(right, given)
        return same.run_id
    except OSError as error:
        where = error.filename or log_path
        raise LogbookError(f"{where}: cannot be read or written ({error.strerror}).") from None


def _make(
    store: Store,
    sources: Sources,
    bike: Bike,
    sheet: SetupSheet,
    given: Mapping[str, str],
    history: tuple[RunEntry, ...],
) -> str:
    """Review a log and take it in. The original of an earlier revision serves again."""
    log = read_log(sources.log)
    if not history:  # what was confirmed for such logs is kept with the run: it says the same on any computer
        sources = replace(sources, channels={**confirmed_columns(bike, log), **sources.channels})
    bike = with_columns(bike, log, sources.channels)
    circuit = load_circuit(sources.circuit) if sources.circuit else None
    with telling_columns(bike, log):
        result = review_log(log, bike, circuit, sources.cut)
    name = sources.log_name
    summary = replace(result.summary, run=replace(result.summary.run, source=name))
    revision = history[0].revision + 1 if history else 1
    run_id = sources.inputs
    if store.catalogue.entry(run_id) in history:  # made again from the very same files
        run_id = f"{run_id}v{revision}"
    entry = entry_of(run_id, sources, summary, sheet, given, revision)
    kept = store.original(history[0]) if history else None
    with store.workshop() as place:
        fill(place, sources, replace(log, source=name), summary, result.traces, entry, given, kept)
        store.take_in(place, run_id)
    return run_id


def review_log(log: RawLog, bike: Bike, circuit: Circuit | None = None, cut: Cut = WHOLE) -> "Review":
    """Review a log; imported here, so that only who adds a run waits for the heavy libraries."""
    from telemetry.review import review

    return review(log, bike, circuit=circuit, cut=cut)


def _check_date(text: str | None) -> None:
    try:
        if text is not None:
            calendar_date.fromisoformat(text)
    except ValueError:
        raise LogbookError(f"date {text!r}: is not a date; write it as 2026-05-01.") from None
