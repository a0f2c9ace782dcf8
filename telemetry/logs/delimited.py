"""Delimited text: CSV and TSV in any common dialect, plain or compressed. Apache Arrow does the parsing."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as arrow_csv

from telemetry.arrays import IntArray
from telemetry.decimals import Column, Columns, packed
from telemetry.errors import LogError
from telemetry.logs.rawlog import RawLog
from telemetry.logs.textfile import (
    HEAD_BYTES,
    NA_WORDS,
    Cells,
    Dialect,
    check_unpacked,
    compression,
    detect_encoding,
    grow_columns,
    head_lines,
    is_comment,
    numbers_from_words,
    open_bytes,
    read_head,
    read_time_text,
    sniff,
)
from telemetry.notes import QualityNote, Step
from telemetry.numeric import BLOCK

OTHER_MARK = {".": ",", ",": "."}

NAME = "delimited text"
# Read at a time: a line must be shorter. Twice as much is held in some ten places at once, and no quicker.
BLOCK_BYTES = 1 << 19


@dataclass(frozen=True)
class OddRows:
    """Rows missing from the parsed table, and the notes on them."""

    insert_at: IntArray  # for `numpy.insert`: where a row of NaN keeps the count of lines true
    wrong: int  # how many are neither comments nor a cut last line
    first_wrong_line: int | None  # counted from 1
    notes: tuple[QualityNote, ...]


def place_odd_rows(rows: Sequence[tuple[int, str]], *, first_row: int, n_parsed: int, width: int) -> OddRows:
    """Sort odd rows (line from 1, text) into comments, a cut last line and wrong ones; ``width`` cells are right."""
    rows = sorted(rows)
    notes = []
    last_line = first_row + n_parsed + len(rows) - 1
    if rows and rows[-1][0] == last_line and not is_comment(rows[-1][1]):
        notes.append(
            QualityNote("info", "cut_last_line", f"The last line ({last_line}) is cut short; it is left out.")
        )
        rows = rows[:-1]
    lines = np.array([line for line, _ in rows], dtype=np.int64)
    wrong = [line for line, text in rows if not is_comment(text)]
    if wrong:
        message = (
            f"{len(wrong)} rows do not have {width} cells (first: row {wrong[0]}); they count as missing."
        )
        notes.append(QualityNote("warning", "odd_rows", message))
    return OddRows(
        insert_at=lines - first_row - np.arange(len(lines)),
        wrong=len(wrong),
        first_wrong_line=wrong[0] if wrong else None,
        notes=tuple(notes),
    )


@dataclass(frozen=True)
class _Numbers:
    """One column: its values, rows that could not be read, the first such cell, and the start of text time."""

    values: Column
    unreadable: IntArray
    word: str = ""
    start: str = ""


def log_from_cells(
    path: Path,
    cells: list[Cells],
    dialect: Dialect,
    described: Mapping[str, str],
    *,
    reader: str,
    odd_rows: Sequence[tuple[int, str]] = (),
) -> RawLog:
    """A log from the cells of a table of text, one column each, as all text formats share it.

    ``cells`` is emptied on the way to free memory; ``odd_rows`` (line, text) of another width are put back as NaN, so
    that a row's number is its line; cells without a number are NaN, counted and located in the notes. `LogError` if
    most rows do not fit, or none holds a number.
    """
    width, n_parsed = len(dialect.names), len(cells[0])
    odd = place_odd_rows(odd_rows, first_row=dialect.first_row, n_parsed=n_parsed, width=width)
    if odd.wrong > n_parsed:
        raise LogError(
            f"{path}, row {odd.first_wrong_line}: more than half of the rows do not have {width} cells; "
            f"export the log again."
        )
    repeated = _repeated_head(cells, dialect)
    columns: dict[str, Column] = {}
    units, metadata, notes = {}, dict(dialect.metadata), list(odd.notes)
    if repeated.size:
        line = _line(int(repeated[0]), odd, dialect)
        message = f"The header comes again in {repeated.size} rows (first: row {line}); they are left out."
        notes.append(QualityNote("info", "repeated_header", message))
    cells.reverse()
    for index, (name, unit) in enumerate(zip(dialect.names, dialect.units, strict=True)):
        found = _numbers(cells.pop(), dialect, index, repeated)
        unnamed = name == f"column {index + 1}"
        if unnamed and not found.unreadable.size and not found.values.any_known:
            continue  # a delimiter at the end of every line makes one blank column more
        columns[name] = found.values.with_blanks(odd.insert_at) if odd.insert_at.size else found.values
        units[name] = "s" if found.start else unit
        if found.start:
            metadata.setdefault("start", found.start)
        if found.unreadable.size:
            line = _line(int(found.unreadable[0]), odd, dialect)
            notes.append(_unreadable_note(name, found, line))
    n_rows = _rows_with_numbers(columns)
    if n_rows == 0:
        raise LogError(f"{path}: holds no row of numbers; export the log again.")
    return RawLog(
        source=str(path),
        columns=Columns({name: values.some(slice(n_rows)) for name, values in columns.items()}),
        units=units,
        first_row=dialect.first_row,
        dialect={"reader": reader, **described},
        metadata=metadata,
        notes=tuple(notes),
        history=(Step("read", {"reader": reader, "rows": n_rows, "columns": len(columns)}),),
    )


def _line(row: int, odd: OddRows, dialect: Dialect) -> int:
    """Line of the file that holds a row of the table."""
    return dialect.first_row + row + int(np.count_nonzero(odd.insert_at <= row))


def _repeated_head(cells: Sequence[Cells], dialect: Dialect) -> IntArray:
    """Rows that are the header or the units row once more, as where a logger was switched off and on."""
    if any(isinstance(column, Column) for column in cells):
        return np.empty(0, dtype=np.int64)
    import pyarrow.compute as pc

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


def _numbers(column: Cells, dialect: Dialect, index: int, repeated: IntArray) -> _Numbers:
    if isinstance(column, Column):
        return _without_infinities(column)
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
    return _Numbers(packed(values), unreadable, word, start)


def _without_infinities(column: Column) -> _Numbers:
    """A column of numbers as it was parsed; only one that is kept as float64 can hold an infinite one."""
    unreadable: IntArray = np.flatnonzero(np.isinf(column.kept)) if column.is_float else np.empty(0, np.int64)
    if unreadable.size:
        column.kept[unreadable] = np.nan
        column = packed(column.kept)
    return _Numbers(column, unreadable, "inf")


def _filled_rows(column: pa.ChunkedArray, rows: IntArray) -> IntArray:
    """Those of some rows whose cell says something."""
    words = column.take(pa.array(rows.tolist())).to_pylist() if rows.size else []
    return np.array(
        [row for row, word in zip(rows, words, strict=True) if (word or "").strip().lower() not in NA_WORDS],
        dtype=np.int64,
    )


def _rows_with_numbers(columns: dict[str, Column]) -> int:
    """Rows up to the last that holds a number: blank lines at the end are no data."""
    rows = max(map(len, columns.values()), default=0)
    while rows:
        end = slice(max(0, rows - BLOCK), rows)
        known = np.flatnonzero(np.logical_or.reduce([column.known(end) for column in columns.values()]))
        if known.size:
            return end.start + int(known[-1]) + 1
        rows = end.start
    return 0


def _unreadable_note(name: str, found: _Numbers, line: int) -> QualityNote:
    word = found.word[:40]
    if not found.values.any_known:
        message = f"Column {name!r} holds words, not numbers (first: {word!r} in row {line}); it is not used."
        return QualityNote("info", "words", message, channel=name)
    message = (
        f"{found.unreadable.size} cells of {name!r} are no numbers (first: {word!r} in row {line}); "
        f"they count as missing."
    )
    return QualityNote("warning", "unreadable_cells", message, channel=name)


def recognises(path: Path) -> bool:
    """Whether the file is text."""
    return detect_encoding(read_head(path)) is not None


def read(path: Path) -> RawLog:
    """Read delimited text, NaN without a number, words counted in the notes; `LogError` if empty or without numbers."""
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
    words = _for_a_person(path, dialect, encoding)
    return log_from_cells(path, parsed.columns, dialect, words, reader=NAME, odd_rows=parsed.odd_rows)


def _no_table(path: Path, lines: list[str]) -> str:
    filled = [line for line in lines if line.strip() and not is_comment(line)]
    if len(filled) == 1:
        return f"{path}: holds a header but no rows of data; export the log again."
    return f"{path}: no column of numbers found in its {len(lines)} first lines; is this the log?"


@dataclass
class _Parsed:
    """The columns as Arrow read them, and the rows that have not as many cells as there are columns."""

    columns: list[Cells] = field(default_factory=list)
    odd_rows: list[tuple[int, str]] = field(default_factory=list)


def _parse(path: Path, dialect: Dialect, encoding: str) -> _Parsed:
    """Parse the fast way; if a row or a cell does not fit, again row by row; at last as words."""
    # A head of whole numbers leaves the decimal mark open: let the rest of the file decide.
    marks = [dialect.decimal] if dialect.decimal_seen else [dialect.decimal, OTHER_MARK[dialect.decimal]]
    # Row by row, bytes that are not valid in the file's encoding must not stop us: Latin-1 takes any.
    patient = "latin-1" if encoding.startswith("utf-8") else encoding
    attempts: list[Callable[[_Parsed], list[Cells]]] = [
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
    """Arrow's error message, replaced by plain advice if its cause is known."""
    if "straddling object" in reason or "out of sync" in reason:
        return (
            f"a line is longer than {BLOCK_BYTES / 1e6:.1f} MB, or a quotation mark is "
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
) -> list[Cells]:
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
        block_size=BLOCK_BYTES,
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
    packed, size = compression(path) is not None, path.stat().st_size

    def expected_rows(first: int) -> float:
        """As many as in the first block all through; a row has two bytes for each cell, or more."""
        return first if packed else min(first * size / BLOCK_BYTES, size / (2 * len(columns)))

    with (
        open_bytes(path) as stream,
        arrow_csv.open_csv(stream, read_options, parse_options, convert_options) as batches,
    ):
        return grow_columns(
            batches,
            len(columns),
            lambda cells: check_unpacked(path, cells, packed=packed),
            expected_rows,
        )


def _for_a_person(path: Path, dialect: Dialect, encoding: str) -> dict[str, str]:
    names = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar", ".": "point"}
    return {
        "compression": compression(path) or "none",
        "encoding": encoding,
        "delimiter": names[dialect.delimiter],
        "decimal mark": names[dialect.decimal] if dialect.decimal_seen else "none seen",
        "header": f"line {dialect.header_line}" if dialect.header_line else "none",
        "units": dialect.units_from,
        "first row of data": f"line {dialect.first_row}",
    }
