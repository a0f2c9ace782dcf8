"""Two to eight runs: whether the change worked, the runs over each other along the lap, corner by corner."""

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import Any

from dash import Dash, Input, Output, html, no_update

from dashboard.figures.along import within
from dashboard.figures.compare import (
    AXIS_PX,
    CORNER_PX,
    Dots,
    corner_pairs,
    difference_figure,
    height_px,
    lap_dots,
    overlay_figure,
    time_changes,
)
from dashboard.pages import parts
from dashboard.pages.parts import Page, Screen, corner_strip, section
from dashboard.printer import Printer
from dashboard.shelf import Shelf
from dashboard.theme import Theme
from dashboard.urlstate import MOST_ALSO, View, parse
from telemetry.arrays import ENDS, End
from telemetry.logbook import outings_of
from telemetry.report import CLEAR, CORNER, Band, comparison_document, overlay, worked_words
from telemetry.setup import COLUMNS, Comparison, MetricComparison, compare, repeats
from telemetry.summary import decimals_of, number, signed

PATH = "/compare"
VIEW = "compare-view"
_BALANCE = ("balance.compression", "balance.rebound")
# What the table of several runs shows of each.
_BY_RUN = (
    ("balance.compression", "compression, rear over front"),
    ("balance.rebound", "rebound, rear over front"),
    ("front.travel.max_mm", "front maximum travel"),
    ("lap.time_s", "lap time"),
)
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
    """The page for two runs and further ones; asks for them when they are not chosen."""
    view = with_run_before(shelf, view)
    bar = _bar(shelf, view)
    if not (view.run and view.other):
        if view.run:
            shelf.summary(view.run)  # an unknown run is said, not waited for
        words = "Choose a run before and a run after the change."
        return parts.page(PATH, view, "Compare", bar, html.Section(html.P(words), className="part alone"))
    compared = comparison(shelf, view)
    shown = figures(compared, screen.theme)
    told, printer = comparison_document(compared), Printer(view, screen.theme)
    return parts.page(
        PATH,
        view,
        "Compare",
        parts.view_store(VIEW, view, screen),
        bar,
        html.Section(
            [
                *printer.blocks(told["verdict"]),
                html.Div(_first_pictures(compared, shown), className="two-by-two"),
            ],
            className="first-words",
            id="verdict",
            **{"aria-label": "The answer"},
        ),
        _each_run(shelf, view, compared, screen.theme),
        printer.section(told["changed"]),
        _along_the_lap(shelf, view, screen) if compared.sentences else None,
        _by_corner(compared, screen.theme),
        *(printer.section(told[name]) for name in ("untold", "conditions")),
        section("Every number", html.Details([html.Summary("Every number over whole laps, by phase and by corner"),
            *(one for name in ("numbers", "places", "sections", "excluded", "method")
              for one in ([html.H3(told[name].title), *printer.blocks(told[name])] if told[name] else []))])),
    )  # fmt: skip


def _first_pictures(found: Comparison, shown: dict[str, Any]) -> list[Any]:
    """From before to after, towards the aim; what it kept and cost."""
    how = "Each dot is a lap. Before: open, above. After: filled, below. The vertical bar is their mean."
    made = []
    for name, title, keys, note in (
        ("compare-balance", "Speed, rear over front", _BALANCE, how),
        ("compare-travel", "Travel used", _TRAVEL, ""),
    ):
        height = height_px(max(len(dots(found, keys)), 1))
        label = f"{title}, lap by lap; numbers below."
        picture = parts.graph(name, shown[name], "rows", label, height_px=height)
        made.append(html.Div([html.H2(title), picture, html.P(note, className="note") if note else None]))
    return made


def _along_the_lap(shelf: Shelf, view: View, screen: Screen) -> Any:
    """The runs over each other by distance, and what one has more than the other."""
    made = _overlay_figures(shelf, view, screen)
    if made is None:
        return None
    over, apart = made
    return section(
        "Along the lap",
        parts.bar(
            "What is shown of the lap",
            corner_strip(shelf.summary(view.run)),
            parts.zoom_bar(),
            look="bar ways",
        ),
        html.P("", id="read-out", className="read-out", **{"aria-live": "off"}),
        parts.graph("travel", over, "tall", "Mean travel and speed of both runs along the lap.", along=True),
        html.H3("After minus before"),
        parts.graph(
            "trace",
            apart,
            "tall",
            "Difference of travel and speed along the lap; numbers by corner below.",
            along=True,
        ),
        note="Means over the laps at pace. Before: grey, dashed. After: in colour. Front above, rear below, both drawn "
        "outwards from full extension. Grey band: 90 % of the differences between two laps of one run are in it. "
        "Filled: the runs differ by more.",
        name="along",
    )


def _overlay_figures(shelf: Shelf, view: View, screen: Screen) -> list[Any] | None:
    """Both pictures along the lap; None where a run has no laps with their distance."""
    runs = (view.run, view.other, *view.also)
    over = shelf.kept(
        ("overlay", runs), lambda: overlay([(shelf.summary(run), partial(shelf.column, run)) for run in runs])
    )
    if over is None:
        return None
    summary = shelf.summary(view.run)
    corners = [Band(c.start_m, c.end_m, str(c.number)) for c in summary.corners]
    zoom = within(view.zoom, over.distance_m)
    names = ["before", "after", *(_called(shelf, run) for run in view.also)]
    return [
        overlay_figure(over, names, corners, screen.theme, zoom, touch=screen.touch),
        difference_figure(over, corners, screen.theme, zoom, touch=screen.touch),
    ]


def _called(shelf: Shelf, run_id: str) -> str:
    return next((entry.name or run_id for entry in shelf.runs() if entry.run_id == run_id), run_id)


def _by_corner(found: Comparison, theme: Theme) -> Any:
    """Ride heights before and after by corner, and the sections' times."""
    places = [row for row in found.places if row.key.startswith(CORNER)]
    pictures = [
        html.Div([html.H3(title), parts.graph(name, figure, "rows", f"{title}; numbers below.", height_px=height)])
        for name, title, figure, rows in (
            ("by-corner", "Ride height by corner", corner_pairs(places, theme),
             len({row.label.partition(", ")[2] for row in places})),
            ("by-section", "Time by section of the lap", time_changes(found.sections, theme), len(found.sections)),
        )
        if rows
        for height in [CORNER_PX * rows + AXIS_PX]
    ]  # fmt: skip
    if not pictures:
        return None
    return section(
        "Corner by corner",
        html.Div(pictures, className="two-by-two"),
        note="Before: open. After: filled. Front: circle. Rear: diamond. The corner that changed most is on top. In "
        "colour: clear changes. A section ends halfway to the next corner; the line is its 95 % interval.",
        name="corners",
    )


def _by_run(shelf: Shelf, view: View, found: Sequence[Comparison], key: str, label: str, theme: Theme) -> Any:
    """One number of every run, a row a run, a dot a lap; the first run on top."""
    rows = []
    for run, one in zip((view.other, *view.also), found, strict=True):
        row = next((row for row in one.metrics if row.key == key), None)
        if row is None:
            continue
        if not rows:
            laps = tuple(zip(row.a.laps, row.a.values, strict=True))
            rows.append(Dots(_called(shelf, view.run), "the first", (), laps, None, row.a.mean, _end_of(key)))
        rows.append(replace(_dots(row), label=_called(shelf, run), before=(), before_mean=None))
    unit = next((row.unit for one in found for row in one.metrics if row.key == key), "")
    return lap_dots(
        rows,
        theme,
        x_title=f"{label} [{unit}]" if unit else label,
        digits=decimals_of(unit) if unit else 2,
        line_at=1.0 if key in _BALANCE else None,
    )


def _mean(found: Comparison, key: str, side: str) -> str:
    row = next((row for row in found.metrics if row.key == key), None)
    return (
        ""
        if row is None
        else number(getattr(row, side).mean, decimals_of(row.unit) if row.unit else 2, row.unit)
    )


def _each_run(shelf: Shelf, view: View, first: Comparison, theme: Theme) -> Any:
    """Every run against the first, one of them shown on the page; nothing for two runs."""
    if not view.also:
        return None
    runs = (view.other, *view.also)
    found = [first, *(comparison(shelf, replace(view, other=run, also=())) for run in view.also)]
    rows = []
    for run, one in zip(runs, found, strict=True):
        others = tuple(other for other in runs if other != run)
        without = replace(view, other=others[0], also=others[1:])
        name = _called(shelf, run)
        rows.append(
            (
                html.B([name, " (shown)"])
                if run == view.other
                else parts.link(name, PATH, replace(view, other=run, also=others), look="in"),
                "; ".join(f"{change.what} {change.before} → {change.after}" for change in one.changes)
                or "nothing known",
                (worked_words(one) or one.sentences or one.first or ("",))[0],
                *(_mean(one, key, "b") for key, _ in _BY_RUN),
                parts.link("Leave out", PATH, without, look="in", **{"aria-label": f"Leave out {name}"}),
            )
        )
    heads = ("run", "changed", "against the first", *(label for _, label in _BY_RUN), "")
    start = [f"{label} {_mean(first, key, 'a')}" for key, label in _BY_RUN]
    pictures = [
        html.Div(
            [html.H3(label), parts.graph(f"by-run-{at}", _by_run(shelf, view, found, key, label, theme), "rows",
                                         f"{label} of every run; numbers above.", height_px=height_px(len(runs) + 1))]
        )
        for at, (key, label) in enumerate(_BY_RUN)
    ]  # fmt: skip
    return section(
        "Every run against the first",
        parts.table(
            heads,
            rows,
            "Every run against the first",
            classes=["", "", "", "n", "n", "n", "n", ""],
            unseen=True,
        ),
        html.P(f"{_called(shelf, view.run)}: {'; '.join(start)}.", className="note"),
        html.Div(pictures, className="two-by-two"),
        note="Each pair is judged alone: with seven pairs a false alarm is up to seven times as likely.",
        name="each-run",
    )


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
    swap = parts.link("Swap", PATH, replace(view, run=view.other, other=view.run), id="swap")
    chosen = {view.run, view.other, *view.also}
    # each entry is the whole list with one run more
    more = [
        (",".join((*view.also, entry.run_id)), parts.run_name(entry))
        for entry in runs
        if entry.run_id not in chosen
    ]
    here = ",".join(view.also)
    return parts.bar(
        "Runs compared",
        parts.run_choice(runs, view.run, label="Before", name="run"),
        parts.run_choice(runs, view.other, label="After", name="other"),
        swap if view.run and view.other else None,
        parts.choice("One more run", "also", [(here, "add"), *more], here, start=here)
        if more and view.run and view.other and len(view.also) < MOST_ALSO
        else None,
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
    return Dots(
        label=row.label.removesuffix(", rear over front"),  # the axis says it
        verdict=verdict_words(row),
        before=tuple(zip(row.a.laps, row.a.values, strict=True)),
        after=tuple(zip(row.b.laps, row.b.values, strict=True)),
        before_mean=row.a.mean,
        after_mean=row.b.mean,
        clear=row.verdict in CLEAR,
        end=_end_of(row.key),
    )


def _end_of(key: str) -> End | None:
    return next((end for end in ENDS if key.startswith(f"{end}.")), None)


def verdict_words(row: MetricComparison) -> str:
    """The verdict of one row, with the size of a clear difference."""
    if row.verdict in CLEAR and row.difference is not None:
        return f"{row.verdict}, {signed(row.difference, decimals_of(row.unit), row.unit)}"
    return row.verdict


def register(app: Dash, shelf: Shelf) -> None:
    """Another stretch of the lap, in place."""

    @app.callback(
        *(Output(name, "figure", allow_duplicate=True) for name in ("travel", "trace")),
        Input(VIEW, "data"),
        prevent_initial_call=True,
    )
    def show(said: dict[str, str]) -> Any:
        view = parse(said["search"])
        made = _overlay_figures(shelf, view, Screen.read(said["screen"])) if view.other else None
        return made or (no_update, no_update)


PAGE = Page(PATH, "Compare", layout, register, nav_position=5)
