"""Parquet."""

from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from telemetry.errors import LogError
from telemetry.logs.arrowtable import log_from_table
from telemetry.logs.rawlog import RawLog

NAME = "Parquet"


def recognises(path: Path) -> bool:
    """Whether the file starts as Parquet does."""
    with path.open("rb") as file:
        return file.read(4) == b"PAR1"


def read(path: Path) -> RawLog:
    """Read Parquet.

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
        return log_from_table(pq.ParquetFile(path).read(), source=str(path), reader=NAME)
    except (OSError, UnicodeDecodeError, pa.ArrowException) as error:
        raise LogError(f"{path}: is damaged: {str(error).splitlines()[0]}; export the log again.") from None
