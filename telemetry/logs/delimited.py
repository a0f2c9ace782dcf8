"""Delimited text: CSV and TSV in any common dialect, plain or compressed. Apache Arrow does the parsing."""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as arrow_csv

from telemetry.arrays import FloatArray, IntArray
from telemetry.errors import LogError
from telemetry.logs.cells import numbers_from_words, to_float64
from telemetry.logs.dialect import Dialect, is_comment, sniff
from telemetry.logs.oddrows import place_odd_rows
from telemetry.logs.rawlog import RawLog
from telemetry.logs.textfile import (
    HEAD_BYTES,
    compression,
    detect_encoding,
    head_lines,
    open_bytes,
    read_head,
)
from telemetry.notes import QualityNote, Step

NAME = "delimited text"

_OTHER_MARK = {".": ",", ",": "."}


def recognises(path: Path) -> bool:
    """Whether the file is text."""
    return detect_encoding(read_head(path)) is not None


def read(path: Path) -> RawLog:
    """Read delimited text.

    Parameters
    ----------
    path : Path

    Returns
    -------
    RawLog
        Blank cells, words for "no value" and cells that are not numbers are NaN; the last are counted and
        located in the notes.

    Raises
    ------
    LogError
        If the file is empty, is not text, or holds no rows of numbers.
    """
    head = read_head(path)
    encoding = detect_encoding(head)
    if encoding is None:
        raise LogError(f"{path}: is a binary file, not text; export the log as CSV.")
    lines = head_lines(head, encoding, whole=len(head) < HEAD_BYTES)
    if not any(line.strip() for line in lines):
        raise LogError(f"{path}: is empty; export the log again.")
    dialect = sniff(lines)
    if dialect is None:
        raise LogError(_no_table(path, lines))
    return _to_log(path, _parse(path, dialect, encoding), dialect, encoding)


def _no_table(path: Path, lines: list[str]) -> str:
    filled = [line for line in lines if line.strip() and not is_comment(line)]
    if len(filled) == 1:
        return f"{path}: holds a header but no rows of data; export the log again."
    return f"{path}: no column of numbers found in its {len(lines)} first lines; is this the log?"


@dataclass
class _Parsed:
    """The columns as Arrow read them, and the rows that have not as many cells as there are columns."""

    table: pa.Table
    odd_rows: list[tuple[int, str]] = field(default_factory=list)


def _parse(path: Path, dialect: Dialect, encoding: str) -> _Parsed:
    """Parse the fast way; if a row or a cell does not fit, again row by row; at last as words."""
    # A head of whole numbers leaves the decimal mark open: let the rest of the file decide.
    marks = [dialect.decimal] if dialect.decimal_seen else [dialect.decimal, _OTHER_MARK[dialect.decimal]]
    # Row by row, bytes that are not valid in the file's encoding must not stop us: Latin-1 takes any.
    patient = "latin-1" if encoding.startswith("utf-8") else encoding
    attempts: list[Callable[[_Parsed], pa.Table]] = [
        *[lambda _, mark=mark: _arrow(path, dialect, encoding, mark) for mark in marks],
        *[lambda p, mark=mark: _arrow(path, dialect, patient, mark, odd_rows=p.odd_rows) for mark in marks],
        lambda p: _arrow(path, dialect, patient, marks[0], odd_rows=p.odd_rows, words=True),
    ]
    for attempt in attempts:
        parsed = _Parsed(pa.table({}))
        try:
            parsed.table = attempt(parsed)
        except (pa.ArrowInvalid, UnicodeDecodeError) as error:
            reason = str(error).splitlines()[0]
            continue
        except OSError as error:
            raise LogError(f"{path}: is damaged: {str(error).splitlines()[0]} Copy it again.") from None
        return parsed
    raise LogError(f"{path}: cannot be read as a table from line {dialect.first_row} on: {reason}")


def _arrow(
    path: Path,
    dialect: Dialect,
    encoding: str,
    decimal: str,
    *,
    odd_rows: list[tuple[int, str]] | None = None,
    words: bool = False,
) -> pa.Table:
    """One pass of Arrow over the file. Collecting odd rows needs a single thread: only then are they numbered."""

    def keep(row: arrow_csv.InvalidRow) -> str:
        assert odd_rows is not None
        odd_rows.append((row.number, row.text))
        return "skip"

    columns = [str(number) for number in range(len(dialect.names))]
    with open_bytes(path) as stream:
        return arrow_csv.read_csv(
            stream,
            read_options=arrow_csv.ReadOptions(
                column_names=columns,
                skip_rows=dialect.first_row - 1,
                encoding="utf8" if encoding.startswith("utf-8") else encoding,
                use_threads=odd_rows is None,
            ),
            parse_options=arrow_csv.ParseOptions(
                delimiter=dialect.delimiter,
                ignore_empty_lines=False,
                invalid_row_handler=None if odd_rows is None else keep,
            ),
            convert_options=arrow_csv.ConvertOptions(
                column_types=dict.fromkeys(columns, pa.string() if words else pa.float64()),
                null_values=[] if words else list(dialect.na_cells),
                strings_can_be_null=not words,
                decimal_point=decimal,
            ),
        )


def _to_log(path: Path, parsed: _Parsed, dialect: Dialect, encoding: str) -> RawLog:
    """Columns by name; odd rows are put back as NaN, so that a row's number is its line in the file."""
    first = dialect.first_row
    width, n_parsed = len(dialect.names), parsed.table.num_rows
    odd = place_odd_rows(parsed.odd_rows, first_row=first, n_parsed=n_parsed, width=width)
    if odd.wrong > n_parsed:
        raise LogError(
            f"{path}, row {odd.first_wrong_line}: more than half of the rows do not have {width} cells; "
            f"export the log again."
        )
    columns: dict[str, FloatArray] = {}
    notes = list(odd.notes)
    arrow_columns = parsed.table.columns[::-1]
    parsed.table = pa.table(
        {}
    )  # each column is let go once it is decoded: a long log is held once, not twice
    for index, name in enumerate(dialect.names):
        values, unreadable, word = _numbers(arrow_columns.pop(), dialect)
        if np.isnan(values).all() and not unreadable.size and _is_unnamed(index, dialect):
            continue  # a delimiter at the end of every line makes one blank column more
        columns[name] = np.insert(values, odd.insert_at, np.nan) if odd.insert_at.size else values
        if unreadable.size:
            line = first + int(unreadable[0]) + int(np.count_nonzero(odd.insert_at <= unreadable[0]))
            notes.append(_unreadable_note(name, values, int(unreadable.size), word, line))
    n_rows = _rows_with_numbers(columns)
    if n_rows == 0:
        raise LogError(f"{path}: holds no row of numbers; export the log again.")
    return RawLog(
        source=str(path),
        columns={name: values[:n_rows] for name, values in columns.items()},
        units={
            name: unit for name, unit in zip(dialect.names, dialect.units, strict=True) if name in columns
        },
        first_row=first,
        dialect=_for_a_person(path, dialect, encoding),
        metadata=dialect.metadata,
        notes=tuple(notes),
        history=(Step("read", {"reader": NAME, "rows": n_rows, "columns": len(columns)}),),
    )


def _numbers(column: pa.ChunkedArray, dialect: Dialect) -> tuple[FloatArray, IntArray, str]:
    """Values of a column, which rows could not be read, and the first of their cells."""
    if not pa.types.is_string(column.type):
        values = to_float64(column)
        unreadable = np.flatnonzero(np.isinf(values)).astype(np.int64)
        values[unreadable] = np.nan
        return values, unreadable, "inf"
    values, unreadable = numbers_from_words(column, dialect.decimal)
    if unreadable.size and not dialect.decimal_seen:
        other = numbers_from_words(column, _OTHER_MARK[dialect.decimal])
        values, unreadable = min((values, unreadable), other, key=lambda way: way[1].size)
    return values, unreadable, _word(column, int(unreadable[0])) if unreadable.size else ""


def _word(column: pa.ChunkedArray, row: int) -> str:
    """A cell as a person would see it; UTF-8 was read as Latin-1."""
    return str(column[row].as_py()).encode("latin-1", "replace").decode("utf-8", "replace")


def _is_unnamed(index: int, dialect: Dialect) -> bool:
    return dialect.names[index] == f"column {index + 1}"


def _rows_with_numbers(columns: dict[str, FloatArray]) -> int:
    """Rows up to the last that holds a number: blank lines at the end are no data."""
    from_the_end = [np.isfinite(values[::-1]) for values in columns.values()]
    return max((len(finite) - int(finite.argmax()) for finite in from_the_end if finite.any()), default=0)


def _unreadable_note(name: str, values: FloatArray, count: int, word: str, line: int) -> QualityNote:
    if not np.isfinite(values).any():
        message = (
            f"Column {name!r} holds words, not numbers (first: {word[:40]!r} in row {line}); it is not used."
        )
        return QualityNote("info", "words", message, channel=name)
    message = f"{count} cells of {name!r} are no numbers (first: {word[:40]!r} in row {line}); they count as missing."
    return QualityNote("warning", "unreadable_cells", message, channel=name)


def _for_a_person(path: Path, dialect: Dialect, encoding: str) -> dict[str, str]:
    names = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar", ".": "point"}
    return {
        "reader": NAME,
        "compression": compression(path) or "none",
        "encoding": encoding,
        "delimiter": names[dialect.delimiter],
        "decimal mark": names[dialect.decimal] if dialect.decimal_seen else "none seen",
        "header": f"line {dialect.header_line}" if dialect.header_line else "none",
        "units": dialect.units_from,
        "first row of data": f"line {dialect.first_row}",
    }
