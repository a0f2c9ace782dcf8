"""``bothends debrief``: the page of a stored run."""

import argparse
from dataclasses import fields

from telemetry.cli.output import check_outputs, console, working, write_debrief, write_text
from telemetry.logbook import Logbook
from telemetry.prediction import with_amounts
from telemetry.report import Details, debrief_document, debrief_html, print_document
from telemetry.summary import summary_to_json


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
            ),
        )
        page = debrief_document(summary, traces, sheet=sheet, details=details, expected=expected)
    print_document(page, console(arguments))
