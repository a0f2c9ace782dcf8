"""Numbers in the units a reader chose, where they are printed; what is kept stays in mm, N/mm, km/h and bar.

Exact: 1 in = 25.4 mm, 1 mile = 1609.344 m, 1 lbf = 4.4482216152605 N (International yard and pound, 1959).
"""

import re
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, fields, replace
from functools import partial
from typing import Any

from telemetry.report.blocks import Sentence, Table
from telemetry.report.svg import with_other_axes

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

    Parameters
    ----------
    heads, cells : sequence of str
        Words of the headings and of the row; ``head`` says that the row is the headings'.

    Returns
    -------
    list
        A function of text for each cell; None where the cell names its units itself.
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
    return replace(
        block, **{field.name: _part_in(getattr(block, field.name), units) for field in fields(block)}
    )


def _part_in(value: Any, units: Collection[str]) -> Any:
    return block_in(value, units) if isinstance(value, str | tuple) else value


def _row_in(
    heads: Sequence[str], cells: Sequence[str], units: Collection[str], *, head: bool = False
) -> list[str]:
    changes = row_changes(heads, cells, units, head=head)
    return [
        change(text) if change else text_in(text, units) for text, change in zip(cells, changes, strict=True)
    ]


_TEXT_OF_PAGE = re.compile(r"(<style.*?</style>|<svg.*?</svg>|<table.*?</table>|<[^>]*>)", re.DOTALL)
_ROW, _CELL = re.compile(r"<tr.*?</tr>", re.DOTALL), re.compile(r"(<t[hd][^>]*>)(.*?)(</t[hd]>)", re.DOTALL)
_TEXT_OF_PICTURE = re.compile(r"(<text[^>]*>)([^<]*)(</text>)")


def page_in(page: str, units: Collection[str]) -> str:
    """A printed page with its texts, tables and pictures in other units."""

    def part_in(part: str) -> str:
        if part.startswith("<table"):
            return _html_table(part, units)
        if part.startswith("<svg"):
            return picture_in(part, units)
        return part if part.startswith("<") else text_in(part, units)

    return "".join(map(part_in, _TEXT_OF_PAGE.split(page))) if units else page


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


def _html_table(table: str, units: Collection[str]) -> str:
    """A table of a printed page; its first row has the headings."""
    heads: list[str] = []

    def row(found: re.Match[str]) -> str:
        texts = [text for _, text, _ in _CELL.findall(found[0])]
        new = iter(_row_in(heads or texts, texts, units, head=not heads))
        heads.extend(() if heads else texts)
        return _CELL.sub(lambda cell: f"{cell[1]}{next(new)}{cell[3]}", found[0])

    return _ROW.sub(row, table)
