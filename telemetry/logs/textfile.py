"""A text log before its cells are read: compression, encoding, and the dialect by its first lines."""

import codecs
import csv
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pyarrow as pa

from telemetry.errors import LogError
from telemetry.logs.cells import NA_WORDS, is_time_text
from telemetry.logs.rawlog import find_unit, split_unit, unique_names

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
_NUMBER = {
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
    return _NUMBER[decimal].fullmatch(cell) is not None


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
