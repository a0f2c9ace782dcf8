"""Numbers in the units a reader chose, where they are printed; what is kept stays in mm, N/mm, km/h and bar.

Exact: 1 in = 25.4 mm, 1 mile = 1609.344 m, 1 lbf = 4.4482216152605 N (International yard and pound, 1959).
"""

import re
from collections.abc import Collection
from dataclasses import dataclass

_INCH_MM, _MILE_KM, _POUND_N = 25.4, 1.609344, 4.4482216152605


@dataclass(frozen=True)
class Unit:
    """A unit in place of ours: its factor, and how many decimals more it needs for the same step."""

    name: str
    choice: str
    factor: float
    more: int


CHOICES = ("in", "lb/in", "mph", "psi")
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
)
_BRACKET = re.compile(r"\[(mm/s|mm|N/mm|km/h|bar)\]")
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
    """
    return _BRACKET.sub(f"[{unit.name}]", heading, count=1)


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
        return found[0] if unit is None else f"{numbers_in(found['numbers'], unit)} {unit.name}"

    return _WITH_UNIT.sub(other, text)


def _converted(number: str, unit: Unit) -> str:
    decimals = max(len(number.partition(".")[2]) + unit.more, 0)
    value = float(number.replace("−", "-")) * unit.factor
    sign = "+" if number.startswith("+") and value >= 0 else ""
    return f"{sign}{value:.{decimals}f}".replace("-", "−" if "−" in number else "-")
