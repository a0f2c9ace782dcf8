"""Changes at the stand, as ``key=+3`` (by) or ``key=312`` (to); the change that reaches a wanted number."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from telemetry.bike import Bike, beyond_limit, parse_bike, plain_key, value_at, why_no_key
from telemetry.errors import BikeFileError, BothEndsError
from telemetry.numeric import root
from telemetry.stand.quantities import BY_KEY, QUANTITIES, end_of, value_of

LENGTH_CAUTION = (
    "Never go past the maker's limit or the mark on the shaft: too little thread holds the adjuster, and it can pull "
    "out. Put the length back within its limits and have the shock checked if it has been ridden past them."
)
LIMIT_CAUTION = "Keep inside the maker's limits, or change the part for one that allows it."
_SHOCK_LENGTH = "shock_length_mm"
_PART_OF_TURN = 0.25  # of a turn is what a spanner sets; common practice, no source
_READ_TO = 0.1  # mm or N/mm, where the bike file gives no adjuster: own choice


@dataclass(frozen=True)
class Change:
    """One requested change: ``value`` is added if ``relative``, else set; a name can only be set.

    With ``percent`` the value is added as a share of what it is now.
    """

    key: str
    value: float | str
    relative: bool
    percent: bool = False


@dataclass(frozen=True)
class Changed:
    """One value of the bike file before and after, and the change as turns or clicks where the file knows them."""

    key: str
    before: float | str | None
    after: float | str
    steps: str


def parse_change(text: str) -> Change:
    """Read ``rear.shock_length_mm=+3``, ``rear.preload_mm=9`` or ``rear.mount_insert.selected=high``.

    A sign before the number makes it a change by that much, a per cent sign after it by that share. Raises
    `BikeFileError` if it is not KEY=VALUE.
    """
    key, equals, value = (part.strip() for part in text.partition("="))
    key = plain_key(key)
    if not equals or not key or not value:
        raise BikeFileError(
            f"{text!r}: a change is KEY=+MM, KEY=-MM or KEY=VALUE, such as rear.preload_mm=+2."
        )
    percent = value.endswith("%") and value[0] in "+-"
    try:
        number = float(value.removesuffix("%") if percent else value)
    except ValueError:
        return Change(key, value, False)
    if not np.isfinite(number):
        raise BikeFileError(f"{text!r}: {value} is not a number that can be set.")
    return Change(key, number, value[0] in "+-", percent)


def _one_step(bike: Bike, key: str) -> tuple[float, str]:
    """Change by one turn or click of an adjuster, and its unit; "" if the bike file does not give it."""
    adjuster = bike.adjusters.get(key)
    if key.endswith("_clicks"):
        return 1.0, "click"
    if adjuster is not None and adjuster.per_turn is not None:
        return adjuster.per_turn, "turn"
    if adjuster is not None and adjuster.per_click is not None:
        return adjuster.per_click, "click"
    return _READ_TO, ""


def least_change(bike: Bike, key: str) -> float:
    """The least change of a value that can be set: a quarter of a turn, a click, or a tenth. [unit of the key]"""
    each, word = _one_step(bike, key)
    return _PART_OF_TURN * each if word == "turn" else each


def steps_words(bike: Bike, key: str, by: float) -> str:
    """A change [unit of the key] in turns or clicks, "+1.5 turns", "" if the bike file does not say how much one is."""
    each, word = _one_step(bike, key)
    if not word:
        return ""
    least = least_change(bike, key)
    count = round(by / least) * least / each
    return f"{count:+g} {word}{'' if abs(count) == 1 else 's'}" if count else f"less than half a {word}"


def apply_changes(bike: Bike, changes: Iterable[Change]) -> tuple[Bike, tuple[Changed, ...]]:
    """The bike file after changes; what was measured stays measured with what stood on the bike before.

    `BikeFileError` if a key is unknown or has no number, the changed bike cannot be, or a value passes its limit (then
    with the caution).
    """
    data = bike.model_dump(mode="python", exclude_none=True)
    data["measured_at"] = _as_it_stands(bike) | data.get("measured_at", {})
    found = []
    for change in changes:
        before = _current(bike, data, change)
        after = change.value
        if change.relative:
            if not isinstance(before, int | float):
                if words := why_no_key(change.key):
                    raise BikeFileError(f"{bike.source}: {change.key}: {words}")
                raise BikeFileError(
                    f"{bike.source}: {change.key} has no number yet, so it cannot be changed by {change.value:+g}; "
                    f"give its value in the bike file, or set it with {change.key}=VALUE."
                )
            step = float(change.value)
            after = before * (1.0 + step / 100.0) if change.percent else before + step
        if isinstance(before, int) and isinstance(after, float) and after.is_integer():
            after = int(after)
        _put(data, change.key, after)
        by = after - before if isinstance(after, int | float) and isinstance(before, int | float) else None
        found.append(
            Changed(change.key, before, after, "" if by is None else steps_words(bike, change.key, by))
        )
    _move_parts_of_the_mass(bike, data)
    last = {change.key: change.after for change in found}  # of two changes of one value the last stands
    past = [
        words
        for key, value in last.items()
        if not isinstance(value, str) and (words := beyond_limit(bike, key, value))
    ]
    if past:
        caution = LENGTH_CAUTION if any(_SHOCK_LENGTH in words for words in past) else LIMIT_CAUTION
        raise BikeFileError(f"{bike.source}: {' '.join(past)} {caution}")
    return parse_bike(data, source=bike.source), tuple(found)


def _as_it_stands(bike: Bike) -> dict[str, Any]:
    """Current settings, by the keys of [measured_at]."""
    rear = bike.rear
    values = {
        "front_tyre_radius_mm": bike.front.tyre_radius_mm,
        "rear_tyre_radius_mm": rear.tyre_radius_mm,
        "fork_height_mm": bike.front.fork_height_mm,
        "fork_offset_mm": bike.front.fork_offset_mm,
        "shock_length_mm": rear.shock_length_mm,
        "axle_back_mm": rear.axle_back_mm,
        "mount_insert": rear.mount_insert.selected if rear.mount_insert else None,
        "eccentric_deg": rear.eccentric.angle_deg if rear.eccentric else None,
    }
    return {key: value for key, value in values.items() if value is not None}


_CIRCUMFERENCE = "tyre_circumference_mm"


def _current(bike: Bike, data: dict[str, Any], change: Change) -> Any:
    """The value now, also of an earlier change; a circumference from the radius."""
    head, _, name = change.key.rpartition(".")
    if name == _CIRCUMFERENCE and head in ("front", "rear"):
        radius_mm = data[head].get("tyre_radius_mm")
        return None if radius_mm is None else 2.0 * float(np.pi) * radius_mm
    place: Any = data
    for part in change.key.split("."):
        if not isinstance(place, dict):
            break
        place = place.get(part)
    if place is None:
        place = value_at(bike, change.key)
    if isinstance(place, dict | list | tuple) or change.key in ("name", "source"):
        raise BikeFileError(f"{bike.source}: {change.key} is not one value; name a key below it.")
    return place


def _put(data: dict[str, Any], key: str, value: float | str) -> None:
    *path, name = key.split(".")
    if name == _CIRCUMFERENCE and isinstance(value, int | float):
        name, value = "tyre_radius_mm", value / (2.0 * float(np.pi))
    place = data
    for part in path:
        place = place.setdefault(part, {})
        if not isinstance(place, dict):
            raise BikeFileError(f"{key}: is not a key of a bike file; check the spelling.")
    place[name] = value


_PLACE = ("com_to_rear_axle_mm", "com_height_mm")


def _move_parts_of_the_mass(bike: Bike, data: dict[str, Any]) -> None:
    """Update the chassis mass, centre and inertia for changed rider or fuel (parallel axes)."""
    if bike.chassis is None:
        return
    whole = data["chassis"]
    for name in ("rider", "fuel"):
        old, new = getattr(bike.chassis, name), whole.get(name)
        if old is None or new is None or old.model_dump() == new:
            continue
        for part, sign in ((old.model_dump(), -1.0), (new, 1.0)):
            mass = whole["sprung_mass_kg"]
            total = mass + sign * float(part["mass_kg"])
            away = [float(part[key]) - whole[key] for key in _PLACE]
            reduced = sign * float(part["mass_kg"]) * mass / total
            if "pitch_inertia_kg_m2" in whole:
                whole["pitch_inertia_kg_m2"] += reduced * sum(distance**2 for distance in away) / 1e6
            for key, distance in zip(_PLACE, away, strict=True):
                whole[key] += sign * float(part["mass_kg"]) * distance / total
            whole["sprung_mass_kg"] = total


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
    """The adjusters that bring a quantity to a number: each by itself, within its limits. [unit of the quantity]

    `BikeFileError` if the key is none of `QUANTITIES`, or the bike file does not tell it.
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
