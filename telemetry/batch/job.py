"""One log of a batch: what a worker needs to review it, and the record that comes back.

A job holds values only, no open files, so that it can be sent to another process or machine.
"""

import json
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import lru_cache
from hashlib import sha256
from importlib.util import find_spec
from pathlib import Path, PurePosixPath
from tempfile import TemporaryDirectory
from typing import Any

from telemetry import __version__
from telemetry.bike import Bike
from telemetry.errors import BothEndsError, LogError, unexpected
from telemetry.laps import Circuit, Track
from telemetry.logbook import Logbook, file_sha256
from telemetry.logs import CONFIG_VARIABLE, config_directory, read_log
from telemetry.plaintext import plain
from telemetry.report import damping_cell
from telemetry.review import Ground, confirmed_columns, ground_of, review, telling_columns, with_columns
from telemetry.season import REGISTRY, RunRecord, date_in, failed, record_of

NO_MEMORY = "not enough memory for this log; split it, log fewer channels, or use fewer --workers."


@dataclass(frozen=True)
class Job:
    """One log of a batch.

    Parameters
    ----------
    log : str
        Path, or an address that fsspec opens, such as ``s3://bucket/run.csv``.
    bike : Bike
        Parsed bike file.
    inputs : str
        Hash of everything that the numbers depend on (`job_inputs`).
    channels : mapping of str to str
        Columns by meaning, as ``--channels`` gives them.
    line : tuple of float or None
        Latitude and longitude of the start line. [deg]
    circuit : Circuit or None
        From ``--circuit``.
    settings : mapping of str to bytes or None
        Files of the user's settings, for a worker on another machine; None: those of this machine.
    logbook, bike_path, circuit_path : str
        Logbook to keep the run in, and the files to keep with it; "" for none.
    """

    log: str
    bike: Bike
    inputs: str = ""
    channels: Mapping[str, str] = field(default_factory=dict)
    line: tuple[float, float] | None = None
    circuit: Circuit | None = None
    settings: Mapping[str, bytes] | None = None
    logbook: str = ""
    bike_path: str = ""
    circuit_path: str = ""

    @property
    def source(self) -> str:
        """The log as a dataset names it: its address, or its path from the root."""
        return self.log if is_address(self.log) else str(Path(self.log).absolute())


@dataclass(frozen=True)
class Result:
    """Record of a log; its laps and where they were counted, unless it is kept in a logbook."""

    record: RunRecord
    track: Track | None = None
    ground: Ground | None = None


def run_job(job: Job, work: Callable[[Job], RunRecord] | None = None) -> RunRecord:
    """Record of a log, made by ``work`` or `review_job`; where the log cannot be used the record has ``error``."""
    try:
        return work(job) if work is not None else review_job(job).record
    except (BothEndsError, OSError) as error:
        return _failed(job, str(error), job.inputs)
    except MemoryError:
        return _failed(job, f"{job.log}: {NO_MEMORY}")
    except Exception as error:  # a fault of ours in one log costs that log, not the others
        return _failed(job, f"{job.log}: {unexpected(error)}")


def lost_job(job: Job) -> RunRecord:
    """Record of a log whose worker died."""
    return _failed(job, f"{job.log}: the process that reviewed it was killed, twice; is there enough memory?")


def _failed(job: Job, error: str, inputs: str = "") -> RunRecord:
    """Record of a log that could not be used; without ``inputs`` the next batch tries it again."""
    return replace(failed(job.source, job.bike.name, error), inputs=inputs)


def review_job(job: Job) -> Result:
    """Review the log of a job, and keep the run where a logbook is given.

    Raises
    ------
    BothEndsError, OSError
        If the log cannot be used.
    """
    if job.settings is not None:
        use_settings(job.settings)
    with local_copy(job.log) as path:
        if job.logbook:
            return Result(_kept(job, path))
        log = read_log(path)
        bike = with_columns(job.bike, log, {**confirmed_columns(job.bike, log), **job.channels})
        with telling_columns(bike, log):
            ground = ground_of(log, bike, job.line, job.circuit)
            found = review(log, bike, start_line=ground.start_line, circuit=ground.circuit, last_use=True)
        record = replace(
            record_of(
                found.summary,
                job.source,
                name=PurePosixPath(job.log).name,
                date=date_in(*log.metadata.values(), _last_folders(job.source)),
                circuit=ground.circuit.name if ground.circuit else "",
            ),
            damping=damping_cell(found.summary),
            log_sha256=file_sha256(path),
            inputs=job.inputs,
        )
        return Result(record, found.track, ground)


def _kept(job: Job, path: Path) -> RunRecord:
    book = Logbook(job.logbook)
    run_id = book.add(path, job.bike_path, channels=job.channels, circuit_path=job.circuit_path or None)
    record, summary = book.season_record(run_id), book.summary(run_id)
    name, damping = PurePosixPath(job.log).name, damping_cell(summary)
    return replace(record, log=plain(job.source), name=plain(name), damping=damping, inputs=job.inputs)


def _last_folders(log: str) -> str:
    """The log's name with two folders above it, where people write dates."""
    return "/".join(log.replace("\\", "/").split("/")[-3:])


def is_address(log: str) -> bool:
    """Whether a log is named by an address of fsspec, not by a path of this machine."""
    return "://" in log


def find_logs(names: Sequence[str]) -> tuple[str, ...]:
    """Logs by name, addresses with ``*`` expanded; each once, in the order given.

    Raises
    ------
    BothEndsError
        If an address cannot be listed or matches nothing.
    """
    found: dict[str, None] = {}
    for name in names:
        if is_address(name) and "*" in name:
            try:
                files, _ = _filesystem(name)
                matches = sorted(files.unstrip_protocol(path) for path in files.glob(name))
            except BothEndsError:
                raise
            except Exception as error:  # every filesystem has errors of its own
                raise LogError(f"{name}: cannot be listed ({_reason(error)}).") from None
            if not matches:
                raise LogError(f"{name}: no such file.")
            found |= dict.fromkeys(matches)
        else:
            found[name] = None
    return tuple(found)


def _filesystem(address: str) -> tuple[Any, str]:
    if find_spec("fsspec") is None:
        raise LogError(
            f"{address}: to read from an address install the extra: pip install 'bothends[cluster]'."
        )
    from fsspec.core import url_to_fs

    try:
        found: tuple[Any, str] = url_to_fs(address)
    except (ImportError, ValueError) as error:
        raise LogError(f"{address}: cannot be opened ({_reason(error)}).") from None
    return found


def _reason(error: Exception) -> str:
    return " ".join((str(error) or type(error).__name__).split())[:200]


@contextmanager
def local_copy(log: str) -> Iterator[Path]:
    """A file of this machine with the bytes of a log: the log itself, or a copy that goes away afterwards."""
    if not is_address(log):
        yield Path(log)
        return
    files, path = _filesystem(log)
    with TemporaryDirectory(prefix="bothends-") as place:
        copy = Path(place) / PurePosixPath(path).name
        try:
            files.get_file(path, str(copy))
        except FileNotFoundError:
            raise LogError(f"{log}: no such file.") from None
        except Exception as error:  # every filesystem has errors of its own
            raise LogError(f"{log}: cannot be read ({_reason(error)}).") from None
        yield copy


def job_inputs(job: Job, files: Mapping[str, bytes]) -> str:
    """Hash of all that a job's numbers depend on: bike file, files it names, circuit; "" where the log is not there."""
    try:
        if is_address(job.log):
            filesystem, path = _filesystem(job.log)
            state = str(filesystem.ukey(path))
        else:
            known = Path(job.log).stat()
            state = f"{known.st_size} {known.st_mtime_ns}"
    except Exception:  # the review says what is wrong with the log
        return ""
    parts = {
        "version": [__version__, REGISTRY],
        "log": state,
        "files": {name: sha256(content).hexdigest() for name, content in sorted(files.items())},
        "channels": dict(sorted(job.channels.items())),
        "line": job.line,
    }
    return sha256(json.dumps(parts).encode()).hexdigest()[:32]


def kept_settings() -> dict[str, bytes]:
    """The user's settings that a review reads, columns and circuits, by path below their directory."""
    home = config_directory()
    try:
        files = [path for pattern in ("*.json", "*/*.toml") for path in home.glob(pattern)]
        return {path.relative_to(home).as_posix(): path.read_bytes() for path in sorted(files)}
    except OSError:
        return {}


@lru_cache(maxsize=4)
def _settings_directory(files: tuple[tuple[str, bytes], ...]) -> TemporaryDirectory[str]:
    """Directory with settings that came with a job; gone when the worker ends."""
    place = TemporaryDirectory(prefix="bothends-settings-")
    for name, content in files:
        (Path(place.name) / name).parent.mkdir(parents=True, exist_ok=True)
        (Path(place.name) / name).write_bytes(content)
    return place


def use_settings(files: Mapping[str, bytes]) -> None:
    """Use settings that came with a job from now on; a worker has no others."""
    os.environ[CONFIG_VARIABLE] = _settings_directory(tuple(sorted(files.items()))).name
