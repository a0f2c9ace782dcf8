"""The hand push test of a log that was dropped: how each end comes back, and whether they agree."""

from collections.abc import Mapping
from typing import Any

from dash import html

from dashboard.desk.adding import columns_said, first_answers, known_bikes
from dashboard.pages import parts
from dashboard.pages.parts import Page, Screen
from dashboard.printer import Printer
from dashboard.shelf import Shelf
from dashboard.urlstate import View
from telemetry.arrays import ENDS
from telemetry.bike import Bike
from telemetry.errors import BothEndsError
from telemetry.logbook import Draft
from telemetry.logs import read_log
from telemetry.report import bounce_document
from telemetry.review import pushes_of, with_columns

PATH = "/push"


@parts.writes(PATH, "Push test", words="This needs the bike file of a run in a logbook.")
def layout(shelf: Shelf, view: View, screen: Screen) -> list[Any]:
    """The test, with the bike file of a run."""
    desk = shelf.desk
    bikes = known_bikes(desk.logbook)
    if not view.draft:
        return parts.problem(
            PATH, view, "Push test", "Bring the log of the pushes in first, under Add a log."
        )
    if not bikes:
        return parts.problem(PATH, view, "Push test", "Review a ride first: the test needs its bike file.")
    run_id = view.run or next(iter(bikes.values())).run_id
    draft = desk.drafts.draft(view.draft)
    others = [
        parts.link(name, PATH, View(run=entry.run_id, draft=view.draft), look="in")
        for name, entry in bikes.items()
        if entry.run_id != run_id
    ]
    try:
        log, bike = read_log(draft.log), desk.logbook.bike(run_id)
        test, notes = pushes_of(
            log, with_columns(bike, log, _columns(draft, desk.drafts.preview(view.draft), bike))
        )
        printer = Printer(View(run=run_id), screen.theme)
        shown = [printer.section(section) for section in bounce_document(test, notes).sections]
    except BothEndsError as error:
        said = str(error).replace(str(draft.log), draft.name)
        shown = [html.P(said, className="fault", role="alert")]
    back = parts.link("Back to the log", "/add", View(draft=view.draft))
    return parts.page(
        PATH,
        View(run=run_id),
        f"Push test: {draft.name}",
        html.P(["Bike file: ", desk.logbook.entry(run_id).bike, ". ", *others], className="note"),
        *shown,
        html.P(back, className="links last"),
        shown=True,
    )


def _columns(draft: Draft, preview: Mapping[str, Any] | None, bike: Bike) -> dict[str, str]:
    """The columns of travel and time, as the log's form says or as they are likely."""
    if preview is None:
        return {}
    said = draft.said or first_answers(preview, {})
    columns = columns_said(said, [column["name"] for column in preview["columns"]])
    ends = {end for end in ENDS if bike.end(end).sensor is not None}
    return {key: name for key, name in columns.items() if key in {"time", *ends}}


PAGE = Page(PATH, "Push test", layout)
