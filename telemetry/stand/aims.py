"""Backwards: the preload, spring or length that reaches a number, and springs and loads from measured sags."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from telemetry.arrays import ENDS, End
from telemetry.bike import (
    GRAVITY_M_S2,
    Bike,
    attitude,
    leverage_curve,
    load_of,
    spring_of,
    stand,
)
from telemetry.bike.attitude import steering_axis
from telemetry.bike.bikefile import value_at
from telemetry.bike.equilibrium import LOADS, LoadName, sprung_loads_n
from telemetry.bike.rearend import rear_end
from telemetry.errors import BikeFileError, BothEndsError
from telemetry.stand.changes import Change, apply_changes, steps_words
from telemetry.stand.quantities import BY_KEY, QUANTITIES, end_of, value_of

# How far a knob is turned in search of an answer where the bike file has no limits: about what parts allow.
_REACH = {"preload_mm": 25.0, "shock_length_mm": 8.0, "fork_height_mm": 15.0}
_RATE_REACH = 0.5  # of a spring's rate
_LOOKS = 5
# A measured sag is read to about a millimetre, and seal friction holds it two either way; common practice, no source.
SAG_AGREES_MM = 3.0
READ_TO_MM = 1.0


@dataclass(frozen=True)
class Way:
    """One knob that reaches an aim, by itself. ``value`` is None where it cannot, and ``reason`` says why."""

    key: str
    now: float
    value: float | None
    change: float | None
    steps: str
    reason: str


@dataclass(frozen=True)
class Aim:
    """A number that is wanted, what it is now, and the ways to it. [unit of the quantity]"""

    key: str
    wanted: float
    now: float
    ways: tuple[Way, ...]


@dataclass(frozen=True)
class SagCheck:
    """A measured sag against the bike file.

    Parameters
    ----------
    measured_mm, computed_mm : float
        At the wheel. [mm]
    agrees : bool
        Within what a tape and friction explain.
    effective_mass_kg : float or None
        Sprung mass on this wheel that the measured sag speaks for, if the springs are as the file says. [kg]
    file_mass_kg : float
        The same by the file. [kg]
    """

    end: End
    load: str
    measured_mm: float
    computed_mm: float
    agrees: bool
    effective_mass_kg: float | None
    file_mass_kg: float


@dataclass(frozen=True)
class SpringCheck:
    """Coil rate and preload that two measured sags of one end speak for, if the masses are as the file says.

    Parameters
    ----------
    effective_rate_n_per_mm, effective_preload_mm : float
        From the two sags as read. [N/mm, mm]
    lowest_rate_n_per_mm, highest_rate_n_per_mm : float
        With each sag read a millimetre wrong. [N/mm]
    file_rate_n_per_mm, file_preload_mm : float
        By the file. [N/mm, mm]
    agrees : bool
        Whether the file's rate lies between the two.
    """

    end: End
    effective_rate_n_per_mm: float
    lowest_rate_n_per_mm: float
    highest_rate_n_per_mm: float
    file_rate_n_per_mm: float
    effective_preload_mm: float
    file_preload_mm: float
    agrees: bool


def knobs_for(bike: Bike, key: str) -> tuple[str, ...]:
    """The knobs that can move a quantity, in the order in which they are tried at the stand."""
    end = end_of(key)
    if "_sag_mm" in key and end is not None:
        knobs = [f"{end}.preload_mm", f"{end}.spring_rate_n_per_mm"]
        return (
            (*knobs, "rear.shock_length_mm") if end == "rear" and bike.rear.shock_length_mm else tuple(knobs)
        )
    length = ("rear.shock_length_mm",) if bike.rear.shock_length_mm else ()
    return (*length, "front.fork_height_mm", "front.preload_mm", "rear.preload_mm")


def _range(bike: Bike, key: str, now: float) -> tuple[float, float]:
    adjuster = bike.adjusters.get(key)
    reach = _REACH.get(key.split(".")[-1], _RATE_REACH * now)
    low, high = now - reach, now + reach
    if key.endswith("preload_mm"):
        low = max(0.0, low)
    if adjuster is not None:
        low = low if adjuster.min is None else adjuster.min
        high = high if adjuster.max is None else adjuster.max
    return low, high


def reach(bike: Bike, key: str, wanted: float) -> Aim:
    """The ways to a wanted number: each knob by itself, within its limits.

    Parameters
    ----------
    bike : Bike
    key : str
        Of `QUANTITIES`.
    wanted : float
        In its unit.

    Returns
    -------
    Aim

    Raises
    ------
    BikeFileError
        If there is no such quantity, or the bike file does not tell it.
    """
    if key not in BY_KEY:
        names = ", ".join(quantity.key for quantity in QUANTITIES[:14])
        raise BikeFileError(f"{key!r} is no quantity of the stand; it has {names} and others (see --json).")
    now = value_of(bike, key)
    if now is None:
        raise BikeFileError(
            f"{bike.source}: does not tell {key}, so it cannot be aimed at; see its missing sections."
        )
    return Aim(key, wanted, now, tuple(way_to(bike, key, wanted, knob) for knob in knobs_for(bike, key)))


def way_to(bike: Bike, key: str, wanted: float, knob: str) -> Way:
    """How far one knob must go for a quantity to read what is wanted, within its limits.

    Parameters
    ----------
    bike : Bike
    key : str
        Of `QUANTITIES`.
    wanted : float
        In its unit.
    knob : str
        A number of the bike file.

    Returns
    -------
    Way
    """
    start = float(value_at(bike, knob))
    low, high = _range(bike, knob, start)

    def miss(setting: float) -> float:
        try:
            found = value_of(apply_changes(bike, [Change(knob, setting, False)])[0], key)
        except BothEndsError:
            return float("nan")
        return float("nan") if found is None else found - wanted

    settings = np.unique(np.concatenate([np.linspace(low, high, _LOOKS), [min(max(start, low), high)]]))
    misses = np.array([miss(float(setting)) for setting in settings])
    crossings = [
        (a, b)
        for a, b, at_a, at_b in zip(settings, settings[1:], misses, misses[1:], strict=False)
        if at_a * at_b <= 0.0
    ]
    if not crossings:
        known = misses[np.isfinite(misses)] + wanted
        span = f"gives {known.min():.4g} to {known.max():.4g}" if len(known) else "gives no number"
        return Way(knob, start, None, None, "", f"from {low:g} to {high:g} it {span}")
    a, b = min(crossings, key=lambda pair: abs(0.5 * (pair[0] + pair[1]) - start))
    value = float(brentq(miss, a, b, xtol=1e-6))
    return Way(knob, start, value, value - start, steps_words(bike, knob, value - start), "")


def check_sags(bike: Bike) -> tuple[tuple[SagCheck, ...], tuple[SpringCheck, ...]]:
    """Measured sags of [front.measured] and [rear.measured] back to loads and springs: is the bike file right?

    Parameters
    ----------
    bike : Bike

    Returns
    -------
    tuple of SagCheck, tuple of SpringCheck
        A spring check where an end has two sags with different loads, neither topped out.

    Raises
    ------
    BikeFileError
        If the bike file does not tell the load of a measured sag, or the sag is beyond the travel.
    """
    sags, springs = [], []
    for end in ENDS:
        section = bike.front if end == "front" else bike.rear
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
    carried_n = spring_of(bike, end).force_n(found.shaft_mm) / found.work_ratio
    return SagCheck(
        end,
        name,
        sag_mm,
        computed,
        abs(sag_mm - computed) <= SAG_AGREES_MM,
        carried_n / GRAVITY_M_S2 if found.shaft_mm > 0.0 else None,
        found.shaft_n / found.work_ratio / GRAVITY_M_S2,
    )


def _spring_check(bike: Bike, end: End, measured: dict[LoadName, float]) -> SpringCheck | None:
    """Coil rate and preload from the least and the most loaded of the sags."""
    names = tuple(measured)
    first, last = names[0], names[-1]

    def solve(first_mm: float, last_mm: float) -> tuple[float, float] | None:
        low, high = _carried(bike, end, first, first_mm), _carried(bike, end, last, last_mm)
        if low.shaft_mm <= 0.0 or high.shaft_mm - low.shaft_mm < 1.0:
            return None  # topped out, or too close together to tell a slope
        spring = spring_of(bike, end)
        # What is not the coil is taken as the file has it.
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
    section = bike.front if end == "front" else bike.rear
    return SpringCheck(
        end,
        as_read[0],
        lowest,
        highest,
        section.spring_rate_n_per_mm,
        as_read[1],
        section.preload_mm,
        lowest <= section.spring_rate_n_per_mm <= highest,
    )
