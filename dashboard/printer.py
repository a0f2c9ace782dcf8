"""The document on the screen: a table of functions by block; places and laps become links, folds open on demand."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any

from dash import html

from dashboard.figures.halves import drawn
from dashboard.pages import parts
from dashboard.theme import Theme
from dashboard.urlstate import View, to_query
from telemetry.report import (
    Advice,
    Blank,
    Block,
    Caution,
    Cell,
    Column,
    Facts,
    Figure,
    Fold,
    LapName,
    Medium,
    Section,
    Sentence,
    Sentences,
    Spot,
    Table,
)

# A link to a place shows so much of the lap on both sides of it. A choice of ours. [m]
AROUND_M = 100.0


@dataclass(frozen=True)
class Printer:
    """Prints blocks for a view in a theme; ``title`` names what has no caption of its own."""

    view: View
    theme: Theme
    title: str = ""

    def section(self, section: Section | None, *more: Any) -> Any:
        """A section of a page, with what else stands in it; None for None."""
        if section is None:
            return None
        content = (*self.blocks(section), *more)
        return parts.section(section.title, *content, note=section.note or None, name=section.name)

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


def _sentence(block: Sentence, printer: Printer) -> Any:
    if block.look == "strong":
        return html.P(html.B(block.text))
    return html.P(block.text, className="note" if block.look == "note" else None)


def _sentences(block: Sentences, printer: Printer) -> Any:
    if block.verdicts:
        return parts.sentences(block.items)
    return html.Ul([html.Li(text) for text in block.items], className="notes")


def _caution(block: Caution, printer: Printer) -> Any:
    return parts.cautions(block.texts)


def _advice(block: Advice, printer: Printer) -> html.Li:
    return html.Li(
        [
            html.H3(block.title),
            html.P(block.evidence),
            html.P([html.B("What to do: "), block.suggestion]),
        ]
    )


def _table(block: Table, printer: Printer) -> Any:
    columns, rows = block.shown(Medium.SCREEN)
    return parts.table(
        [column.label for column in columns],
        [[_cell(cell, printer.view) for cell in row] for row in rows],
        block.caption or printer.title,
        classes=[_look(column) for column in columns],
        unseen=not block.caption,  # the heading above says it
    )


def _look(column: Column) -> str:
    return " ".join(name for name in ("" if column.words else "n", column.end or "") if name)


def _cell(cell: Cell, view: View) -> Any:
    """A cell; a place links to the lap and the stretch around it, a lap to itself. Without a run there is no link."""
    to = None
    if isinstance(cell, LapName):
        to = replace(view, lap=cell.lap, zoom=None)
    elif isinstance(cell, Spot) and cell.lap is not None and cell.distance_m is not None:
        around = (max(cell.distance_m - AROUND_M, 0.0), cell.distance_m + AROUND_M)
        to = replace(view, lap=cell.lap, zoom=around, against="distance")
    return html.A(str(cell), href="/" + to_query(to), className="in") if to and view.run else str(cell)


def _facts(block: Facts, printer: Printer) -> Any:
    return html.Dl(
        [part for label, text in block.pairs for part in (html.Dt(label), html.Dd(text))], className="facts"
    )


def _blank(block: Blank, printer: Printer) -> Any:
    return html.P(block.words)


def _figure(block: Figure, printer: Printer) -> Any:
    height = "low" if block.name.startswith("ring-") else "middle"
    figure = drawn(block.picture, printer.theme)
    picture = parts.graph(block.name, figure, height, f"{block.picture.title}; in words and numbers below.")
    return html.Div([picture, html.P(block.caption, className="note")])


def _fold(block: Fold, printer: Printer) -> Any:
    inner = replace(printer, title=block.title).printed(block.blocks)
    return html.Details([html.Summary(block.title), *inner])


PRINT: dict[type, Callable[[Any, Printer], Any]] = {
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
