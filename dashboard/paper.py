"""The debrief at an address of its own: one HTML page without scripts, and the same as PDF."""

import logging
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import fields
from typing import Any

import flask

from dashboard.shelf import Shelf
from telemetry.errors import BothEndsError, LogbookError
from telemetry.prediction import Expected
from telemetry.report import Details, debrief_html, page_to_pdf
from telemetry.summary import Summary

log = logging.getLogger(__name__)

# A review with what its steps are expected to do, and the first one's
Tried = Future[tuple[Summary, Expected | None]]

# While the step is tried on the laps the page asks again after so long. [s]
_AGAIN_S = 2


def register(server: flask.Flask, shelf: Shelf) -> None:
    """``/debrief/RUN`` and ``/debrief/RUN.pdf``, with ``?appendix=1`` and ``?paper=letter``."""
    trying: dict[str, Tried] = {}
    worker = ThreadPoolExecutor(max_workers=1, thread_name_prefix="debrief")

    def expected(run_id: str) -> Tried | None:
        if not any(finding.turns for finding in shelf.summary(run_id).findings):
            return None
        if run_id not in trying:
            trying[run_id] = worker.submit(shelf.expected, run_id)
        return trying[run_id]

    @server.get("/debrief/<run_id>")
    def debrief(run_id: str) -> flask.Response:
        try:
            tried = expected(run_id)
            ready = tried is None or tried.done()
            page = page_of(shelf, run_id, *_outcome(tried, shelf.summary(run_id), ready=ready))
        except BothEndsError as error:
            return flask.Response(str(error), status=404, mimetype="text/plain")
        answer = flask.Response(page, mimetype="text/html")
        if not ready:
            answer.headers["Refresh"] = str(_AGAIN_S)
        return answer

    @server.get("/debrief/<run_id>.pdf")
    def debrief_pdf(run_id: str) -> flask.Response:
        try:
            printed = page_to_pdf(page_of(shelf, run_id, *_outcome(expected(run_id), shelf.summary(run_id))))
        except BothEndsError as error:
            return flask.Response(str(error), status=404, mimetype="text/plain")
        return flask.Response(printed, mimetype="application/pdf")


_PENDING = Expected(
    reason="the laps are being ridden again with the step; this page shows it in some seconds."
)


def _outcome(tried: Tried | None, summary: Summary, *, ready: bool = True) -> tuple[Summary, Expected | None]:
    """What came of trying the steps; why not, where the log or bike file cannot be used."""
    if tried is None:
        return summary, None
    if not ready:
        return summary, _PENDING
    try:
        return tried.result()
    except BothEndsError as error:
        return summary, Expected(reason=str(error))
    except Exception:
        log.exception("a step could not be tried on its laps")
        return summary, Expected(reason="trying it on the laps failed; why is in the log of the server.")


def page_of(shelf: Shelf, run_id: str, summary: Summary, expected: Expected | None) -> str:
    """The debrief of a run as the address asks for it.

    Raises
    ------
    LogbookError
        If there is no such run.
    """
    asked = flask.request.args
    return debrief_html(
        summary,
        shelf.traces(run_id),
        sheet=shelf.sheet(run_id),
        details=details(shelf, run_id),
        expected=expected,
        appendix=asked.get("appendix") == "1",
        paper="letter" if asked.get("paper") == "letter" else "A4",
    )


def details(shelf: Shelf, run_id: str) -> Details:
    """Who, when and where, as the logbook says."""
    entry: Any = next((entry for entry in shelf.runs() if entry.run_id == run_id), None)
    if entry is None:
        raise LogbookError(f"there is no run {run_id} in this logbook.")
    return Details(**{field.name: getattr(entry, field.name) for field in fields(Details)})
