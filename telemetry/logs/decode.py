"""From the parsed cells of a delimited text to columns of numbers, with what was found on the way."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from telemetry.arrays import FloatArray, IntArray
from telemetry.errors import LogError
from telemetry.logs.cells import NA_WORDS, Column, numbers_from_words
from telemetry.logs.dialect import Dialect
from telemetry.logs.oddrows import OddRows, place_odd_rows
from telemetry.logs.times import read_time_text
from telemetry.notes import QualityNote

OTHER_MARK = {".": ",", ",": "."}


@dataclass(frozen=True)
class Decoded:
    """Columns, their units, what the file says about itself, and what was found."""

    columns: dict[str, FloatArray]
    units: dict[str, str]
    metadata: dict[str, str]
    notes: tuple[QualityNote, ...]


@dataclass(frozen=True)
class _Numbers:
    """One column: its values, rows that could not be read, the first such cell, and the start of text time."""

    values: FloatArray
    unreadable: IntArray
    word: str = ""
    start: str = ""


def decode(
    cells: list[Column], odd_rows: Sequence[tuple[int, str]], dialect: Dialect, *, source: str
) -> Decoded:
    """Columns by name; odd rows are put back as NaN, so that a row's number is its line in the file.

    Parameters
    ----------
    cells : list of ndarray of float64 or pyarrow.ChunkedArray of string
        One for each cell of a row. It is emptied on the way, text let go once it is decoded.
    odd_rows : sequence of (line, text)
        Rows that have not as many cells.
    source : str
        The file, for messages.

    Raises
    ------
    LogError
        If most rows do not fit, or none holds a number.
    """
    width, n_parsed = len(dialect.names), len(cells[0])
    odd = place_odd_rows(odd_rows, first_row=dialect.first_row, n_parsed=n_parsed, width=width)
    if odd.wrong > n_parsed:
        raise LogError(
            f"{source}, row {odd.first_wrong_line}: more than half of the rows do not have {width} cells; "
            f"export the log again."
        )
    repeated = _repeated_head(cells, dialect)
    columns: dict[str, FloatArray] = {}
    units, metadata, notes = {}, dict(dialect.metadata), list(odd.notes)
    if repeated.size:
        line = _line(int(repeated[0]), odd, dialect)
        message = f"The header comes again in {repeated.size} rows (first: row {line}); they are left out."
        notes.append(QualityNote("info", "repeated_header", message))
    cells.reverse()
    for index, (name, unit) in enumerate(zip(dialect.names, dialect.units, strict=True)):
        found = _numbers(cells.pop(), dialect, index, repeated)
        unnamed = name == f"column {index + 1}"
        if unnamed and not found.unreadable.size and np.isnan(found.values).all():
            continue  # a delimiter at the end of every line makes one blank column more
        columns[name] = np.insert(found.values, odd.insert_at, np.nan) if odd.insert_at.size else found.values
        units[name] = "s" if found.start else unit
        if found.start:
            metadata.setdefault("start", found.start)
        if found.unreadable.size:
            line = _line(int(found.unreadable[0]), odd, dialect)
            notes.append(_unreadable_note(name, found, line))
    n_rows = _rows_with_numbers(columns)
    if n_rows == 0:
        raise LogError(f"{source}: holds no row of numbers; export the log again.")
    return Decoded({name: values[:n_rows] for name, values in columns.items()}, units, metadata, tuple(notes))


def _line(row: int, odd: OddRows, dialect: Dialect) -> int:
    """Line of the file that holds a row of the table."""
    return dialect.first_row + row + int(np.count_nonzero(odd.insert_at <= row))


def _repeated_head(cells: Sequence[Column], dialect: Dialect) -> IntArray:
    """Rows that are the header or the units row once more, as where a logger was switched off and on."""
    if any(isinstance(column, np.ndarray) for column in cells):
        return np.empty(0, dtype=np.int64)
    found: list[int] = []
    for head in dialect.head_rows:
        index = next((index for index, cell in enumerate(head) if cell), 0)
        same = pc.fill_null(pc.equal(pc.utf8_trim_whitespace(cells[index]), head[index]), False)
        for row in np.flatnonzero(np.asarray(same.to_pylist(), dtype=bool)):
            if all(_word(column, int(row)).strip() == cell for column, cell in zip(cells, head, strict=True)):
                found.append(int(row))
    return np.array(sorted(set(found)), dtype=np.int64)


def _word(column: pa.ChunkedArray, row: int) -> str:
    """A cell as a person would see it; UTF-8 was read as Latin-1."""
    return str(column[row].as_py() or "").encode("latin-1", "replace").decode("utf-8", "replace")


def _numbers(column: Column, dialect: Dialect, index: int, repeated: IntArray) -> _Numbers:
    if isinstance(column, np.ndarray):
        unreadable = np.flatnonzero(np.isinf(column)).astype(np.int64)
        column[unreadable] = np.nan
        return _Numbers(column, unreadable, "inf")
    start = ""
    if index in dialect.times and (time := read_time_text(column)) is not None:
        values, start = time.t_s, time.start
        unreadable = _filled_rows(column, np.flatnonzero(np.isnan(values)))
    else:
        values, unreadable = numbers_from_words(column, dialect.decimal)
        if unreadable.size and not dialect.decimal_seen:
            other = numbers_from_words(column, OTHER_MARK[dialect.decimal])
            values, unreadable = min((values, unreadable), other, key=lambda way: way[1].size)
    unreadable = np.setdiff1d(unreadable, repeated)
    word = _word(column, int(unreadable[0])) if unreadable.size else ""
    return _Numbers(values, unreadable, word, start)


def _filled_rows(column: pa.ChunkedArray, rows: IntArray) -> IntArray:
    """Those of some rows whose cell says something."""
    words = column.take(pa.array(rows.tolist())).to_pylist() if rows.size else []
    return np.array(
        [row for row, word in zip(rows, words, strict=True) if (word or "").strip().lower() not in NA_WORDS],
        dtype=np.int64,
    )


def _rows_with_numbers(columns: dict[str, FloatArray]) -> int:
    """Rows up to the last that holds a number: blank lines at the end are no data."""
    from_the_end = [np.isfinite(values[::-1]) for values in columns.values()]
    return max((len(finite) - int(finite.argmax()) for finite in from_the_end if finite.any()), default=0)


def _unreadable_note(name: str, found: _Numbers, line: int) -> QualityNote:
    word = found.word[:40]
    if not np.isfinite(found.values).any():
        message = f"Column {name!r} holds words, not numbers (first: {word!r} in row {line}); it is not used."
        return QualityNote("info", "words", message, channel=name)
    message = (
        f"{found.unreadable.size} cells of {name!r} are no numbers (first: {word!r} in row {line}); "
        f"they count as missing."
    )
    return QualityNote("warning", "unreadable_cells", message, channel=name)
