"""``bothends add``: keep a log in a logbook."""

import argparse
from pathlib import Path

from telemetry.cli.output import console, working, write_text
from telemetry.logbook import Logbook


def add(arguments: argparse.Namespace) -> None:
    """Review a log, keep it, print its run id and the first verdict."""
    with working("Reviewing"):
        logbook = Logbook(arguments.logbook)
        before = {entry.run_id for entry in logbook.runs()}
        run_id = logbook.add(
            arguments.log, arguments.bike, arguments.setup, name=arguments.name, date=arguments.date
        )
        inputs = (arguments.log, arguments.bike, arguments.setup)
        if arguments.json:
            text = logbook.review_file(run_id).read_text(encoding="utf-8")
            write_text(arguments.json, text, inputs=inputs)
    entry = logbook.entry(run_id)
    screen = console()
    known = " (was there already: same log, bike file and setup sheet)" if run_id in before else ""
    screen.print(f"Run {run_id}, {entry.name}, in {Path(arguments.logbook)}{known}", markup=False)
    screen.print(logbook.summary(run_id).verdicts[0], markup=False)
