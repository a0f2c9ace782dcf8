"""Parts that pages are made of, and the table of the pages."""

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cache, wraps
from importlib import import_module
from pkgutil import iter_modules
from typing import Any

from dash import Dash, Input, Output, State, dcc, html, no_update

import dashboard.pages
from dashboard.scene import lap_name
from dashboard.shelf import Shelf
from dashboard.theme import GRAPH_CONFIG, Theme, named
from dashboard.urlstate import View, to_query
from telemetry.logbook import RunEntry
from telemetry.report import Places, quickest_lap
from telemetry.summary import LapSummary, Summary

Layout = Callable[..., list[Any]]


@dataclass(frozen=True)
class Page:
    """A page: where it is, what it shows, and what changes on it in place.

    Attributes
    ----------
    path : str
        Its address.
    title : str
        What the browser's tab and the navigation call it.
    layout : callable
        ``layout(shelf, view, screen)``: its content; `LogbookError` if there is no such run.
    register : callable or None
        ``register(app, shelf)``: its callbacks and routes.
    nav_position : int
        Its position in the navigation, 1 first; 0 is not there.
    of_one_run : bool
        Without a run in the address it shows the only one there is, or the list.
    by_itself : bool
        A link to it does not carry the run that is shown.
    """

    path: str
    title: str
    layout: Layout
    register: Callable[..., None] | None = None
    nav_position: int = 0
    of_one_run: bool = False
    by_itself: bool = False


@cache
def pages() -> dict[str, Page]:
    """Every page by its address."""
    modules = (
        import_module(f"dashboard.pages.{found.name}") for found in iter_modules(dashboard.pages.__path__)
    )
    found = [module.PAGE for module in modules if hasattr(module, "PAGE")]
    return {page.path: page for page in found}


def navigation() -> list[Page]:
    """The pages of the navigation, in its order."""
    return sorted(
        (page for page in pages().values() if page.nav_position), key=lambda page: page.nav_position
    )


@dataclass(frozen=True)
class Screen:
    """What the browser says of itself: colours, and whether it is driven by touch."""

    theme: Theme
    touch: bool

    @classmethod
    def read(cls, said: object) -> "Screen":
        """From what the page's script left in the cookie or a store, such as "dark touch"."""
        words = str(said or "").replace("-", " ").split()
        return cls(named(words[0] if words else ""), "touch" in words)

    @property
    def words(self) -> str:
        """The same in words, for `read`."""
        return f"{self.theme.name} touch" if self.touch else self.theme.name


def page(active: str, view: View, title: str, *content: Any, shown: bool = False) -> list[Any]:
    """A page: the band at its head with the way to the others, its title, its content.

    The title is for screen readers where the band says it already; ``shown`` shows it to all.
    """
    return [
        html.Header(
            [
                html.A(
                    [html.Span(className="mark", **{"aria-hidden": "true"}), html.Span("Both Ends")],
                    href="/runs",
                    className="in brand",
                ),
                # on a phone the pages are in a menu, which is called what is open
                html.Button(
                    [next((one.title for one in navigation() if one.path == active), "Pages"), " ▾"],
                    id="menu",
                    className="quiet",
                    **{"aria-expanded": "false", "aria-controls": "pages", "aria-label": "Pages"},
                ),
                html.Nav(
                    [_nav_link(page, active, view) for page in navigation()],
                    id="pages",
                    **{"aria-label": "Pages"},
                ),
                html.Button(
                    [html.Span("Dark", className="when-light"), html.Span("Light", className="when-dark")],
                    id="theme-switch",
                    className="quiet",
                    **{"aria-label": "Switch between light and dark"},
                ),
            ],
            className="band",
        ),
        html.Main(
            [
                html.H1(title, tabIndex=-1, className=None if shown else "unseen"),
                *content,
            ],
            id="content",
            tabIndex=-1,
        ),
    ]  # fmt: skip


def _nav_link(page: Page, active: str, view: View) -> html.A:
    here = {"aria-current": "page"} if page.path == active else {}
    # From a comparison one goes on to the later run; to one, from this run without its lap.
    carried = replace(
        view, run=view.other or view.run, other="", also=(), zoom=None, metric="", by="circuit", bike=""
    )
    if page.path == "/compare":
        carried = view if here else View(run=view.run)
    elif page.by_itself:
        carried = View()
    return html.A(page.title, href=page.path + to_query(carried), className="in", **here)


def link(words: Any, path: str, view: View | None = None, *, look: str = "in button", **more: Any) -> html.A:
    """A link to a page with what it is to show; ``look`` "in" stands in a line of text."""
    return html.A(words, href=path + to_query(view or View()), className=look, **more)


def bar(label: str, *content: Any, look: str = "bar") -> html.Div:
    """Choices beside one another."""
    return html.Div(content, className=look, role="group", **{"aria-label": label})


def view_store(name: str, view: View, screen: Screen) -> dcc.Store:
    """What a page shows: the page's script changes it, and a callback of the page draws anew."""
    return dcc.Store(id=name, data={"search": to_query(view), "screen": screen.words})


READ_ONLY = "These runs can only be read here."


def writes(path: str, title: str, *, words: str = READ_ONLY, run: str = "") -> Callable[[Layout], Layout]:
    """Decorates a layout that needs a logbook to write to, else the page says ``words``.

    ``run`` is the title of the page that asks for a run where the layout is of one.
    """

    def decorated(layout: Layout) -> Layout:
        @wraps(layout)
        def shown(shelf: Shelf, view: View, screen: Screen) -> list[Any]:
            if not shelf.writes:
                return problem(path, view, title, words)
            if run and not view.run:
                return problem(path, view, run, "Choose a run first.", shelf.runs())
            return layout(shelf, view, screen)

        return shown

    return decorated


def section(title: str, *content: Any, note: Any = None, name: str = "") -> html.Section:
    """A section: its heading and what it shows in the margin, the content beside it."""
    return html.Section(
        [
            html.Div(
                [html.H2(title) if title else None, html.P(note, className="note") if note else None],
                className="margin",
            ),
            html.Div(content, className="body"),
        ],
        className="part",
        **({"id": name} if name else {}),
    )


def choice(
    label: str,
    name: str,
    options: Sequence[tuple[str, str]],
    chosen: str,
    *,
    start: str = "",
    wide: bool = False,
) -> Any:
    """One of several, as the browser's own list; the page's script acts on a change.

    ``start`` is what it stands at when the address says nothing.
    """
    return html.Label(
        [
            html.Span(label) if label else None,
            html.Select(
                [html.Option(words, value=value, selected=value == chosen) for value, words in options],
                id=f"choose-{name}",
                **{
                    "data-choose": name,
                    "data-start": start,
                    **({} if label else {"aria-label": name.capitalize()}),
                },
            ),
        ],
        className="choice wide" if wide else "choice",
    )


def either(label: str, name: str, options: Sequence[tuple[str, str]], chosen: str) -> Any:
    """One of two or three, as buttons that stay pressed; the first is what a bare address means."""
    buttons = [
        html.Button(
            words,
            id=f"{name}-{value}",
            **{
                "data-choose": name,
                "data-value": value,
                "aria-pressed": "true" if value == chosen else "false",
            },
        )
        for value, words in options
    ]
    return html.Div(
        [html.Span(label, className="label") if label else None, html.Div(buttons)],
        role="group",
        className="either",
        **{"aria-label": label or " or ".join(words for _, words in options)},
    )


def graph(
    name: str,
    figure: Any,
    height: str,
    label: str,
    *,
    proportions: float | None = None,
    along: bool = False,
    height_px: int | None = None,
) -> html.Div:
    """A picture in a box that has the height: the graph itself takes whatever its box has; below it, to take it away.

    ``height`` is a class of the style sheet; ``label`` says what it is to who cannot see it, and where the same is
    in words; ``proportions`` is width over height, where it matters; ``along`` lies along the lap: it has the cursor;
    ``height_px`` is of a picture that has its own height. [px]
    """
    style = {} if proportions is None else {"aspectRatio": f"{proportions:.3f}"}
    if height_px is not None:
        style = {"height": f"{height_px}px"}
    box = dcc.Graph(id=name, figure=figure, config=GRAPH_CONFIG, responsive=True)
    cursor = [html.Div(className="cursor-line")] if along else []
    return html.Div(
        [
            html.Div(
                [box, *cursor],
                className=f"picture {height}",
                style=style,
                role="img",
                **{"aria-label": label},
            ),
            save_bar(name, label),
        ],
        className=f"pic of-{height}",
    )


_SAVED_AS = {
    "png": ("Picture", "Save as a picture"),
    "svg": ("SVG", "Save as a picture of lines"),
    "csv": ("CSV", "Save the numbers"),
}


def save_bar(name: str, label: str, kinds: Sequence[str] = tuple(_SAVED_AS), *more: Any) -> html.Div:
    """Buttons that save a picture, or the content of the section ``name``; ``more`` follows them."""
    buttons = [
        html.Button(
            words, className="quiet", title=f"{title}: {label}", **{"data-save": kind, "data-graph": name}
        )
        for kind, (words, title) in _SAVED_AS.items()
        if kind in kinds
    ]
    return html.Div([*buttons, *more], className="save", role="group", **{"aria-label": f"Save: {label}"})


TICK_S = 1.5


def amounts_tick(page: str, run_id: str, *, ready: bool) -> html.Div | None:
    """Asks again while the steps of a run are tried on its laps; None where that is done."""
    if ready:
        return None
    tick = dcc.Interval(id=f"{page}-tick", interval=1000 * TICK_S)
    return html.Div([tick, dcc.Store(id=f"{page}-tried", data=run_id)], hidden=True)


def follow_amounts(app: Dash, page: str, *outputs: Output) -> Callable[..., Any]:
    """Registers what shows the steps of a run: of the run and its address the outputs, and whether they are final."""

    def register(show: Callable[[str, str], tuple[list[Any], bool]]) -> None:
        @app.callback(
            *outputs,
            Output(f"{page}-tick", "disabled"),
            Input(f"{page}-tick", "n_intervals"),
            State(f"{page}-tried", "data"),
            State("url", "search"),
            prevent_initial_call=True,
        )
        def tick(_: int, run_id: str, query: str) -> list[Any]:
            shown, ready = show(run_id, query or "")
            # what stays is not sent again: it would take a selection or an open fold away
            return [*(shown if ready else [no_update] * len(shown)), ready]

    return register


def zoom_bar() -> html.Div:
    """Buttons that zoom the picture along the lap."""
    steps = (
        ("closer", "+", "Closer"),
        ("wider", "−", "Wider"),
        ("earlier", "◀", "Earlier"),
        ("later", "▶", "Later"),
        ("all", "All of it", "All of the lap"),
    )
    return html.Div(
        [
            html.Button(sign, title=words, className="quiet", **{"data-zoom": step, "aria-label": words})
            for step, sign, words in steps
        ],
        className="zoom",
        role="group",
        **{"aria-label": "Zoom of the travel picture"},
    )


def block(name: str, follows: Sequence[str], *content: Any, fresh: bool = False) -> html.Div:
    """A part of a page that is asked for when it comes into view, and again when what it follows changes.

    ``follows`` are names of the address; ``fresh`` comes with its content.
    """
    return html.Div(
        [dcc.Store(id=f"{name}-want"), *content],
        className="block",
        **{"data-block": name, "data-follows": " ".join(follows), "data-fresh": "yes" if fresh else "no"},
    )


def table(
    head: Sequence[str],
    rows: Iterable[Sequence[Any]],
    caption: str,
    *,
    classes: Sequence[str] = (),
    unseen: bool = False,
) -> html.Div:
    """A table with a caption; the first cell of a row is its heading. ``classes`` are per column."""
    columns = [*classes, *[""] * (len(head) - len(classes))]
    body = [
        html.Tr(
            [
                html.Th(cell, scope="row") if place == 0 else html.Td(cell, className=columns[place] or None)
                for place, cell in enumerate(row)
            ]
        )
        for row in rows
    ]
    return html.Div(
        html.Table(
            [
                html.Caption(html.Span(caption), className="unseen" if unseen else None),
                html.Thead(
                    html.Tr(
                        [
                            html.Th(words, scope="col", className=columns[i] or None) if words else html.Td()
                            for i, words in enumerate(head)
                        ]
                    )
                ),
                html.Tbody(body),
            ]
        ),
        className="scroll",
        tabIndex=0,
        role="region",
        **{"aria-label": caption},
    )  # fmt: skip


def sentences(words: Sequence[Any]) -> html.Ol:
    """Verdicts, read aloud in this order; the first is the largest."""
    return html.Ol([html.Li(sentence) for sentence in words], className="verdicts")


def cautions(words: Iterable[str], said: Callable[[str], Any] = str) -> Any:
    """Cautions, each once, also where a longer one says it: a word and a shape first, colour second; None for none.

    ``said`` makes what is shown of a text, such as its places as links.
    """
    given = [line for line in dict.fromkeys(words) if line]
    once = [line for line in given if sum(line in other for other in given) == 1]
    if not once:
        return None
    return html.Div(
        [html.B("⚠ Caution"), *(html.P(said(line)) for line in once)], className="caution", role="note"
    )


def run_name(entry: RunEntry) -> str:
    """A run in a list: name, then date and place where they are known."""
    return ", ".join(part for part in (entry.name or entry.run_id, entry.date, entry.place) if part)


def run_choice(runs: Sequence[RunEntry], chosen: str, *, label: str = "Run", name: str = "run") -> Any:
    """The list of runs; a run that is not in the logbook leaves it without a choice."""
    options = [(entry.run_id, run_name(entry)) for entry in runs]
    if chosen not in {entry.run_id for entry in runs}:
        options.insert(0, ("", "choose"))
    return choice(label, name, options, chosen, wide=True)


def lap_choice(summary: Summary, chosen: LapSummary | None, start: LapSummary | None) -> Any:
    """The laps of a run with their times, the quickest marked, and the whole run (None)."""
    quickest = quickest_lap(summary)
    options = [("whole", "Whole run")]
    options += [
        (str(lap.lap), lap_name(lap) + (", quickest" if lap is quickest else "")) for lap in summary.laps
    ]
    return choice("Lap", "lap", options, _lap_value(chosen), start=_lap_value(start))


def _lap_value(lap: LapSummary | None) -> str:
    return "whole" if lap is None else str(lap.lap)


def problem(active: str, view: View, title: str, words: str, runs: Sequence[RunEntry] = ()) -> list[Any]:
    """A page that says why there is nothing to show, and the way on."""
    links = html.Ul([html.Li(link(run_name(e), "/", View(run=e.run_id), look="in")) for e in runs])
    way_on = [html.P("These runs are in the logbook:"), links] if runs else []
    return page(
        active, View(), title, html.Section([html.P(words), *way_on], className="part alone"), shown=True
    )


# More dots than this on one lap are written as a number.
_MOST_DOTS = 4


def run_bar(
    path: str,
    runs: Sequence[RunEntry],
    summary: Summary,
    view: View,
    lap: LapSummary | None,
    start: LapSummary | None,
    *,
    places: bool = True,
) -> html.Div:
    """The bar for a page of one run; ``places`` adds laps, corners and how travel is drawn."""
    inner: list[Any] = [_run_steps(path, runs, view)]
    if places:
        inner += [
            _laps(summary, lap, start),
            corner_strip(summary),
            either("", "at", (("wheel", "wheel"), ("shaft", "shaft")), view.plane),
            either("", "against", (("distance", "distance"), ("time", "time")), view.against),
        ]
    return bar("What is shown", *inner, look="bar ways")


def _run_steps(path: str, runs: Sequence[RunEntry], view: View) -> html.Div:
    """The list of runs with the way to its neighbours, and who rode, when and on what."""
    ids = [entry.run_id for entry in runs]
    at = ids.index(view.run) if view.run in ids else None
    entry = None if at is None else runs[at]

    def step(other: int, words: str, sign: str, name: str) -> html.A | html.Span:
        if at is None or not 0 <= other < len(runs):
            return html.Span(sign, className="step", **{"aria-hidden": "true"})
        to = path + to_query(View(run=ids[other], plane=view.plane, against=view.against))
        label = f"{words}: {run_name(runs[other])}"
        return html.A(sign, href=to, id=name, className="in step", title=label, **{"aria-label": label})

    about = [] if entry is None else [entry.date, entry.rider, entry.tyres]
    said = " · ".join(words for words in about if words)
    # the newest is on top of the list: the next one in time is before it there
    return html.Div(
        [
            step(-1 if at is None else at + 1, "Run before", "‹", "run-before"),
            run_choice(runs, view.run, label=""),
            step(-1 if at is None else at - 1, "Run after", "›", "run-after"),
            html.Span(said, className="about", title=said) if said else None,
        ],
        className="runs-of",
    )


def _laps(summary: Summary, lap: LapSummary | None, start: LapSummary | None) -> Any:
    """A block a lap: its height is the time, dots are what happened on it."""
    if not summary.laps:
        return None
    times = [one.time_s for one in summary.laps if one.complete] or [one.time_s for one in summary.laps]
    low, high = min(times), max(times)
    happened = Counter(event.lap for event in _events(summary))
    quickest = quickest_lap(summary)
    chosen = None if lap is None else lap.lap

    def block(one: LapSummary) -> html.Button:
        share = 0.45 + 0.55 * (one.time_s - low) / (high - low) if high > low else 0.7
        count = happened[one.lap]
        words = lap_name(one) + (", quickest" if one is quickest else "")
        words += f"; {count} bottomed or not settled" if count else ""
        dots = "" if not count else "•" * count if count <= _MOST_DOTS else f"•{count}"
        return _pressed(
            [
                html.Span(
                    className="high",
                    style={"height": f"{100 * min(max(share, 0.2), 1.0):.0f}%"},
                    **{"aria-hidden": "true"},
                ),
                html.Span(dots, className="dots", **{"aria-hidden": "true"}),
                html.Span(str(one.lap), className="no"),
            ],
            str(one.lap),
            one.lap == chosen,
            words,
            "" if one.complete else "in-part",
        )

    every = _pressed("all", "whole", lap is None, "The whole run", "")
    return html.Div(
        [every, *map(block, summary.laps)],
        className="strip laps",
        role="group",
        **{
            "aria-label": "Laps",
            "data-strip": "lap",
            "data-start": "whole" if start is None else str(start.lap),
        },
    )


def _pressed(content: Any, value: str, on: bool, words: str, look: str) -> html.Button:
    return html.Button(
        content,
        className=look or None,
        title=words,
        **{
            "data-choose": "lap",
            "data-value": value,
            "aria-label": words,
            "aria-pressed": "true" if on else "false",
        },
    )


def _events(summary: Summary) -> list[Any]:
    stops = [stop for end in summary.ends.values() for stop in end.bottomed]
    return [*stops, *summary.oscillation.events, *summary.oscillation.front_events]


def corner_strip(summary: Summary) -> Any:
    """A button a corner, which shows it with its braking and drive."""
    if not summary.corners:
        return None
    places = Places(summary)
    buttons = []
    for corner in summary.corners:
        low, high = places.corner_span_m(corner)
        words = f"Corner {corner.number}" + (f", {corner.name}" if corner.name else "")
        buttons.append(
            html.Button(
                str(corner.number),
                title=words,
                **{"data-from": f"{low:.9g}", "data-to": f"{high:.9g}", "data-corner": str(corner.number),
                   "aria-label": words, "aria-pressed": "false"},
            )
        )  # fmt: skip
    return html.Div(
        [html.Span("corner", className="label", **{"aria-hidden": "true"}), *buttons],
        className="strip corners",
        role="group",
        **{"aria-label": "Corners"},
    )
