"""Loads and springs estimated from measured sags, to check the bike file."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import ENDS, End
from telemetry.bike import (
    LOADS,
    Bike,
    LoadName,
    attitude,
    leverage_curve,
    load_of,
    rear_end,
    spring_of,
    sprung_loads_n,
    stand,
    steering_axis,
)
from telemetry.constants import GRAVITY_M_S2
from telemetry.errors import BikeFileError

# Error of a measured sag: reading about 1 mm, seal friction 2 mm either way; common practice, no source.
SAG_AGREES_MM = 3.0
READ_TO_MM = 1.0
# Sag with the rider, at the wheel, in road racing: common practice, no source; the maker's or the team's goes first.
SAG_WINDOWS_MM: dict[End, tuple[float, float]] = {"front": (30.0, 40.0), "rear": (25.0, 35.0)}


@dataclass(frozen=True)
class SagWindow:
    """Rider sag of one end against its window, at the wheel; ``measured`` with a tape, else computed. [mm]"""

    end: End
    sag_mm: float
    measured: bool
    low_mm: float
    high_mm: float

    @property
    def outside_mm(self) -> float:
        """How far outside: positive too much sag, negative too little, 0 inside."""
        return max(self.sag_mm - self.high_mm, 0.0) + min(self.sag_mm - self.low_mm, 0.0)


def sag_windows(bike: Bike, computed_mm: Mapping[End, float | None]) -> tuple[SagWindow, ...]:
    """Rider sag of each end against its window: as measured, else as computed."""
    found = []
    for end, (low, high) in SAG_WINDOWS_MM.items():
        tape = bike.end(end).measured
        measured = tape.rider_sag_mm if tape is not None else None
        sag = computed_mm[end] if measured is None else measured
        if sag is not None:
            found.append(SagWindow(end, sag, measured is not None, low, high))
    return tuple(found)


@dataclass(frozen=True)
class SagCheck:
    """A measured sag against the bike file, at the wheel."""

    end: End
    load: str
    measured_mm: float
    computed_mm: float
    agrees: bool  # within what a tape and friction explain
    effective_mass_kg: float | None  # on this wheel by the measured sag, if the springs are as the file says
    file_mass_kg: float
    effective_rate_n_per_mm: float | None  # of the coil at the file's preload, if its masses are right
    file_rate_n_per_mm: float


@dataclass(frozen=True)
class SpringCheck:
    """Coil rate and preload of one end estimated from two measured sags, if the file's masses are right."""

    end: End
    effective_rate_n_per_mm: float
    lowest_rate_n_per_mm: float  # with each sag read a millimetre wrong
    highest_rate_n_per_mm: float
    file_rate_n_per_mm: float
    effective_preload_mm: float
    file_preload_mm: float
    agrees: bool  # the file's rate lies between lowest and highest


def check_sags(bike: Bike) -> tuple[tuple[SagCheck, ...], tuple[SpringCheck, ...]]:
    """Measured sags of [front.measured] and [rear.measured] back to loads and springs: is the bike file right?

    There is a spring check where an end has two sags with different loads, neither topped out. `BikeFileError` if the
    file does not tell the load of a measured sag, or the sag is beyond the travel.
    """
    sags, springs = [], []
    for end in ENDS:
        section = bike.end(end)
        measured = {
            name: float(value)
            for name in LOADS
            if section.measured and (value := getattr(section.measured, f"{name}_sag_mm")) is not None
        }
        for name, sag_mm in measured.items():
            sags.append(_sag_check(bike, end, name, sag_mm))
        if len(measured) > 1 and (check := _spring_check(bike, end, measured)) is not None:
            springs.append(check)
    return tuple(sags), tuple(springs)


@dataclass(frozen=True)
class _Carried:
    """A measured sag as the springs see it: travel along the shaft, what the load asks for there, work ratio."""

    shaft_mm: float
    shaft_n: float
    work_ratio: float


def _carried(bike: Bike, end: End, name: LoadName, sag_mm: float) -> _Carried:
    """The load of the file in the attitude that a measured sag makes, the other end as computed."""
    load, curve = load_of(bike, name), leverage_curve(bike, end)
    if load is None:
        raise BikeFileError(
            f"{bike.source}: {end}.measured.{name}_sag_mm cannot be checked without chassis.rider: its mass_kg, "
            f"com_to_rear_axle_mm and com_height_mm."
        )
    if sag_mm > curve.wheel_stroke_mm:
        raise BikeFileError(
            f"{bike.source}: {end}.measured.{name}_sag_mm = {sag_mm:g} is more than the "
            f"{curve.wheel_stroke_mm:.1f} mm of wheel travel."
        )
    standing = stand(bike, load)
    shaft = float(curve.shaft_travel_mm(np.array([sag_mm]))[0])
    travel = {**{each: standing.sag[each].shaft_mm for each in ENDS}, end: shaft}
    now = attitude(bike, travel["front"], travel["rear"])
    if end == "rear":
        ratio = float(rear_end(bike.rear, bike.measured_at).axle_slope(shaft) @ now.up)
    else:
        ratio = float(steering_axis(bike) @ now.up)
    return _Carried(shaft, sprung_loads_n(bike, load, now)[end] * ratio, ratio)


def _sag_check(bike: Bike, end: End, name: LoadName, sag_mm: float) -> SagCheck:
    found, load = _carried(bike, end, name, sag_mm), load_of(bike, name)
    assert load is not None  # `_carried` has refused
    computed = stand(bike, load).sag[end].wheel_mm
    spring, sits = spring_of(bike, end), found.shaft_mm > 0.0  # topped out: no information on rate and mass
    carried_n = spring.force_n(found.shaft_mm) / found.work_ratio
    pressed_mm = found.shaft_mm + spring.preload_mm
    rate = (
        spring.coil_n_per_mm + (found.shaft_n - spring.force_n(found.shaft_mm)) / pressed_mm if sits else None
    )
    return SagCheck(
        end,
        name,
        sag_mm,
        computed,
        abs(sag_mm - computed) <= SAG_AGREES_MM,
        carried_n / GRAVITY_M_S2 if sits else None,
        found.shaft_n / found.work_ratio / GRAVITY_M_S2,
        rate,
        spring.coil_n_per_mm,
    )


def _spring_check(bike: Bike, end: End, measured: dict[LoadName, float]) -> SpringCheck | None:
    """Coil rate and preload from the least and the most loaded of the sags."""
    names = tuple(measured)
    first, last = names[0], names[-1]

    def solve(first_mm: float, last_mm: float) -> tuple[float, float] | None:
        low, high = _carried(bike, end, first, first_mm), _carried(bike, end, last, last_mm)
        if low.shaft_mm <= 0.0 or high.shaft_mm - low.shaft_mm < 1.0:
            return None  # topped out, or too close together for a slope
        spring = spring_of(bike, end)
        # All parts except the coil are as in the file.
        coil = [
            at.shaft_n
            - spring.force_n(at.shaft_mm)
            + spring.coil_n_per_mm * (at.shaft_mm + spring.preload_mm)
            for at in (low, high)
        ]
        rate = (coil[1] - coil[0]) / (high.shaft_mm - low.shaft_mm)
        return rate, coil[1] / rate - high.shaft_mm

    as_read = solve(measured[first], measured[last])
    if as_read is None or as_read[0] <= 0.0:
        return None
    rates = [
        found[0]
        for off in (-READ_TO_MM, READ_TO_MM)
        if (found := solve(max(0.0, measured[first] - off), measured[last] + off)) is not None
    ]
    lowest, highest = min(*rates, as_read[0]), max(*rates, as_read[0])
    of_file = spring_of(bike, end)
    return SpringCheck(
        end,
        as_read[0],
        lowest,
        highest,
        of_file.coil_n_per_mm,
        as_read[1],
        of_file.preload_mm,
        lowest <= of_file.coil_n_per_mm <= highest,
    )
