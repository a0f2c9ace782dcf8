"""A logbook of the first layout brought to this one.

Layout 1 had no log.parquet, no hashes but that of the original, and took a log with another bike file or
setup sheet for another run. Nothing of it is thrown away: such runs become the history of one.
"""

import sqlite3
from dataclasses import replace
from pathlib import Path

from telemetry.errors import BothEndsError
from telemetry.logbook.build import ENTRY, SHEET, hashes
from telemetry.logbook.catalogue import enter
from telemetry.logbook.entry import Record, read_record, record_to_json, sheet_words
from telemetry.logbook.files import replace_text
from telemetry.setup import SetupSheet, load_sheet

_NEW_COLUMNS = (
    "tyres TEXT NOT NULL DEFAULT ''",
    "revision INTEGER NOT NULL DEFAULT 1",
    "inputs TEXT NOT NULL DEFAULT ''",
)


def from_layout_1(connection: sqlite3.Connection, runs: Path) -> None:
    """Bring the catalogue and every run to this layout; killed in between, it begins again."""
    for column in _NEW_COLUMNS:
        connection.execute(f"ALTER TABLE run ADD COLUMN {column}")
    connection.execute("UPDATE run SET inputs = run_id")
    rows = connection.execute("SELECT run_id, log_sha256 FROM run ORDER BY added_at, run_id").fetchall()
    revisions: dict[str, int] = {}
    for run_id, log_sha256 in rows:
        revisions[log_sha256] = revision = revisions.get(log_sha256, 0) + 1
        connection.execute("UPDATE run SET revision = ? WHERE run_id = ?", (revision, run_id))
        try:
            record = read_record(runs / run_id / ENTRY)
        except BothEndsError:
            continue  # `bothends logbook verify` names it
        enter(connection, upgraded(record, runs / run_id, revision).entry)


def upgraded(record: Record, home: Path, revision: int) -> Record:
    """The record of a run in this layout, written to its directory when it was of the first."""
    if record.files:
        return record
    sheet = SetupSheet()
    if (home / SHEET).is_file():
        try:
            sheet = load_sheet(home / SHEET)
        except BothEndsError:
            sheet = SetupSheet()  # its words are in the entry, and are kept from there
    of_sheet = sheet_words(sheet, record.entry.log_name)
    given = {
        word: text
        for word, of_the_sheet in of_sheet.items()
        if (text := getattr(record.entry, word)) and text != of_the_sheet
    }
    entry = replace(
        record.entry,
        tyres=record.entry.tyres or of_sheet["tyres"],
        revision=revision,
        inputs=record.entry.run_id,
    )
    new = Record(entry, given, hashes(home, entry))
    replace_text(home / ENTRY, record_to_json(new))
    return new
