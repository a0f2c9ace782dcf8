"""Two runs against each other: what was changed, what came of it, and how sure that is."""

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import Any

from dash import Dash, Input, Output, dcc, html

from dashboard.figures.compare import Dots, height_px, lap_dots
from dashboard.pages import parts
from dashboard.pages.entry import Page
from dashboard.pages.parts import Screen, section
from dashboard.printer import Printer
from dashboard.shelf import Shelf
from dashboard.theme import Theme
from dashboard.urlstate import View, parse, to_query
from telemetry.logbook import outings_of
from telemetry.report import CLEAR, comparison_document
from telemetry.setup import COLUMNS, Comparison, MetricComparison, compare, repeats
from telemetry.summary import decimals_of, signed

PATH = "/compare"
VIEW = "compare-view"
_BALANCE = ("balance.compression", "balance.rebound")
# Mirrored like the travel picture: deepest travel outermost, front above, rear below.
_TRAVEL = (
    "front.travel.max_mm",
    "front.travel.p95_mm",
    "front.travel.median_mm",
    "rear.travel.median_mm",
    "rear.travel.p95_mm",
    "rear.travel.max_mm",
)


def layout(shelf: Shelf, view: View, screen: Screen) -> list[Any]:
    """The page for two runs; asks for them when they are not chosen.

    Raises
    ------
    LogbookError
        If there is no such run.
    """
    view = with_run_before(shelf, view)
    bar = _bar(shelf, view)
    if not (view.run and view.other):
        if view.run:
            shelf.summary(view.run)  # an unknown run is said, not waited for
        words = "Choose a run before and a run after the change."
        return parts.page(PATH, view, "Compare", bar, html.Section(html.P(words), className="part alone"))
    found = comparison(shelf, view)
    shown = figures(found, screen.theme)
    told, printer = comparison_document(found), Printer(view, screen.theme)
    return parts.page(
        PATH,
        view,
        "Compare",
        dcc.Store(id=VIEW, data={"search": to_query(view), "screen": screen.words}),
        bar,
        *(printer.section(told[name]) for name in ("verdict", "changed", "conditions")),
        _picture("Travel used", "compare-travel", shown["compare-travel"], found, _TRAVEL,
                 "Every dot is a lap: before open and above, after filled and below; the bar is their mean. "
                 "Front rows above, rear rows below, deepest travel outermost."),
        _picture("Speed balance", "compare-balance", shown["compare-balance"], found, _BALANCE,
                 "Rear over front, RMS wheel speed. At 1 both ends move alike; to the right the rear moves "
                 "faster."),
        *(printer.section(told[name]) for name in ("numbers", "places", "sections", "excluded", "method")),
    )  # fmt: skip


def with_run_before(shelf: Shelf, view: View) -> View:
    """A single run is compared with the one before it, where there is one; the logbook lists the newest first."""
    if view.other or not view.run:
        return view
    ids = [entry.run_id for entry in shelf.runs()]
    older = ids[ids.index(view.run) + 1 :] if view.run in ids else []
    return replace(view, run=older[0], other=view.run) if older else view


def comparison(shelf: Shelf, view: View) -> Comparison:
    """The second run of a view against its first."""
    before, after = shelf.summary(view.run), shelf.summary(view.other)
    ridden = outings_of(before.run.bike, shelf.runs(), shelf.summary, shelf.sheet)
    return compare(
        before,
        after,
        shelf.sheet(view.run),
        shelf.sheet(view.other),
        repeats=repeats(before, ridden),
        traces=(partial(shelf.traces, view.run, COLUMNS), partial(shelf.traces, view.other, COLUMNS)),
    )


def _bar(shelf: Shelf, view: View) -> html.Div:
    runs = shelf.runs()
    swap = html.A(
        "Swap", href=PATH + to_query(View(run=view.other, other=view.run)), className="in button", id="swap"
    )
    return html.Div(
        [
            parts.run_choice(runs, view.run, label="Before", name="run"),
            parts.run_choice(runs, view.other, label="After", name="other"),
            swap if view.run and view.other else None,
        ],
        className="bar",
        role="group",
        **{"aria-label": "Runs compared"},
    )


def figures(found: Comparison, theme: Theme) -> dict[str, Any]:
    """The pictures, by id."""
    return {
        "compare-travel": lap_dots(dots(found, _TRAVEL), theme, x_title="wheel travel [mm]", digits=1),
        "compare-balance": lap_dots(
            dots(found, _BALANCE), theme, x_title="speed, rear over front", digits=3, line_at=1.0
        ),
    }


def dots(found: Comparison, keys: Sequence[str]) -> list[Dots]:
    """Rows of a picture, in the order of ``keys``; a number that was not compared is left out."""
    by_key = {row.key: row for row in found.metrics}
    return [_dots(by_key[key]) for key in keys if key in by_key]


def _dots(row: MetricComparison) -> Dots:
    end = row.key.partition(".")[0]
    return Dots(
        label=row.label.removesuffix(", rear over front"),  # the axis says it
        verdict=verdict_words(row),
        before=tuple(zip(row.a.laps, row.a.values, strict=True)),
        after=tuple(zip(row.b.laps, row.b.values, strict=True)),
        before_mean=row.a.mean,
        after_mean=row.b.mean,
        clear=row.verdict in CLEAR,
        end="front" if end == "front" else "rear" if end == "rear" else None,
    )


def verdict_words(row: MetricComparison) -> str:
    """The verdict of one row, with the size of a clear difference."""
    if row.verdict in CLEAR and row.difference is not None:
        return f"{row.verdict}, {signed(row.difference, decimals_of(row.unit), row.unit)}"
    return row.verdict


def _picture(title: str, name: str, figure: Any, found: Comparison, keys: Sequence[str], note: str) -> Any:
    rows = max(len(dots(found, keys)), 1)
    box = html.Div(
        parts.graph(name, figure, "rows", f"{title}, lap by lap; numbers below."),
        style={"height": f"{height_px(rows)}px"},
    )
    return section(title, box, note=note)


def register(app: Dash, shelf: Shelf) -> None:
    """Another theme, in place; other runs are another page."""

    @app.callback(
        Output("compare-travel", "figure"),
        Output("compare-balance", "figure"),
        Input(VIEW, "data"),
        prevent_initial_call=True,
    )
    def show(said: dict[str, str]) -> list[Any]:
        found = comparison(shelf, parse(said["search"]))
        return list(figures(found, Screen.read(said["screen"]).theme).values())


PAGE = Page(PATH, "Compare", layout, register, in_band=5)
