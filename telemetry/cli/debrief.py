"""``bothends debrief``: the page of a stored run; and how ``bothends review`` writes the page of a log."""

import argparse
from collections.abc import Callable, Iterable
from dataclasses import fields
from pathlib import Path

from telemetry.cli.output import check_outputs, console, working, write_file, write_text
from telemetry.logbook import Logbook
from telemetry.report import Details, debrief_document, debrief_html, page_to_pdf, print_document


def debrief(arguments: argparse.Namespace) -> None:
    """Write the debrief of a run of a logbook where it is wanted, and print its page."""
    from telemetry.prediction import expected_of

    check_outputs(arguments.html, arguments.pdf)
    with working("Writing the debrief"):
        book = Logbook(arguments.logbook, create=False)
        entry = book.find(arguments.which)
        summary, traces = book.summary(entry.run_id), book.traces(entry.run_id)
        sheet = book.sheet(entry.run_id)
        details = Details(**{field.name: getattr(entry, field.name) for field in fields(Details)})
        expected = expected_of(*book.measured(entry.run_id), summary) if summary.findings else None
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
            ),
        )
        page = debrief_document(summary, traces, sheet=sheet, details=details, expected=expected)
    print_document(page, console())


def write_debrief(
    arguments: argparse.Namespace, page: Callable[[], str], inputs: Iterable[str | None] = ()
) -> None:
    """Write a page as ``--html`` and ``--pdf`` ask; it is made when one of them does."""
    if not (arguments.html or arguments.pdf):
        return
    text = page()
    write_text(arguments.html, text, inputs=inputs)
    if arguments.pdf:
        printed = page_to_pdf(text)
        write_file(arguments.pdf, lambda part: Path(part).write_bytes(printed), inputs=inputs)
