"""What was changed between two setup sheets."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from telemetry.arrays import ENDS
from telemetry.setup.sheet import SetupSheet

NOT_WRITTEN = "not written down"

# Keys that say which outing it was, not how the bike stood.
_LABELS = frozenset({"name", "date", "outing", "notes", "source", "front", "rear"})
# Of an end, but nothing that is set with a spanner: what comes of the ride, and what was measured at the stand.
_TEMPERATURES = frozenset({"tyre_temperature_c", "oil_temperature_c"})
_MEASURED = frozenset({"free sag", "rider sag"})
ChangeKind = Literal["setting", "condition", "bike file"]
_UNITS = (
    ("_n_per_mm", "N/mm"), ("_mm_s", "mm/s"), ("_mm", "mm"), ("_deg", "deg"), ("_kg", "kg"), ("_bar", "bar"),
    ("_c", "°C"), ("_l", "L"),
)  # fmt: skip


@dataclass(frozen=True)
class Change:
    """One thing that differs. ``before`` and ``after`` are as a person would write them, with unit.

    Conditions are what nobody turns a spanner for: rider, place, tyres, weather, fuel.
    """

    what: str
    before: str
    after: str
    kind: ChangeKind = "setting"


def _worded(key: str) -> tuple[str, str]:
    """Key of a sheet or bike file -> what a person calls it, and its unit."""
    found = next(((suffix, unit) for suffix, unit in _UNITS if key.endswith(suffix)), ("", ""))
    return key.removesuffix(found[0]).replace("_", " ").replace(".", " "), found[1]


def _written(sheet: SetupSheet) -> Iterator[tuple[str, str, ChangeKind]]:
    """Every setting and condition with what is written for it."""
    for where, part in (("", sheet), *((end, getattr(sheet, end)) for end in ENDS)):
        for key in type(part).model_fields:
            if where == "" and key in _LABELS:
                continue
            words, unit = _worded(key)
            value = getattr(part, key)
            text = f"{value:g}" if isinstance(value, float) else str(value)
            written = NOT_WRITTEN if value is None else f"{text} {unit}".strip()
            kind: ChangeKind = "setting" if where and key not in _TEMPERATURES else "condition"
            yield f"{where} {words}".strip(), written, kind


def written(sheet: SetupSheet) -> tuple[tuple[str, str], ...]:
    """Everything a sheet says, in its order: what, and how it is written with its unit.

    Returns
    -------
    tuple of (what, value)
    """
    labels = [(key, getattr(sheet, key)) for key in ("name", "date", "outing", "notes")]
    settings = [(what, value) for what, value, _ in _written(sheet) if value != NOT_WRITTEN]
    return (*((key, str(value)) for key, value in labels if value is not None), *settings)


def settings(sheet: SetupSheet) -> dict[str, str]:
    """Settings that a sheet writes down, by what they are; without conditions and measured sag."""
    return {
        what: value
        for what, value, kind in _written(sheet)
        if kind == "setting" and value != NOT_WRITTEN and what.partition(" ")[2] not in _MEASURED
    }


def changes(sheet_a: SetupSheet, sheet_b: SetupSheet) -> tuple[Change, ...]:
    """What differs between two sheets, in the order of the sheet.

    Only what both sheets write down can differ (`written_on_one` are the others). Names, dates and notes are not
    settings and are left out.

    Parameters
    ----------
    sheet_a, sheet_b : SetupSheet
        Before and after.
    """
    pairs = zip(_written(sheet_a), _written(sheet_b), strict=True)
    return tuple(
        Change(what, before, after, kind)
        for (what, before, kind), (_, after, _) in pairs
        if before != after and NOT_WRITTEN not in (before, after)
    )


def written_on_one(sheet_a: SetupSheet, sheet_b: SetupSheet) -> tuple[str, ...]:
    """What only one of two sheets writes down: whether it differs is not known."""
    pairs = zip(_written(sheet_a), _written(sheet_b), strict=True)
    return tuple(
        what
        for (what, before, _), (_, after, _) in pairs
        if (before == NOT_WRITTEN) != (after == NOT_WRITTEN)
    )


def bike_file_changes(values_a: Mapping[str, float], values_b: Mapping[str, float]) -> tuple[Change, ...]:
    """What differs between the bike files that two reviews rest on.

    Parameters
    ----------
    values_a, values_b : mapping of str to float
        ``Summary.bike_values``.

    Returns
    -------
    tuple of Change
        Of what both hold: a review kept from an earlier version may not say all that a newer one does.
    """
    found = []
    for key in values_a:
        if key in values_b:
            what, unit = _worded(key)
            before, after = (f"{values[key]:g} {unit}".strip() for values in (values_a, values_b))
            if before != after:
                found.append(Change(what, before, after, "bike file"))
    return tuple(found)
