"""What of a list of checks at the stand was ticked off: kept by log, in a file that is replaced in one step."""

import json
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from telemetry.errors import LogbookError
from telemetry.logbook.entry import replace_text

MOST_LETTERS, MOST_TICKS = 500, 500


def read_ticks(folder: Path, log_sha256: str) -> frozenset[str]:
    """What is ticked off of a log's checks. Raises `LogbookError` if its file cannot be read."""
    path = folder / f"{log_sha256}.json"
    try:
        return TypeAdapter(frozenset[str]).validate_json(path.read_bytes())
    except FileNotFoundError:
        return frozenset()
    except (OSError, ValidationError):
        raise LogbookError(f"{path}: cannot be read; restore it or move it away.") from None


def write_tick(folder: Path, log_sha256: str, check: str, *, on: bool) -> None:
    """Tick a check off, or take that back. Raises `LogbookError` for more than is kept."""
    ticks = read_ticks(folder, log_sha256)
    ticks = ticks | {check} if on else ticks - {check}
    if not check or len(check) > MOST_LETTERS or len(ticks) > MOST_TICKS:
        raise LogbookError(f"{MOST_TICKS} checks of {MOST_LETTERS} letters are kept with a run.")
    folder.mkdir(exist_ok=True)
    replace_text(folder / f"{log_sha256}.json", json.dumps(sorted(ticks), indent=1, ensure_ascii=False))
