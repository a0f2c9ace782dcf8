"""Files that must survive a crash: copied with their hash, flushed to the disk, and moved in one step."""

import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from hashlib import sha256
from pathlib import Path
from uuid import uuid4

_BLOCK = 1 << 20


def file_sha256(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal."""
    digest = sha256()
    with path.open("rb") as file:
        while block := file.read(_BLOCK):
            digest.update(block)
    return digest.hexdigest()


def has_link(home: Path, name: str) -> bool:
    """Whether a symbolic link stands anywhere on the way from a directory to a file below it."""
    place = home
    for part in Path(name).parts:
        place = place / part
        if place.is_symlink():
            return True
    return False


def flush_tree(directory: Path) -> None:
    """Have everything below a directory on the disk, not only in the system's memory."""
    for path in sorted(directory.rglob("*"), reverse=True):
        flush(path)
    flush(directory)


def flush(path: Path) -> None:
    """Have one file, or the names in one directory, on the disk. Windows has no such call for a directory."""
    if path.is_dir() and os.name == "nt":
        return
    handle = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def part_of(path: Path) -> Path:
    """Where a new text is written before it takes a file's place."""
    return path.with_name(f".{path.name}.part")


def replace_text(path: Path, text: str) -> None:
    """Put a new text in a file's place in one step, on the disk before it takes the name."""
    part = part_of(path)
    part.write_text(text, encoding="utf-8")
    flush(part)
    part.replace(path)
    flush(path.parent)


@contextmanager
def workshop(incoming: Path) -> Iterator[Path]:
    """A directory to build a run in, gone afterwards unless it was moved away.

    A lock beside it shows other processes that its builder lives; the system drops the lock however the
    builder ends. (An SQLite file serves as lock: that works on every system and needs nothing else.)
    """
    directory = incoming / uuid4().hex
    lock = directory.with_suffix(".lock")
    connection = sqlite3.connect(lock, isolation_level=None)
    try:
        connection.execute("BEGIN EXCLUSIVE")
        directory.mkdir()
        yield directory
    finally:
        shutil.rmtree(directory, ignore_errors=True)
        connection.close()
        lock.unlink(missing_ok=True)


def sweep(incoming: Path) -> None:
    """Remove what dead processes left in the workshop."""
    for lock in incoming.glob("*.lock"):
        connection = sqlite3.connect(lock, timeout=0, isolation_level=None)
        try:
            connection.execute("BEGIN EXCLUSIVE")
            shutil.rmtree(lock.with_suffix(""), ignore_errors=True)
        except sqlite3.OperationalError:
            continue  # its builder lives
        finally:
            connection.close()
        lock.unlink(missing_ok=True)
