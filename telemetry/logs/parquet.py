"""Parquet: a column is a channel; its unit is in the field's metadata (key ``unit``) or in its name."""

from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from telemetry.errors import LogError
from telemetry.logs.cells import to_float64
from telemetry.logs.headers import split_unit, unique_names
from telemetry.logs.rawlog import RawLog
from telemetry.notes import QualityNote, Step

NAME = "Parquet"


def recognises(path: Path) -> bool:
    """Whether the file starts as Parquet does."""
    with path.open("rb") as file:
        return file.read(4) == b"PAR1"


def read(path: Path) -> RawLog:
    """Read Parquet. Rows are counted from 1.

    Parameters
    ----------
    path : Path

    Returns
    -------
    RawLog

    Raises
    ------
    LogError
        If the file is damaged or has no column of numbers.
    """
    try:
        table = pq.ParquetFile(path).read()
    except (OSError, pa.ArrowException) as error:
        raise LogError(f"{path}: is damaged: {str(error).splitlines()[0]}; export the log again.") from None
    pairs = [split_unit(field.name) for field in table.schema]
    names = unique_names([name for name, _ in pairs])
    columns, units, notes = {}, {}, []
    for name, (_, unit_in_name), field, column in zip(names, pairs, table.schema, table.columns, strict=True):
        kind = field.type
        if not (pa.types.is_floating(kind) or pa.types.is_integer(kind) or pa.types.is_boolean(kind)):
            message = f"Column {name!r} is of type {kind}, not numbers; it is not used."
            notes.append(QualityNote("info", "words", message, channel=name))
            continue
        # Arrow casts a truth value to a whole number only
        whole = column.cast(pa.uint8()) if pa.types.is_boolean(kind) else column
        columns[name] = to_float64(whole.cast(pa.float64(), safe=False))
        units[name] = (field.metadata or {}).get(b"unit", unit_in_name.encode()).decode(errors="replace")
    if not any(np.isfinite(values).any() for values in columns.values()):
        raise LogError(f"{path}: no column of numbers found; is this the log?")
    return RawLog(
        source=str(path),
        columns=columns,
        units=units,
        dialect={"reader": NAME},
        metadata=_text_metadata(table.schema),
        notes=tuple(notes),
        history=(Step("read", {"reader": NAME, "rows": table.num_rows, "columns": len(columns)}),),
    )


def _text_metadata(schema: pa.Schema) -> dict[str, str]:
    """The file's own key/value pairs; what libraries store for themselves is left out."""
    pairs = {key.decode(errors="replace"): value for key, value in (schema.metadata or {}).items()}
    return {
        key: value.decode(errors="replace")
        for key, value in pairs.items()
        if key not in ("pandas", "ARROW:schema")
    }
