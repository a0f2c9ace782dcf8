"""A log as it was written: columns of numbers, their names, and units with their conversion."""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import pi

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.constants import GRAVITY_M_S2
from telemetry.decimals import Column, Columns, as_column, kept_of
from telemetry.errors import LogError
from telemetry.notes import QualityNote, Step
from telemetry.plaintext import plain

# Base units: V, count, 1, mm, m/s, deg, bar, m/s2, s, Hz, degC. The inch is 25.4 mm, the mile 1609.344 m and the
# pound-force per square inch 0.068947573 bar, all by definition (NIST SP 811, appendix B).
_SIZES: Mapping[str, Mapping[str, float]] = {
    "voltage": {"V": 1.0, "mV": 1e-3},
    "counts": {"counts": 1.0},
    "share": {"1": 1.0, "%": 0.01},
    "length": {"mm": 1.0, "cm": 10.0, "m": 1000.0, "km": 1e6, "in": 25.4},
    "speed": {"m/s": 1.0, "mm/s": 1e-3, "km/h": 1 / 3.6, "mph": 0.44704, "kn": 1852 / 3600},
    "angle": {"deg": 1.0, "rad": 180.0 / pi},
    "angular speed": {"deg/s": 1.0, "rad/s": 180.0 / pi, "rpm": 6.0},
    "pressure": {"bar": 1.0, "kPa": 0.01, "psi": 0.06894757293168361},
    "acceleration": {"g": GRAVITY_M_S2, "m/s2": 1.0},
    "time": {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0},
    "frequency": {"Hz": 1.0},
    "temperature": {"degC": 1.0},
}

# Other spellings, without regard to case.
_SPELLINGS: Mapping[str, tuple[str, ...]] = {
    "V": ("volt", "volts"),
    "mV": ("millivolts",),
    "counts": ("count", "cnt", "bit", "bits", "lsb", "raw"),
    "1": ("-",),
    "%": ("pct", "percent"),
    "mm": ("millimetre", "millimetres"),
    "in": ("inch", "inches", '"'),
    "m/s": ("mps", "m s-1"),
    "km/h": ("kph", "kmh", "kmph"),
    "kn": ("knots", "kt", "kts"),
    "deg": ("°", "degree", "degrees", "degs"),
    "deg/s": ("°/s",),
    "rpm": ("1/min",),
    "m/s2": ("m/s^2", "m/s²"),
    "s": ("sec", "secs", "second", "seconds"),
    "ms": ("msec", "millisecond", "milliseconds"),
    "us": ("µs", "μs", "usec", "microseconds"),
    "degC": ("°c", "c"),
}

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


@dataclass(frozen=True)
class Unit:
    """A unit: its quantity, and its size in the base unit of that quantity."""

    symbol: str
    quantity: str
    size: float


UNITS = {
    symbol: Unit(symbol, quantity, size)
    for quantity, sizes in _SIZES.items()
    for symbol, size in sizes.items()
}
_BY_LOWER_CASE = {symbol.lower(): symbol for symbol in UNITS} | {
    spelling: symbol for symbol, spellings in _SPELLINGS.items() for spelling in spellings
}


def find_unit(text: str) -> Unit | None:
    """The unit a text such as ``"km/h"``, ``"KPH"`` or ``"[mm]"`` names, or None; case matters only where it must.

    Examples
    --------
    >>> find_unit("kph").symbol
    'km/h'
    """
    text = text.strip().strip("[](){}").strip()
    return UNITS.get(text) or UNITS.get(_BY_LOWER_CASE.get(text.lower(), ""))


def to_unit(values: FloatArray, unit_from: str, unit_to: str) -> FloatArray:
    """Values in another unit of the same quantity, same shape, NaN stays NaN. [unit_to]

    Any spelling that `find_unit` knows; `LogError` if a unit is not known, or the two measure different things (sizes:
    NIST SP 811, Guide for the Use of the International System of Units, 2008, appendix B).
    """
    units = []
    for text in (unit_from, unit_to):
        unit = find_unit(text)
        if unit is None:
            raise LogError(f"unit {text!r} is not known; known are {', '.join(UNITS)}.")
        units.append(unit)
    source, target = units
    if source.quantity != target.quantity:
        raise LogError(
            f"{unit_from!r} is a unit of {source.quantity}, {unit_to!r} of {target.quantity}: "
            f"check the unit in the file or the column in [channels]."
        )
    return values if source.size == target.size else values * (source.size / target.size)


def split_unit(header: str) -> tuple[str, str]:
    """Name and unit of a header cell, "" for none: round brackets only around a unit; a name ending in one keeps it.

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
    """Unique column names: blank names numbered, repeated names distinguished, no control characters.

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


@dataclass(frozen=True)
class RawLog:
    """The columns of one log file, not yet interpreted."""

    source: str  # the file, for messages
    columns: Mapping[
        str, FloatArray
    ]  # in file order, shape (n_rows,), made anew; NaN where blank or unreadable
    units: Mapping[str, str]  # as written in the file, "" where none is
    first_row: int = 1  # line of the file that holds row 0, counted from 1
    dialect: Mapping[str, str] = field(default_factory=dict)  # what the reader recognised
    metadata: Mapping[str, str] = field(default_factory=dict)  # what the file says of itself
    notes: tuple[QualityNote, ...] = ()  # faults found while reading
    history: tuple[Step, ...] = ()

    @property
    def n_rows(self) -> int:
        """Number of rows of data."""
        return len(self.column(next(iter(self.columns)))) if self.columns else 0

    def column(self, name: str) -> Column:
        """A column as it is kept: in a log that was read, most are smaller than as float64."""
        return as_column(kept_of(self.columns, name))

    def called(self, name: str) -> str | None:
        """The column that a name means: as in the file's header, with or without its unit; None if there is none."""
        return next((n for n in (name, name.strip(), split_unit(name)[0]) if n in self.columns), None)

    def let_go(self) -> None:
        """Forget the numbers, which nothing asks for after they were placed on a clock; names and units stay."""
        if isinstance(self.columns, dict | Columns):
            self.columns.update(dict.fromkeys(self.columns, np.empty(0)))


def each_column(log: RawLog, change: Callable[[Column], Column]) -> Columns:
    """The columns of a log, each changed."""
    return Columns({name: change(log.column(name)) for name in log.columns})


def stated_rate_hz(log: RawLog) -> float | None:
    """User-given rate of a log without time, None if the log has time stamps. [Hz]"""
    return next((float(step.settings["rate_hz"]) for step in log.history if step.name == "stated_rate"), None)


def with_rate(log: RawLog, rate_hz: float, name: str = "time") -> RawLog:
    """A log without a column of time called ``name``, its rows taken to be evenly apart; one that has it, as it is.

    The column is in seconds, and a note says that the rate [Hz] is as stated by a person.
    """
    if log.called(name) is not None:
        return log
    message = f"The log has no column {name!r}: its rows are taken to be 1/{rate_hz:g} s apart, as stated."
    return replace(
        log,
        columns=Columns(
            {name: np.arange(log.n_rows) / rate_hz, **{each: log.column(each) for each in log.columns}}
        ),
        units={name: "s", **log.units},
        notes=(*log.notes, QualityNote("info", "stated_rate", message)),
        history=(*log.history, Step("stated_rate", {"rate_hz": rate_hz})),
    )
