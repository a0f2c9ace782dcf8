"""Checking a logbook: every file against the hash that was taken when it was kept."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from telemetry.errors import LogbookError
from telemetry.logbook.build import DERIVED, ENTRY, names_of_files
from telemetry.logbook.entry import Record, RunEntry, file_sha256, has_link, read_record
from telemetry.logbook.logbook import Logbook


@dataclass(frozen=True)
class Damage:
    """One thing in a logbook that is not as it was kept: where, what, and what to do. ``run_id`` may be ""."""

    run_id: str
    path: str
    what: str
    advice: str


@dataclass(frozen=True)
class Verification:
    """Result of a check: numbers of runs, files and bytes, and the damages."""

    runs: int
    files: int
    bytes: int
    damages: tuple[Damage, ...]


def verify(logbook: Logbook) -> Verification:
    """Check the catalogue, and every file of every run and its history.

    Parameters
    ----------
    logbook : Logbook
        Nothing in it is changed.
    """
    catalogue, runs = logbook.store.catalogue, logbook.store.runs
    damages = [Damage("", str(catalogue.path), what, _CATALOGUE) for what in catalogue.damage()]
    if damages:
        return Verification(0, 0, 0, tuple(damages))
    entries = {entry.run_id: entry for entry in logbook.revisions()}
    there = sorted(runs.iterdir())
    homes = [home for home in there if home.is_dir() and not home.is_symlink()]
    damages += [
        Damage("", str(path), "is not the directory of a run", _STRANGE)
        for path in there
        if path not in homes
    ]
    files = size = 0
    for home in homes:
        names = names_of_files(home)
        files += len(names) + 1
        size += sum((home / name).lstat().st_size for name in names)
        damages += _damages(home, names, entries.get(home.name))
    for run_id in entries.keys() - {home.name for home in homes}:
        damages.append(Damage(run_id, str(runs / run_id), "is missing", _AGAIN))
    return Verification(len(homes), files, size, tuple(damages))


_CATALOGUE = "Move it away: it is made again from the runs' directories when the logbook is opened next."
_AGAIN = "Restore it from a copy; or move the run's directory out of the logbook and add the log again."
_REBUILD = "Restore it from a copy, or make the run again: bothends logbook rebuild {run_id}."
_STRANGE = "Move it out; a logbook keeps no other files."


def _damages(home: Path, names: tuple[str, ...], entry: RunEntry | None) -> Iterator[Damage]:
    """Damages of one run."""
    run_id = home.name
    try:
        record = read_record(home / ENTRY)
    except LogbookError:
        yield Damage(run_id, str(home / ENTRY), "the record of the run is missing or damaged", _AGAIN)
        return
    if record.entry.run_id != run_id:
        yield Damage(run_id, str(home), f"holds the run {record.entry.run_id}", "Give it that name again.")
    elif entry is not None and entry != record.entry:
        yield Damage(run_id, str(home / ENTRY), "says other than the catalogue", _CATALOGUE)
    for name, expected in record.files.items():
        path = home / name
        if has_link(home, name):
            yield Damage(run_id, str(path), "is a link, not a file of this run", _advice(record, name))
        elif not path.is_file():
            yield Damage(run_id, str(path), "is missing", _advice(record, name))
        elif file_sha256(path) != expected:
            yield Damage(run_id, str(path), "is not as it was kept (SHA-256 differs)", _advice(record, name))
    for name in sorted(set(names) - set(record.files)):
        yield Damage(run_id, str(home / name), "is not a file of this run", _STRANGE)


def _advice(record: Record, name: str) -> str:
    """A review or trace can be made again from the original; original, bike file and sheet cannot."""
    return _REBUILD.format(run_id=record.entry.run_id) if name in DERIVED else _AGAIN
