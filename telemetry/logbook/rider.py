"""Rider's answers and checks ticked off: by log, beside the runs, in files that are replaced in one step."""

import json
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from telemetry.errors import LogbookError
from telemetry.logbook.run import replace_text
from telemetry.plaintext import plain

FELT = {"felt": "felt it", "not": "did not feel it", "": ""}
MOST_LETTERS, MOST_WORDS = 500, 500


@dataclass(frozen=True)
class RiderWord:
    """One answer of a rider.

    Parameters
    ----------
    at : str
        When it was given, ISO 8601 in UTC.
    corner, lap : int or None
        The place; None for no one corner, or every lap.
    felt : {"felt", "not", ""}
        Whether the rider felt what the log shows there; "" for a sentence alone.
    """

    at: str
    corner: int | None = None
    lap: int | None = None
    felt: str = ""
    text: str = ""


def new_word(corner: int | None, lap: int | None, felt: str, text: str) -> RiderWord:
    """An answer given now. Raises `LogbookError` for one that says nothing, or too much."""
    text = plain(text.strip())
    if felt not in FELT or not (felt or text):
        raise LogbookError("Say whether you felt it, or write a sentence.")
    if len(text) > MOST_LETTERS:
        raise LogbookError(f"That is more than {MOST_LETTERS} letters; write it shorter.")
    return RiderWord(datetime.now(UTC).isoformat(timespec="microseconds"), corner, lap, felt, text)


def read_words(folder: Path, log_sha256: str) -> tuple[RiderWord, ...]:
    """What was said of a log, oldest first. Raises `LogbookError` if its file cannot be read."""
    path = folder / f"{log_sha256}.json"
    try:
        return TypeAdapter(tuple[RiderWord, ...]).validate_json(path.read_bytes())
    except FileNotFoundError:
        return ()
    except (OSError, ValidationError):
        raise LogbookError(f"{path}: cannot be read; restore it or move it away.") from None


def write_words(folder: Path, log_sha256: str, words: tuple[RiderWord, ...]) -> None:
    """Keep what was said of a log, in one step."""
    if len(words) > MOST_WORDS:
        raise LogbookError(f"{MOST_WORDS} answers are kept with a run; there is no room for more.")
    folder.mkdir(exist_ok=True)
    replace_text(
        folder / f"{log_sha256}.json",
        json.dumps([asdict(word) for word in words], indent=1, ensure_ascii=False),
    )


def by_place(words: tuple[RiderWord, ...]) -> dict[int | None, tuple[RiderWord, ...]]:
    """Answers by corner, those of no corner last."""
    corners = sorted({word.corner for word in words if word.corner is not None})
    found: dict[int | None, tuple[RiderWord, ...]] = {
        corner: tuple(word for word in words if word.corner == corner) for corner in corners
    }
    rest = tuple(word for word in words if word.corner is None)
    return {**found, None: rest} if rest else found


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
