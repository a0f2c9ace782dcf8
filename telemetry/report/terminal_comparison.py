"""A comparison in the terminal: what came of the change, then the numbers with their spread."""

from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from telemetry.report.rows import (
    CHANGE_COLUMNS,
    COMPARISON_COLUMNS,
    CONDITION_COLUMNS,
    change_rows,
    comparison_rows,
    condition_rows,
)
from telemetry.report.terminal import indented, item, section, table
from telemetry.report.words import excluded_words
from telemetry.setup import Comparison, MetricComparison

CORNER = "place.corner_"


def print_comparison(comparison: Comparison, console: Console) -> None:
    """Print a comparison: sentences first, what was changed, every number, what was left out.

    Parameters
    ----------
    console : Console
        Readable from 80 columns on, with and without colour.
    """
    console.print(Text(f"Before: {comparison.a_name}", style="bold"))
    console.print(Text(f"After: {comparison.b_name}", style="bold"))
    console.print()
    for caution in comparison.first:
        item(console, f"CAUTION  {caution}", style="bold")
    for sentence in comparison.sentences:
        item(console, sentence)
    for caution in comparison.cautions:
        item(console, f"CAUTION  {caution}", style="bold")
    section(console, "What was changed")
    if comparison.changes:
        console.print(table(CHANGE_COLUMNS, change_rows(comparison), words=(0, 1, 2, 3)))
    else:
        indented(console, "Nothing that a setup sheet or bike file says.")
    if comparison.conditions:
        section(console, "Conditions")
        console.print(table(CONDITION_COLUMNS, condition_rows(comparison), words=(0, 3)))
    if comparison.metrics:
        section(console, "After against before: mean over laps, in brackets their standard deviation")
        _rows(console, comparison.metrics)
    phases = [row for row in comparison.places if not row.key.startswith(CORNER)]
    corners = [row for row in comparison.places if row.key.startswith(CORNER)]
    clear = [row for row in corners if row.verdict in ("higher", "lower")]
    if phases:
        section(console, "By phase")
        _rows(console, phases)
    if corners:
        section(console, "By corner, what is clear")
        if clear:
            _rows(console, clear)
        indented(
            console, f"{len(corners) - len(clear)} of {len(corners)} numbers are not; --json has them all."
        )
    if comparison.sections:
        section(console, "Sections of the lap")
        _rows(console, comparison.sections)
    _list(console, "Left out", excluded_words(comparison))
    _list(console, "How it was judged", tuple(text for text in (comparison.method, comparison.basis) if text))


def _rows(console: Console, rows: Sequence[MetricComparison]) -> None:
    console.print(table(COMPARISON_COLUMNS, comparison_rows(rows), words=(0, 4)))


def _list(console: Console, title: str, lines: Sequence[str]) -> None:
    if lines:
        section(console, title)
        indented(console, *lines)
