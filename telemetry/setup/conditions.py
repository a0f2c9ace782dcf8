"""Conditions of two runs, beside their differences: what was written down or logged."""

from dataclasses import dataclass

from telemetry.arrays import ENDS
from telemetry.setup.sheet import SetupSheet
from telemetry.summary import Summary

_OF_RUN = (
    ("track_temperature", "track_temperature_c", "°C"),
    ("air_temperature", "air_temperature_c", "°C"),
    ("fuel", "fuel_l", "L"),
)
_OF_END = (
    ("tyre_pressure", "tyre_pressure_bar", "bar"),
    ("tyre_temperature", "tyre_temperature_c", "°C"),
    ("oil_temperature", "oil_temperature_c", "°C"),
)


@dataclass(frozen=True)
class Condition:
    """One condition before and after; None where it is not known. ``source`` is where it is from."""

    what: str
    unit: str
    before: float | None
    after: float | None
    source: str


def conditions(
    a: Summary, b: Summary, sheet_a: SetupSheet | None, sheet_b: SetupSheet | None
) -> tuple[Condition, ...]:
    """Conditions that at least one of the runs has: those written down, then those logged."""
    keys = [(name, "", key, unit) for name, key, unit in _OF_RUN]
    keys += [(f"{end}_{name}", end, key, unit) for end in ENDS for name, key, unit in _OF_END]
    written = [
        Condition(
            name.replace("_", " "),
            unit,
            _written(sheet_a, end, key),
            _written(sheet_b, end, key),
            "setup sheet",
        )
        for name, end, key, unit in keys
    ]
    logged = [condition for name, *_ in keys for condition in _logged(a, b, name)]
    return tuple(each for each in (*written, *logged) if (each.before, each.after) != (None, None))


def _written(sheet: SetupSheet | None, end: str, key: str) -> float | None:
    if sheet is None:
        return None
    value: float | None = getattr(getattr(sheet, end) if end else sheet, key)
    return value


def _logged(a: Summary, b: Summary, name: str) -> tuple[Condition, ...]:
    """Of both logs, in one row where they use one unit."""
    what, one, other = name.replace("_", " "), a.conditions.get(name), b.conditions.get(name)
    if one is None or other is None or one.unit == other.unit:
        unit = next((each.unit for each in (one, other) if each is not None), "")
        before, after = (None if each is None else each.value for each in (one, other))
        return (Condition(what, unit, before, after, "log"),)
    return (
        Condition(what, one.unit, one.value, None, "log"),
        Condition(what, other.unit, None, other.value, "log"),
    )
