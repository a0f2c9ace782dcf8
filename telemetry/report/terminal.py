"""The document in the terminal: sentences first, then tables; readable from 80 columns on, with and without colour.

A console with an attribute ``units`` has every block in these.
"""

from collections.abc import Callable, Collection, Sequence
from typing import Any

from rich import box
from rich.console import Console, JustifyMethod
from rich.padding import Padding
from rich.table import Table as RichTable
from rich.text import Text

from telemetry.report.blocks import (
    Advice,
    Answer,
    Block,
    Caution,
    Column,
    Document,
    Facts,
    Fold,
    Medium,
    Section,
    Sentence,
    Sentences,
    Table,
    is_printed,
)
from telemetry.report.units import block_in
from telemetry.summary import count_word


def print_document(document: Document, console: Console) -> None:
    """Print a document, without what is for paper and screen alone."""
    console.print(Text(document.title, style="bold"), soft_wrap=True)  # a path stays whole, to be copied
    if document.facts:
        console.print(Text(document.facts))
    for index, section in enumerate(document.sections):
        print_section(section, console, heading=index > 0)


def print_section(section: Section, console: Console, *, heading: bool = True) -> None:
    """Print a section; the first of a document stands without its heading."""
    units: Collection[str] = getattr(console, "units", ())
    blocks = [
        block_in(block, units) if units else block for block in section.blocks if _prints_something(block)
    ]
    if not blocks or not is_printed(section, Medium.TERMINAL):
        return
    console.print()
    if heading:
        console.print(Text(block_in(section.title, units), style="bold underline"))
    several = sum(isinstance(block, Table) for block in blocks) > 1
    for block in blocks:
        _print(block, console, caption=several)
    if heading and any(isinstance(block, Table) for block in blocks):
        _indented(console, block_in(section.note, units))


def _prints_something(block: Block) -> bool:
    return type(block) in PRINT and is_printed(block, Medium.TERMINAL)


def _print(block: Block, console: Console, *, caption: bool) -> None:
    if isinstance(block, Table) and caption and block.caption:
        _indented(console, block.caption)
    PRINT[type(block)](block, console)


def _answer(block: Answer, console: Console) -> None:
    item(console, block.headline, style="bold")
    for text in (*((block.why,) if block.grave else ()), *block.others):
        item(console, text)


def _sentence(block: Sentence, console: Console) -> None:
    if block.look == "copy":  # in one piece
        console.print(Text(block.text), soft_wrap=True)
        return
    _indented(console, block.text, style="bold" if block.look == "strong" else "")


def _sentences(block: Sentences, console: Console) -> None:
    for text in block.items:
        item(console, text)


def _caution(block: Caution, console: Console) -> None:
    for text in block.texts:
        item(console, f"{block.word}  {text}", style="bold")


def _advice(block: Advice, console: Console) -> None:
    item(console, block.title, style="bold")
    _indented(console, block.evidence)
    _indented(console, block.suggestion)


def _facts(block: Facts, console: Console) -> None:
    for label, text in block.pairs:
        _indented(console, f"{label}: {text}")


def _fold(block: Fold, console: Console) -> None:
    _indented(console, f"{block.title}:")
    for inner in block.blocks:
        if _prints_something(inner):
            _print(inner, console, caption=False)


def _table(block: Table, console: Console) -> None:
    columns, rows = block.shown(Medium.TERMINAL)
    shown = [[str(cell) for cell in row] for row in rows[: block.most]]
    made = RichTable(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), show_edge=False, header_style="bold")
    gaps = 2 * len(columns) - 1  # one of padding to each, one between two
    for column, width in zip(columns, _widths(columns, shown, console.width - gaps), strict=True):
        justify: JustifyMethod = "left" if column.words else "right"
        made.add_column(Text(column.label), justify=justify, overflow="fold", width=width)
    for row in shown:
        made.add_row(*map(Text, row))
    console.print(made)
    if len(rows) > len(shown):
        more = count_word(len(rows) - len(shown), "more row")
        _indented(console, f"and {more} (--json and the debrief have them all)")


def _widths(columns: Sequence[Column], rows: Sequence[Sequence[str]], room: int) -> list[int]:
    """Widths that fit: headings are broken at their spaces first, then text, a figure or a word last."""
    cells = [[row[i] for row in rows] for i in range(len(columns))]
    heads = [max(map(len, column.label.split()), default=0) for column in columns]
    whole = [max((head, *map(len, here))) for head, here in zip(heads, cells, strict=True)]
    words = [
        max((head, *(len(word) for text in here for word in text.split()))) if column.words else width
        for column, head, here, width in zip(columns, heads, cells, whole, strict=True)
    ]
    widths = [max(len(column.label), width) for column, width in zip(columns, whole, strict=True)]
    for floor in (whole, words, [1] * len(columns)):
        while sum(widths) > room and any(w > f for w, f in zip(widths, floor, strict=True)):
            widest = max(range(len(widths)), key=lambda i: (widths[i] > floor[i], widths[i]))
            widths[widest] -= 1
    return widths


PRINT: dict[type, Callable[[Any, Console], None]] = {
    Answer: _answer,
    Sentence: _sentence,
    Sentences: _sentences,
    Caution: _caution,
    Advice: _advice,
    Facts: _facts,
    Fold: _fold,
    Table: _table,
}


def item(console: Console, words: str, *, style: str = "") -> None:
    """A sentence with a hanging indent."""
    grid = RichTable.grid(padding=(0, 1))
    grid.add_column(width=1)
    grid.add_column()
    grid.add_row("-", Text(words, style=style))
    console.print(grid)


def _indented(console: Console, words: str, *, style: str = "") -> None:
    """Lines set in by two columns; nothing for no words."""
    if words:
        console.print(Padding(Text(words, style=style), (0, 0, 0, 2)))
