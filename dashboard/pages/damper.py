"""The dampers of a logbook: is one back after a service, and what has each been through."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from dash import Dash, Input, Output, html

from dashboard.pages import parts
from dashboard.pages.parts import Page, Screen, section
from dashboard.printer import Printer
from dashboard.shelf import Shelf
from dashboard.theme import Theme
from dashboard.urlstate import View
from telemetry.arrays import ENDS, End
from telemetry.logbook import damper_histories
from telemetry.report import damper_document, history_document
from telemetry.setup import DamperRun, compare_damper
from telemetry.summary import Summary

PATH = "/dampers"
VIEW = "damper-view"
Histories = Mapping[str, tuple[DamperRun, ...]]


def layout(shelf: Shelf, view: View, screen: Screen) -> list[Any]:
    """The page for two outings, and the history of every damper that a bike file names."""
    found = damper_histories(shelf.runs(), shelf.summary)
    view = view if view.run and view.other else _about_a_service(found, view)
    return parts.page(
        PATH,
        view,
        "Dampers",
        parts.view_store(VIEW, view, screen),
        _bar(shelf, view),
        *_compared(shelf, view, screen.theme),
        html.Div(histories(found, screen.theme), id="damper-history"),
    )


def _about_a_service(found: Histories, view: View) -> View:
    """The last outing before the newest service and the first after it, where the address names no two."""
    if view.run or view.other:
        return view
    pairs = [
        (before, after)
        for runs in found.values()
        for before, after in zip(runs, runs[1:], strict=False)
        if before.serviced != after.serviced
    ]
    if not pairs:
        return view
    before, after = max(pairs, key=lambda pair: (pair[1].serviced, pair[1].date))
    return replace(view, run=before.run_id, other=after.run_id)


def _bar(shelf: Shelf, view: View) -> html.Div:
    runs = shelf.runs()
    return parts.bar(
        "Outings compared",
        parts.run_choice(runs, view.run, label="Before", name="run"),
        parts.run_choice(runs, view.other, label="After", name="other"),
    )


def _compared(shelf: Shelf, view: View, theme: Theme) -> list[Any]:
    if not (view.run and view.other):
        if view.run or view.other:
            shelf.summary(view.run or view.other)  # an unknown run is said, not waited for
        return [
            section("Is the damping back?", html.P("Choose an outing before the service and one after it."))
        ]
    before, after = shelf.summary(view.run), shelf.summary(view.other)
    shown: list[End] = [
        end for end in reversed(ENDS) if any(_something_of(run, end) for run in (before, after))
    ] or ["rear"]
    return [part for end in shown for part in _of_end(before, after, end, view, theme)]


def _something_of(run: Summary, end: End) -> bool:
    """Whether a run names the damper of an end or could judge it."""
    return end in run.dampers or (end in run.oscillation.course and bool(run.oscillation.course[end].laps))


def _of_end(before: Summary, after: Summary, end: End, view: View, theme: Theme) -> list[Any]:
    told, printer = damper_document(compare_damper(before, after, end)), Printer(view, theme)
    return [printer.section(section) for section in told.sections]


def histories(found: Histories, theme: Theme) -> list[Any]:
    """Every damper with its outings, oldest first; how to name one where none is named."""
    if not found:
        return [
            section(
                "What each damper has been through",
                html.P("No bike file names a damper. Give it a name and the day of its last service there:"),
                html.Pre('[rear.damper]\nid = "..."\nserviced = 2026-05-01'),
            )
        ]
    return [_history(name, runs, theme) for name, runs in found.items()]


def _history(name: str, runs: tuple[DamperRun, ...], theme: Theme) -> html.Section:
    told = history_document(name, runs)
    return section(
        told.title,
        *(block for one in told.sections for block in Printer(View(), theme).blocks(one)),
    )


def register(app: Dash, shelf: Shelf) -> None:
    """Another theme, in place."""

    @app.callback(
        Output("damper-history", "children"),
        Input(VIEW, "data"),
        prevent_initial_call=True,
    )
    def show(said: dict[str, str]) -> list[Any]:
        found = damper_histories(shelf.runs(), shelf.summary)
        return histories(found, Screen.read(said["screen"]).theme)


PAGE = Page(PATH, "Dampers", layout, register, nav_position=6, by_itself=True)
