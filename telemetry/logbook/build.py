"""Building a run's directory: the original byte for byte, the run, its review, and what they rest on.

::

    original/…         the log, byte for byte, under its own name
    log.parquet        its columns, exact to the logged digits
    bike.toml …        the bike file, and the files it names
    sheet.toml         the setup sheet, where there is one
    circuit.toml       the circuit it was ridden on, where one was given
    channels.json      which column means what, where a person had to say so
    cut.json           which part of the log counts, where it is not all of it
    review.json        the review
    traces.parquet     the run sample by sample
    entry.json         the record: what the catalogue says, and the hash of every file
"""

import json
import os
import shutil
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import Any

from telemetry.errors import BikeFileError, LogbookError
from telemetry.findings import damper_answer
from telemetry.logbook.columns import write_log, write_stored_traces
from telemetry.logbook.entry import (
    Record,
    RunEntry,
    file_sha256,
    has_link,
    is_inside,
    part_of,
    record_to_json,
    sheet_words,
)
from telemetry.logs import RawLog
from telemetry.review import WHOLE, Cut, cut_to_json
from telemetry.setup import SetupSheet
from telemetry.summary import Summary, Traces, summary_to_json
from telemetry.tomlfile import read_toml

ENTRY, REVIEW, TRACES, LOG = "entry.json", "review.json", "traces.parquet", "log.parquet"
BIKE, SHEET, CIRCUIT, CHANNELS, ORIGINAL = (
    "bike.toml",
    "sheet.toml",
    "circuit.toml",
    "channels.json",
    "original",
)
DERIVED = {REVIEW, TRACES, LOG}  # can be made again from the others
CHANGING = ".changing"  # stands in a run's directory while its words change
CUT = "cut.json"
_OURS = {ENTRY, REVIEW, TRACES, LOG, BIKE, SHEET, CIRCUIT, CHANNELS, CUT, ORIGINAL}

_PASSING = {ENTRY, CHANGING, part_of(Path(ENTRY)).name}


@dataclass(frozen=True)
class Sources:
    """Input files of a run; ``log_name`` is the log's name when it was first added.

    ``given`` are the bytes of everything else that was read, by the name each gets in the run's directory; ``channels``
    the columns by meaning that a person chose.
    """

    log: Path
    log_name: str
    log_sha256: str
    given: Mapping[str, bytes]
    channels: Mapping[str, str] = field(default_factory=dict)
    cut: Cut = WHOLE

    @property
    def inputs(self) -> str:
        """Identifier of a run: hash of all its inputs."""
        hashed = {name: sha256(content).hexdigest() for name, content in self.given.items()}
        named = sorted(hashed.keys() - {BIKE, SHEET, CIRCUIT})
        parts = [self.log_sha256, hashed[BIKE], *(hashed[name] for name in named)]
        parts += [hashed.get(SHEET, "no sheet")]
        parts += [channels_to_json(self.channels)] if self.channels else []
        parts += [hashed[CIRCUIT]] if CIRCUIT in hashed else []
        parts += [cut_to_json(self.cut)] if self.cut != WHOLE else []
        return "r" + sha256(" ".join(parts).encode()).hexdigest()[:16]


def read_given(bike: Path, sheet: Path | None, circuit: Path | None) -> dict[str, bytes]:
    """The bytes of the bike file, of the files that it names, of setup sheet and circuit, by their names in a run.

    Raises
    ------
    BikeFileError
        If the bike file is no TOML, or names a file that a logbook cannot keep.
    OSError
        If one cannot be read.
    """
    given = {BIKE: bike.read_bytes()}
    given |= {name: (bike.parent / name).read_bytes() for name in files_named_by(bike)}
    given |= {SHEET: sheet.read_bytes()} if sheet else {}
    given |= {CIRCUIT: circuit.read_bytes()} if circuit else {}
    return given


def entry_of(
    run_id: str,
    sources: Sources,
    summary: Summary,
    sheet: SetupSheet,
    given: Mapping[str, str],
    revision: int,
) -> RunEntry:
    """The line in the catalogue of a run that has just been reviewed."""
    complete = [lap for lap in summary.laps if lap.complete]
    return RunEntry(
        **{**sheet_words(sheet, sources.log_name), **given},
        run_id=run_id,
        bike=summary.run.bike,
        added_at=datetime.now(UTC).isoformat(timespec="microseconds"),
        log_name=sources.log_name,
        log_sha256=sources.log_sha256,
        laps=len(complete),
        quickest_lap_s=min((lap.time_s for lap in complete), default=None),
        oscillation=summary.oscillation.verdict,
        rear_damper=damper_answer(summary.oscillation, "rear"),
        front_damper=damper_answer(summary.oscillation, "front"),
        revision=revision,
        inputs=sources.inputs,
    )


def fill(
    place: Path,
    sources: Sources,
    log: RawLog,
    summary: Summary,
    traces: Traces,
    entry: RunEntry,
    given: Mapping[str, str],
    kept: Path | None,
) -> None:
    """Write everything of a run into its directory; ``kept`` is the same original in an earlier revision."""
    _keep_original(place / ORIGINAL / entry.log_name, sources, kept)
    for name, content in sources.given.items():
        target = place / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(content)
    if sources.channels:
        (place / CHANNELS).write_text(channels_to_json(sources.channels), encoding="utf-8")
    if sources.cut != WHOLE:
        (place / CUT).write_text(cut_to_json(sources.cut), encoding="utf-8")
    write_log(log, place / LOG)
    (place / REVIEW).write_text(summary_to_json(summary), encoding="utf-8")
    write_stored_traces(traces, place / TRACES)
    record = Record(entry, given, hashes(place, entry))
    (place / ENTRY).write_text(record_to_json(record), encoding="utf-8")


def channels_to_json(channels: Mapping[str, str]) -> str:
    """Columns by meaning as text, the same for the same columns."""
    return json.dumps(dict(channels), indent=1, sort_keys=True, ensure_ascii=False)


def _keep_original(target: Path, sources: Sources, kept: Path | None) -> None:
    """The original into the directory: the same file as before where the disk can do that, else a copy."""
    target.parent.mkdir()
    if kept is not None:
        try:
            os.link(kept, target)
            if file_sha256(target) == sources.log_sha256:
                return
            target.unlink()
        except OSError:
            target.unlink(missing_ok=True)
    shutil.copyfile(sources.log, target)
    if file_sha256(target) != sources.log_sha256:
        raise LogbookError(
            f"{sources.log}: changed while it was being read; add it again when it is complete."
        )


def hashes(place: Path, entry: RunEntry) -> dict[str, str]:
    """SHA-256 of every file of a run but the record, by path; that of the original is from when it was added."""
    original = f"{ORIGINAL}/{entry.log_name}"
    names = (name for name in names_of_files(place) if (place / name).is_file() and not has_link(place, name))
    others = {name: file_sha256(place / name) for name in names if name != original}
    return {original: entry.log_sha256, **others}


def names_of_files(place: Path) -> tuple[str, ...]:
    """Every file of a run but the record, by its path below the run's directory."""
    others = (path for path in place.rglob("*") if path.is_symlink() or not path.is_dir())
    files = (path.relative_to(place).as_posix() for path in others)
    return tuple(sorted(name for name in files if name not in _PASSING))


def files_named_by(bike_path: Path) -> tuple[str, ...]:
    """Files that a bike file names (``dyno_file``, a sensor's ``table``).

    `BikeFileError` if one stands outside its directory, or bears a name that the logbook uses.
    """
    names = tuple(sorted(set(_file_values(read_toml(bike_path, what="bike file")))))
    for name in names:
        parts = Path(name).parts
        if not is_inside(Path(name).as_posix()) or parts[0] in _OURS:
            raise BikeFileError(
                f"{bike_path}: {name!r}: a logbook cannot keep it there; put it beside the bike file, under a "
                "name of its own."
            )
    return names


def _file_values(data: Any) -> Iterator[str]:
    if isinstance(data, dict):
        for key, value in data.items():
            if (key == "table" or key.endswith("_file")) and isinstance(value, str):
                yield value
            yield from _file_values(value)
    elif isinstance(data, list):
        for value in data:
            yield from _file_values(value)
