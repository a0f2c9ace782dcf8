"""Arrow IPC, as a file (also called Feather) or as a stream."""

from pathlib import Path

import pyarrow as pa

from telemetry.errors import LogError
from telemetry.logs.arrowtable import log_from_table
from telemetry.logs.rawlog import RawLog

NAME = "Arrow IPC"

_FILE, _STREAM = b"ARROW1", b"\xff\xff\xff\xff"


def recognises(path: Path) -> bool:
    """Whether the file starts as Arrow IPC does."""
    with path.open("rb") as file:
        return file.read(6).startswith((_FILE, _STREAM))


def read(path: Path) -> RawLog:
    """Read Arrow IPC (file or streaming format); `LogError` if the file is damaged or has no column of numbers."""
    try:
        with pa.input_stream(path.open("rb")) as stream:  # Arrow itself opens no name that is not UTF-8
            whole_file = stream.read(len(_FILE)) == _FILE
            stream.seek(0)
            table = (pa.ipc.open_file if whole_file else pa.ipc.open_stream)(stream).read_all()
            table.validate(full=True)  # buffers of a damaged file may end early
            return log_from_table(table, source=str(path), reader=NAME)
    except (OSError, UnicodeDecodeError, pa.ArrowException) as error:
        reason = str(error).splitlines()[0]
        raise LogError(f"{path}: is damaged: {reason}; export the log again.") from None
