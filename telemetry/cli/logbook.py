"""Commands on a logbook: ``add``, ``debrief``, ``serve``, and what checks, exports, takes in or makes again."""

import argparse
import json
from dataclasses import asdict, fields
from pathlib import Path
from typing import cast

from telemetry.cli.inputs import circuit_path_of, given_cut, keep
from telemetry.cli.output import check_outputs, console, working, write_debrief, write_text
from telemetry.errors import LogbookError
from telemetry.logbook import Logbook, Words, take_in_export
from telemetry.logbook import export as export_runs
from telemetry.logbook import verify as verify_logbook
from telemetry.report import Details, debrief_document, debrief_html, print_document
from telemetry.review import WHOLE
from telemetry.summary import summary_to_json


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
    print_kept_run(logbook, run_id, known=False)


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
    print_kept_run(logbook, run_id, known=run_id in before)


def words(arguments: argparse.Namespace) -> Words:
    """Description of the run (rider, tyres, ...) from the command line."""
    return cast(Words, {word: getattr(arguments, word) for word in Words.__annotations__})


def print_kept_run(logbook: Logbook, run_id: str, *, known: bool) -> None:
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


def debrief(arguments: argparse.Namespace) -> None:
    """Write the debrief of a stored run, or its review as JSON, where it is wanted, and print its page."""
    check_outputs(arguments.json, arguments.html, arguments.pdf)
    with working("Writing the debrief"):
        book = Logbook(arguments.logbook, create=False)
        entry = book.find(arguments.which)
        summary, traces = book.summary(entry.run_id), book.traces(entry.run_id)
        write_text(arguments.json, summary_to_json(summary))
        sheet = book.sheet(entry.run_id)
        details = Details(**{field.name: getattr(entry, field.name) for field in fields(Details)})
        expected = None
        if summary.findings:
            from telemetry.prediction import with_amounts  # compiles

            summary, expected = with_amounts(*book.measured(entry.run_id), summary)
        write_debrief(
            arguments,
            lambda: debrief_html(
                summary,
                traces,
                sheet=sheet,
                details=details,
                expected=expected,
                appendix=arguments.appendix,
                paper=arguments.paper,
                units=arguments.units,
            ),
        )
        page = debrief_document(summary, traces, sheet=sheet, details=details, expected=expected)
    print_document(page, console(arguments))


def serve(arguments: argparse.Namespace) -> None:
    """Serve until Ctrl+C."""
    serve_logbook(Logbook(arguments.logbook, create=False), arguments)


def serve_logbook(
    logbook: Logbook, arguments: argparse.Namespace, *, own_logbook: Path | None = None
) -> None:
    """Serve a logbook as the arguments say; ``own_logbook`` is where a demo's reader may start one."""
    from dashboard import serve as dashboard

    port = dashboard.PORT if arguments.port is None else arguments.port
    dashboard.serve(
        logbook,
        port=port,
        open_browser=not arguments.no_browser,
        share=arguments.share,
        own_logbook=own_logbook,
        say=lambda words: print(words, flush=True),
    )
