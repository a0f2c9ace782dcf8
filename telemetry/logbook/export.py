"""Giving everything back in open formats, so that nobody needs this program to read what it kept."""

import csv
import json
import re
import shutil
from collections.abc import Iterable
from dataclasses import asdict, fields
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq

from telemetry.arrays import FloatArray
from telemetry.errors import LogbookError
from telemetry.logbook.build import BIKE, DERIVED, ORIGINAL, REVIEW, SHEET
from telemetry.logbook.entry import RunEntry, flush_tree, has_link
from telemetry.logbook.logbook import Logbook
from telemetry.plaintext import csv_cell

_README = """Exported from a logbook of Both Ends.

catalogue.csv, catalogue.json   what runs there are; of several lines with one log_sha256 the one with the
                                highest revision holds, the others are its history. In the CSV, a text that a
                                spreadsheet would take for a formula has an apostrophe before it
runs/.../original/              the log, byte for byte
runs/.../log.parquet            its columns as they were read, in the log's own units
runs/.../run.csv, run.parquet   the run sample by sample: t_s in s, travel in mm (compression positive, 0 at
                                full extension), speed in mm/s; empty where unknown
runs/.../review.json            the review
runs/.../bike.toml, sheet.toml  bike file (with the files it names) and setup sheet
runs/.../circuit.toml           the circuit it was ridden on, where one was given
runs/.../channels.json          which column means what, where the log's names differ from the bike file's
"""


def export(logbook: Logbook, out: str | Path, entries: Iterable[RunEntry] | None = None) -> int:
    """Write runs and their history in open formats: the original, CSV, Parquet, JSON and TOML.

    Parameters
    ----------
    out : str or Path
        Directory to make; it is there complete, or not at all.
    entries : iterable of RunEntry, optional
        Otherwise everything that the logbook keeps, with the history of every run.

    Returns
    -------
    int
        How many runs were written.

    Raises
    ------
    LogbookError
        If the directory is there already, lies inside the logbook, cannot be written, or a run is damaged.
    """
    out = Path(out)
    chosen = tuple(entries) if entries is not None else logbook.revisions()
    if out.exists():
        raise LogbookError(f"{out}: is there already; give the name of a directory to make.")
    if logbook.path.resolve() in out.resolve().parents:
        raise LogbookError(f"{out}: lies inside the logbook; export to another place.")
    part = out.with_name(f".{out.name}.part")
    try:
        shutil.rmtree(part, ignore_errors=True)
        part.mkdir(parents=True)
        (part / "README.txt").write_text(_README, encoding="utf-8")
        _write_catalogue(part, chosen)
        for entry in chosen:
            _write_run(logbook, entry, part / "runs" / _folder(entry))
        flush_tree(part)
        part.rename(out)
    except OSError as error:
        where = error.filename or out
        raise LogbookError(f"{where}: cannot be read or written ({error.strerror}).") from None
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return len(chosen)


def _write_catalogue(out: Path, entries: tuple[RunEntry, ...]) -> None:
    rows = [asdict(entry) for entry in entries]
    text = json.dumps(rows, indent=1, ensure_ascii=False)
    (out / "catalogue.json").write_text(text, encoding="utf-8")
    with (out / "catalogue.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, [field.name for field in fields(RunEntry)])
        writer.writeheader()
        writer.writerows(
            {key: csv_cell(value) if isinstance(value, str) else value for key, value in row.items()}
            for row in rows
        )


def _folder(entry: RunEntry) -> str:
    """A name that a person recognises and every file system takes; the id keeps it apart from others."""
    words = re.sub(r"[^A-Za-z0-9._-]+", "-", f"{entry.date} {entry.name}").strip("-.")
    return f"{words[:60]}-{entry.run_id}".lstrip("-")


def _write_run(logbook: Logbook, entry: RunEntry, out: Path) -> None:
    home = logbook.store.home(entry.run_id)
    # Of the files that were given, all: bike file, what it names, setup sheet.
    given = {BIKE, SHEET, *logbook.record(entry.run_id).files} - DERIVED
    for name in (f"{ORIGINAL}/{entry.log_name}", REVIEW, *sorted(given)):
        if has_link(home, name):
            raise LogbookError(
                f"{home / name}: is a link, which is not followed; bothends logbook verify says more."
            )
        if (home / name).is_file() or name not in given:
            (out / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(home / name, out / name)
    log = logbook.log(entry.run_id)
    schema = pa.schema(
        [pa.field(name, pa.float64(), metadata={"unit": log.units.get(name, "")}) for name in log.columns]
    )
    pq.write_table(_table(log.columns.items()).cast(schema), out / "log.parquet", compression="zstd")
    run = _table(logbook.traces(entry.run_id).columns.items())
    pq.write_table(run, out / "run.parquet", compression="zstd")
    pyarrow.csv.write_csv(run, out / "run.csv")


def _table(columns: Iterable[tuple[str, FloatArray]]) -> pa.Table:
    """Columns as a table; NaN becomes null."""
    return pa.table({name: pa.array(values, mask=np.isnan(values)) for name, values in columns})
