"""One number of every run of the logbook over dates, bikes and circuits."""

from typing import Any

from dash import Dash, Input, Output, html

from dashboard.pages import parts
from dashboard.pages.parts import Page, Screen
from dashboard.printer import Printer
from dashboard.shelf import Shelf
from dashboard.theme import Theme
from dashboard.urlstate import View, parse
from telemetry.report import season_document
from telemetry.season import GROUPS, RunRecord
from telemetry.summary import LAP_METRICS

PATH = "/season"
VIEW = "season-view"
FIRST = "rear.travel.max_mm"
_METRICS = {metric.key: metric for metric in LAP_METRICS}


def layout(shelf: Shelf, view: View, screen: Screen) -> list[Any]:
    """The choices, then the picture and the tables."""
    records = shelf.season()
    return parts.page(
        PATH,
        view,
        "Season",
        parts.view_store(VIEW, view, screen),
        _bar(records, view),
        html.Div(shown(records, view, screen.theme), id="season-shown"),
    )


def _bar(records: tuple[RunRecord, ...], view: View) -> html.Div:
    metrics = [(metric.key, metric.heading) for metric in LAP_METRICS]
    groups = [(name, name) for name in GROUPS]
    bikes = [("", "all bikes"), *((bike, bike) for bike in sorted({record.bike for record in records}))]
    return parts.bar(
        "What is shown",
        parts.choice("Number", "metric", metrics, _metric_of(view), start=FIRST, wide=True),
        parts.choice("By", "by", groups, view.by, start=GROUPS[0]),
        parts.choice("Bike", "bike", bikes, view.bike) if len(bikes) > 2 else None,
    )


def _metric_of(view: View) -> str:
    return view.metric if view.metric in _METRICS else FIRST


def shown(records: tuple[RunRecord, ...], view: View, theme: Theme) -> list[Any]:
    """Picture and tables of one number."""
    kept = [record for record in records if view.bike in ("", record.bike)]
    told = season_document(kept, _METRICS[_metric_of(view)], view.by)
    printer = Printer(view, theme)
    facts = [html.P(told.facts, className="note")] if told.facts else []
    return [*facts, *(printer.section(section) for section in told.sections)]


def register(app: Dash, shelf: Shelf) -> None:
    """Another number, group, bike or theme, in place."""

    @app.callback(Output("season-shown", "children"), Input(VIEW, "data"), prevent_initial_call=True)
    def show(said: dict[str, str]) -> list[Any]:
        return shown(shelf.season(), parse(said["search"]), Screen.read(said["screen"]).theme)


PAGE = Page(PATH, "Season", layout, register, nav_position=7, by_itself=True)
