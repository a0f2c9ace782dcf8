"""Taking in what a colleague exported: each of its runs is reviewed here, from its original and its bike file."""

import json
import shutil
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from tempfile import TemporaryDirectory
from typing import Any, cast

from telemetry.bike import load_bike
from telemetry.errors import BothEndsError, LogbookError
from telemetry.logbook.build import BIKE, CHANNELS, CIRCUIT, CUT, ORIGINAL, SHEET
from telemetry.logbook.draft import LARGEST_LOG_BYTES
from telemetry.logbook.entry import Words, file_sha256, is_one_name, texts
from telemetry.logbook.logbook import Logbook
from telemetry.review import cut_from_json

_CATALOGUE, _RUNS = "catalogue.json", "runs"
# What an export may hold unpacked, and in how many files. Own choices.
LARGEST_EXPORT_BYTES, MOST_FILES = 20 * 1024**3, 100_000


@dataclass(frozen=True)
class TakenIn:
    """What came of an export: runs taken in, runs that were there already, and what could not be taken in."""

    added: tuple[str, ...]
    known: int
    refused: tuple[str, ...]

    @property
    def words(self) -> str:
        """The same in a sentence or two."""
        said = f"{len(self.added)} runs taken in, {self.known} were there already."
        return " ".join((said, *(f"Not taken in: {words}" for words in self.refused)))


def is_export(path: Path) -> bool:
    """Whether a file is an export as a ZIP archive: a log is none."""
    try:
        with zipfile.ZipFile(path) as packed:
            return any(PurePosixPath(name).name == _CATALOGUE for name in packed.namelist())
    except (OSError, zipfile.BadZipFile):
        return False


def take_in_export(
    logbook: Logbook, source: str | Path, progress: Callable[[str], None] = lambda words: None
) -> TakenIn:
    """Take in the runs of an export, each with its history: how it was reviewed before, oldest first.

    Nothing of the other reviews is believed: every log is reviewed here, as it was last and as it was before. A run
    whose log is in the logbook already, or in its bin, stays as it is.

    Parameters
    ----------
    source : str or Path
        Directory that `telemetry.logbook.export` wrote, or that directory as a ZIP archive.
    progress : callable
        Gets a few words before each run; what it raises ends the work, and the runs before it stay.

    Raises
    ------
    LogbookError
        If it is no export.
    """
    with _opened(Path(source), logbook.path) as home:
        of_logs = _by_log(home)
        there = {entry.log_sha256 for entry in (*logbook.revisions(), *logbook.in_bin())}
        added, known, refused = list[str](), 0, list[str]()
        for log_sha256, rows in of_logs.items():
            if log_sha256 in there:
                known += 1
                continue
            for row in rows:
                last = row is rows[-1]
                name = str(row.get("name") or row.get("run_id"))[:80] + ("" if last else ", as it was before")
                progress(f"taking in {name}")
                try:
                    run_id = _take_in(logbook, home, row)
                    added += [run_id] if last else []
                except (BothEndsError, OSError, ValueError) as error:
                    refused.append(f"{name}: {error}")
        return TakenIn(tuple(added), known, tuple(refused))


@contextmanager
def _opened(source: Path, logbook_path: Path) -> Iterator[Path]:
    """The directory of an export; of an archive, unpacked within the logbook's folder."""
    if source.is_dir():
        yield source
        return
    drafts = logbook_path / "drafts"
    drafts.mkdir(exist_ok=True)
    with TemporaryDirectory(prefix="export-", suffix=".part", dir=drafts) as place:
        try:
            with zipfile.ZipFile(source) as packed:
                _unpack(packed, Path(place), source.name)
        except (OSError, zipfile.BadZipFile, NotImplementedError, RuntimeError) as error:
            raise LogbookError(f"{source.name}: is no archive of an export ({error}).") from None
        found = next(Path(place).rglob(_CATALOGUE), None)
        if found is None:
            raise LogbookError(f"{source.name}: holds no {_CATALOGUE}, so it is no export of a logbook.")
        yield found.parent


def _unpack(packed: zipfile.ZipFile, place: Path, name: str) -> None:
    """Unpack regular files below a place, up to `LARGEST_EXPORT_BYTES`; the sizes in the archive are not believed."""
    left = min(LARGEST_EXPORT_BYTES, shutil.disk_usage(place).free)
    members = [one for one in packed.infolist() if not one.is_dir()]
    if len(members) > MOST_FILES:
        raise LogbookError(f"{name}: holds more than {MOST_FILES} files.")
    for member in members:
        parts = PurePosixPath(member.filename.replace("\\", "/")).parts
        if not parts or not all(is_one_name(part) for part in parts):
            raise LogbookError(f"{name}: holds a file whose name leads elsewhere.")
        out = place.joinpath(*parts)
        out.parent.mkdir(parents=True, exist_ok=True)
        with packed.open(member) as read, out.open("xb") as file:
            while piece := read.read(1024**2):
                left -= len(piece)
                if left < 0:
                    raise LogbookError(f"{name}: unpacked it is larger than there is room for.")
                file.write(piece)


def _by_log(home: Path) -> dict[str, list[dict[str, Any]]]:
    """Rows of the catalogue by log, those of one log oldest first: the last one holds."""
    try:
        rows = json.loads((home / _CATALOGUE).read_text(encoding="utf-8"))
        found: dict[str, list[dict[str, Any]]] = {}
        for row in sorted(rows, key=lambda row: (str(row["added_at"]), int(row["revision"]))):
            found.setdefault(str(row["log_sha256"]), []).append(row)
        return found
    except (OSError, ValueError, TypeError, KeyError):
        raise LogbookError(f"{home}: holds no {_CATALOGUE} of an export.") from None


def _take_in(logbook: Logbook, home: Path, row: dict[str, Any]) -> str:
    """Review and keep one run of an export. Raises `BothEndsError`."""
    run_id = str(row["run_id"])
    place = next((one for one in (home / _RUNS).iterdir() if one.name.endswith(run_id)), None)
    name = str(row.get("log_name", ""))
    log = place / ORIGINAL / name if place is not None and is_one_name(name) else None
    if place is None or log is None or not log.is_file():
        raise LogbookError("its log is missing in the export.")
    if log.stat().st_size > LARGEST_LOG_BYTES or file_sha256(log) != row["log_sha256"]:
        raise LogbookError("its log is not the one that was exported.")
    load_bike(place / BIKE, beside=True)
    # empty words are said too: they take back what the run said before; a date cannot be empty
    said = {
        word: text
        for word in Words.__annotations__
        if isinstance(text := row.get(word), str) and (text or word != "date")
    }
    channels, cut = place / CHANNELS, place / CUT
    return logbook.add(
        log,
        place / BIKE,
        place / SHEET if (place / SHEET).is_file() else None,
        channels=texts().validate_json(channels.read_text(encoding="utf-8")) if channels.is_file() else None,
        circuit_path=place / CIRCUIT if (place / CIRCUIT).is_file() else None,
        cut=cut_from_json(cut.read_text(encoding="utf-8")) if cut.is_file() else None,
        **cast(Words, said),
    )
