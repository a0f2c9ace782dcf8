"""Run a parser that a damaged file can bring down in a process of its own, so that only that process ends."""

import pickle
import subprocess
import sys
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

from telemetry.errors import LogError
from telemetry.logs.merge import Channel
from telemetry.notes import QualityNote


@dataclass(frozen=True)
class Content:
    """What a file of channels holds."""

    channels: list[Channel]
    metadata: dict[str, str]
    notes: list[QualityNote]


def load_apart(module: str, path: Path) -> Content:
    """What ``load(path)`` of a module gives, called in another process.

    Parameters
    ----------
    module : str
        A module of this package that has ``load(path) -> Content``.
    path : Path

    Returns
    -------
    Content

    Raises
    ------
    LogError
        If it raised, or its process ended: the file is damaged.
    """
    command = [
        sys.executable,
        "-c",
        f"from telemetry.logs.apart import answer; answer({module!r})",
        str(path),
    ]
    done = subprocess.run(command, capture_output=True, check=False)
    try:
        answer = pickle.loads(done.stdout) if done.returncode == 0 else "its parser ended without an answer"
    except (pickle.UnpicklingError, EOFError):
        answer = "its parser ended without an answer"
    if isinstance(answer, Content):
        return answer
    raise LogError(f"{path}: is damaged: {answer}; export the log again.")


def answer(module: str) -> None:
    """In the other process: the content, or in one line what went wrong, on standard output."""
    out = sys.stdout.buffer
    sys.stdout = sys.stderr  # what the parser prints is no answer
    try:
        found: Content | str = import_module(module).load(Path(sys.argv[1]))
    except Exception as error:  # these parsers raise whatever they run into in a damaged file
        found = (str(error).splitlines() or [type(error).__name__])[0]
    pickle.dump(found, out, protocol=5)
