"""A log's columns as Parquet: small, and exact to the logged digits.

A logger writes decimals, so a column is kept as whole numbers and a count of decimals (field metadata
``decimals``): value = number / 10**decimals, which is the very float that reading the text gave, since both
are the double nearest to that decimal. A converter of few bits leaves gaps between the decimals it can give;
then the numbers that occur are listed once (``levels``) and a sample says which. Differences between
neighbours are short, hence DELTA_BINARY_PACKED; `tests/benchmarks/logbook/encodings.py` compares it with
others. A column that is not decimals stays float64.

Traces are what a picture is drawn of and rest on the log, so they are kept to a hundredth of a millimetre at the wheel,
and to the decimals of `TRACE_DECIMALS`; what follows from the shaft and the bike file (`FOLLOWS`) is not kept. Those of
older versions are float64, and whole; all are read alike.
"""

import base64
import json
import zlib
from collections.abc import Callable, Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any, get_type_hints

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq
from pydantic import TypeAdapter

from telemetry.arrays import ENDS, FloatArray
from telemetry.bike import Bike, leverage_curve, pitch_deg, wheelbase_mm
from telemetry.decimals import Columns, packed
from telemetry.errors import LogbookError
from telemetry.logs import RawLog
from telemetry.summary import Traces

_WIDEST = 2**22  # span of numbers for which a table of those that occur is made
_KEY = b"bothends.log"
# By the unit that a trace's name ends in, the longest that fits; whole numbers (lap, phase, valid) have none.
FOLLOWS = {"pitch_deg", *(f"{end}_wheel_{unit}" for end in ENDS for unit in ("mm", "mm_s"))}
_SHAFT = tuple(f"{end}_shaft_{unit}" for end in ENDS for unit in ("mm", "mm_s"))
TRACE_DECIMALS = {"_shaft_mm": 3, "_mm_s": 1, "_mm": 2, "_m_s": 3, "_m": 2, "_deg": 3, "t_s": 6}


def as_levels(
    numbers: npt.NDArray[np.int64], known: npt.NDArray[np.bool_]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]] | None:
    """Places and rising levels with ``levels[places]`` every ``known`` number; None where the list would not pay.

    That is numbers with few gaps, or few samples to each level (own choice: 4 of each).
    """
    present = numbers[known]
    if not len(present) or (span := int(present.max() - (low := int(present.min())))) >= _WIDEST:
        return None
    occurs = np.zeros(span + 1, dtype=np.bool_)
    occurs[present - low] = True
    levels = np.flatnonzero(occurs) + low
    if span + 1 < 4 * len(levels) or len(present) < 4 * len(levels):
        return None
    places = np.cumsum(occurs) - 1
    return places[np.where(known, numbers - low, 0)], levels


def write_log(log: RawLog, path: Path) -> None:
    """Write a log's columns, units, metadata and notes as Parquet."""
    arrays, schema, whole = [], [], []
    for name in log.columns:
        column = log.column(name)
        present = ~np.isnan(column.kept) if column.is_float else column.known()
        mask = None if present.all() else ~present
        as_numbers = (packed(column.kept) if column.is_float else column).whole_numbers()
        if as_numbers is None:
            array, metadata = pa.array(column.kept, mask=mask), {}
        else:
            numbers, decimals = as_numbers
            metadata = {"decimals": str(decimals)}
            if listed := as_levels(numbers, present):
                numbers, levels = listed
                metadata["levels"] = _to_text(levels)
            small = np.abs(numbers).max(initial=0) < 2**31
            array = pa.array(numbers.astype(np.int32) if small else numbers, mask=mask)
            whole.append(name)
        arrays.append(array)
        schema.append(pa.field(name, array.type, metadata={**metadata, "unit": log.units.get(name, "")}))
    rest = {
        name: adapter.dump_python(getattr(log, name), mode="json") for name, adapter in _adapters().items()
    }
    _write(path, arrays, pa.schema(schema, metadata={_KEY: json.dumps(rest)}), whole)


def _write(path: Path, arrays: list[pa.Array], schema: pa.Schema, packed: list[str]) -> None:
    pq.write_table(
        pa.Table.from_arrays(arrays, schema=schema),
        path,
        compression="zstd",
        use_dictionary=False,
        column_encoding={name.replace(".", "\\."): "DELTA_BINARY_PACKED" for name in packed},
    )


def write_stored_traces(traces: Traces, path: Path) -> None:
    """Write traces as whole numbers of `TRACE_DECIMALS`, without what follows from others."""
    arrays, schema = [], []
    for name, values in traces.columns.items():
        if name in FOLLOWS:
            continue
        decimals = next((count for unit, count in TRACE_DECIMALS.items() if name.endswith(unit)), 0)
        unknown = ~np.isfinite(values)
        scaled = np.rint(np.where(unknown, 0.0, values) * 10.0**decimals)
        kind = np.int32 if np.abs(scaled).max(initial=0.0) < 2**31 else np.int64
        arrays.append(pa.array(scaled.astype(kind), mask=unknown if unknown.any() else None))
        schema.append(pa.field(name, arrays[-1].type, metadata={"decimals": str(decimals)}))
    _write(path, arrays, pa.schema(schema), [field.name for field in schema])


def read_stored_traces(path: Path, columns: tuple[str, ...] | None = None) -> Traces:
    """Read all or some existing columns of traces; `LogbookError` if the file is missing or damaged."""
    try:
        file = pq.ParquetFile(path)
        names = None if columns is None else [name for name in columns if name in file.schema_arrow.names]
        if names == []:
            return Traces({})
        table = file.read(columns=names)
        each = zip(table.schema, table.columns, strict=True)
        return Traces({field.name: _values(column, field) for field, column in each})
    except (OSError, pa.ArrowException, KeyError, ValueError) as error:
        reason = (str(error).splitlines() or ["damaged"])[0]
        raise LogbookError(f"{path}: traces cannot be read ({reason}).") from None


def read_whole_traces(path: Path, bike: Callable[[], Bike], columns: tuple[str, ...]) -> Traces:
    """Read columns of traces, or compute them from others and the run's bike; `LogbookError` if missing or damaged."""
    found = dict(read_stored_traces(path, columns).columns)
    follow = [name for name in columns if name in FOLLOWS and name not in found]
    if follow:
        needed = [
            name for name in _SHAFT if any(name.startswith(one[:5]) or one == "pitch_deg" for one in follow)
        ]
        shaft = read_stored_traces(path, tuple(needed)).columns
        found |= {name: values for name in follow if (values := _following(name, shaft, bike())) is not None}
    return Traces({name: found[name] for name in columns if name in found})


def _following(name: str, shaft: Mapping[str, FloatArray], bike: Bike) -> FloatArray | None:
    """One column of `FOLLOWS` from travel and speed at the shafts."""
    if name == "pitch_deg":
        front, rear = (_following(f"{end}_wheel_mm", shaft, bike) for end in ENDS)
        return None if front is None or rear is None else pitch_deg(front, rear, wheelbase_mm(bike))
    end, unit = next((end, name.removeprefix(f"{end}_wheel_")) for end in ENDS if name.startswith(end))
    travel, speed = (shaft.get(f"{end}_shaft_{of}") for of in ("mm", "mm_s"))
    if travel is None or speed is None:
        return None
    curve = leverage_curve(bike, end)
    return curve.wheel_travel_mm(travel) if unit == "mm" else np.asarray(curve.ratio(travel) * speed)


def read_stored_log(path: Path) -> RawLog:
    """Read what `write_log` wrote, equal to the last bit; `LogbookError` if the file is missing or damaged."""
    try:
        table = pq.ParquetFile(path).read()
        rest = json.loads(table.schema.metadata[_KEY])
        columns = {
            each.name: packed(_values(column, each))
            for each, column in zip(table.schema, table.columns, strict=True)
        }
        return RawLog(
            columns=Columns(columns),
            **{name: adapter.validate_python(rest[name]) for name, adapter in _adapters().items()},
        )
    except (OSError, pa.ArrowException, KeyError, TypeError, ValueError) as error:
        reason = (str(error).splitlines() or ["damaged"])[0]
        raise LogbookError(f"{path}: the stored log cannot be read ({reason}); rebuild the run.") from None


def _to_text(levels: npt.NDArray[np.int64]) -> str:
    """Rising numbers as text: their differences as JSON, in zlib and base64."""
    differences = json.dumps(np.diff(levels, prepend=0).tolist(), separators=(",", ":"))
    return base64.b64encode(zlib.compress(differences.encode(), 9)).decode()


def _from_text(text: bytes) -> npt.NDArray[np.int64]:
    return np.cumsum(json.loads(zlib.decompress(base64.b64decode(text))), dtype=np.int64)


def _values(column: pa.ChunkedArray, each: pa.Field) -> FloatArray:
    metadata = each.metadata or {}
    values = np.empty(len(column))
    scale = 10.0 ** int(metadata.get(b"decimals", 0))
    table = _from_text(metadata[b"levels"]) / scale if b"levels" in metadata else None
    start = 0
    for chunk in column.chunks:
        into = values[start : start + len(chunk)]
        numbers, unknown = _buffers(chunk)
        if table is None:
            np.divide(numbers, scale, out=into)
        else:
            np.take(table, numbers, out=into, mode="clip")  # where unknown, any number may stand
        if unknown is not None:
            into[unknown] = np.nan
        start += len(chunk)
    return values


def _buffers(chunk: pa.Array) -> tuple[npt.NDArray[Any], npt.NDArray[np.bool_] | None]:
    """Numbers and which of them are unknown, from the chunk's own memory (``to_numpy`` imports pandas)."""
    kind = {pa.int32(): np.int32, pa.int64(): np.int64, pa.float64(): np.float64}[chunk.type]
    bits, data = chunk.buffers()
    here = slice(chunk.offset, chunk.offset + len(chunk))
    numbers = np.frombuffer(data, kind)[here]
    if not chunk.null_count:
        return numbers, None
    known = np.unpackbits(np.frombuffer(bits, np.uint8), bitorder="little")[here]
    return numbers, known == 0


def _adapters() -> dict[str, TypeAdapter[Any]]:
    """JSON adapter of each field of a log except its columns."""
    hints = get_type_hints(RawLog)
    return {each.name: TypeAdapter(hints[each.name]) for each in fields(RawLog) if each.name != "columns"}
