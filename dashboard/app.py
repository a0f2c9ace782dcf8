"""The dashboard as one Dash app: its frame, the way from an address to a page or a debrief, and failures."""

import logging
import secrets
from collections.abc import Iterable
from dataclasses import fields
from pathlib import Path
from typing import Any

import flask
from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html, no_update, set_props

from dashboard import guard, tables, units
from dashboard.desk import routes
from dashboard.desk.desk import Desk
from dashboard.pages import parts, runs
from dashboard.pages.parts import Screen, pages
from dashboard.shelf import Amounts, Logbook, Shelf
from dashboard.theme import css_variables
from dashboard.urlstate import View, parse
from telemetry.errors import BothEndsError, LogbookError
from telemetry.report import Details, debrief_html, page_to_pdf

log = logging.getLogger(__name__)

SCREEN_COOKIE = "bothends-screen"

_INDEX = """<!doctype html>
<html lang="en">
<head>
{%metas%}
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Both Ends</title>
<style>VARIABLES</style>
{%css%}
</head>
<body>
<noscript>This page needs JavaScript, which is turned off in this browser.</noscript>
{%app_entry%}
<footer>{%config%}{%scripts%}{%renderer%}</footer>
</body>
</html>"""


def create_app(
    logbook: Logbook,
    *,
    hosts: Iterable[str] = guard.LOCAL_HOSTS,
    share_key: str | None = None,
    rider_key: str | None = None,
    own_logbook: Path | None = None,
) -> Dash:
    """The dashboard on a logbook. Nothing is shared between two apps in one process.

    Parameters
    ----------
    logbook : Logbook
        Where runs come from.
    hosts : iterable of str
        Host names it answers to.
    share_key : str or None
        When given, every browser has to bring it.
    rider_key : str or None
        Who brings this one instead reads, and writes a rider's words only.
    own_logbook : Path or None
        Where the reader's own logbook is to be made, when the one shown is a demo.

    Returns
    -------
    Dash
        ``.server`` is the WSGI application.
    """
    shelf = Shelf(logbook)
    shelf.desk = Desk(shelf, own_logbook)
    app = Dash(
        "dashboard",
        assets_folder=str(Path(__file__).parent / "assets"),
        serve_locally=True,
        enable_mcp=False,
        update_title=None,
        suppress_callback_exceptions=True,
        include_pages_meta=False,
        health_endpoint="healthz",
        on_error=_show_failure,
        index_string=_INDEX.replace("VARIABLES", css_variables()),
    )
    app.layout = _shell
    guard.install(
        app.server, hosts=hosts, script_hashes=app.csp_hashes, share_key=share_key, rider_key=rider_key
    )
    guard.compress_answers(app.server)
    tables.install(app.server)  # after the units: the last that is registered is the first that converts
    units.install(app.server)
    routes.register(app.server, shelf.desk)
    register_debriefs(app.server, shelf)
    if share_key and rider_key:
        guard.register_codes(app.server, share_key, rider_key)
    _register_way(app, shelf)
    for page in pages().values():
        if page.register is not None:
            page.register(app, shelf)
    return app


def _shell() -> html.Div:
    """What stays while pages come and go."""
    screen = Screen.read(flask.request.cookies.get(SCREEN_COOKIE) if flask.has_request_context() else "")
    return html.Div(
        [
            html.A("To the content", href="#content", className="skip"),
            dcc.Location(id="url", refresh=False),
            dcc.Store(id="screen", data=screen.words),
            dcc.Store(id="title"),
            dcc.Store(id="done"),
            dcc.Store(id="remembered"),
            html.Div(id="notice", role="status"),
            html.Div(id="page"),
            units.choice(),
            _keys(),
        ]
    )


KEYS = (
    ("[  ]", "lap before, lap after"),
    (",  .", "run before, run after"),
    ("p  n", "corner before, corner after"),
    ("1 to 9", "that corner; two digits quickly for 10 and more"),
    ("0 or Esc", "all of the lap"),
    ("+  −", "closer, wider"),
    ("←  →", "earlier, later"),
    ("?", "these keys"),
)


def _keys() -> html.Dialog:
    """What the keys do, opened by ``?``."""
    rows = [html.Tr([html.Th(html.Kbd(key), scope="row"), html.Td(words)]) for key, words in KEYS]
    return html.Dialog(
        [
            html.H2("Keys", id="keys-title"),
            html.Table(html.Tbody(rows)),
            html.Button("Close", className="quiet", **{"data-close": "keys"}),
        ],
        id="keys",
        **{"aria-labelledby": "keys-title"},
    )


def _register_way(app: Dash, shelf: Shelf) -> None:
    @app.callback(
        Output("page", "children"),
        Output("title", "data"),
        Input("url", "pathname"),
        Input("url", "search"),
        State("screen", "data"),
    )
    def show_page(path: str, search: str, screen: str) -> tuple[list[Any], str]:
        return open_page(shelf, path, parse(search), Screen.read(screen))

    app.clientside_callback(
        ClientsideFunction("bothends", "arrived"), Output("done", "data"), Input("title", "data")
    )
    app.clientside_callback(
        ClientsideFunction("bothends", "remember"),
        Output("remembered", "data"),
        Input("travel", "relayoutData"),
        Input("trace", "relayoutData"),
    )


def open_page(shelf: Shelf, path: str | None, view: View, screen: Screen) -> tuple[list[Any], str]:
    """The page at an address and its title; a page that says why, when there is nothing to show."""
    path = "/" + (path or "").strip("/")
    try:
        return _page(shelf, path, view, screen)
    except LogbookError as error:
        entries = _entries(shelf)
        return parts.problem(path, view, "This run cannot be shown", str(error), entries), "Not found"
    except Exception:
        reference = secrets.token_hex(4)
        log.exception("page %s failed (%s)", path, reference)
        words = f"Something went wrong here; it is in the log of the server as {reference}."
        return parts.problem(path, view, "This page failed", words), "Failed"


def _page(shelf: Shelf, path: str, view: View, screen: Screen) -> tuple[list[Any], str]:
    page = pages().get(path)
    if page is None:
        return parts.problem(path, view, "No such page", f"There is nothing at {path}."), "Not found"
    if page.of_one_run and not view.run:
        entries = shelf.runs()
        if len(entries) == 1:
            view = View(run=entries[0].run_id)
        else:
            page = runs.PAGE
    return page.layout(shelf, view, screen), page.title


def _entries(shelf: Shelf) -> list[Any]:
    try:
        return list(shelf.runs())
    except LogbookError:
        return []


def _show_failure(error: Exception) -> Any:
    """Show a failed callback in the notice bar: our own errors in their words, others by a reference."""
    if isinstance(error, BothEndsError):
        words = str(error)
    else:
        reference = secrets.token_hex(4)
        log.error("callback failed (%s)", reference, exc_info=error)
        words = f"Something went wrong; it is in the log of the server as {reference}."
    set_props("notice", {"children": words})
    return no_update


# While the step is tried on the laps the page asks again after so long. [s]
_AGAIN_S = 2


def register_debriefs(server: flask.Flask, shelf: Shelf) -> None:
    """``/debrief/RUN`` and ``/debrief/RUN.pdf``, with ``?appendix=1`` and ``?paper=letter``."""

    @server.get("/debrief/<run_id>")
    def debrief(run_id: str) -> flask.Response:
        amounts = shelf.amounts(run_id)
        answer = flask.Response(page_of(shelf, run_id, amounts), mimetype="text/html")
        if not amounts.ready:
            answer.headers["Refresh"] = str(_AGAIN_S)
        return answer

    @server.get("/debrief/<run_id>.pdf")
    def debrief_pdf(run_id: str) -> flask.Response:
        printed = page_to_pdf(page_of(shelf, run_id, shelf.amounts(run_id, wait=True)))
        return flask.Response(printed, mimetype="application/pdf")


def page_of(shelf: Shelf, run_id: str, amounts: Amounts) -> str:
    """The debrief of a run as the address asks for it; `LogbookError` if there is no such run."""
    asked = flask.request.args
    return debrief_html(
        amounts.summary,
        shelf.traces(run_id),
        sheet=shelf.sheet(run_id),
        details=details(shelf, run_id),
        expected=amounts.expected,
        appendix=asked.get("appendix") == "1",
        paper="letter" if asked.get("paper") == "letter" else "A4",
        units=units.chosen(),
    )


def details(shelf: Shelf, run_id: str) -> Details:
    """Who, when and where, as the logbook says."""
    entry: Any = next((entry for entry in shelf.runs() if entry.run_id == run_id), None)
    if entry is None:
        raise LogbookError(f"there is no run {run_id} in this logbook.")
    return Details(**{field.name: getattr(entry, field.name) for field in fields(Details)})
