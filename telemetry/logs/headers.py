"""Column names and units as a header writes them."""

import re
from collections.abc import Sequence

from telemetry.logs.units import find_unit
from telemetry.plaintext import plain

_BRACKETS = re.compile(r"^(?P<name>.+?)\s*[\[{](?P<unit>[^\[\]{}]*)[\]}]\s*$")
_PARENTHESES = re.compile(r"^(?P<name>.+?)\s*\((?P<unit>[^()]*)\)\s*$")
# Endings that are never anything but a unit; "_in" or "_min" would be a direction or an extreme.
_ENDINGS = {
    "_m_s": "m/s",
    "_mm_s": "mm/s",
    "_km_h": "km/h",
    "_deg_s": "deg/s",
    "_rad_s": "rad/s",
    **{
        f"_{unit.lower()}": unit
        for unit in ("V", "mV", "mm", "m", "s", "ms", "us", "deg", "rad", "bar", "kPa", "Hz")
    },
    **{f"_{unit}": unit for unit in ("kmh", "kph", "mph", "pct", "rpm", "psi", "g", "counts")},
}


def split_unit(header: str) -> tuple[str, str]:
    """Name and unit of one header cell, "" where it has no unit.

    Square brackets always hold a unit; round ones only when what they hold is one. A name that ends in a unit
    (``speed_kmh``) keeps its name.

    Examples
    --------
    >>> split_unit("fork [mm]"), split_unit("speed (km/h)"), split_unit("brake (front)"), split_unit("time_ms")
    (('fork', 'mm'), ('speed', 'km/h'), ('brake (front)', ''), ('time_ms', 'ms'))
    """
    header = header.strip()
    if match := _BRACKETS.match(header):
        return match["name"], match["unit"].strip()
    if (match := _PARENTHESES.match(header)) and find_unit(match["unit"]):
        return match["name"], match["unit"].strip()
    return header, _unit_in_name(header)


def _unit_in_name(name: str) -> str:
    ending = next((ending for ending in _ENDINGS if name.lower().endswith(ending)), None)
    return _ENDINGS[ending] if ending else ""


def unique_names(names: Sequence[str]) -> tuple[str, ...]:
    """Names for columns: blank ones numbered, repeated ones told apart, without control characters.

    Examples
    --------
    >>> unique_names(["time", "fork", "fork", ""])
    ('time', 'fork', 'fork (2)', 'column 4')
    """
    taken: set[str] = set()
    copies: dict[str, int] = {}
    unique = []
    for number, name in enumerate(names, start=1):
        wanted = candidate = plain(name) or f"column {number}"
        while candidate in taken:
            copies[wanted] = copies.get(wanted, 1) + 1
            candidate = f"{wanted} ({copies[wanted]})"
        taken.add(candidate)
        unique.append(candidate)
    return tuple(unique)
