"""Conditions of two runs, beside their differences: what was written down or logged."""

from dataclasses import dataclass

from telemetry.arrays import ENDS
from telemetry.setup.sheet import SetupSheet

_OF_RUN = (
    ("track temperature", "track_temperature_c", "°C"),
    ("air temperature", "air_temperature_c", "°C"),
    ("fuel", "fuel_l", "L"),
)
_OF_END = (
    ("tyre pressure", "tyre_pressure_bar", "bar"),
    ("tyre temperature", "tyre_temperature_c", "°C"),
    ("damper oil temperature", "oil_temperature_c", "°C"),
)


@dataclass(frozen=True)
class Condition:
    """One condition before and after; None where it was neither written nor logged."""

    what: str
    unit: str
    before: float | None
    after: float | None


def conditions(sheet_a: SetupSheet | None, sheet_b: SetupSheet | None) -> tuple[Condition, ...]:
    """Conditions that at least one of the runs has.

    Parameters
    ----------
    sheet_a, sheet_b : SetupSheet or None

    Returns
    -------
    tuple of Condition
    """
    keys = [(what, "", key, unit) for what, key, unit in _OF_RUN]
    keys += [(f"{end} {what}", end, key, unit) for end in ENDS for what, key, unit in _OF_END]
    read = [
        Condition(what, unit, *(_written(sheet, end, key) for sheet in (sheet_a, sheet_b)))
        for what, end, key, unit in keys
    ]
    return tuple(each for each in read if (each.before, each.after) != (None, None))


def _written(sheet: SetupSheet | None, end: str, key: str) -> float | None:
    if sheet is None:
        return None
    value: float | None = getattr(getattr(sheet, end) if end else sheet, key)
    return value
