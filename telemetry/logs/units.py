"""Units a logger writes, and how to get from one to another.

A small table, not a units library: a log holds a dozen units, written in a hundred ways.
"""

from dataclasses import dataclass
from math import pi

from telemetry.arrays import FloatArray
from telemetry.errors import LogError


@dataclass(frozen=True)
class Unit:
    """A unit: its quantity, and its size in the base unit of that quantity."""

    symbol: str
    quantity: str
    size: float


STANDARD_GRAVITY_M_S2 = 9.80665  # 3rd CGPM, 1901

# Base units: V, count, 1, mm, m/s, deg, bar, m/s2, s, Hz, degC. The inch is 25.4 mm, the mile 1609.344 m and the
# pound-force per square inch 0.068947573 bar, all by definition (NIST SP 811, appendix B).
_TABLE = (
    Unit("V", "voltage", 1.0),
    Unit("mV", "voltage", 1e-3),
    Unit("counts", "counts", 1.0),
    Unit("1", "share", 1.0),
    Unit("%", "share", 0.01),
    Unit("mm", "length", 1.0),
    Unit("cm", "length", 10.0),
    Unit("m", "length", 1000.0),
    Unit("km", "length", 1e6),
    Unit("in", "length", 25.4),
    Unit("m/s", "speed", 1.0),
    Unit("mm/s", "speed", 1e-3),
    Unit("km/h", "speed", 1 / 3.6),
    Unit("mph", "speed", 0.44704),
    Unit("kn", "speed", 1852 / 3600),
    Unit("deg", "angle", 1.0),
    Unit("rad", "angle", 180.0 / pi),
    Unit("deg/s", "angular speed", 1.0),
    Unit("rad/s", "angular speed", 180.0 / pi),
    Unit("rpm", "angular speed", 6.0),
    Unit("bar", "pressure", 1.0),
    Unit("kPa", "pressure", 0.01),
    Unit("psi", "pressure", 0.06894757293168361),
    Unit("g", "acceleration", STANDARD_GRAVITY_M_S2),
    Unit("m/s2", "acceleration", 1.0),
    Unit("s", "time", 1.0),
    Unit("ms", "time", 1e-3),
    Unit("us", "time", 1e-6),
    Unit("ns", "time", 1e-9),
    Unit("min", "time", 60.0),
    Unit("Hz", "frequency", 1.0),
    Unit("degC", "temperature", 1.0),
)
UNITS = {unit.symbol: unit for unit in _TABLE}

_ALIASES = {
    "volt": "V",
    "volts": "V",
    "millivolts": "mV",
    "count": "counts",
    "cnt": "counts",
    "bit": "counts",
    "bits": "counts",
    "lsb": "counts",
    "raw": "counts",
    "-": "1",
    "pct": "%",
    "percent": "%",
    "millimetre": "mm",
    "millimetres": "mm",
    "inch": "in",
    "inches": "in",
    '"': "in",
    "mps": "m/s",
    "m s-1": "m/s",
    "kph": "km/h",
    "kmh": "km/h",
    "kmph": "km/h",
    "knots": "kn",
    "kt": "kn",
    "kts": "kn",
    "°": "deg",
    "degree": "deg",
    "degrees": "deg",
    "degs": "deg",
    "°/s": "deg/s",
    "1/min": "rpm",
    "m/s^2": "m/s2",
    "m/s²": "m/s2",
    "sec": "s",
    "secs": "s",
    "second": "s",
    "seconds": "s",
    "msec": "ms",
    "millisecond": "ms",
    "milliseconds": "ms",
    "µs": "us",
    "μs": "us",
    "usec": "us",
    "microseconds": "us",
    "°c": "degC",
    "c": "degC",
}
_BY_LOWER_CASE = {symbol.lower(): symbol for symbol in UNITS} | _ALIASES


def find_unit(text: str) -> Unit | None:
    """The unit a text names, or None.

    Parameters
    ----------
    text : str
        As a logger writes it: ``"km/h"``, ``"KPH"``, ``"[mm]"``. Case matters only where it must (``V``, ``mV``).

    Examples
    --------
    >>> find_unit("kph").symbol
    'km/h'
    """
    text = text.strip().strip("[](){}").strip()
    if text in UNITS:
        return UNITS[text]
    symbol = _BY_LOWER_CASE.get(text.lower())
    return UNITS[symbol] if symbol else None


def to_unit(values: FloatArray, unit_from: str, unit_to: str) -> FloatArray:
    """Values in another unit of the same quantity.

    Parameters
    ----------
    values : ndarray
        NaN stays NaN. [unit_from]
    unit_from, unit_to : str
        Any spelling `find_unit` knows.

    Returns
    -------
    ndarray
        [unit_to]

    Raises
    ------
    LogError
        If a unit is not known, or the two measure different things.

    References
    ----------
    .. [1] NIST SP 811, Guide for the Use of the International System of Units, 2008, appendix B.
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
    return values * (source.size / target.size)
