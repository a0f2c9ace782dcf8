"""Cells as Arrow holds them into float64 arrays, and times written as text into seconds."""

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, timezone
from typing import TypeAlias

import numpy as np
import pyarrow as pa

from telemetry.arrays import FloatArray, IntArray

# A column as it was parsed: numbers, or text that is still to be read (pyarrow.ChunkedArray).
Column: TypeAlias = FloatArray | pa.ChunkedArray

# Cells that say "no value"; compared without case or surrounding blanks.
NA_WORDS = frozenset(
    ("", "na", "n/a", "#n/a", "nan", "-nan", "null", "none", "nil", "-", "--", "---", "1.#qnan", "-1.#ind")
)
_NUMBER = r"^[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?$"

DAY_S = 86_400.0
# Clock time "12:03:04.125" or "03:04.125", which is minutes; date-time as ISO 8601 writes it, with zone or without.
_CLOCK = r"(?:(?P<hour>\d{1,2}):)?(?P<minute>[0-5]?\d):(?P<second>[0-5]?\d)(?:[.,](?P<fraction>\d{1,12}))?"
_TEXT = rf"^(?:(?P<date>\d{{4}}-\d{{2}}-\d{{2}})[Tt ])?{_CLOCK} ?(?P<zone>[Zz]|[+-]\d{{2}}(?::?\d{{2}})?)?$"
_STAMP = re.compile(_TEXT)
_PARTS = ("date", "hour", "minute", "second", "fraction", "zone")

_CENTURY_S = tuple(datetime(year, 1, 1, tzinfo=UTC).timestamp() for year in (2000, 2100))


def to_float64(column: pa.ChunkedArray) -> FloatArray:
    """A float64 column as one array of shape (n_rows,), NaN where null."""
    # Reading the buffers avoids Arrow's own way to NumPy, which imports pandas.
    values = np.empty(len(column))
    start = 0
    for chunk in column.chunks:
        filled = chunk.fill_null(np.nan) if chunk.null_count else chunk
        end = start + len(filled)
        buffer = np.frombuffer(filled.buffers()[1], dtype=np.float64)
        values[start:end] = buffer[filled.offset : filled.offset + len(filled)]
        start = end
    return values


def grow_columns(
    batches: Iterable[pa.RecordBatch], width: int, check: Callable[[int], None] = lambda _: None
) -> list[Column]:
    """Columns (float64, string) of a stream of batches, each freed before the next, so that a log is held once.

    ``check`` gets the count of cells before room is made for them, and raises when they are too many.
    """
    numbers: list[FloatArray] = [np.empty(0) for _ in range(width)]
    words: list[list[pa.Array]] = [[] for _ in range(width)]
    rows = 0
    for batch in batches:
        end = rows + len(batch)
        check(end * width)
        for index, column in enumerate(batch.columns):
            if pa.types.is_string(column.type):
                words[index].append(column)
                continue
            if end > len(numbers[index]):  # room for more, without copying what is there
                numbers[index].resize(max(end, len(numbers[index]) * 3 // 2), refcheck=False)
            numbers[index][rows:end] = to_float64(pa.chunked_array([column]))
        rows = end
    for values in numbers:
        if len(values):
            values.resize(rows, refcheck=False)
    return [
        pa.chunked_array(chunks, pa.string()) if chunks else values
        for chunks, values in zip(words, numbers, strict=True)
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
