"""The travel sensors of a motorcycle over its runs: scale, zero, supply and drift, so that a slipped mount is seen."""

from typing import Any

from dash import html

from dashboard.pages import parts
from dashboard.pages.entry import Page
from dashboard.pages.parts import Screen
from dashboard.shelf import Shelf
from dashboard.urlstate import View, to_query
from telemetry.arrays import ENDS, End
from telemetry.errors import LogbookError
from telemetry.logbook import RunEntry
from telemetry.report import SENSOR_HEADINGS, sensor_checks, sensor_rows

PATH = "/sensors"
_MOST = 40  # runs read for the table: each is a review
# A mount that slips shows as a shift of where the end tops out; a tape reads to half a millimetre. Own choice.
WORTH_SAYING_MM = 1.0


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
    rows, zeros = [], []
    for entry in runs:
        try:
            checks = [one for one in sensor_checks(shelf.summary(entry.run_id).history) if one.end == end]
        except LogbookError:
            continue
        for check, cells in zip(checks, sensor_rows(checks), strict=True):
            link = html.A(parts.run_name(entry), href="/" + to_query(View(run=entry.run_id)), className="in")
            rows.append([link, *cells[1:]])
            if check.topped_out_mm is not None:
                zeros.append((entry, check.topped_out_mm))
    if not rows:
        return None
    said = []
    for (after, now), (before, then) in zip(zeros, zeros[1:], strict=False):
        if abs(now - then) > WORTH_SAYING_MM:
            said.append(
                f"Between {before.name or before.run_id} and {after.name or after.run_id} the place where the {end} "
                f"tops out moved by {now - then:+.1f} mm: look at its mount and its zero."
            )
    labels = ["Run", *(column.label for column in SENSOR_HEADINGS[1:])]
    classes = ["", *("" if column.words else "n" for column in SENSOR_HEADINGS[1:])]
    title = f"{end.capitalize()} sensor over the runs, newest first"
    return parts.section(
        end.capitalize(),
        *(html.P(words, className="say") for words in said),
        parts.table(labels, rows, title, classes=classes, unseen=True),
    )


PAGE = Page(PATH, "Sensors", layout)
