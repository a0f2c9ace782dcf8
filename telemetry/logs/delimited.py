"""Delimited text: CSV and TSV in any common dialect, plain or compressed. Apache Arrow does the parsing."""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pyarrow as pa
import pyarrow.csv as arrow_csv

from telemetry.errors import LogError
from telemetry.logs.cells import Column, grow_columns
from telemetry.logs.decode import OTHER_MARK, decode
from telemetry.logs.dialect import Dialect, is_comment, sniff
from telemetry.logs.rawlog import RawLog
from telemetry.logs.textfile import (
    HEAD_BYTES,
    check_unpacked,
    compression,
    detect_encoding,
    head_lines,
    open_bytes,
    read_head,
)
from telemetry.notes import Step

NAME = "delimited text"


def recognises(path: Path) -> bool:
    """Whether the file is text."""
    return detect_encoding(read_head(path)) is not None


def read(path: Path) -> RawLog:
    """Read delimited text.

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
    parsed = _parse(path, dialect, encoding)
    found = decode(parsed.columns, parsed.odd_rows, dialect, source=str(path))
    n_rows = len(next(iter(found.columns.values())))
    return RawLog(
        source=str(path),
        columns=found.columns,
        units=found.units,
        first_row=dialect.first_row,
        dialect=_for_a_person(path, dialect, encoding),
        metadata=found.metadata,
        notes=found.notes,
        history=(Step("read", {"reader": NAME, "rows": n_rows, "columns": len(found.columns)}),),
    )


def _no_table(path: Path, lines: list[str]) -> str:
    filled = [line for line in lines if line.strip() and not is_comment(line)]
    if len(filled) == 1:
        return f"{path}: holds a header but no rows of data; export the log again."
    return f"{path}: no column of numbers found in its {len(lines)} first lines; is this the log?"


@dataclass
class _Parsed:
    """The columns as Arrow read them, and the rows that have not as many cells as there are columns."""

    columns: list[Column] = field(default_factory=list)
    odd_rows: list[tuple[int, str]] = field(default_factory=list)


def _parse(path: Path, dialect: Dialect, encoding: str) -> _Parsed:
    """Parse the fast way; if a row or a cell does not fit, again row by row; at last as words."""
    # A head of whole numbers leaves the decimal mark open: let the rest of the file decide.
    marks = [dialect.decimal] if dialect.decimal_seen else [dialect.decimal, OTHER_MARK[dialect.decimal]]
    # Row by row, bytes that are not valid in the file's encoding must not stop us: Latin-1 takes any.
    patient = "latin-1" if encoding.startswith("utf-8") else encoding
    attempts: list[Callable[[_Parsed], list[Column]]] = [
        *[lambda _, mark=mark: _arrow(path, dialect, encoding, mark) for mark in marks],
        *[lambda p, mark=mark: _arrow(path, dialect, patient, mark, odd_rows=p.odd_rows) for mark in marks],
        lambda p: _arrow(path, dialect, patient, marks[0], odd_rows=p.odd_rows, words=True),
    ]
    for attempt in attempts:
        parsed = _Parsed()
        try:
            parsed.columns = attempt(parsed)
        except (pa.ArrowInvalid, UnicodeDecodeError) as error:
            reason = str(error).splitlines()[0]
            continue
        except OSError as error:
            raise LogError(f"{path}: is damaged: {str(error).splitlines()[0]} Copy it again.") from None
        return parsed
    raise LogError(f"{path}: cannot be read as a table from line {dialect.first_row} on: {_in_words(reason)}")


def _in_words(reason: str) -> str:
    """What Arrow says of a text, for who does not know its inside."""
    if "straddling object" in reason or "out of sync" in reason:
        return (
            f"a line is longer than {arrow_csv.ReadOptions().block_size / 1e6:.0f} MB, or a quotation mark is "
            "opened and never closed; export the log again."
        )
    return reason


def _arrow(
    path: Path,
    dialect: Dialect,
    encoding: str,
    decimal: str,
    *,
    odd_rows: list[tuple[int, str]] | None = None,
    words: bool = False,
) -> list[Column]:
    """One pass of Arrow over the file. Collecting odd rows needs a single thread: only then are they numbered."""

    def keep(row: arrow_csv.InvalidRow) -> str:
        assert odd_rows is not None
        odd_rows.append((row.number, row.text))
        return "skip"

    columns = [str(number) for number in range(len(dialect.names))]
    text = set(range(len(columns))) if words else dialect.times
    read_options = arrow_csv.ReadOptions(
        column_names=columns,
        skip_rows=dialect.first_row - 1,
        encoding="utf8" if encoding.startswith("utf-8") else encoding,
        use_threads=odd_rows is None,
    )
    parse_options = arrow_csv.ParseOptions(
        delimiter=dialect.delimiter,
        ignore_empty_lines=False,
        invalid_row_handler=None if odd_rows is None else keep,
    )
    convert_options = arrow_csv.ConvertOptions(
        column_types={
            name: pa.string() if index in text else pa.float64() for index, name in enumerate(columns)
        },
        null_values=[] if words else list(dialect.na_cells),
        strings_can_be_null=True,
        decimal_point=decimal,
    )
    packed = compression(path) is not None
    with (
        open_bytes(path) as stream,
        arrow_csv.open_csv(stream, read_options, parse_options, convert_options) as batches,
    ):
        return grow_columns(batches, len(columns), lambda cells: check_unpacked(path, cells, packed=packed))


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
