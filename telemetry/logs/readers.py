"""Table of the formats a log can have: a new format is a module and a line here."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Protocol

import numpy as np
import pyarrow as pa

from telemetry.decimals import Columns, packed
from telemetry.errors import LogError
from telemetry.logs import delimited, matlab, mdf
from telemetry.logs.arrow import ARROW_IPC, PARQUET
from telemetry.logs.rawlog import RawLog
from telemetry.logs.textfile import read_head
from telemetry.notes import QualityNote
from telemetry.plaintext import plain


class Reader(Protocol):
    """Interface of a reader, as a rule a module."""

    @property
    def NAME(self) -> str:
        """What to call the format."""

    def recognises(self, path: Path) -> bool:
        """Whether the file looks like this format."""

    def read(self, path: Path) -> RawLog:
        """Read it."""


# Nothing that a logger measures, in any unit, is beyond it, and counts of time are not either.
MOST = 1e30

# The first that recognises a file reads it. `delimited` recognises every text: it stays last.
READERS: tuple[Reader, ...] = (PARQUET, ARROW_IPC, mdf, matlab, delimited)


@contextmanager
def _memory_of_the_system() -> Iterator[None]:
    """Arrow takes its memory from the system meanwhile: its own pool keeps much of what was freed."""
    before = pa.default_memory_pool()
    pa.set_memory_pool(pa.system_memory_pool())
    try:
        yield
    finally:
        pa.set_memory_pool(before)


def read_log(path: str | Path, *, reader: str | None = None) -> RawLog:
    """Read a log in whichever format it is; ``reader`` is the name of one of `READERS` that must read it.

    `LogError` if the file is missing, empty, of no known format, or holds no numbers.
    """
    path = Path(path)
    _check_there_is_something(path)
    names = [candidate.NAME for candidate in READERS]
    if reader is not None and reader not in names:
        raise LogError(f"reader {reader!r} is not known; known are {', '.join(map(repr, names))}.")
    for candidate in READERS:
        if reader == candidate.NAME or (reader is None and candidate.recognises(path)):
            with _memory_of_the_system():
                return _within_reason(_plainly(candidate.read(path)))
    if read_head(path, 4) == b"PK\x03\x04":
        raise LogError(
            f"{path}: is a .zip archive or a spreadsheet; unpack it, or export the log as CSV, and give that file."
        )
    raise LogError(
        f"{path}: is a binary file that no reader ({', '.join(names)}) recognises; its first bytes are "
        f"{read_head(path, 8)!r}. Export the log as CSV."
    )


def _plainly(log: RawLog) -> RawLog:
    """A log whose words are fit for a terminal, whatever the file and its name hold."""
    return replace(
        log,
        source=plain(log.source),
        units={name: plain(unit) for name, unit in log.units.items()},
        metadata={plain(key): plain(value) for key, value in log.metadata.items()},
        notes=tuple(replace(note, message=plain(note.message)) for note in log.notes),
    )


def _within_reason(log: RawLog) -> RawLog:
    """A log without numbers that nothing measures, so that squares and sums of the others are numbers."""
    columns, notes = {name: log.column(name) for name in log.columns}, list(log.notes)
    for name, column in columns.items():
        limits = column.limits
        if limits is None or max(-limits[0], limits[1]) <= MOST:
            continue
        values = column.values.copy()
        beyond = np.flatnonzero(np.abs(values) > MOST)
        values[beyond] = np.nan
        columns[name] = packed(values)
        row = log.first_row + int(beyond[0])
        message = (
            f"{beyond.size} cells of {name!r} are beyond {MOST:g} (first: row {row}); they count as missing."
        )
        notes.append(QualityNote("warning", "unreadable_cells", message, channel=name))
    return replace(log, columns=Columns(columns), notes=tuple(notes)) if len(notes) > len(log.notes) else log


def _check_there_is_something(path: Path) -> None:
    try:
        if path.is_dir():
            raise LogError(f"{path}: is a directory; give the log file itself.")
        with path.open("rb") as file:
            if not file.read(1):
                raise LogError(f"{path}: is empty (0 bytes); export the log again.")
    except FileNotFoundError:
        raise LogError(f"{path}: no such file; check the path of the log.") from None
    except OSError as error:
        raise LogError(f"{path}: cannot be read ({error.strerror}).") from None
