"""Targets: the preload, spring rate or length at which a quantity of the stand reaches a number."""

from dataclasses import dataclass

import numpy as np

from telemetry.bike import Bike, value_at
from telemetry.errors import BikeFileError, BothEndsError
from telemetry.numeric import root
from telemetry.stand.changes import Change, apply_changes, least_change, steps_words
from telemetry.stand.quantities import BY_KEY, QUANTITIES, end_of, value_of

# Search range of an adjuster without limits in the bike file: about what parts allow.
_REACH = {"preload_mm": 25.0, "shock_length_mm": 8.0, "fork_height_mm": 15.0}
_RATE_REACH = 0.5  # of a spring's rate
_LOOKS = 5


@dataclass(frozen=True)
class Setting:
    """One adjuster that reaches a target, by itself. [unit of its key]"""

    key: str
    now: float
    value: float | None  # where the target is met exactly; None where it cannot be, and ``reason`` says why
    change: float | None
    steps: str  # from ``now`` to ``set_to`` in turns or clicks, if the bike file knows them
    reason: str
    set_to: float | None = None  # nearest to ``value`` that can be set
    gives: float | None = None  # the quantity at ``set_to``, in its own unit


@dataclass(frozen=True)
class Target:
    """A quantity, its present and its wanted value, and the adjusters that reach it. [unit of the quantity]"""

    key: str
    wanted: float
    now: float
    ways: tuple[Setting, ...]


def adjusters_for(bike: Bike, key: str) -> tuple[str, ...]:
    """Adjusters that move a quantity, in the order in which they are tried at the stand."""
    end = end_of(key)
    if "_sag_mm" in key and end is not None:
        keys = [f"{end}.preload_mm", f"{end}.spring_rate_n_per_mm"]
        return (*keys, "rear.shock_length_mm") if end == "rear" and bike.rear.shock_length_mm else tuple(keys)
    length = ("rear.shock_length_mm",) if bike.rear.shock_length_mm else ()
    return (*length, "front.fork_height_mm", "front.preload_mm", "rear.preload_mm")


def limits_of(bike: Bike, key: str, now: float) -> tuple[float, float]:
    """Range of an adjuster now at ``now``: the bike file's limits, else about what parts allow. [unit of the key]"""
    adjuster = bike.adjusters.get(key)
    reach = _REACH.get(key.split(".")[-1], _RATE_REACH * now)
    low, high = now - reach, now + reach
    if key.endswith("preload_mm"):
        low = max(0.0, low)
    if adjuster is not None:
        low = low if adjuster.min is None else adjuster.min
        high = high if adjuster.max is None else adjuster.max
    return low, high


def reach(bike: Bike, key: str, wanted: float) -> Target:
    """The adjusters that bring a quantity (of `QUANTITIES`) to a number in its unit: each by itself, within its limits.

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
    return Target(
        key,
        wanted,
        now,
        tuple(setting_for(bike, key, wanted, adjuster) for adjuster in adjusters_for(bike, key)),
    )


def setting_for(bike: Bike, key: str, wanted: float, adjuster: str) -> Setting:
    """Setting of one adjuster, within its limits, at which a quantity (of `QUANTITIES`) reaches a target."""
    start = float(value_at(bike, adjuster))
    low, high = limits_of(bike, adjuster, start)

    def miss(setting: float) -> float:
        try:
            value = value_of(apply_changes(bike, [Change(adjuster, setting, False)])[0], key)
        except BothEndsError:
            return float("nan")
        return float("nan") if value is None else value - wanted

    settings = np.unique(np.concatenate([np.linspace(low, high, _LOOKS), [min(max(start, low), high)]]))
    misses = np.array([miss(float(setting)) for setting in settings])
    crossings = [
        (a, b)
        for a, b, at_a, at_b in zip(settings, settings[1:], misses, misses[1:], strict=False)
        if at_a * at_b <= 0.0
    ]
    if not crossings:
        reached = misses[np.isfinite(misses)] + wanted
        span = f"gives {reached.min():.4g} to {reached.max():.4g}" if len(reached) else "gives no number"
        return Setting(adjuster, start, None, None, "", f"from {low:g} to {high:g} it {span}")
    a, b = min(crossings, key=lambda pair: abs(0.5 * (pair[0] + pair[1]) - start))
    value = root(miss, a, b, within=1e-6)
    least = least_change(bike, adjuster)
    count = round((value - start) / least)
    if not low <= start + count * least <= high:
        count -= 1 if count > 0 else -1
    set_to = float(start + count * least)
    return Setting(
        adjuster,
        start,
        value,
        value - start,
        steps_words(bike, adjuster, set_to - start),
        "",
        set_to,
        miss(set_to) + wanted,
    )
