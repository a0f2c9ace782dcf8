"""Tables of Apache Arrow: Parquet, and Arrow IPC as a file (also called Feather) or as a stream.

A column is a channel; its unit is in the field's metadata or in its name.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa

from telemetry.arrays import FloatArray
from telemetry.decimals import Column, Columns, packed
from telemetry.errors import LogError
from telemetry.logs.rawlog import RawLog, split_unit, unique_names
from telemetry.logs.textfile import check_unpacked, epoch_start, read_time_text, to_float64
from telemetry.notes import QualityNote, Step

_SECONDS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
_IPC_FILE, _IPC_STREAM = b"ARROW1", b"\xff\xff\xff\xff"


@dataclass(frozen=True)
class ArrowFormat:
    """A file format that Arrow reads whole: its name, its first bytes, and what gives its table."""

    NAME: str
    starts: tuple[bytes, ...]
    table: Callable[[Path], pa.Table]

    def recognises(self, path: Path) -> bool:
        """Whether the file starts as this format does."""
        with path.open("rb") as file:
            return file.read(max(map(len, self.starts))).startswith(self.starts)

    def read(self, path: Path) -> RawLog:
        """Read a file; `LogError` if it is damaged or has no column of numbers."""
        try:
            return log_from_table(self.table(path), source=str(path), reader=self.NAME)
        except (OSError, UnicodeDecodeError, pa.ArrowException) as error:
            reason = str(error).splitlines()[0]
            raise LogError(f"{path}: is damaged: {reason}; export the log again.") from None


def _parquet(path: Path) -> pa.Table:
    import pyarrow.parquet as pq  # reads the system's certificates

    with path.open("rb") as file:  # Arrow itself opens no name that is not UTF-8
        parquet = pq.ParquetFile(file)
        check_unpacked(path, parquet.metadata.num_rows * parquet.metadata.num_columns, packed=True)
        return parquet.read()


def _ipc(path: Path) -> pa.Table:
    with pa.input_stream(path.open("rb")) as stream:
        whole_file = stream.read(len(_IPC_FILE)) == _IPC_FILE
        stream.seek(0)
        table = (pa.ipc.open_file if whole_file else pa.ipc.open_stream)(stream).read_all()
    table.validate(full=True)  # buffers of a damaged file may end early
    return table


PARQUET = ArrowFormat("Parquet", (b"PAR1",), _parquet)
ARROW_IPC = ArrowFormat("Arrow IPC", (_IPC_FILE, _IPC_STREAM), _ipc)


def log_from_table(table: pa.Table, *, source: str, reader: str) -> RawLog:
    """Columns of numbers and time of a table, units from field metadata ``unit``; `LogError` if there are none."""
    pairs = [split_unit(field.name) for field in table.schema]
    names = unique_names([name for name, _ in pairs])
    metadata = _text_metadata(table.schema)
    columns: dict[str, Column] = {}
    units, notes = {}, []
    n_rows, schema = table.num_rows, table.schema
    waiting = table.columns[::-1]
    del table  # each column is let go once it is decoded
    for name, (_, unit_in_name), field in zip(names, pairs, schema, strict=True):
        values, start = _values(waiting.pop())
        if values is None:
            message = f"Column {name!r} is of type {field.type}, not numbers; it is not used."
            notes.append(QualityNote("info", "words", message, channel=name))
            continue
        columns[name] = packed(values)
        written = (field.metadata or {}).get(b"unit", unit_in_name.encode()).decode(errors="replace")
        units[name] = written if start is None else "s"
        if start:
            metadata.setdefault("start", start)
    if not any(column.any_known for column in columns.values()):
        raise LogError(f"{source}: no column of numbers found; is this the log?")
    return RawLog(
        source=source,
        columns=Columns(columns),
        units=units,
        dialect={"reader": reader},
        metadata=metadata,
        notes=tuple(notes),
        history=(Step("read", {"reader": reader, "rows": n_rows, "columns": len(columns)}),),
    )


def _values(column: pa.ChunkedArray) -> tuple[FloatArray | None, str | None]:
    """Numbers of a column, None if it holds none; and where it is time, its start ("" if that is no date)."""
    kind = column.type
    if pa.types.is_dictionary(kind):
        column, kind = column.cast(kind.value_type), kind.value_type
    if pa.types.is_timestamp(kind):
        return _from_first(column, _SECONDS[kind.unit])
    if pa.types.is_duration(kind):
        return to_float64(column.cast(pa.int64()).cast(pa.float64(), safe=False)) * _SECONDS[kind.unit], ""
    if pa.types.is_time(kind) or pa.types.is_string(kind) or pa.types.is_large_string(kind):
        time = read_time_text(column.cast(pa.string()))
        return (time.t_s, time.start) if time else (None, None)
    if pa.types.is_boolean(kind):
        column = column.cast(pa.uint8())  # Arrow casts a truth value to a whole number only
    elif not (pa.types.is_floating(kind) or pa.types.is_integer(kind) or pa.types.is_decimal(kind)):
        return None, None
    values = to_float64(column.cast(pa.float64(), safe=False))
    values[np.isinf(values)] = np.nan
    return values, None


def _from_first(column: pa.ChunkedArray, unit_s: float) -> tuple[FloatArray, str | None]:
    """Seconds since the first moment, and that moment; whole numbers keep the last digit."""
    ticks = column.cast(pa.int64())
    first = next((value for value in ticks.drop_null().slice(0, 1).to_pylist()), 0)
    counts = to_float64(pa.compute.subtract(ticks, first).cast(pa.float64(), safe=False))
    return counts * unit_s, epoch_start(first * unit_s) or ""


def _text_metadata(schema: pa.Schema) -> dict[str, str]:
    """The file's own key/value pairs; what libraries store for themselves is left out."""
    pairs = {key.decode(errors="replace"): value for key, value in (schema.metadata or {}).items()}
    return {
        key: value.decode(errors="replace")
        for key, value in pairs.items()
        if key not in ("pandas", "ARROW:schema")
    }
