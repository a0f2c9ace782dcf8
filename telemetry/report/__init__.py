"""What a person reads: a document is built once, and printed in the terminal, on paper and on the screen."""

from rich.console import Console

from telemetry.report.comparison import comparison_document
from telemetry.report.document import CLOSING, facts_of, quality_section, review_document, runs_section
from telemetry.report.figures import Scope, whole_run
from telemetry.report.paper import document_html
from telemetry.report.terminal import print_document, print_section
from telemetry.setup import Comparison, SetupSheet
from telemetry.summary import Summary, Traces

__all__ = [
    "Scope",
    "comparison_document",
    "debrief_html",
    "document_html",
    "facts_of",
    "print_comparison",
    "print_document",
    "print_review",
    "print_section",
    "quality_section",
    "review_document",
    "runs_section",
    "whole_run",
]


def print_review(summary: Summary, console: Console, *, sheet: SetupSheet | None = None) -> None:
    """Print a review: sentences first, then both ends, balance, places, laps, and what is wrong with the log.

    Parameters
    ----------
    console : Console
        Readable from 80 columns on, with and without colour.
    sheet : SetupSheet, optional
        Printed as well when given.
    """
    print_document(review_document(whole_run(summary), sheet=sheet), console)


def print_comparison(comparison: Comparison, console: Console) -> None:
    """Print a comparison: sentences first, what was changed, every number, what was left out."""
    print_document(comparison_document(comparison), console)


def debrief_html(
    summary: Summary,
    traces: Traces,
    comparison: Comparison | None = None,
    *,
    sheet: SetupSheet | None = None,
) -> str:
    """The debrief of a run as one HTML page: no script, nothing loaded from anywhere, printable on A4.

    Parameters
    ----------
    traces : Traces
        Of the same run.
    comparison : Comparison, optional
        Printed as well when given.
    sheet : SetupSheet, optional
        Printed as well when given.

    Returns
    -------
    str
        HTML; every text in it is escaped.
    """
    document = review_document(whole_run(summary), traces, sheet=sheet)
    if comparison is not None:
        document = document.followed_by(comparison_document(comparison))
    return document_html(document, heading="Debrief: ", closing=CLOSING)
