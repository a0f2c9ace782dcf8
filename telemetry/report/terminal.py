"""The debrief in the terminal: what an engineer would read aloud, then the numbers."""

from collections.abc import Iterable, Sequence

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from telemetry.damping.oscillation import dampers_in_doubt
from telemetry.findings import nothing_asks
from telemetry.findings_balance import TWO_BALANCES
from telemetry.laps import lap_length_m
from telemetry.notes import QualityNote
from telemetry.report.rows import (
    BALANCE_COLUMNS,
    DAMPER_COLUMNS,
    DAMPING_COLUMNS,
    LAP_COLUMNS,
    RESPONSE_COLUMNS,
    SHEET_COLUMNS,
    STOP_COLUMNS,
    Row,
    balance_rows,
    damper_rows,
    damper_words,
    damping_rows,
    end_heads,
    end_rows,
    lap_rows,
    response_rows,
    stop_rows,
)
from telemetry.report.rows_damping import (
    GATHERED_COLUMNS,
    NARROW_EVENT_COLUMNS,
    course_sentences,
    damping_headline,
    event_rows,
    gathered_rows,
)
from telemetry.report.rows_motion import (
    BAND_COLUMNS,
    PLACE_COLUMNS,
    STROKE_COLUMNS,
    TREND_COLUMNS,
    band_rows,
    light_words,
    packing_words,
    place_rows,
    stroke_rows,
    together_words,
    trend_rows,
)
from telemetry.report.words import cautions, chassis_words, named_corners, note_words, pitch_words
from telemetry.setup import SetupSheet, written
from telemetry.summary import RunInfo, Summary
from telemetry.wording import count_word, laps_from, limits_words, never_words, number

# Rows printed of a long table; the JSON has them all.
_MOST_ROWS = 12


def print_review(summary: Summary, console: Console, *, sheet: SetupSheet | None = None) -> None:
    """Print a review: sentences first, then both ends, balance, places, laps, and what is wrong with the log.

    Parameters
    ----------
    console : Console
        Readable from 80 columns on, with and without colour.
    sheet : SetupSheet, optional
        Printed as well when given.
    """
    _heading(console, summary.run)
    for sentence in summary.verdicts:
        item(console, sentence)
    for caution in cautions(summary):
        item(console, f"CAUTION  {caution}", style="bold")
    _findings(console, summary)
    _ends(console, summary)
    _balance(console, summary)
    _dampers(console, summary)
    _stops(console, summary)
    _places(console, summary)
    _strokes(console, summary)
    _frequencies(console, summary)
    _oscillation(console, summary)
    _laps(console, summary)
    _trends(console, summary)
    if sheet and (found := written(sheet)):
        section(console, "Setup sheet")
        console.print(table(SHEET_COLUMNS, found, words=(0, 1)))
    print_notes(summary.quality, console)


def table(columns: Sequence[str], rows: Iterable[Row], *, words: Sequence[int] = (0,)) -> Table:
    """A plain table; columns numbered in ``words`` are text, the others figures set right."""
    rows = list(rows)
    made = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), show_edge=False, header_style="bold")
    for index, name in enumerate(columns):
        if index in words:
            made.add_column(name, overflow="fold")
        else:  # a figure is never broken over two lines
            made.add_column(
                name, justify="right", min_width=max((len(row[index]) for row in rows), default=0)
            )
    for row in rows:
        made.add_row(*(Text(cell) for cell in row))
    return made


def section(console: Console, title: str) -> None:
    """A heading with a blank line before it."""
    console.print()
    console.print(Text(title, style="bold underline"))


def _heading(console: Console, run: RunInfo) -> None:
    distance = f", {number(run.distance_m / 1000, 1)} km" if run.distance_m else ""
    facts = f"{number(run.duration_s / 60, 1)} min{distance} at {number(run.sample_rate_hz)} Hz"
    console.print(Text(f"{run.bike}: {run.source}", style="bold"))
    console.print(Text(f"{facts}; {laps_from(run.lap_source)}"))
    console.print()


def item(console: Console, words: str, *, style: str = "") -> None:
    """A sentence with a hanging indent."""
    grid = Table.grid(padding=(0, 1))
    grid.add_column(width=1)
    grid.add_column()
    grid.add_row("-", Text(words, style=style))
    console.print(grid)


def indented(console: Console, *words: str) -> None:
    """Lines set in by two columns; empty ones are left out."""
    for text in words:
        if text:
            console.print(Padding(Text(text), (0, 0, 0, 2)))


def _ends(console: Console, summary: Summary) -> None:
    section(console, "Both ends, at the wheel")
    console.print(table(end_heads(summary.ends), end_rows(summary.ends)))
    indented(console, *limits_words(summary.ends))


def _balance(console: Console, summary: Summary) -> None:
    section(console, "Balance: rear over front; 1 is even")
    if summary.balance.reason:
        indented(console, f"Cannot be told: {summary.balance.reason}")
        return
    console.print(table(BALANCE_COLUMNS, balance_rows(summary.balance)))
    indented(console, TWO_BALANCES)
    if damped := damping_rows(summary.balance):
        console.print(table(DAMPING_COLUMNS, damped))
    if found := response_rows(summary.balance):
        console.print(table(RESPONSE_COLUMNS, found))
    indented(console, pitch_words(summary.balance), *chassis_words(summary.balance))


def _dampers(console: Console, summary: Summary) -> None:
    if not summary.damper_work:
        return
    section(console, "Dampers, at the shaft, by the curves in the bike file")
    console.print(table(DAMPER_COLUMNS, damper_rows(summary)))
    indented(console, damper_words(summary))


def _stops(console: Console, summary: Summary) -> None:
    rows = stop_rows(summary)
    section(console, "Where the travel ran out")
    if rows:
        console.print(table(STOP_COLUMNS, rows[:_MOST_ROWS], words=(0, 1, 2)))
        indented(console, *limits_words(summary.ends))
        if len(rows) > _MOST_ROWS:
            indented(console, f"and {count_word(len(rows) - _MOST_ROWS, 'more place')} (--json has them all)")
    else:
        indented(console, never_words(summary.ends, "reached a limit of its travel"))
    indented(console, *light_words(summary.light, lap_length_m(summary.laps)))


def _places(console: Console, summary: Summary) -> None:
    if rows := place_rows(summary, corners=False):
        section(console, "Travel by phase")
        console.print(table(PLACE_COLUMNS, rows))


def _strokes(console: Console, summary: Summary) -> None:
    if rows := stroke_rows(summary):
        section(console, "Strokes: how many / median of their fastest, mm/s at the wheel")
        console.print(table(STROKE_COLUMNS, rows))
        indented(console, *packing_words(summary.packing, lap_length_m(summary.laps)))


def _frequencies(console: Console, summary: Summary) -> None:
    if rows := band_rows(summary):
        section(console, "Frequencies of the wheel speed")
        console.print(table(BAND_COLUMNS, rows))
        indented(console, together_words(summary))


def _trends(console: Console, summary: Summary) -> None:
    if rows := trend_rows(summary):
        section(console, "Over the outing")
        console.print(table(TREND_COLUMNS, rows, words=(0, 4)))


def _oscillation(console: Console, summary: Summary) -> None:
    found = summary.oscillation
    section(console, "Rear damping")
    indented(console, f"{damping_headline(found)}.", *course_sentences(found))
    if gathered := gathered_rows(found.events, lap_length_m(summary.laps)):
        console.print(table(GATHERED_COLUMNS, gathered[:_MOST_ROWS], words=(0, 1)))
        indented(console, "The debrief (--html) has them one by one.")
    elif found.events:
        rows = event_rows(found.events[:_MOST_ROWS], narrow=True)
        console.print(table(NARROW_EVENT_COLUMNS, rows, words=(0, 1, 2, 7)))
        if len(found.events) > _MOST_ROWS:
            indented(console, f"and {len(found.events) - _MOST_ROWS} more (--json has them all)")
    if found.rejected:
        looked = count_word(len(found.rejected), "more stretch", "more stretches")
        indented(console, f"{looked} looked like it at first and had another cause; the debrief says which.")


def _findings(console: Console, summary: Summary) -> None:
    if nothing := nothing_asks(summary):
        section(console, "What to change")
        indented(console, *nothing)
    doubt = dampers_in_doubt(summary.oscillation)  # then there is nothing to try
    for index, finding in enumerate(summary.findings):
        if index == 0:
            section(console, "What stands out" if doubt else "What stands out; try one thing at a time")
        item(console, finding.title, style="bold")
        indented(console, finding.evidence, finding.suggestion)


def _laps(console: Console, summary: Summary) -> None:
    section(console, "Laps")
    if not summary.laps:
        indented(console, "No laps were found, so everything above is over the whole run.")
        return
    console.print(table(LAP_COLUMNS, lap_rows(summary)))
    if not all(lap.complete for lap in summary.laps):
        indented(console, "(time) in brackets: not a complete lap")
    if named := named_corners(summary.corners):
        indented(console, named)


def print_notes(notes: Iterable[QualityNote], console: Console) -> None:
    """Print what is wrong with the log: severity in words, where, and the sentence."""
    notes = tuple(notes)
    section(console, "The log itself")
    if not notes:
        indented(console, "Nothing was found wrong with it.")
    for note in notes:
        item(console, note_words(note))
