"""Writing results, and showing progress at the terminal."""

import argparse
import codecs
import os
import sys
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import contextmanager, suppress
from io import TextIOWrapper
from pathlib import Path

from rich.console import Console

from telemetry.errors import BothEndsError
from telemetry.plaintext import plain


class _Screen(Console):
    units: Collection[str] = ()

    def on_broken_pipe(self) -> None:
        """Leave it to `telemetry.cli.main` what happens when nobody reads on."""
        raise BrokenPipeError


def _spelled(error: UnicodeError) -> tuple[str, int]:
    """Replacement of letters a terminal lacks: the hyphen for a minus sign, so that no sign is lost, else "?"."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    odd = error.object[error.start : error.end]
    return "".join({"−": "-", "–": "-"}.get(letter, "?") for letter in odd), error.end


codecs.register_error("bothends", _spelled)


def console(arguments: argparse.Namespace | None = None) -> Console:
    """Terminal output in the units that the arguments ask for; plain text on a file or pipe."""
    if isinstance(sys.stdout, TextIOWrapper):
        sys.stdout.reconfigure(errors="bothends")
    screen = _Screen(highlight=False)
    screen.units = getattr(arguments, "units", ())
    return screen


@contextmanager
def working(words: str) -> Iterator[None]:
    """Show progress on standard error, if that is a terminal."""
    screen = Console(stderr=True)
    if not screen.is_terminal:
        yield
        return
    with screen.status(f"{words} …"):
        yield


@contextmanager
def progress(total: int, done: int) -> Iterator[Callable[[], None]]:
    """Progress on standard error, if it is a terminal; what it gives is called when one more of ``total`` is done."""
    screen = Console(stderr=True)
    if not screen.is_terminal:
        yield lambda: None
        return
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (
        TextColumn("{task.completed:.0f} of {task.total:.0f} logs"), BarColumn(), TimeRemainingColumn(),
    )  # fmt: skip
    with Progress(*columns, console=screen, transient=True) as bar:
        task = bar.add_task("", total=total, completed=done)
        yield lambda: bar.advance(task)


def check_outputs(*paths: str | Path | None, inputs: Iterable[str | None] = ()) -> None:
    """Raise `BothEndsError` if an output (None: not wanted) is a directory or an input, or its directory is missing."""
    inputs = tuple(inputs)
    for path in (Path(path) for path in paths if path is not None):
        for read in inputs:
            if read is not None and path.exists() and Path(read).exists() and path.samefile(read):
                raise BothEndsError(
                    f"{path}: is a file that was read; it is not written over. Choose another name."
                )
        if path.is_dir():
            raise BothEndsError(f"{path}: is a directory; give the name of a file.")
        if not path.parent.is_dir():
            raise BothEndsError(f"{path}: cannot be written (there is no directory {path.parent}).")


def write_file(
    path: str | Path, write: Callable[[Path], object], *, inputs: Iterable[str | None] = ()
) -> None:
    """Write a file complete or not at all; `BothEndsError` if it cannot be written or is one of the ``inputs``."""
    path = Path(path)
    check_outputs(path, inputs=inputs)
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        write(part)
        part.replace(path)
    except OSError as error:
        raise BothEndsError(f"{path}: cannot be written ({error.strerror or error}).") from None
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def write_text(path: str | Path | None, text: str, *, inputs: Iterable[str | None] = ()) -> None:
    """Write text as UTF-8 in one step, nothing when there is no path."""
    if path is not None:
        write_file(path, lambda part: part.write_text(plain(text), encoding="utf-8"), inputs=inputs)


def say(words: str) -> None:
    """A line on standard error: what was done besides the result."""
    print(plain(words), file=sys.stderr)


def write_debrief(
    arguments: argparse.Namespace, page: Callable[[], str], inputs: Iterable[str | None] = ()
) -> None:
    """Write a page as ``--html`` and ``--pdf`` ask; it is made when one of them does."""
    if not (arguments.html or arguments.pdf):
        return
    from telemetry.report import page_to_pdf

    text = page()
    write_text(arguments.html, text, inputs=inputs)
    if arguments.pdf:
        printed = page_to_pdf(text)
        write_file(arguments.pdf, lambda part: Path(part).write_bytes(printed), inputs=inputs)
