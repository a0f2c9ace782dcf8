"""Pieces that every page is put together from. Components only; no page knows another's."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from dash import Dash, Input, Output, State, dcc, html, no_update

from dashboard.pages.entry import Page, navigation
from dashboard.theme import GRAPH_CONFIG, Theme, named
from dashboard.urlstate import View, to_query
from dashboard.words import lap_name
from telemetry.logbook import RunEntry
from telemetry.report import quickest_lap
from telemetry.summary import LapSummary, Summary


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
    """Buttons that save a picture, or what stands in the section called ``name``; ``more`` stands beside them."""
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
    links = html.Ul(
        [html.Li(html.A(run_name(e), href="/" + to_query(View(run=e.run_id)), className="in")) for e in runs]
    )
    way_on = [html.P("These runs are in the logbook:"), links] if runs else []
    return page(
        active, View(), title, html.Section([html.P(words), *way_on], className="part alone"), shown=True
    )
