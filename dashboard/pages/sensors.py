"""The travel sensors of a motorcycle over its runs: scale, zero, supply and drift, so that a slipped mount is seen."""

from typing import Any

from dash import html

from dashboard.pages import parts
from dashboard.pages.parts import Page, Screen
from dashboard.shelf import Shelf
from dashboard.urlstate import View
from telemetry.arrays import ENDS, End
from telemetry.errors import LogbookError
from telemetry.logbook import RunEntry
from telemetry.report import SENSOR_HEADINGS, sensor_checks, sensor_rows

PATH = "/sensors"
_MOST = 40  # runs read for the table: each is a review
# A mount that slips shows as a shift of where the end tops out; a tape reads to half a millimetre. Own choice.
WORTH_SAYING_MM = 1.0
# A share of the supply is corrected for; by so much of it a bad contact shows. Own choice.
WORTH_SAYING_PCT = 1.0


def layout(shelf: Shelf, view: View, screen: Screen) -> list[Any]:
    """One table an end, newest run first."""
    runs = list(shelf.runs())
    chosen = next((entry for entry in runs if entry.run_id == view.run), runs[0] if runs else None)
    if chosen is None:
        return parts.problem(PATH, view, "Sensors", "There is no run yet.")
    mine = [entry for entry in runs if entry.bike == chosen.bike][:_MOST]
    tables = [_end(shelf, mine, end) for end in ENDS]
    return parts.page(
        PATH,
        View(run=chosen.run_id),
        f"Sensors of {chosen.bike}",
        *(table for table in tables if table is not None),
        html.P(
            "Where an end tops out is 0 while its zero is right; drift is over one run.", className="note"
        ),
        shown=True,
    )


def _end(shelf: Shelf, runs: list[RunEntry], end: End) -> html.Section | None:
    rows, zeros, supplies = [], [], []
    for entry in runs:
        try:
            checks = [one for one in sensor_checks(shelf.summary(entry.run_id).history) if one.end == end]
        except LogbookError:
            continue
        for check, cells in zip(checks, sensor_rows(checks), strict=True):
            link = parts.link(parts.run_name(entry), "/", View(run=entry.run_id), look="in")
            rows.append([link, *cells[1:]])
            if check.topped_out_mm is not None:
                zeros.append((entry, check.topped_out_mm))
            if check.supply_pct is not None:
                supplies.append((entry, check.supply_pct[0]))
    if not rows:
        return None
    said = [
        f"{between} the place where the {end} tops out moved by {by:+.1f} mm: look at its mount and its zero."
        for between, by in _moved(zeros, WORTH_SAYING_MM)
    ]
    said += [
        f"{between} the least supply of the {end}'s sensor moved by {by:+.1f} %: look at its plug, cable and battery."
        for between, by in _moved(supplies, WORTH_SAYING_PCT)
    ]
    shown = SENSOR_HEADINGS[1:] if supplies else SENSOR_HEADINGS[1:-1]
    rows = [row[: len(shown) + 1] for row in rows]
    labels = ["Run", *(column.label for column in shown)]
    classes = ["", *("" if column.words else "n" for column in shown)]
    title = f"{end.capitalize()} sensor over the runs, newest first"
    return parts.section(
        end.capitalize(),
        *(html.P(words, className="say") for words in said),
        parts.table(labels, rows, title, classes=classes, unseen=True),
    )


def _moved(values: list[tuple[RunEntry, float]], least: float) -> list[tuple[str, float]]:
    """Between which neighbouring runs a value moved by more than the least that is worth saying, and by how much."""
    return [
        (f"Between {before.name or before.run_id} and {after.name or after.run_id}", now - then)
        for (after, now), (before, then) in zip(values, values[1:], strict=False)
        if abs(now - then) > least
    ]


PAGE = Page(PATH, "Sensors", layout)
