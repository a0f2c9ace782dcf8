"""The tuner's page: both ends against each other over the whole run, on one bump, by frequency, in pitch."""

from dataclasses import replace
from typing import Any

from dash import Dash, Input, Output, html

from dashboard.pages import parts
from dashboard.pages.parts import Page, Screen, run_bar
from dashboard.printer import Printer
from dashboard.shelf import Shelf
from dashboard.theme import Theme
from dashboard.urlstate import View, parse
from telemetry.report import review_document, whole_run

PATH = "/balance"
VIEW, BODY = "balance-view", "balance-body"


def layout(shelf: Shelf, view: View, screen: Screen) -> list[Any]:
    """The page for a run; laps are beside each other in it."""
    bar = run_bar(PATH, shelf.runs(), shelf.summary(view.run), view, None, None, places=False)
    return parts.page(
        PATH,
        view,
        "Balance",
        parts.view_store(VIEW, view, screen),
        bar,
        parts.amounts_tick("balance", view.run, ready=shelf.amounts(view.run, start=False).ready),
        html.Div(body(shelf, view, screen.theme), id=BODY),
    )


SECTIONS = ("bump", "dampers", "balance", "course", "frequencies", "chassis")


def body(shelf: Shelf, view: View, theme: Theme) -> list[Any]:
    """All below the choice of a run."""
    summary = shelf.amounts(view.run, start=False).summary
    told, printer = review_document(whole_run(summary)), Printer(view, theme)
    answer = html.Section(
        printer.blocks(told["answer"]),
        id="balance-answer",
        className="first-words",
        **{"aria-label": "The answer"},
    )
    return [answer, *(printer.section(told[name]) for name in SECTIONS)]


def register(app: Dash, shelf: Shelf) -> None:
    """Another theme, in place; another run is another page."""

    @app.callback(Output(BODY, "children"), Input(VIEW, "data"), prevent_initial_call=True)
    def show(said: dict[str, str]) -> list[Any]:
        return body(shelf, parse(said["search"]), Screen.read(said["screen"]).theme)

    @parts.follow_amounts(app, "balance", Output("balance-answer", "children"))
    def show_amounts(run_id: str, query: str) -> tuple[list[Any], bool]:
        amounts, view = shelf.amounts(run_id), replace(parse(query), run=run_id)
        told = review_document(whole_run(amounts.summary))["answer"]
        return [Printer(view, Screen.read("").theme).blocks(told)], amounts.ready


PAGE = Page(PATH, "Balance", layout, register, nav_position=3, of_one_run=True)
