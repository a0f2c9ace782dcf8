"""``bothends logbook``: check what is kept, give it back, make a run again."""

import argparse
import json
from dataclasses import asdict

from telemetry.cli.add import say_what_is_kept, words
from telemetry.cli.output import console, working, write_text
from telemetry.errors import LogbookError
from telemetry.logbook import Logbook, take_in_export
from telemetry.logbook import export as export_runs
from telemetry.logbook import verify as verify_logbook


def verify(arguments: argparse.Namespace) -> None:
    """Check every hash, name what is damaged; exit code 1 when something is."""
    with working("Checking"):
        logbook = Logbook(arguments.logbook, create=False)
        found = verify_logbook(logbook)
    write_text(arguments.json, json.dumps(asdict(found), indent=1))
    screen = console()
    for damage in found.damages:
        screen.print(f"{damage.path}: {damage.what}. {damage.advice}", markup=False, soft_wrap=True)
    if found.damages:
        raise LogbookError(
            f"{logbook.path}: {len(found.damages)} damaged; the lines above say what and where."
        )
    screen.print(
        f"{logbook.path}: {len(logbook.runs())} runs ({found.runs} with their history), {found.files} files, "
        f"{found.bytes / 1e6:.1f} MB: every file is as it was kept.",
        markup=False,
    )


def export(arguments: argparse.Namespace) -> None:
    """Write runs in open formats."""
    with working("Exporting"):
        logbook = Logbook(arguments.logbook, create=False)
        entries = None
        if arguments.which:
            chosen = [logbook.find(text).run_id for text in arguments.which]
            entries = tuple(dict.fromkeys(entry for run_id in chosen for entry in logbook.history(run_id)))
        count = export_runs(logbook, arguments.out, entries)
    console().print(f"{count} runs with their history in {arguments.out}", markup=False)


def take_in(arguments: argparse.Namespace) -> None:
    """Take in the runs of an export; exit code 1 when one of them could not be."""
    with working("Taking in"):
        found = take_in_export(Logbook(arguments.logbook), arguments.source)
    console().print(found.words, markup=False)
    if found.refused:
        raise LogbookError(f"{arguments.source}: {len(found.refused)} runs could not be taken in.")


def rebuild(arguments: argparse.Namespace) -> None:
    """Make a run again from its original; what was there stays as its history."""
    with working("Reviewing"):
        logbook = Logbook(arguments.logbook, create=False)
        run_id = logbook.find(arguments.which).run_id
        run_id = logbook.rebuild(
            run_id,
            bike_path=arguments.bike,
            sheet_path=arguments.setup,
            channels=arguments.channels,
            circuit_path=arguments.circuit,
            **words(arguments),
        )
        text = logbook.review_file(run_id).read_text(encoding="utf-8")
        write_text(arguments.json, text, inputs=(arguments.bike, arguments.setup, arguments.circuit))
    say_what_is_kept(logbook, run_id, known=False)
