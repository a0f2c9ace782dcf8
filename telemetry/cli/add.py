"""``bothends add``: keep a log in a logbook."""

import argparse
from pathlib import Path
from typing import cast

from telemetry.cli.channels import keep
from telemetry.cli.circuits import circuit_path_of
from telemetry.cli.cut import given_cut
from telemetry.cli.output import check_outputs, console, working, write_text
from telemetry.logbook import Logbook, Words
from telemetry.review import WHOLE


def add(arguments: argparse.Namespace) -> None:
    """Review a log, keep it, print its run id and the first verdict."""
    inputs = (arguments.log, arguments.bike, arguments.setup, arguments.circuit)
    check_outputs(arguments.json, inputs=inputs)
    cut = given_cut(arguments)
    with working("Reviewing"):
        logbook = Logbook(arguments.logbook)
        before = {entry.run_id for entry in logbook.revisions()}
        run_id = logbook.add(
            arguments.log,
            arguments.bike,
            arguments.setup,
            channels=arguments.channels,
            circuit_path=circuit_path_of(arguments, arguments.log),
            cut=None if cut == WHOLE else cut,  # nothing said: as the log's run has it
            **words(arguments),
        )
        if arguments.json:
            text = logbook.review_file(run_id).read_text(encoding="utf-8")
            write_text(arguments.json, text, inputs=inputs)
    if arguments.channels:
        keep(logbook.log(run_id), arguments.channels)
    say_what_is_kept(logbook, run_id, known=run_id in before)


def words(arguments: argparse.Namespace) -> Words:
    """Description of the run (rider, tyres, ...) from the command line."""
    return cast(Words, {word: getattr(arguments, word) for word in Words.__annotations__})


def say_what_is_kept(logbook: Logbook, run_id: str, *, known: bool) -> None:
    """The run's line in the catalogue and the first sentence of its review."""
    entry, history = logbook.entry(run_id), logbook.history(run_id)
    said = ""
    if known:
        said = " (was there already: same log, bike file, setup sheet and circuit)"
    elif len(history) > 1:
        said = f" (made again from the original; {history[-2].run_id} is kept as its history)"
    screen = console()
    screen.print(f"Run {run_id}, {entry.name}, in {Path(logbook.path)}{said}", markup=False)
    screen.print(logbook.summary(run_id).verdicts[0], markup=False)
