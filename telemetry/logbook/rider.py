"""Rider's answers and checks ticked off: by log, beside the runs, in files that are replaced in one step."""

import json
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

from pydantic import TypeAdapter, ValidationError

from telemetry.errors import LogbookError
from telemetry.logbook.run import replace_text
from telemetry.plaintext import plain

FELT = {"felt": "felt it", "not": "did not feel it", "": ""}
MOST_LETTERS = 500
MOST_WORDS = MOST_TICKS = 500
Kept = TypeVar("Kept")


@dataclass(frozen=True)
class RiderWord:
    """One answer of a rider; corner or lap None is no one corner, or every lap."""

    at: str  # when it was given, ISO 8601 in UTC
    corner: int | None = None
    lap: int | None = None
    felt: str = ""  # a key of `FELT`: whether the rider felt what the log shows; "" for a sentence alone
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
    return _read(folder / f"{log_sha256}.json", TypeAdapter(tuple[RiderWord, ...]), ())


def write_words(folder: Path, log_sha256: str, words: tuple[RiderWord, ...]) -> None:
    """Keep what was said of a log, in one step."""
    if len(words) > MOST_WORDS:
        raise LogbookError(f"{MOST_WORDS} answers are kept with a run; there is no room for more.")
    _write(folder / f"{log_sha256}.json", [asdict(word) for word in words])


def by_place(words: tuple[RiderWord, ...]) -> dict[int | None, tuple[RiderWord, ...]]:
    """Answers by corner, those of no corner last."""
    found: dict[int | None, list[RiderWord]] = {}
    for word in sorted(words, key=lambda word: (word.corner is None, word.corner or 0)):
        found.setdefault(word.corner, []).append(word)
    return {corner: tuple(of_corner) for corner, of_corner in found.items()}


def read_ticks(folder: Path, log_sha256: str) -> frozenset[str]:
    """What is ticked off of a log's checks. Raises `LogbookError` if its file cannot be read."""
    return _read(folder / f"{log_sha256}.json", TypeAdapter(frozenset[str]), frozenset())


def write_tick(folder: Path, log_sha256: str, check: str, *, on: bool) -> None:
    """Tick a check off, or take that back. Raises `LogbookError` for more than is kept."""
    ticks = read_ticks(folder, log_sha256)
    ticks = ticks | {check} if on else ticks - {check}
    if not check or len(check) > MOST_LETTERS or len(ticks) > MOST_TICKS:
        raise LogbookError(f"{MOST_TICKS} checks of {MOST_LETTERS} letters are kept with a run.")
    _write(folder / f"{log_sha256}.json", sorted(ticks))


def _read(path: Path, adapter: TypeAdapter[Kept], none: Kept) -> Kept:
    try:
        return adapter.validate_json(path.read_bytes())
    except FileNotFoundError:
        return none
    except (OSError, ValidationError):
        raise LogbookError(f"{path}: cannot be read; restore it or move it away.") from None


def _write(path: Path, data: list[Any]) -> None:
    path.parent.mkdir(exist_ok=True)
    replace_text(path, json.dumps(data, indent=1, ensure_ascii=False))
