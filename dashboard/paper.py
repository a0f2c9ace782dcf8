"""The debrief at an address of its own: one HTML page without scripts, and the same as PDF."""

from dataclasses import fields
from typing import Any

import flask

from dashboard.shelf import Amounts, Shelf
from telemetry.errors import BothEndsError, LogbookError
from telemetry.report import Details, debrief_html, page_to_pdf

# While the step is tried on the laps the page asks again after so long. [s]
_AGAIN_S = 2


def register(server: flask.Flask, shelf: Shelf) -> None:
    """``/debrief/RUN`` and ``/debrief/RUN.pdf``, with ``?appendix=1`` and ``?paper=letter``."""

    @server.get("/debrief/<run_id>")
    def debrief(run_id: str) -> flask.Response:
        try:
            amounts = shelf.amounts(run_id)
            page = page_of(shelf, run_id, amounts)
        except BothEndsError as error:
            return flask.Response(str(error), status=404, mimetype="text/plain")
        answer = flask.Response(page, mimetype="text/html")
        if not amounts.ready:
            answer.headers["Refresh"] = str(_AGAIN_S)
        return answer

    @server.get("/debrief/<run_id>.pdf")
    def debrief_pdf(run_id: str) -> flask.Response:
        try:
            printed = page_to_pdf(page_of(shelf, run_id, shelf.amounts(run_id, wait=True)))
        except BothEndsError as error:
            return flask.Response(str(error), status=404, mimetype="text/plain")
        return flask.Response(printed, mimetype="application/pdf")


def page_of(shelf: Shelf, run_id: str, amounts: Amounts) -> str:
    """The debrief of a run as the address asks for it.

    Raises
    ------
    LogbookError
        If there is no such run.
    """
    asked = flask.request.args
    return debrief_html(
        amounts.summary,
        shelf.traces(run_id),
        sheet=shelf.sheet(run_id),
        details=details(shelf, run_id),
        expected=amounts.expected,
        appendix=asked.get("appendix") == "1",
        paper="letter" if asked.get("paper") == "letter" else "A4",
    )


def details(shelf: Shelf, run_id: str) -> Details:
    """Who, when and where, as the logbook says."""
    entry: Any = next((entry for entry in shelf.runs() if entry.run_id == run_id), None)
    if entry is None:
        raise LogbookError(f"there is no run {run_id} in this logbook.")
    return Details(**{field.name: getattr(entry, field.name) for field in fields(Details)})
