"""Rows of a comparison by place: ride heights, pitch, rake and trail by phase and corner; sections of the lap."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import ENDS, End
from telemetry.laps import PHASES, Corner, lap_length_m
from telemetry.metrics import (
    OUTING_MM,
    OUTING_PITCH_DEG,
    OUTING_TIME_SHARE,
    OUTING_TRAIL_MM,
    Metric,
    values_by_lap,
)
from telemetry.motion import LapPlace
from telemetry.setup.circuits import SAME_CORNER
from telemetry.setup.laps import lap_values
from telemetry.setup.rows import Row
from telemetry.summary import LapSummary, Summary

# Where no corners are known the lap is cut into so many equal sections. A choice, no source.
SECTIONS = 10


# A row of one place, and the key of the row over whole laps that must be clear before this one is looked at.
Part = tuple[Row, str]


@dataclass(frozen=True)
class _Quantity:
    """One number of a `LapPlace`."""

    key: str
    label: str
    unit: str
    ends: tuple[End, ...]
    outing_sd: float
    parent: str
    read: Callable[[LapPlace], float | None]


_QUANTITIES = (
    _Quantity("front_mm", "front ride height", "mm", ("front",), OUTING_MM, "front.travel.median_mm",
              lambda place: place.front_mm),
    _Quantity("rear_mm", "rear ride height", "mm", ("rear",), OUTING_MM, "rear.travel.median_mm",
              lambda place: place.rear_mm),
    _Quantity("pitch_deg", "pitch", "deg", ENDS, OUTING_PITCH_DEG, "pitch.mean_deg", lambda place: place.pitch_deg),
    _Quantity("rake_deg", "rake", "deg", ENDS, OUTING_PITCH_DEG, "geometry.rake_deg", lambda place: place.rake_deg),
    _Quantity("trail_mm", "trail", "mm", ENDS, OUTING_TRAIL_MM, "geometry.trail_mm", lambda place: place.trail_mm),
)  # fmt: skip


def place_parts(
    a: Summary, laps_a: Sequence[LapSummary], laps_b: Sequence[LapSummary], same_corners: bool
) -> tuple[Part, ...]:
    """How the motorcycle stood by phase and, on one circuit with the same corners, by corner.

    Parameters
    ----------
    a : Summary
        Names the corners.
    laps_a, laps_b : sequence of LapSummary
        Those that count.
    same_corners : bool
        Whether corner k of one run is corner k of the other.
    """
    names = {corner.number: corner.name for corner in a.corners}
    places: list[tuple[int | None, str | None, str]] = [(None, phase, phase) for phase in PHASES]
    if same_corners:
        places += [
            (number, None, f"corner {number}" + (f" ({name})" if name else ""))
            for number, name in sorted(names.items())
        ]
    parts = (
        (_row(_metric(quantity, *place), laps_a, laps_b), quantity.parent)
        for place in places
        for quantity in _QUANTITIES
    )
    return tuple((row, parent) for row, parent in parts if row.a.values and row.b.values)


def _metric(quantity: _Quantity, corner: int | None, phase: str | None, where: str) -> Metric:
    def read(lap: LapSummary) -> float | None:
        here = next((place for place in lap.places if (place.corner, place.phase) == (corner, phase)), None)
        return None if here is None else quantity.read(here)

    key = f"place.{phase if phase else f'corner_{corner}'}.{quantity.key}"
    label = f"{quantity.label}, {where}"
    return Metric(key, label, quantity.unit, quantity.ends, read, outing_sd=quantity.outing_sd)


def _row(metric: Metric, laps_a: Sequence[LapSummary], laps_b: Sequence[LapSummary]) -> Row:
    return Row(metric, lap_values(*values_by_lap(laps_a, metric)), lap_values(*values_by_lap(laps_b, metric)))


def section_parts(a: Summary, laps_a: Sequence[LapSummary], laps_b: Sequence[LapSummary]) -> tuple[Part, ...]:
    """Times of the sections of the lap: from halfway between two corners to halfway between the next two.

    Parameters
    ----------
    a : Summary
        Whose corners cut the lap of both runs, as shares of its length.

    Returns
    -------
    tuple of Part
        Empty where not both runs have times along the lap.
    """
    if not any(lap.passing_s for lap in laps_a) or not any(lap.passing_s for lap in laps_b):
        return ()
    parts = []
    for name, start, end in sections(a.corners, lap_length_m(a.laps)):

        def read(lap: LapSummary, start: float = start, end: float = end) -> float | None:
            return section_time_s(lap.passing_s, start, end)

        metric = Metric(f"section.{name}", f"time, {name}", "s", (), read, outing_share=OUTING_TIME_SHARE)
        parts.append((_row(metric, laps_a, laps_b), "lap.time_s"))
    return tuple(parts)


def sections(corners: Sequence[Corner], length_m: float | None) -> tuple[tuple[str, float, float], ...]:
    """Name, start and end of the sections as shares of the lap; they cover it once.

    Parameters
    ----------
    corners : sequence of Corner
        In order.
    length_m : float or None
        Of the lap. [m]

    Returns
    -------
    tuple of (str, float, float)
        The first starts at the start line, so the corner over it may lie in the last and the first.
    """
    if not corners or not length_m:
        cuts = np.linspace(0.0, 1.0, SECTIONS + 1)
        return tuple(
            (f"section {k + 1} of {SECTIONS}", float(cuts[k]), float(cuts[k + 1])) for k in range(SECTIONS)
        )
    middles = [
        0.5 * (one.end_m + other.start_m) / length_m for one, other in zip(corners, corners[1:], strict=False)
    ]
    cuts = np.clip([0.0, *middles, 1.0], 0.0, 1.0)
    return tuple(
        (
            f"corner {corner.number}" + (f" ({corner.name})" if corner.name else ""),
            float(cuts[k]),
            float(cuts[k + 1]),
        )
        for k, corner in enumerate(corners)
        if cuts[k + 1] > cuts[k]
    )


def section_time_s(passing_s: Sequence[float], start: float, end: float) -> float | None:
    """Time from one share of the lap to another, from the passing times at equal parts of it. [s]

    Examples
    --------
    >>> section_time_s((0.0, 10.0, 30.0), 0.25, 0.75)
    15.0
    """
    if not passing_s:
        return None
    shares = np.linspace(0.0, 1.0, len(passing_s))
    from_s, until_s = np.interp([start, end], shares, passing_s)
    return float(until_s - from_s)


def same_numbering(a: Summary, b: Summary) -> bool:
    """Whether corner k of one run is corner k of the other: as many, at the same share of the lap."""
    lengths = lap_length_m(a.laps), lap_length_m(b.laps)
    if len(a.corners) != len(b.corners) or not lengths[0] or not lengths[1]:
        return False
    return all(
        abs(one.apex_m / lengths[0] - other.apex_m / lengths[1]) <= SAME_CORNER
        for one, other in zip(a.corners, b.corners, strict=True)
    )
