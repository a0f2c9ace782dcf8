"""Drafts: logs that were taken into a logbook's folder and wait for the answers a review needs.

::

    drafts/<token>.part/   a log that is still arriving
    drafts/<token>/        log, draft.json with what a person answered so far, preview.json

A log is moved to its token in one step when it is complete; what a killed process left half is cleared away.
"""

import json
import os
import shutil
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, BinaryIO
from uuid import uuid4

from telemetry.errors import LogbookError
from telemetry.logbook.run import flush, is_one_name, replace_text
from telemetry.plaintext import plain

# The longest logs are some hundred megabytes; a browser cannot fill a disk beyond it by mistake. Own choice.
LARGEST_LOG_BYTES = 2 * 1024**3
_PIECE_BYTES = 1024**2
_DRAFT, _PREVIEW, _SIZE, _LOG, _PART = "draft.json", "preview.json", "size.json", "log", ".part"
_SILENT_S = 600.0


OWN_LOGBOOK_VARIABLE = "BOTHENDS_LOGBOOK"


def own_logbook_path() -> Path:
    """Where the logbook is that the demo's page starts: ``$BOTHENDS_LOGBOOK``, else a folder at home."""
    named = os.environ.get(OWN_LOGBOOK_VARIABLE)
    return Path(named) if named else Path.home() / "bothends-logbook"


@dataclass(frozen=True)
class Draft:
    """A log that was taken in, and what a person answered so far (``said``, by name of the field)."""

    token: str
    log: Path
    started_at: str
    said: dict[str, str] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """The log's file name."""
        return self.log.name


class Drafts:
    """The drafts in a logbook's folder; what is left of logs that never arrived is cleared away."""

    _lock = threading.Lock()

    def __init__(self, logbook_path: Path) -> None:
        self.path = logbook_path / "drafts"
        self._clear_away()

    def _clear_away(self) -> None:
        """Remove what of a log arrived before its sender went silent."""
        for part in self.path.glob(f"*{_PART}"):
            with suppress(OSError):
                newest = max(path.stat().st_mtime for path in (part, *part.rglob("*")))
                if time.time() - newest > _SILENT_S:
                    shutil.rmtree(part, ignore_errors=True)

    def begin(self, log_name: str, size_bytes: int) -> str:
        """Make place for a log that arrives in pieces; returns its token.

        `LogbookError` if the name is none of a file, or the log is empty, larger than `LARGEST_LOG_BYTES` or than the
        disk.
        """
        name = safe_name(log_name)
        if size_bytes <= 0:
            raise LogbookError(f"{name} is empty.")
        if size_bytes > LARGEST_LOG_BYTES:
            largest = LARGEST_LOG_BYTES / 1024**2
            raise LogbookError(f"{name} is larger than {largest:.0f} MB; cut the log and add its parts.")
        self._clear_away()
        token = uuid4().hex
        log = self.path / f"{token}{_PART}" / _LOG
        log.mkdir(parents=True)
        if size_bytes > shutil.disk_usage(log).free:
            shutil.rmtree(log.parent, ignore_errors=True)
            raise LogbookError(f"{name}: there is not enough room on the disk of {self.path.parent}.")
        (log / name).touch()
        _write(log.parent / _SIZE, {"size_bytes": size_bytes})
        return token

    def append(self, token: str, offset: int, source: BinaryIO) -> int:
        """Write the next piece of a log; with the last one it is a draft. Returns how many bytes are still to come.

        `LogbookError` if there is no such log, ``offset`` is not what has arrived so far, or the piece goes past the
        announced size.
        """
        part = self._home(token).with_name(f"{token}{_PART}")
        try:
            size_bytes = int(json.loads((part / _SIZE).read_text(encoding="utf-8"))["size_bytes"])
            path = next((part / _LOG).iterdir())
        except (OSError, ValueError, LookupError, StopIteration):
            raise LogbookError("This log is not arriving any more; choose its file again.") from None
        with self._lock, path.open("r+b") as file:
            there = file.seek(0, 2)
            if there != offset:
                raise LogbookError(f"The piece at {offset} is not the next one; choose the file again.")
            while piece := source.read(_PIECE_BYTES):
                there += len(piece)
                if there > size_bytes:
                    file.truncate(offset)
                    raise LogbookError(
                        "The file grew while it was sent; choose it again when it is complete."
                    )
                file.write(piece)
        if there == size_bytes:
            self._complete(part, path)
        return size_bytes - there

    def _complete(self, part: Path, path: Path) -> None:
        flush(path)
        now = datetime.now(UTC).isoformat(timespec="microseconds")
        _write(part / _DRAFT, {"started_at": now, "said": {}})
        part.rename(part.with_suffix(""))
        flush(self.path)

    def stop(self, token: str) -> None:
        """Forget a log that is arriving."""
        shutil.rmtree(self._home(token).with_name(f"{token}{_PART}"), ignore_errors=True)

    def all(self) -> tuple[Draft, ...]:
        """Drafts, newest first; one that cannot be read is left out."""
        found = []
        for home in self.path.iterdir() if self.path.is_dir() else ():
            with suppress(LogbookError):
                found.append(self.draft(home.name))
        return tuple(sorted(found, key=lambda draft: draft.started_at, reverse=True))

    def draft(self, token: str) -> Draft:
        """One draft. Raises `LogbookError` if there is none."""
        home = self._home(token)
        try:
            data = json.loads((home / _DRAFT).read_text(encoding="utf-8"))
            log = next((home / _LOG).iterdir())
            said = {str(key): str(text) for key, text in data["said"].items()}
            return Draft(token, log, str(data["started_at"]), said)
        except (OSError, ValueError, LookupError, TypeError, AttributeError, StopIteration):
            raise LogbookError("This log is no longer waiting: it was reviewed or thrown away.") from None

    def save(self, token: str, said: dict[str, str]) -> None:
        """Keep what was answered, in one step."""
        draft = self.draft(token)
        _write(self._home(token) / _DRAFT, {"started_at": draft.started_at, "said": said})

    def preview(
        self, token: str, make: Callable[[Path], dict[str, Any]] | None = None
    ) -> dict[str, Any] | None:
        """What the log looks like, made once; None when it was not made yet and is not to be made now."""
        draft, path = self.draft(token), self._home(token) / _PREVIEW
        with suppress(OSError, ValueError):
            data = json.loads(path.read_text(encoding="utf-8"))
            if isinstance(data, dict):
                return data
        if make is None:
            return None
        made = make(draft.log)
        _write(path, made)
        return made

    def throw_away(self, token: str) -> None:
        """Remove a draft with its copy of the log."""
        home = self._home(token)
        gone = home.with_name(f"{token}{_PART}")
        try:
            home.rename(gone)
        except OSError:
            raise LogbookError("This log is no longer waiting: it was reviewed or thrown away.") from None
        shutil.rmtree(gone, ignore_errors=True)

    def _home(self, token: str) -> Path:
        if len(token) != 32 or not set(token) <= set("0123456789abcdef"):
            raise LogbookError("There is no such draft.")
        return self.path / token


def safe_name(log_name: str) -> str:
    """The last part of a file's name, as every system can keep it. Raises `LogbookError` where nothing is left."""
    name = plain(log_name.replace("\\", "/").rpartition("/")[2]).replace("\ufffd", "_")
    name = "".join("_" if letter in '<>:"|?*\n\t\r' else letter for letter in name).strip(" .")[-120:]
    if not is_one_name(name):
        raise LogbookError("The file has no name that can be kept; rename it and choose it again.")
    return name


def _write(path: Path, data: dict[str, Any]) -> None:
    replace_text(path, json.dumps(data, indent=1, ensure_ascii=False))
