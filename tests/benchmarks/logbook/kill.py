"""Kill ``bothends add`` with SIGKILL at random moments and look at what is left of the logbook.

    python -m tests.benchmarks.logbook.kill --kills 200
    python -m tests.benchmarks.logbook.kill --kills 0 --commands 60

Every add is a process of its own that runs the command; it is forked from one that has the libraries
imported, so that start-up takes no part of the time in which it is killed. The moments are random over a
whole add (``--kills``), and over the part in which files are written (``--storing``); with ``--commands`` the command
is started as a person starts it, and killed at any moment of its life, start-up and all. Three in four adds bring
a new log, one in four a log that is there with a corrected bike file. After every kill the logbook is opened, every
hash is checked, and every original that was there is compared with the log it was made from.
Needs fork: Linux and macOS. Prints a count of each state; exit code 1 if anything is damaged or lost.
"""

import argparse
import json
import os
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

import telemetry.cli.logbook
import telemetry.review  # noqa: F401  imported before the fork
from telemetry.cli import main
from telemetry.errors import BothEndsError
from telemetry.logbook import Logbook, verify

FIXTURES = Path(__file__).parents[3] / "fixtures"
SECONDS, RATE_HZ = 8, 200
A_LOGBOOK = 20  # kills
WHOLE, WRITING, COMMAND = "whole add", "while writing", "whole command"


def start(book: Path, log: Path, bike: Path, *, command: bool = False) -> int:
    """The process that adds: forked from this one, or the command from its start."""
    child = os.fork()
    if child:
        return child
    code = 70
    try:
        if command:
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, 1)
            os.dup2(nowhere, 2)
            program = "import sys; from telemetry.cli import main; sys.exit(main())"
            given = ["add", str(log), "--bike", str(bike), "--logbook", str(book)]
            os.execv(sys.executable, [sys.executable, "-c", program, *given])
        with Path(os.devnull).open("w") as nowhere, redirect_stdout(nowhere), redirect_stderr(nowhere):
            code = main(["add", str(log), "--bike", str(bike), "--logbook", str(book)])
    finally:
        os._exit(code)


def ended(child: int, until: float) -> int | None:
    """Exit status if the process ends by itself before that time, else None."""
    while time.monotonic() < until:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return status
        time.sleep(0.0005)
    return None


def wait_for_storing(book: Path, child: int) -> int | None:
    """Until it has begun to write its run. Exit status if the process has ended before."""
    while True:
        if any(path.is_dir() for path in (book / "incoming").iterdir()):
            return None
        status = ended(child, time.monotonic() + 0.0005)
        if status is not None:
            return status


def durations(place: Path, log: Path, bike: Path, *, command: bool) -> tuple[float, float]:
    """How long an undisturbed add takes, and the writing part of it: medians of three. [s]"""
    whole, storing = [], []
    for number in range(3):
        book = place / f"measure{number}"
        Logbook(book)
        began = time.monotonic()
        child = start(book, log, bike, command=command)
        assert wait_for_storing(book, child) is None
        writing = time.monotonic()
        assert ended(child, began + 600) == 0
        whole.append(time.monotonic() - began)
        storing.append(time.monotonic() - writing)
    return sorted(whole)[1], sorted(storing)[1]


def state(book: Path, before: set[str], originals: dict[str, bytes], log: Path) -> str:
    """What a kill has left: "before", "complete", or what is wrong."""
    try:
        logbook = Logbook(book, create=False)
        found = verify(logbook)
        if found.damages:
            return f"damaged: {found.damages[0].path} {found.damages[0].what}"
        if any((book / "incoming").iterdir()):
            return "damaged: something is left in incoming"
        entries = {entry.run_id: entry for entry in logbook.revisions()}
        if {path.name for path in (book / "runs").iterdir()} != set(entries):
            return "damaged: catalogue and directories differ"
        new = set(entries) - before
        if before - set(entries) or len(new) > 1:
            return "damaged: the catalogue holds other runs than before"
        for run_id in entries:
            if logbook.original(run_id).read_bytes() != originals[entries[run_id].log_name]:
                return f"damaged: the original of {run_id} is lost"
        for run_id in new:
            whole = entries[run_id].log_name == log.name and logbook.summary(run_id).ends
            if not whole or not logbook.log(run_id).n_rows or "rear_wheel_mm" not in logbook.traces(run_id):
                return f"damaged: {run_id} is not whole"
        return "complete" if new else "before"
    except (BothEndsError, OSError) as error:
        return f"damaged: {error}"


def kills(place: Path, count: int, kind: str, chance: random.Random) -> tuple[Counter[str], list[str]]:
    """Kill that many adds in one logbook; how often each state was left, and what was damaged."""
    lines = (FIXTURES / "vellmoor-plain.csv").read_bytes().splitlines(keepends=True)
    text = b"".join(lines[: SECONDS * RATE_HZ + 1])
    bike, book = FIXTURES / "qb-6.toml", place / "book"
    first = place / "first.csv"
    first.write_bytes(text)
    storing, command = kind == WRITING, kind == COMMAND
    whole_s, storing_s = durations(place, first, bike, command=command)
    longest_s = 1.1 * (storing_s if storing else whole_s)
    Logbook(book).add(first, bike)
    originals = {first.name: text}
    states: Counter[str] = Counter()
    damages, number = [], 0
    while sum(states[name] for name in ("before", "complete", "damaged")) < count:
        number += 1
        again = number % 4 == 0
        log, its_bike = place / f"{number}.csv", bike
        if again:
            log, its_bike = place / chance.choice(list(originals)), place / f"{number}.toml"
            its_bike.write_bytes(bike.read_bytes() + b"# corrected %d\n" % number)
        else:
            log.write_bytes(text + b"\n" * number)
            originals[log.name] = log.read_bytes()
        before = {entry.run_id for entry in Logbook(book).revisions()}
        child = start(book, log, its_bike, command=command)
        status = wait_for_storing(book, child) if storing else None
        if status is None:
            status = ended(child, time.monotonic() + chance.uniform(0, longest_s))
        if status is None:
            os.kill(child, signal.SIGKILL)
            status = os.waitpid(child, 0)[1]
        killed = os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGKILL
        left = state(book, before, originals, log)
        if log.read_bytes() != originals[log.name]:
            left = f"damaged: the user's own {log.name} was changed"
        if not killed and os.waitstatus_to_exitcode(status) != 0:
            left = f"damaged: an add that was not killed failed with {os.waitstatus_to_exitcode(status)}"
        if left.startswith("damaged"):
            damages.append(left)
            left, killed = "damaged", True
        states[left if killed else "ended before the kill"] += 1
    return states, damages


def run(arguments: argparse.Namespace) -> int:
    """All kinds of kill, in logbooks of 20 each, so that the time an add takes is measured often."""
    result, code, chance = {}, 0, random.Random(arguments.seed)
    kinds = ((WHOLE, arguments.kills), (WRITING, arguments.storing), (COMMAND, arguments.commands))
    for kind, count in (pair for pair in kinds if pair[1] or pair[0] != COMMAND):
        states: Counter[str] = Counter()
        for done in range(0, count, A_LOGBOOK):
            with tempfile.TemporaryDirectory(prefix="bothends-kill-") as place:
                some = min(A_LOGBOOK, count - done)
                more, damages = kills(Path(place), some, kind, chance)
            states += more
            code = code or int(bool(damages))
            counts = {name: states[name] for name in ("before", "complete", "damaged")}
            said = ", ".join(f"{name} {number}" for name, number in counts.items())
            besides = f"besides, {states['ended before the kill']} ended before the kill"
            print(
                f"{kind}: {sum(counts.values())} killed: {said} ({besides})", *damages, sep="\n  ", flush=True
            )
            result[kind] = counts
    print(json.dumps(result))
    return code


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=200, help="at random moments of a whole add")
    parser.add_argument("--storing", type=int, default=0, help="besides, at random moments of the writing")
    parser.add_argument(
        "--commands", type=int, default=0, help="besides, at random moments of a command's life"
    )
    parser.add_argument("--seed", type=int, default=1)
    sys.exit(run(parser.parse_args()))
