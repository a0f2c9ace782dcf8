"""The ``bothends`` command.

Nothing heavy is imported here or by the parser, so that ``bothends --help`` is instant; each command imports
what it needs when it runs.
"""

import argparse
import gc
import os
import signal
import sys
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from threading import Event, current_thread, main_thread

from telemetry.cli.parser import build_parser, join_line
from telemetry.errors import BikeFileError, BothEndsError, unexpected
from telemetry.plaintext import plain

# Long vectors wake threads of OpenBLAS that spin for longer than they work; set before NumPy is imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# A review makes few cycles of objects, and looking for them so often as by default takes a tenth of its time.
gc.set_threshold(200_000, 20, 20)
STAY = ("serve", "demo")  # commands that go on until they are stopped
STOPPED = 130  # what a shell reports of a program stopped with Ctrl+C
NO_MEMORY = "not enough memory for this log; split it, or log fewer channels."


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command: 0 done, 1 the data or files cannot be used (standard error says why), 2 wrong usage."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a terminal that cannot write "±" shows "?", and goes on
    with interrupts() as pressed:
        return _run(sys.argv[1:] if argv is None else argv, pressed)


def _run(argv: Sequence[str], pressed: Event) -> int:
    arguments = argparse.Namespace()
    try:
        arguments = build_parser().parse_args(join_line(argv))
        if arguments.command not in STAY:
            keep_memory()
        with quiet():
            arguments.run(arguments)
        sys.stdout.flush()
    except SystemExit as done:  # argparse has printed help, the version or what was wrong
        return done.code if isinstance(done.code, int) else 2
    except BrokenPipeError:  # who was reading has seen enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except KeyboardInterrupt:
        return _print_error("stopped.", STOPPED)
    except BikeFileError as error:
        return _print_faults(error)
    except BothEndsError as error:
        return _print_error(str(error), 1)
    except OSError as error:
        return _print_error(f"{error.filename or 'file'}: {error.strerror or error}.", 1)
    except MemoryError:
        return _print_error(NO_MEMORY, 1)
    except Exception as error:  # ours to mend; a person gets a line, and what to report
        if pressed.is_set():
            return _print_error("stopped.", STOPPED)
        return _print_error(f"{' '.join(_files(arguments)) or 'this command'}: {unexpected(error)}", 1)
    return 0


@contextmanager
def interrupts() -> Iterator[Event]:
    """Whether Ctrl+C was pressed: some libraries make an error of their own of it."""
    pressed = Event()

    def stop(_number: int, _frame: object) -> None:
        pressed.set()
        raise KeyboardInterrupt

    before = signal.getsignal(signal.SIGINT)
    if before is not signal.default_int_handler or current_thread() is not main_thread():
        yield pressed  # somebody else decides what Ctrl+C does
        return
    signal.signal(signal.SIGINT, stop)
    try:
        yield pressed
    finally:
        signal.signal(signal.SIGINT, before)


def keep_memory() -> None:
    """Have freed memory of arrays used again, from one heap for all threads; no effect without the GNU C library.

    Other arrays than those of many hours are then not mapped afresh each time, and no thread holds memory of its own.
    """
    import ctypes

    trim_threshold, mmap_threshold, arena_max = -1, -3, -8
    with suppress(AttributeError, OSError, TypeError):
        mallopt = ctypes.CDLL(None).mallopt
        for setting, value in ((arena_max, 1), (mmap_threshold, 32 << 20), (trim_threshold, 128 << 20)):
            mallopt(setting, value)


@contextmanager
def quiet() -> Iterator[None]:
    """Keep Python's own warnings, of libraries too, from a person's terminal; ``python -W`` shows them."""
    with warnings.catch_warnings():
        if not sys.warnoptions:
            warnings.simplefilter("ignore")
        yield


def _files(arguments: argparse.Namespace) -> list[str]:
    """The logs, or the logbook, that a command was given."""
    given = [getattr(arguments, name, None) for name in ("log", "a", "b", "logbook")]
    return [path for path in given if isinstance(path, str)]


def _print_faults(error: BikeFileError) -> int:
    """Print the faults of a file: a single one in one line, several below each other."""
    if len(error.faults) < 2:
        return _print_error(str(error), 1)
    _print_error(f"{error.file}: {len(error.faults)} things to put right:", 1)
    for fault in error.faults:
        print(f"  {plain(' '.join(fault.split()))}", file=sys.stderr)
    return 1


def _print_error(words: str, code: int) -> int:
    """One line for a person on standard error."""
    print(f"bothends: {plain(' '.join(words.split()))}", file=sys.stderr)
    return code
