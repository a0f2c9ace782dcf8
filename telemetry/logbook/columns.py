"""A log's columns as Parquet: small, and exact to the logged digits.

A logger writes decimals, so a column is kept as whole numbers and a count of decimals (field metadata
``decimals``): value = number / 10**decimals, which is the very float that reading the text gave, since both
are the double nearest to that decimal. Differences between neighbours are short, hence DELTA_BINARY_PACKED;
`tests/benchmarks/logbook/encodings.py` compares it with others. A column that is not decimals stays float64.
"""

import json
from dataclasses import fields
from pathlib import Path
from typing import Any, get_type_hints

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq
from pydantic import TypeAdapter

from telemetry.arrays import FloatArray
from telemetry.errors import LogbookError
from telemetry.logs import RawLog

_MOST_DECIMALS = 12
_LARGEST = 2.0**53  # beyond it a float no longer tells whole numbers apart
_KEY = b"bothends.log"


def as_decimals(values: FloatArray) -> tuple[npt.NDArray[np.int64], int] | None:
    """Values as whole numbers and a count of decimals.

    Parameters
    ----------
    values : ndarray of shape (n,)
        NaN where unknown; those become 0.

    Returns
    -------
    tuple of ndarray of shape (n,) and int, or None
        ``numbers / 10**decimals`` is every known value to the last bit; None where no such numbers exist.
    """
    known = np.nan_to_num(values, nan=0.0, posinf=np.inf, neginf=-np.inf)
    for decimals in range(_MOST_DECIMALS + 1):
        scale = 10.0**decimals
        with np.errstate(over="ignore", invalid="ignore"):
            numbers = np.rint(known * scale)
        if not np.abs(numbers).max(initial=0.0) < _LARGEST:
            return None
        if np.array_equal(numbers / scale, known):
            return numbers.astype(np.int64), decimals
    return None


def write_log(log: RawLog, path: Path) -> None:
    """Write a log's columns, and everything else the reader said of it, as Parquet."""
    arrays, schema, packed = [], [], []
    for name, values in log.columns.items():
        unknown = np.isnan(values)
        mask = unknown if unknown.any() else None
        found = as_decimals(values)
        if found is None:
            array, metadata = pa.array(values, mask=mask), {}
        else:
            numbers, decimals = found
            small = np.abs(numbers).max(initial=0) < 2**31
            array = pa.array(numbers.astype(np.int32) if small else numbers, mask=mask)
            metadata = {"decimals": str(decimals)}
            packed.append(name)
        arrays.append(array)
        schema.append(pa.field(name, array.type, metadata={**metadata, "unit": log.units.get(name, "")}))
    rest = {
        name: adapter.dump_python(getattr(log, name), mode="json") for name, adapter in _adapters().items()
    }
    pq.write_table(
        pa.Table.from_arrays(arrays, schema=pa.schema(schema, metadata={_KEY: json.dumps(rest)})),
        path,
        compression="zstd",
        use_dictionary=False,
        column_encoding={name.replace(".", "\\."): "DELTA_BINARY_PACKED" for name in packed},
    )


def read_stored_log(path: Path) -> RawLog:
    """Read back what `write_log` wrote, equal to the last bit.

    Raises
    ------
    LogbookError
        If the file is missing or damaged.
    """
    try:
        table = pq.ParquetFile(path).read()
        rest = json.loads(table.schema.metadata[_KEY])
        columns = {
            each.name: _values(column, each) for each, column in zip(table.schema, table.columns, strict=True)
        }
        return RawLog(
            columns=columns,
            **{name: adapter.validate_python(rest[name]) for name, adapter in _adapters().items()},
        )
    except (OSError, pa.ArrowException, KeyError, TypeError, ValueError) as error:
        reason = (str(error).splitlines() or ["damaged"])[0]
        raise LogbookError(f"{path}: the stored log cannot be read ({reason}); rebuild the run.") from None


def _values(column: pa.ChunkedArray, each: pa.Field) -> FloatArray:
    metadata = each.metadata or {}
    scale = 10.0 ** int(metadata[b"decimals"]) if b"decimals" in metadata else 1.0
    return np.concatenate([_chunk(chunk) for chunk in column.chunks] or [np.empty(0)]) / scale


def _chunk(chunk: pa.Array) -> FloatArray:
    """One chunk as floats, NaN where null; straight from its buffers, since ``to_numpy`` imports pandas."""
    _, data = chunk.buffers()
    kind = {pa.int32(): np.int32, pa.int64(): np.int64, pa.float64(): np.float64}[chunk.type]
    values = np.frombuffer(data, kind)[chunk.offset : chunk.offset + len(chunk)].astype(np.float64)
    if chunk.null_count:
        bits = np.frombuffer(chunk.buffers()[0], np.uint8)
        valid = np.unpackbits(bits, bitorder="little")[chunk.offset : chunk.offset + len(chunk)]
        values[valid == 0] = np.nan
    return values


def _adapters() -> dict[str, TypeAdapter[Any]]:
    """How each field of a log beside its columns becomes JSON and comes back."""
    hints = get_type_hints(RawLog)
    return {each.name: TypeAdapter(hints[each.name]) for each in fields(RawLog) if each.name != "columns"}
