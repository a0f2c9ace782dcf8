"""What the catalogue says of a run."""

import json
from dataclasses import dataclass, fields
from pathlib import Path

from telemetry.errors import LogbookError


@dataclass(frozen=True)
class RunEntry:
    """One run in a logbook; texts are "" where nothing was written down.

    ``run_id`` is made from the bytes of log, bike file and setup sheet, so the same three are the same run
    everywhere. ``date`` is ISO 8601, ``added_at`` is ISO 8601 in UTC. ``log_sha256`` is of the original log.
    """

    run_id: str
    name: str
    date: str
    bike: str
    place: str
    rider: str
    outing: str
    notes: str
    added_at: str
    log_name: str
    log_sha256: str
    laps: int
    quickest_lap_s: float | None
    oscillation: str


def read_entry(path: Path) -> RunEntry:
    """The entry that a run keeps in its own directory, from which the catalogue can be made again.

    Raises
    ------
    LogbookError
        If it cannot be read.
    """
    names = [field.name for field in fields(RunEntry)]
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        return RunEntry(**{name: data[name] for name in names})
    except (OSError, ValueError, KeyError, TypeError):
        raise LogbookError(f"{path}: cannot be read; restore it or move its directory out.") from None
