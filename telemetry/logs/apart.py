"""Parsers in a separate process, which a damaged file may crash; their channels, each with a clock, onto one table."""

import ctypes
import faulthandler
import os
import pickle
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import BinaryIO

import numpy as np

from telemetry.arrays import FloatArray, IntArray
from telemetry.decimals import Columns, packed
from telemetry.errors import LogError
from telemetry.logs.rawlog import RawLog, split_unit, unique_names
from telemetry.notes import QualityNote, Step
from telemetry.plaintext import plain

# Stamps of two channels within the same nanosecond are the same moment: they were worked out in different ways.
TICKS_PER_S = 1e9


def numbers_of(samples: np.ndarray) -> FloatArray:
    """Samples of any kind of number as float64, NaN for what is beyond its range."""
    values = samples.astype(np.float64)
    values[np.isinf(values)] = np.nan
    return values


@dataclass(frozen=True)
class FileChannel:
    """One channel as a file holds it."""

    name: str
    unit: str
    values: FloatArray
    t_s: FloatArray | None = None  # its own time stamps; None if the file gives none


def log_from_channels(
    channels: Sequence[FileChannel],
    *,
    source: str,
    reader: str,
    metadata: dict[str, str],
    notes: Sequence[QualityNote] = (),
) -> RawLog:
    """A row for every moment at which any channel was logged, NaN where one was not; `LogError` without numbers.

    Either all channels have time stamps (then there is a column ``time`` [s]) or none; then the longest kind is taken.
    """
    if not any(np.isfinite(channel.values).any() for channel in channels):
        raise LogError(f"{source}: no channel of numbers found; is this the log?")
    notes = list(notes)
    clocked = [channel for channel in channels if channel.t_s is not None]
    if clocked:
        stamps = _all_stamps(clocked)
        rows: list[tuple[str, str, FloatArray]] = [("time", "s", stamps / TICKS_PER_S)]
        rows += [(c.name, c.unit, _on(stamps, c, notes)) for c in clocked]
        left_out = [channel for channel in channels if channel.t_s is None]
    else:
        length = max(len(channel.values) for channel in channels)
        rows = [(c.name, c.unit, c.values) for c in channels if len(c.values) == length]
        left_out = [channel for channel in channels if len(channel.values) != length]
    for channel in left_out:
        if np.isfinite(channel.values).any():
            message = (
                f"{channel.name!r} has {len(channel.values)} values and no time stamps: when they were logged is "
                f"not known, so it is not used."
            )
            notes.append(QualityNote("warning", "no_clock", message, channel=channel.name))
    pairs = [split_unit(name) for name, _, _ in rows]
    names = unique_names([name for name, _ in pairs])
    return RawLog(
        source=source,
        columns=Columns({name: packed(values) for name, (_, _, values) in zip(names, rows, strict=True)}),
        units={
            name: unit or in_name for name, (_, in_name), (_, unit, _) in zip(names, pairs, rows, strict=True)
        },
        dialect={"reader": reader},
        metadata=metadata,
        notes=tuple(notes),
        history=(Step("read", {"reader": reader, "rows": len(rows[0][2]), "columns": len(rows)}),),
    )


def _ticks(t_s: FloatArray) -> IntArray:
    return np.rint(t_s * TICKS_PER_S).astype(np.int64)


def _usable(channel: FileChannel) -> np.ndarray:
    """Mask of samples with a time stamp that can be counted in ticks."""
    assert channel.t_s is not None
    return np.isfinite(channel.t_s) & (np.abs(channel.t_s) < 0.5 * np.iinfo(np.int64).max / TICKS_PER_S)


def _all_stamps(channels: Sequence[FileChannel]) -> IntArray:
    found: IntArray = np.empty(0, dtype=np.int64)
    seen: list[FloatArray] = []
    for channel in channels:
        assert channel.t_s is not None
        if any(channel.t_s is t_s for t_s in seen):
            continue  # channels of a group share one clock
        seen.append(channel.t_s)
        found = np.union1d(found, _ticks(channel.t_s[_usable(channel)]))
    return found


def _on(stamps: IntArray, channel: FileChannel, notes: list[QualityNote]) -> FloatArray:
    """A channel's values at the stamps it has; of several at one stamp the first."""
    assert channel.t_s is not None
    values = np.full(len(stamps), np.nan)
    usable = _usable(channel)
    places = np.searchsorted(stamps, _ticks(channel.t_s[usable]))
    values[places[::-1]] = channel.values[usable][::-1]
    lost = len(channel.values) - len(np.unique(places))
    if lost:
        message = (
            f"{lost} values of {channel.name!r} have no time or that of another value; they are left out."
        )
        notes.append(QualityNote("warning", "repeated_time", message, channel=channel.name))
    return values


_LIMITS = "BOTHENDS_PARSER_LIMITS"  # seconds and bytes, from the parent to the child
_LIMIT_INSIDE = True  # where the system can hold a process to its memory, have it do so as well
_LOOK_EVERY_S = 0.1
_GRACE_S = 5.0
_PR_SET_PDEATHSIG = 1  # prctl(2)
_NO_ANSWER = "its parser ended without an answer"


@dataclass(frozen=True)
class Limits:
    """Time and memory limits of a parser process, far above what a log needs (own choices).

    Libraries import in 2 s and read 20 MB/s or more; doubles are at most 8 times their packed bytes, held a few times
    over.
    """

    seconds: float
    memory_bytes: int

    @classmethod
    def of_file(cls, size: int) -> "Limits":
        """Limits for a file of so many bytes."""
        return cls(seconds=120.0 + size / 1e6, memory_bytes=4_000_000_000 + 40 * size)


@dataclass(frozen=True)
class Content:
    """Channels, metadata and notes of a file."""

    channels: list[FileChannel]
    metadata: dict[str, str]
    notes: list[QualityNote]


def load_apart(module: str, path: Path) -> Content:
    """``load(path)`` of a module of this package in another process; `LogError` if it raised or its process ended."""
    command = [
        sys.executable,
        "-c",
        f"from telemetry.logs.apart import answer; answer({module!r})",
        os.fsencode(path) if os.name == "posix" else str(path),
    ]
    limits = Limits.of_file(path.stat().st_size)
    environment = {
        **os.environ,
        "OPENBLAS_NUM_THREADS": "1",  # each thread takes memory of its own
        _LIMITS: f"{limits.seconds} {limits.memory_bytes if _LIMIT_INSIDE else 0}",
    }
    with tempfile.TemporaryFile() as out:
        # Its standard input stays open as long as this process lives: that tells it when to end.
        child = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=out, stderr=subprocess.DEVNULL, env=environment
        )
        try:
            found = _watched(child, limits) or _answer_in(out)
        finally:
            child.kill()
            child.communicate()
    if isinstance(found, Content):
        return found
    raise LogError(f"{path}: is damaged: {found}; export the log again.")


def _answer_in(out: BinaryIO) -> Content | str:
    out.seek(0)
    try:
        found = pickle.load(out)
    except (pickle.UnpicklingError, EOFError, AttributeError, ImportError, IndexError):
        return _NO_ANSWER
    return found if isinstance(found, Content | str) else _NO_ANSWER


def _watched(child: "subprocess.Popen[bytes]", limits: Limits) -> str:
    """Wait for a process to end: "" if it did, else which limit it broke. Watching works alike on every system."""
    began = time.monotonic()
    while True:
        try:
            return "" if child.wait(timeout=_LOOK_EVERY_S) == 0 else _NO_ANSWER
        except subprocess.TimeoutExpired:
            if time.monotonic() - began > limits.seconds:
                return f"its parser was stopped after {limits.seconds:.0f} s"
            if memory_of(child.pid) > limits.memory_bytes:
                return f"its parser was stopped at {limits.memory_bytes / 1e9:.1f} GB of memory"


def memory_of(pid: int) -> int:
    """Memory that a process holds now, from /proc, ``ps`` or ``tasklist``; 0 where unknown or ended. [bytes]"""
    try:
        if sys.platform == "linux":
            pages = int(Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[1])
            return pages * os.sysconf("SC_PAGE_SIZE")
        if sys.platform == "win32":
            return (
                kilobytes_listed(_output_of("tasklist", "/FI", f"PID eq {pid}", "/FO", "CSV", "/NH")) * 1024
            )
        return kilobytes_listed(_output_of("ps", "-o", "rss=", "-p", str(pid))) * 1024
    except (OSError, ValueError, IndexError, subprocess.SubprocessError):
        return 0


def kilobytes_listed(line: str) -> int:
    """Memory in what ``ps -o rss=`` or ``tasklist /FO CSV`` says of one process: its last cell. [kB]

    >>> kilobytes_listed(" 23456"), kilobytes_listed('"python.exe","812","Console","1","23.456 K"')
    (23456, 23456)
    """
    return int("".join(c for c in line.strip().split('","')[-1] if c.isdigit()) or 0)


def _output_of(*command: str) -> str:
    done = subprocess.run(command, capture_output=True, text=True, timeout=10, check=False)
    return done.stdout


def answer(module: str) -> None:
    """In the other process: the content, or in one line what went wrong, on standard output."""
    _end_in_time()
    out = sys.stdout.buffer
    sys.stdout = sys.stderr  # what the parser prints is no answer
    try:
        found: Content | str = import_module(module).load(Path(sys.argv[1]))
    except MemoryError:
        found = "it asks for more memory than a log needs"
    except Exception as error:  # these parsers raise whatever they run into in a damaged file
        found = (plain(str(error)).splitlines() or [type(error).__name__])[0]
    pickle.dump(found, out, protocol=5)


def _end_in_time() -> None:
    """Have this process end when its parent does, and at its limits even if nobody watches it any more."""
    seconds, memory_bytes = (float(text) for text in os.environ[_LIMITS].split())
    faulthandler.dump_traceback_later(seconds + _GRACE_S, exit=True)  # also while a parser never returns

    def wait_for_the_parent() -> None:
        while os.read(0, 1):
            pass
        os._exit(1)

    threading.Thread(target=wait_for_the_parent, daemon=True).start()
    if sys.platform == "linux":  # there the system itself ends it, whatever it is doing
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
    if sys.platform != "win32" and memory_bytes:
        import resource

        with suppress(ValueError, OSError):
            resource.setrlimit(resource.RLIMIT_DATA, (int(memory_bytes), int(memory_bytes)))
