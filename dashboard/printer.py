"""The document on the screen: a table of functions by block; places and laps become links, folds open on demand."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any

from dash import html

from dashboard.figures.document import dots_height_px, drawn
from dashboard.pages import parts
from dashboard.theme import Theme
from dashboard.urlstate import LapChoice, View, to_query
from telemetry.report import (
    AROUND_M,
    Advice,
    Answer,
    Blank,
    Block,
    Caution,
    Cell,
    Column,
    Dots,
    Facts,
    Figure,
    Fold,
    LapName,
    Medium,
    Number,
    RunName,
    Said,
    Section,
    Sentence,
    Sentences,
    Spot,
    Table,
    ZoneDots,
)

# So many sentences stand beside the answer; the others open on demand, so that the pictures stay in view.
FIRST_OTHERS = 3


@dataclass(frozen=True)
class Printer:
    """Prints blocks for a view in a theme; ``title`` names what has no caption of its own."""

    view: View
    theme: Theme
    title: str = ""

    def section(self, section: Section | None, *more: Any) -> Any:
        """A section of a page, with what else stands in it; None where nothing does."""
        if section is None or not (section.blocks or more):
            return None
        content = (*self.blocks(section), *more)
        note = words(section.note, self.view) if section.note else None
        return parts.section(section.title, *content, note=note, name=section.name)

    def blocks(self, section: Section | None) -> list[Any]:
        """The blocks of a section without its heading."""
        if section is None:
            return []
        return replace(self, title=section.title).printed(section.blocks)

    def printed(self, blocks: Iterable[Block]) -> list[Any]:
        """Components; findings that follow each other are one list."""
        made: list[Any] = []
        for block in blocks:
            one = PRINT[type(block)](block, self)
            if isinstance(block, Advice) and made and getattr(made[-1], "className", "") == "findings":
                made[-1].children.append(one)
            else:
                made.append(html.Ul([one], className="findings") if isinstance(block, Advice) else one)
        return made


def _answer(block: Answer, printer: Printer) -> html.Div:
    """The largest words of the page, what shows them and what to try; beside them whatever else there is to say."""

    def said(text: str) -> Any:
        return words(text, printer.view)

    mark = html.A(
        [html.Span("✓ " if block.sound else "⚠ ", **{"aria-hidden": "true"}), block.mark],
        href="#quality",
        className="log-mark" if block.sound else "log-mark doubtful",
        title=block.trust,
    )
    # a sound log is a small mark, not a sentence
    others = [html.Li(said(text)) for text in block.others if not (block.sound and text == block.trust)]
    more = others[FIRST_OTHERS:]
    rest = html.Details([html.Summary(f"{len(more)} more"), html.Ul(more)]) if more else None
    return html.Div(
        [
            html.Div(
                [
                    html.P(said(block.headline), className="headline", id="headline"),
                    html.P(said(block.why), className="why grave" if block.grave else "why")
                    if block.why
                    else None,
                    html.P([html.B("Try: "), said(block.todo)], className="todo") if block.todo else None,
                    _copy_button(),
                ]
            ),
            html.Div(
                [mark if block.mark else None, html.Ul(others[:FIRST_OTHERS]), rest], className="others"
            ),
        ],
        className="first-answer",
    )


def _copy_button() -> html.Button:
    return html.Button("Copy", className="quiet copy", title="Copy these words", **{"data-copy": "yes"})


def _sentence(block: Sentence, printer: Printer) -> Any:
    said = words(block.text, printer.view)
    if block.look == "strong":
        return html.P(html.B(said))
    return html.P(said, className="note" if block.look == "note" else None)


def _sentences(block: Sentences, printer: Printer) -> Any:
    if block.verdicts:
        return parts.sentences([words(text, printer.view) for text in block.items])
    return html.Ul([html.Li(words(text, printer.view)) for text in block.items], className="notes")


def _caution(block: Caution, printer: Printer) -> Any:
    if block.word == "NOTE":  # nothing that may hurt
        return html.Ul([html.Li(words(text, printer.view)) for text in block.texts], className="notes")
    return parts.cautions(block.texts, lambda text: words(text, printer.view))


def _advice(block: Advice, printer: Printer) -> html.Li:
    return html.Li(
        [
            html.H3(words(block.title, printer.view)),
            html.P(words(block.evidence, printer.view)),
            html.P([html.B("What to do: "), words(block.steps[0], printer.view)]),
            *(html.P(words(step, printer.view)) for step in block.steps[1:]),
            _copy_button(),
        ]
    )


def _table(block: Table, printer: Printer) -> Any:
    columns, rows = block.shown(Medium.SCREEN)
    return parts.table(
        [column.label for column in columns],
        [[_cell(cell, printer.view) for cell in row] for row in rows],
        block.caption or ": ".join(words for words in (printer.title, columns[0].label) if words),
        classes=[_look(column) for column in columns],
        unseen=not block.caption,  # the heading above says it
    )


def _look(column: Column) -> str:
    return " ".join(name for name in ("" if column.words else "n", column.end or "") if name)


def _cell(cell: Cell, view: View) -> Any:
    if isinstance(cell, Number) and cell.ci is not None:
        value, bracket, interval = str(cell).partition("(")
        # on a phone the interval is the second line of its cell
        return [value, html.Span(f"{bracket}{interval}", className="interval")] if bracket else value
    return words(cell, view) if isinstance(cell, str) else _linked(cell, view)


def words(text: str, view: View) -> Any:
    """A text, every place and lap in it as a link."""
    if not isinstance(text, Said):
        return text
    return [part if isinstance(part, str) else _linked(part, view) for part in text.parts]


def _linked(cell: Number | Spot | LapName | RunName, view: View) -> Any:
    """A place links to its lap and stretch, a lap or a run to itself; without a run there is no link."""
    if isinstance(cell, RunName):
        to = View(run=cell.run_id) if cell.run_id else None
    else:
        to = view_of(cell, view) if view.run else None
    return html.A(str(cell), href="/" + to_query(to), className="in place") if to else str(cell)


def view_of(cell: Cell, view: View) -> View | None:
    """What the review page shows of a place or a lap; None of anything else, and of a place that is not known."""
    if isinstance(cell, LapName):
        return replace(view, lap=cell.lap, zoom=None)
    if not isinstance(cell, Spot):
        return None
    lap: LapChoice = view.lap if view.lap != "whole" else "worst"
    there = replace(view, lap=lap if cell.lap is None else cell.lap)
    if cell.span_s is not None:
        return replace(there, zoom=cell.span_s, against="time", lap="whole" if cell.lap is None else cell.lap)
    if cell.span_m is not None:
        return replace(there, zoom=cell.span_m, against="distance")
    if cell.distance_m is None:
        return None
    around = (max(cell.distance_m - AROUND_M, 0.0), cell.distance_m + AROUND_M)
    return replace(there, zoom=around, against="distance")


def _facts(block: Facts, printer: Printer) -> Any:
    return html.Dl(
        [part for label, text in block.pairs for part in (html.Dt(label), html.Dd(text))], className="facts"
    )


def _blank(block: Blank, printer: Printer) -> Any:
    return html.P(block.words)


def _figure(block: Figure, printer: Printer) -> Any:
    low = block.name.startswith("ring-") or block.name == "course"
    figure, label = drawn(block.picture, printer.theme), f"{block.picture.title}; in words and numbers below."
    if isinstance(block.picture, Dots | ZoneDots):
        picture = parts.graph(block.name, figure, "rows", label, height_px=dots_height_px(block.picture))
    else:
        picture = parts.graph(block.name, figure, "low" if low else "middle", label)
    return html.Div([picture, html.P(block.caption, className="note")])


def _fold(block: Fold, printer: Printer) -> Any:
    inner = replace(printer, title=block.title).printed(block.blocks)
    return html.Details([html.Summary(block.title), *inner])


PRINT: dict[type, Callable[[Any, Printer], Any]] = {
    Answer: _answer,
    Sentence: _sentence,
    Sentences: _sentences,
    Caution: _caution,
    Advice: _advice,
    Table: _table,
    Facts: _facts,
    Blank: _blank,
    Figure: _figure,
    Fold: _fold,
}
