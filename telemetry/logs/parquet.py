"""Parquet."""

from pathlib import Path

import pyarrow as pa

from telemetry.errors import LogError
from telemetry.logs.arrowtable import log_from_table
from telemetry.logs.rawlog import RawLog
from telemetry.logs.textfile import check_unpacked

NAME = "Parquet"


def recognises(path: Path) -> bool:
    """Whether the file starts as Parquet does."""
    with path.open("rb") as file:
        return file.read(4) == b"PAR1"


def read(path: Path) -> RawLog:
    """Read Parquet; `LogError` if the file is damaged or has no column of numbers."""
    import pyarrow.parquet as pq  # reads the system's certificates

    try:
        with path.open("rb") as file:  # Arrow itself opens no name that is not UTF-8
            parquet = pq.ParquetFile(file)
            check_unpacked(path, parquet.metadata.num_rows * parquet.metadata.num_columns, packed=True)
            return log_from_table(parquet.read(), source=str(path), reader=NAME)
    except (OSError, UnicodeDecodeError, pa.ArrowException) as error:
        raise LogError(f"{path}: is damaged: {str(error).splitlines()[0]}; export the log again.") from None
