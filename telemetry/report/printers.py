"""Printers of a document: terminal, paper, PDF, notebook; in the units that a reader chose."""

import os
import re
import shutil
import subprocess
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, fields, replace
from functools import cache, partial
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory
from textwrap import fill
from typing import Any

from markupsafe import Markup, escape
from rich import box
from rich.console import Console, JustifyMethod
from rich.padding import Padding
from rich.table import Table as RichTable
from rich.text import Text

from telemetry.errors import BothEndsError
from telemetry.report.blocks import (
    Advice,
    Answer,
    Block,
    Caution,
    Column,
    Document,
    Facts,
    Figure,
    Fold,
    Medium,
    Section,
    Sentence,
    Sentences,
    Table,
    is_printed,
)
from telemetry.report.drawings import drawn, with_other_axes
from telemetry.summary import count_word

_INCH_MM, _MILE_KM, _POUND_N = 25.4, 1.609344, 4.4482216152605


@dataclass(frozen=True)
class Unit:
    """A unit in place of ours: its factor, and how many decimals more it needs for the same step."""

    name: str
    choice: str
    factor: float
    more: int


UNIT_CHOICES = ("in", "lb/in", "mph", "psi")
# By our unit. Speeds of the suspension follow its lengths.
UNITS = {
    "mm": Unit("in", "in", 1 / _INCH_MM, 2),
    "mm/s": Unit("in/s", "in", 1 / _INCH_MM, 1),
    "N/mm": Unit("lb/in", "lb/in", _INCH_MM / _POUND_N, -1),
    "km/h": Unit("mph", "mph", 1 / _MILE_KM, 0),
    "bar": Unit("psi", "psi", 1e5 * _INCH_MM**2 / 1e6 / _POUND_N, -1),
}
_NUMBER = r"[+\-−]?\d+(?:\.\d+)?"
_LINK = r"(?: to |-|–| ± | \(was | \()"
_WITH_UNIT = re.compile(
    rf"(?<![\w.,:])(?P<numbers>{_NUMBER}(?:{_LINK}{_NUMBER}\)?)*) (?P<unit>mm/s|mm|N/mm|km/h|bar)(?![\w/²·])"
    r"(?P<change> \([+\-−]\d+(?:\.\d+)?\))?"
)
_BRACKET = re.compile(r"\[(mm/s|mm|N/mm|km/h|bar)( per g)?\]")
_ANY_NUMBER = re.compile(rf"(?<![\w.]){_NUMBER}(?![\w.])")


def unit_of(ours: str, chosen: Collection[str]) -> Unit | None:
    """The unit chosen in place of ours, None where ours stays."""
    unit = UNITS.get(ours)
    return unit if unit is not None and unit.choice in chosen else None


def heading_unit(heading: str, chosen: Collection[str]) -> Unit | None:
    """The unit chosen in place of the one that a heading names in brackets."""
    found = _BRACKET.search(heading)
    return unit_of(found[1], chosen) if found else None


def heading_in(heading: str, unit: Unit) -> str:
    """A heading with another unit in its brackets.

    Examples
    --------
    >>> heading_in("median travel [mm]", UNITS["mm"])
    'median travel [in]'
    >>> heading_in("fork dive [mm per g]", UNITS["mm"])
    'fork dive [in per g]'
    """
    return _BRACKET.sub(rf"[{unit.name}\2]", heading, count=1)


def numbers_in(text: str, unit: Unit) -> str:
    """Every number of a text in another unit: a cell under a heading that names ours.

    Examples
    --------
    >>> numbers_in("46.5 ± 0.2", UNITS["mm"]), numbers_in("268 (0 to 300)", UNITS["mm/s"])
    ('1.831 ± 0.008', '10.6 (0.0 to 11.8)')
    """
    return _ANY_NUMBER.sub(lambda found: _converted(found[0], unit), text)


def text_in(text: str, chosen: Collection[str]) -> str:
    """A sentence with its numbers in the units chosen.

    Examples
    --------
    >>> text_in("Expect 4 to 6 mm more left, 12.5 mm/s; 19.0 N/mm, corner 3.", {"in", "lb/in"})
    'Expect 0.16 to 0.24 in more left, 0.49 in/s; 108 lb/in, corner 3.'
    """

    def other(found: re.Match[str]) -> str:
        unit = unit_of(found["unit"], chosen)
        if unit is None:
            return found[0]
        return f"{numbers_in(found['numbers'], unit)} {unit.name}{numbers_in(found['change'] or '', unit)}"

    return _WITH_UNIT.sub(other, text)


def _converted(number: str, unit: Unit) -> str:
    decimals = max(len(number.partition(".")[2]) + unit.more, 0)
    value = float(number.replace("−", "-")) * unit.factor
    sign = "+" if number.startswith("+") and value >= 0 else ""
    return f"{sign}{value:.{decimals}f}".replace("-", "−" if "−" in number else "-")


def row_changes(
    heads: Sequence[str], cells: Sequence[str], units: Collection[str], *, head: bool = False
) -> list[Callable[[str], str] | None]:
    """How each cell of a table's row is written: by the unit in the heading of its column, of the table, or of the row.

    ``head`` says that the row is the headings'. A function of text for each cell, None where the cell names its units
    itself.
    """
    columns = [heading_unit(words, units) for words in heads]
    whole = columns[0] if columns and re.fullmatch(r"\[[^\]]*\]", heads[0].strip()) else None
    of_row = heading_unit(cells[0], units) if cells and not head else None
    if len(cells) > 2 and not head and (written := unit_of(cells[-1].strip(), units)):
        numbers = partial(numbers_in, unit=written)  # a row with its unit in the last cell
        return [None, *([numbers] * (len(cells) - 2)), lambda _: written.name]
    found: list[Callable[[str], str] | None] = []
    for place, words in enumerate(cells):
        of_column = columns[place] if place < len(columns) else None
        unit = of_column or whole or (of_row if place else None)
        if head and of_column:
            found.append(partial(heading_in, unit=of_column))
        elif of_row and not place:
            found.append(partial(heading_in, unit=of_row))
        elif unit and not head and text_in(words, units) == words and (place or of_column):
            found.append(partial(numbers_in, unit=unit))
        else:
            found.append(None)
    return found


def block_in(block: Any, units: Collection[str]) -> Any:
    """A block of a document in other units; what is to be copied in one piece stays."""
    if isinstance(block, str):
        return text_in(block, units)
    if isinstance(block, tuple):
        return tuple(block_in(part, units) for part in block)
    if isinstance(block, Table):
        heads = [column.label for column in block.columns]
        new = _row_in(heads, heads, units, head=True)
        columns = tuple(replace(old, label=label) for old, label in zip(block.columns, new, strict=True))
        rows = tuple(tuple(_row_in(heads, list(map(str, row)), units)) for row in block.rows)
        return replace(block, columns=columns, rows=rows, caption=text_in(block.caption, units))
    if isinstance(block, Sentence) and block.look == "copy":
        return block
    if isinstance(block, Figure):
        return replace(block, caption=text_in(block.caption, units))
    parts = {field.name: getattr(block, field.name) for field in fields(block)}
    texts = {name: part for name, part in parts.items() if isinstance(part, str | tuple)}
    return replace(block, **{name: block_in(part, units) for name, part in texts.items()})


def _row_in(
    heads: Sequence[str], cells: Sequence[str], units: Collection[str], *, head: bool = False
) -> list[str]:
    changes = row_changes(heads, cells, units, head=head)
    return [
        change(text) if change else text_in(text, units) for text, change in zip(cells, changes, strict=True)
    ]


_TEXT_OF_PICTURE = re.compile(r"(<text[^>]*>)([^<]*)(</text>)")


def picture_in(picture: str, units: Collection[str]) -> str:
    """A drawn picture with its axes and words in other units."""

    def per(ours: str) -> float | None:
        unit = unit_of(ours, units)
        return None if unit is None else unit.factor

    def words(found: re.Match[str]) -> str:
        said = text_in(found[2], units)
        while unit := heading_unit(said, units):
            said = heading_in(said, unit)
        return f"{found[1]}{said}{found[3]}"

    return _TEXT_OF_PICTURE.sub(words, with_other_axes(picture, per))


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
    for step in block.steps:
        _indented(console, step)


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
    lines = fill(words, console.width, initial_indent="- ", subsequent_indent="  ", break_on_hyphens=False)
    shown = Text(lines)
    shown.stylize(style, 2)
    console.print(shown)


def _indented(console: Console, words: str, *, style: str = "") -> None:
    """Lines set in by two columns; nothing for no words."""
    if words:
        console.print(Padding(Text(words, style=style), (0, 0, 0, 2)))


def document_html(
    document: Document, *, heading: str = "", style: str = "", closing: str = "", units: Collection[str] = ()
) -> str:
    """A document as one HTML page, every text escaped; ``style`` adds rules to the style sheet.

    ``heading`` stands before the title (``Debrief: ``), ``closing`` is a last remark, ``units`` are of `UNIT_CHOICES`.
    """
    rules = Markup(style_sheet() + style)  # noqa: S704 (ours)
    page = block_in(document, units) if units else document
    return str(_template().render(document=page, heading=heading, style=rules, closing=closing, units=units))


@cache
def style_sheet() -> str:
    """The rules of every page on paper, with the colours of the ends."""
    return files("telemetry.report").joinpath("debrief.css").read_text(encoding="utf-8")


@cache
def _template() -> Any:
    from jinja2 import Environment, PackageLoader, select_autoescape

    environment = Environment(
        loader=PackageLoader("telemetry.report", "."),
        autoescape=select_autoescape(default=True, default_for_string=True),
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["words"] = _words
    environment.globals.update(
        kind=lambda block: type(block).__name__.lower(),
        shown=lambda block: is_printed(block, Medium.PAPER),
        drawn=lambda picture, units: Markup(picture_in(drawn(picture), units)),  # noqa: S704 (escaped there)
        is_long=_is_long,
    )
    return environment.get_template("document.html.j2")


def _words(text: object) -> Markup:
    """Text for the page: escaped, and a per cent sign kept with its number."""
    return Markup(str(escape(str(text))).replace(" %", "\u00a0%"))  # noqa: S704 (escaped)


def _is_long(section: Section) -> bool:
    """Whether a section may break over two pages."""
    rows = sum(len(getattr(block, "rows", ())) + len(getattr(block, "items", ())) for block in section.blocks)
    return rows > 12 or len(section.blocks) > 3


BROWSER_VARIABLE = "BOTHENDS_CHROMIUM"
_NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "msedge")
_FLAGS = (
    "--headless",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-pdf-header-footer",
)
_LONGEST_S = 60.0


def find_browser() -> str | None:
    """Path of a browser that can print, None where there is none; `BROWSER_VARIABLE` names one."""
    named = os.environ.get(BROWSER_VARIABLE)
    return named or next((path for name in _NAMES if (path := shutil.which(name))), None)


def page_to_pdf(page: str) -> bytes:
    """One HTML page as PDF; its own rules say on which paper. Raises `BothEndsError` where no browser prints it."""
    browser = find_browser()
    if browser is None:
        raise BothEndsError(
            f"no Chromium, Chrome or Edge was found to make a PDF; print the page from any browser, or name one in "
            f"{BROWSER_VARIABLE}."
        )
    # a browser started by root refuses its sandbox; the page holds no script
    root = ("--no-sandbox",) if hasattr(os, "geteuid") and os.geteuid() == 0 else ()
    with TemporaryDirectory(prefix="bothends-") as place:
        source, made = Path(place) / "page.html", Path(place) / "page.pdf"
        source.write_text(page, encoding="utf-8")
        profile = f"--user-data-dir={place}/profile"
        try:
            subprocess.run(
                [browser, *_FLAGS, *root, profile, f"--print-to-pdf={made}", source.as_uri()],
                check=True, capture_output=True, timeout=_LONGEST_S,
            )  # fmt: skip
            return made.read_bytes()
        except (OSError, subprocess.SubprocessError) as error:
            raise BothEndsError(
                f"{browser}: did not print the page ({type(error).__name__}); print it by hand."
            ) from None


# Sections that a notebook has room for; the whole document is `telemetry.report.debrief_html`.
_NOTEBOOK_SECTIONS = 3


def notebook_html(document: Document) -> str:
    """What a notebook has room for of a document: its sentences and the first tables, as plain HTML."""
    facts = f"<p>{escape(document.facts)}</p>" if document.facts else ""
    body = "".join(
        _notebook_block(block)
        for section in document.sections[:_NOTEBOOK_SECTIONS]
        for block in section.blocks
    )
    return f"<div><p><b>{escape(document.title)}</b></p>{facts}{body}</div>"


def _notebook_block(block: Block) -> str:
    """A block as HTML; "" for one that a notebook leaves out."""
    match block:
        case Answer():
            return _html_list((block.headline, *block.others))
        case Sentences():
            return _html_list(block.items)
        case Sentence():
            return f"<p>{escape(str(block.text))}</p>"
        case Caution():
            return "".join(f"<p><b>{escape(block.word)}</b> {escape(str(text))}</p>" for text in block.texts)
        case Table():
            return _notebook_table(block)
        case _:
            return ""


def _html_list(items: tuple[object, ...]) -> str:
    return f"<ul>{''.join(f'<li>{escape(str(item))}</li>' for item in items)}</ul>"


def _notebook_table(block: Table) -> str:
    columns, rows = block.shown(Medium.TERMINAL)
    head = "".join(f"<th>{escape(column.label)}</th>" for column in columns)
    body = "".join(f"<tr>{''.join(f'<td>{escape(str(cell))}</td>' for cell in row)}</tr>" for row in rows)
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
