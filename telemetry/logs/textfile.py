"""Text of a log: compression, encoding, the dialect by its first lines, cells into numbers and seconds."""

import codecs
import csv
import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path
from typing import TypeAlias

import numpy as np
import pyarrow as pa

from telemetry.arrays import FloatArray, IntArray
from telemetry.decimals import Column, Packer
from telemetry.errors import LogError
from telemetry.logs.rawlog import find_unit, split_unit, unique_names

# A column as it was parsed: numbers, or text that is still to be read (pyarrow.ChunkedArray).
Cells: TypeAlias = Column | pa.ChunkedArray

# Cells that say "no value"; compared without case or surrounding blanks.
NA_WORDS = frozenset(
    ("", "na", "n/a", "#n/a", "nan", "-nan", "null", "none", "nil", "-", "--", "---", "1.#qnan", "-1.#ind")
)
_NUMBER = r"^[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?$"

SPARE_ROOM = 1.05  # rows of a log are not all as long as its first
DAY_S = 86_400.0
# Clock time "12:03:04.125" or "03:04.125", which is minutes; date-time as ISO 8601 writes it, with zone or without.
_CLOCK = r"(?:(?P<hour>\d{1,2}):)?(?P<minute>[0-5]?\d):(?P<second>[0-5]?\d)(?:[.,](?P<fraction>\d{1,12}))?"
_TEXT = rf"^(?:(?P<date>\d{{4}}-\d{{2}}-\d{{2}})[Tt ])?{_CLOCK} ?(?P<zone>[Zz]|[+-]\d{{2}}(?::?\d{{2}})?)?$"
_STAMP = re.compile(_TEXT)
_PARTS = ("date", "hour", "minute", "second", "fraction", "zone")

_CENTURY_S = tuple(datetime(year, 1, 1, tzinfo=UTC).timestamp() for year in (2000, 2100))


def to_float64(column: pa.ChunkedArray) -> FloatArray:
    """A float64 column as one array of shape (n_rows,), NaN where null."""
    values = np.empty(len(column))
    start = 0
    for chunk in column.chunks:
        values[start : start + len(chunk)] = _floats(chunk)
        start += len(chunk)
    return values


def _floats(chunk: pa.Array) -> FloatArray:
    """A float64 chunk. Reading its buffer avoids Arrow's own way to NumPy, which imports pandas."""
    filled = chunk.fill_null(np.nan) if chunk.null_count else chunk
    buffer = np.frombuffer(filled.buffers()[1], dtype=np.float64)
    return buffer[filled.offset : filled.offset + len(filled)]


def grow_columns(
    batches: Iterable[pa.RecordBatch],
    width: int,
    check: Callable[[int], None] = lambda _: None,
    expected_rows: Callable[[int], float] = float,
) -> list[Cells]:
    """Columns (float64, string) of a stream of batches, each freed before the next, so that a log is held once.

    ``check`` gets the count of cells before room is made for them, and raises when they are too many;
    ``expected_rows`` estimates the rows of the log from those of the first batch.
    """
    numbers = [Packer() for _ in range(width)]
    words: list[list[pa.Array]] = [[] for _ in range(width)]
    rows, room = 0, 0.0
    for batch in batches:
        rows += len(batch)
        check(rows * width)
        room = room or SPARE_ROOM * expected_rows(len(batch))
        for index, column in enumerate(batch.columns):
            if pa.types.is_string(column.type):
                words[index].append(column)
            else:
                numbers[index].add(_floats(column), room)
    return [
        pa.chunked_array(chunks, pa.string()) if chunks else packer.column()
        for chunks, packer in zip(words, numbers, strict=True)
    ]


def numbers_from_words(column: pa.ChunkedArray, decimal: str) -> tuple[FloatArray, IntArray]:
    """Numbers of a column that also holds words, NaN for none, and the unreadable rows (not those with "no value")."""
    import pyarrow.compute as pc  # here: its start costs as much as NumPy's, and a log of numbers does without

    text = pc.utf8_trim_whitespace(column)
    missing = pc.fill_null(pc.is_in(pc.utf8_lower(text), pa.array(sorted(NA_WORDS))), True)
    if decimal != ".":
        text = pc.replace_substring(text, decimal, ".")
    numeric = pc.fill_null(pc.match_substring_regex(text, _NUMBER), False)
    values = to_float64(pc.if_else(numeric, text, None).cast(pa.float64()))
    too_large = np.isinf(values)
    values[too_large] = np.nan
    wrong = np.asarray(pc.invert(pc.or_(numeric, missing)).to_pylist(), dtype=bool)
    return values, np.flatnonzero(wrong | too_large).astype(np.int64)


@dataclass(frozen=True)
class TextTime:
    """Stamps that were written as text."""

    t_s: FloatArray  # since the first stamp; NaN where the cell is no time
    start: str  # first stamp in ISO 8601, without the date where the log has none


def is_time_text(cell: str) -> bool:
    """Whether a cell is a clock time or an ISO 8601 date-time.

    >>> [is_time_text(cell) for cell in ("23:59:59.998", "2026-05-01T12:00:00+02:00", "12.5", "OK")]
    [True, True, False, False]
    """
    return _STAMP.match(cell.strip()) is not None


def read_time_text(column: pa.ChunkedArray) -> TextTime | None:
    """Seconds since the first stamp of a column of text (ISO 8601-1:2019), None if no cell is a time.

    A clock time that falls by more than half a day has passed midnight; a zone is taken off, so that stamps stay in
    order.
    """
    chunks = [_read(chunk) for chunk in column.chunks if len(chunk)]
    if not chunks:
        return None
    day, clock_s, zone_s = (np.concatenate(parts) for parts in zip(*chunks, strict=True))
    dated = np.isfinite(day)
    if dated.any():
        t_s = (day - day[np.argmax(dated)]) * DAY_S + clock_s - np.nan_to_num(zone_s)
    else:
        t_s = past_midnight(clock_s)
    found = np.isfinite(t_s)
    if not found.any():
        return None
    first = int(np.argmax(found))
    return TextTime(t_s - t_s[first], _iso(day[first], clock_s[first], zone_s[first]))


def _read(chunk: pa.Array) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Day (since 0001-01-01), seconds since midnight and offset from UTC [s] of each cell, NaN where there is none."""
    import pyarrow.compute as pc

    parts = pc.extract_regex(pc.utf8_trim_whitespace(chunk), _TEXT)
    date_, hour, minute, second, fraction, zone = (pc.struct_field(parts, [name]) for name in _PARTS)
    hours = _numbers(hour)
    clock_s = 3600 * np.nan_to_num(hours) + 60 * _numbers(minute) + _numbers(second)
    clock_s += np.nan_to_num(_numbers(pc.binary_join_element_wise("0.", fraction, "")))
    day = _each(date_, _day)
    dated = to_float64(pa.chunked_array([pc.fill_null(pc.utf8_length(date_), 0).cast(pa.float64())])) > 0
    clock_s[(hours > 23) | (dated & (np.isnan(hours) | np.isnan(day)))] = np.nan
    return day, clock_s, _each(zone, _offset_s)


def _numbers(text: pa.Array) -> FloatArray:
    """Digits as numbers, NaN where there are none."""
    import pyarrow.compute as pc

    return to_float64(pa.chunked_array([pc.if_else(pc.equal(text, ""), None, text).cast(pa.float64())]))


def _each(text: pa.Array, value: Callable[[str], float]) -> FloatArray:
    """A number for every cell, worked out once for each different text."""
    import pyarrow.compute as pc

    coded = pc.dictionary_encode(pc.fill_null(text, ""))
    table = np.array([value(word) for word in coded.dictionary.to_pylist()])
    return table[to_float64(pa.chunked_array([coded.indices.cast(pa.float64())])).astype(np.int64)]


def _day(text: str) -> float:
    try:
        return float(date.fromisoformat(text).toordinal())
    except ValueError:
        return float("nan")


def _offset_s(text: str) -> float:
    if not text:
        return float("nan")
    if text in "Zz":
        return 0.0
    digits = text[1:].replace(":", "").ljust(4, "0")
    seconds = 3600.0 * int(digits[:2]) + 60.0 * int(digits[2:])
    return -seconds if text[0] == "-" else seconds


def past_midnight(clock_s: FloatArray) -> FloatArray:
    """Clock time [s] as time that goes on past midnight: each stamp within half a day of the one before."""
    t_s = clock_s.copy()
    filled = np.isfinite(clock_s)
    days = np.round(np.diff(clock_s[filled]) / DAY_S)
    t_s[filled] -= DAY_S * np.concatenate([[0.0], np.cumsum(days)])[: np.count_nonzero(filled)]
    return t_s


def _iso(day: float, clock_s: float, zone_s: float) -> str:
    """A moment in ISO 8601, to the microsecond."""
    clock = timedelta(microseconds=round(1e6 * clock_s))
    if np.isnan(day):
        return (datetime.min + clock).time().isoformat()
    moment = datetime.fromordinal(int(day)) + clock
    if np.isnan(zone_s):
        return moment.isoformat()
    try:
        return moment.replace(tzinfo=timezone(timedelta(seconds=zone_s))).isoformat()
    except ValueError:  # no zone is a day or more from UTC
        return moment.isoformat()


def epoch_start(first_s: float) -> str | None:
    """ISO 8601 (UTC) of a number of seconds since 1970, None if it is not of this century."""
    if not _CENTURY_S[0] <= first_s <= _CENTURY_S[1]:
        return None
    return datetime.fromtimestamp(first_s, UTC).isoformat()


HEAD_BYTES = 1 << 18

# Every cell of a text is a byte or more, but for those of blank lines. Packed, the stamps and the noise of a few
# sensors alone are some bytes a row, beside which many columns that never change count little: own choice.
MOST_CELLS_PER_BYTE, MOST_PACKED_CELLS_PER_BYTE, ALWAYS_ALLOWED_CELLS = 1, 100, 50_000_000

_MAGIC = {b"\x1f\x8b": "gzip", b"\x28\xb5\x2f\xfd": "zstd", b"BZh": "bz2"}
_TEXT_CONTROLS = frozenset(b"\t\n\r\f\x1a")


def compression(path: Path) -> str | None:
    """Name of the compression by the first bytes, None for plain files."""
    with path.open("rb") as file:
        first = file.read(4)
    return next((name for magic, name in _MAGIC.items() if first.startswith(magic)), None)


def open_bytes(path: Path) -> pa.NativeFile:
    """The file's bytes as a stream, decompressed where needed."""
    # Arrow itself opens no name that is not UTF-8
    return pa.input_stream(path.open("rb"), compression=compression(path))


def check_unpacked(path: Path, cells: int, *, packed: bool) -> None:
    """Refuse, by `LogError`, a file that holds far more cells than a log of its size can."""
    most = MOST_PACKED_CELLS_PER_BYTE if packed else MOST_CELLS_PER_BYTE
    if cells > ALWAYS_ALLOWED_CELLS and cells > most * path.stat().st_size:
        raise LogError(
            f"{path}: its {path.stat().st_size / 1e6:.1f} MB hold more than {cells / 1e6:.0f} million cells, "
            "nearly all of them blank or the same: that is no log of a sensor. Export it again."
        )


def read_head(path: Path, size: int = HEAD_BYTES) -> bytes:
    """The first bytes, decompressed; `LogError` if a compressed file is damaged."""
    try:
        with open_bytes(path) as stream:
            return bytes(stream.read(size))
    except OSError as error:
        raise LogError(
            f"{path}: is damaged: {str(error).splitlines()[0]} Copy it from the logger again."
        ) from None


def detect_encoding(head: bytes) -> str | None:
    """Python codec of a text by its first bytes: byte order mark, UTF-16 zeros, UTF-8, else Latin-1; None if no text.

    >>> detect_encoding("Zeit;Weg °".encode("latin-1"))
    'latin-1'
    """
    if head.startswith(codecs.BOM_UTF8):
        return "utf-8-sig"
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    zeros = (head[0::2].count(0), head[1::2].count(0))
    if sum(zeros):
        half = len(head) // 2
        if zeros[0] == 0 and zeros[1] > 0.7 * half:
            return "utf-16-le"
        if zeros[1] == 0 and zeros[0] > 0.7 * half:
            return "utf-16-be"
        return None
    if any(byte < 32 and byte not in _TEXT_CONTROLS for byte in set(head)):
        return None
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return "latin-1"
    return "utf-8"


def head_lines(head: bytes, encoding: str, *, whole: bool) -> list[str]:
    """Lines of the head without line ends; the last is left out unless the head is the ``whole`` file."""
    text = codecs.getincrementaldecoder(encoding)("replace").decode(head)
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    if not whole or lines[-1] == "":
        lines.pop()
    return lines


DELIMITERS = (",", ";", "\t", "|")
DECIMAL_MARKS = (".", ",")
# A mark right before a delimiter is a cell ("%" as a unit, "#" as a name), not a comment.
_COMMENT = re.compile(r"\s*(#|%|//)(?![,;\t|])\s*")
_NUMBER_WITH = {
    mark: re.compile(rf"\s*[+-]?(\d+({re.escape(mark)}\d*)?|{re.escape(mark)}\d+)([eE][+-]?\d+)?\s*")
    for mark in DECIMAL_MARKS
}
_SAMPLE_LINES = 200
_LONGEST_LINE = 100_000


@dataclass(frozen=True)
class Dialect:
    """Layout of a delimited text table; fields that a format does not need keep their defaults."""

    names: tuple[str, ...]  # one per cell of a row; "" where the file has none
    units: tuple[str, ...]  # likewise
    first_row: int  # line of the first row of data, counted from 1
    decimal: str = "."
    decimal_seen: bool = True  # False: the head holds whole numbers only, the decimal mark is a guess
    delimiter: str = ""
    units_from: str = "none"
    header_line: int | None = None  # counted from 1
    na_cells: tuple[str, ...] = ()  # texts that stand for a missing value
    metadata: Mapping[str, str] = field(default_factory=dict)  # from the lines before the header
    times: frozenset[int] = frozenset()  # cells of a row that hold time written as text
    head_rows: tuple[tuple[str, ...], ...] = ()  # cells of header and units row as written


def is_number(cell: str, decimal: str) -> bool:
    """Whether a cell is a number with that decimal mark."""
    return _NUMBER_WITH[decimal].fullmatch(cell) is not None


def is_value(cell: str, decimal: str) -> bool:
    """Whether a cell is a number with that decimal mark, or a time written as text."""
    return is_number(cell, decimal) or (":" in cell and is_time_text(cell))


def is_missing(cell: str) -> bool:
    """True if the cell is a missing-value marker."""
    return cell.strip().lower() in NA_WORDS


def is_comment(line: str) -> bool:
    """Whether a line is a comment."""
    return _COMMENT.match(line) is not None


def _uncommented(line: str) -> str:
    return line[match.end() :] if (match := _COMMENT.match(line)) else line


def split_line(line: str, delimiter: str) -> list[str]:
    """Cells of one line; quotes are taken off."""
    if '"' not in line:
        return line.split(delimiter)
    return next(csv.reader([line], delimiter=delimiter))


def sniff(lines: Sequence[str]) -> Dialect | None:
    """Dialect of a text from its first whole lines, None if it holds no table of numbers.

    The second half of the lines is taken for data: the delimiter and decimal mark with the most columns of numbers and
    fewest of words win. All above the first such line is header, units or preamble.
    """
    if any(len(line) > _LONGEST_LINE for line in lines):
        return None
    filled = [line for line in lines if line.strip() and not is_comment(line)]
    data = filled[-max(2, len(filled) // 2) :][-_SAMPLE_LINES:]
    ways = [way for d in DELIMITERS for m in DECIMAL_MARKS if (way := _try(data, lines, d, m))]
    if not ways:
        return None
    best = max(ways, key=lambda way: way.score)
    return _describe(lines, best)


@dataclass(frozen=True)
class _Way:
    """One pair of delimiter and decimal mark tried on the data lines: how many cells, which are numbers."""

    delimiter: str
    decimal: str
    width: int
    numeric: frozenset[int]
    times: frozenset[int]
    score: tuple[int, int]


def _try(data: Sequence[str], lines: Sequence[str], delimiter: str, decimal: str) -> _Way | None:
    rows = [split_line(line, delimiter) for line in data]
    if not rows:
        return None
    width = Counter(map(len, rows)).most_common(1)[0][0]
    rows = [row for row in rows if len(row) == width]
    numeric, times, words = set(), set(), 0
    for column, cells in enumerate(zip(*rows, strict=True)):
        filled = [cell for cell in cells if not is_missing(cell)]
        numbers = sum(is_value(cell, decimal) for cell in filled)
        if filled and 2 * numbers >= len(filled):
            numeric.add(column)
            if 2 * sum(is_number(cell, decimal) for cell in filled) < len(filled):
                times.add(column)
        elif filled:
            # Words that hold another delimiter are most likely several cells, split at the wrong place.
            words += 3 if any(d in cell for cell in filled for d in DELIMITERS) else 1
    if not numeric:
        return None
    fitting = sum(len(split_line(line, delimiter)) == width for line in lines)
    score = (len(numeric) - words, fitting)
    return _Way(delimiter, decimal, width, frozenset(numeric), frozenset(times), score)


def _is_data(cells: Sequence[str], way: _Way) -> bool:
    """Whether a row has the shape of data: right width, and more numbers than words where numbers belong."""
    if abs(len(cells) - way.width) > 1:
        return False
    filled = [cell for i, cell in enumerate(cells) if i in way.numeric and not is_missing(cell)]
    numbers = sum(is_value(cell, way.decimal) for cell in filled)
    return 2 * numbers > len(filled)


def _describe(lines: Sequence[str], way: _Way) -> Dialect | None:
    rows = [split_line(line, way.delimiter) for line in lines]
    data = (i for i, row in enumerate(rows) if not is_comment(lines[i]) and _is_data(row, way))
    first = next(data, None)
    if first is None:
        return None
    header, units_row = _find_header(lines, rows, first, way)
    cells = [] if header is None else _header_cells(lines[header], way)
    names, units = zip(*map(split_unit, _fit(cells, way.width)), strict=True)
    units_from = "header" if any(units) else "none"
    if units_row is not None:
        row = [cell.strip().strip("[](){}").strip() for cell in _fit(rows[units_row], way.width)]
        units = tuple(in_row or in_header for in_row, in_header in zip(row, units, strict=True))
        units_from = "row"
    sample = [cell for row in rows[first : first + _SAMPLE_LINES] for cell in row]
    return Dialect(
        delimiter=way.delimiter,
        decimal=way.decimal,
        decimal_seen=any(way.decimal in cell and is_number(cell, way.decimal) for cell in sample),
        names=unique_names(names),
        units=units,
        units_from=units_from,
        header_line=None if header is None else header + 1,
        first_row=first + 1,
        na_cells=tuple(sorted({cell for cell in sample if is_missing(cell)} | {""})),
        metadata=_metadata(lines[: first if header is None else header], way.delimiter),
        times=way.times,
        head_rows=tuple(
            tuple(cell.strip() for cell in _fit(_header_cells(lines[i], way), way.width))
            for i in (header, units_row)
            if i is not None
        ),
    )


def _header_cells(line: str, way: _Way) -> list[str]:
    """Cells of a header line; a comment mark before it is taken off."""
    return split_line(_uncommented(line), way.delimiter)


def _fit(cells: Sequence[str], width: int) -> list[str]:
    return [*cells[:width], *[""] * (width - len(cells))]


def _find_header(
    lines: Sequence[str], rows: Sequence[Sequence[str]], first: int, way: _Way
) -> tuple[int | None, int | None]:
    """Lines of the header and of the units row, going up from the first row of data."""

    def could_be_header(i: int) -> bool:
        cells = _header_cells(lines[i], way)
        words = [cell for cell in cells if cell.strip() and not is_value(cell, way.decimal)]
        return (
            bool(words)
            and abs(len(cells) - way.width) <= 1
            and len(words) == len([c for c in cells if c.strip()])
        )

    above = [i for i in range(first - 1, -1, -1) if lines[i].strip()]
    plain = [i for i in above if not is_comment(lines[i])]
    found: list[int] = []
    for i in plain:
        if not could_be_header(i):
            break
        found.append(i)
    if not found:
        commented = [
            i for i in above if is_comment(lines[i]) and len(_header_cells(lines[i], way)) == way.width
        ]
        found = [i for i in commented[:1] if could_be_header(i)]
    if not found:
        return None, None
    if len(found) > 1 and _are_units(rows[found[0]]):
        return found[1], found[0]
    return found[0], None


def _are_units(cells: Sequence[str]) -> bool:
    filled = [cell for cell in cells if cell.strip()]
    return bool(filled) and 2 * sum(find_unit(cell) is not None for cell in filled) >= len(filled)


def _metadata(lines: Sequence[str], delimiter: str) -> dict[str, str]:
    """Keys and values of the preamble: ``key: value``, ``key = value`` or two cells."""
    found = {}
    for line in lines:
        text = _uncommented(line).strip()
        cells = [cell.strip() for cell in split_line(text, delimiter) if cell.strip()]
        if len(cells) == 2:
            key, value = cells
            found[key.rstrip(":=").strip()] = value
        elif len(cells) == 1 and (match := re.match(r"([^:=]+)[:=]\s*(.+)", cells[0])):
            found[match[1].strip()] = match[2].strip()
    return found
