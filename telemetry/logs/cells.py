"""Cells as Arrow holds them, into float64 arrays."""

from collections.abc import Callable, Iterable
from typing import TypeAlias

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from telemetry.arrays import FloatArray, IntArray

# A column as it was parsed: numbers, or text that is still to be read (pyarrow.ChunkedArray).
Column: TypeAlias = FloatArray | pa.ChunkedArray

# Cells that say "no value"; compared without case or surrounding blanks.
NA_WORDS = frozenset(
    ("", "na", "n/a", "#n/a", "nan", "-nan", "null", "none", "nil", "-", "--", "---", "1.#qnan", "-1.#ind")
)
_NUMBER = r"^[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?$"


def to_float64(column: pa.ChunkedArray) -> FloatArray:
    """A float64 column as one array, NaN where null.

    Returns
    -------
    ndarray of shape (n_rows,)
    """
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
    """The columns of a stream of batches; each batch is let go before the next, so that a long log is held once.

    Parameters
    ----------
    batches : iterable of pyarrow.RecordBatch
        Of float64 and string columns.
    width : int
        How many columns.
    check : callable
        Gets the count of cells so far, before room is made for them; raises when they are too many.
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
    """Numbers of a column that also holds words.

    Parameters
    ----------
    decimal : str
        Decimal mark.

    Returns
    -------
    values : ndarray of shape (n_rows,)
        NaN where the cell is missing or is no number.
    unreadable : ndarray of int
        Rows whose cell is neither a number nor a way to say "no value".
    """
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
