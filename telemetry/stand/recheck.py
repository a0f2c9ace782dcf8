"""Measurements to repeat after a change: order, expected reading, and correction at the adjuster."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from telemetry.arrays import ENDS, End
from telemetry.bike import Bike, wheel_stroke_mm
from telemetry.stand.changes import Changed
from telemetry.stand.quantities import BY_KEY, Values
from telemetry.stand.targets import setting_for

# Least change of sag that a tape shows; common practice, no source.
NOTICED_MM = 0.5
CAUTION = (
    "Stay inside the maker's limits for length, preload and pressure; leave gas-charged dampers to people equipped for "
    "them. Try one change at a time, at reduced pace first."
)

_LENGTH = ("rear.shock_length_mm", "rear.mount_insert.", "rear.eccentric.", "rear.linkage.", "rear.swingarm.")
_FORK = ("front.fork_height_mm", "front.fork_offset_mm")
_RIDE_HEIGHT = (*_LENGTH, *_FORK)
_TYRE = ("tyre_radius_mm", "tyre_circumference_mm")
_WEIGHT = ("chassis.",)
_RATE = ("spring_rate_n_per_mm", "spring.")
_SPRING = ("preload_mm", *_RATE)
_DRIVE = ("rear.chain.", "rear.axle_back_mm", "rear.eccentric.")


@dataclass(frozen=True)
class Recheck:
    """One thing to measure again: what, why, what it should read, and what brings the old reading back."""

    what: str
    why: str
    should_read: str
    to_go_back: str = ""


def _touched(changed: Iterable[Changed], names: Sequence[str]) -> bool:
    return any(change.key.startswith(name) or name in change.key for change in changed for name in names)


def recheck_list(
    bike: Bike, changed: Sequence[Changed], before: Values, after: Values
) -> tuple[Recheck, ...]:
    """Measurements to repeat after changes, in the order of work at the stand; ``bike`` is that after the change."""
    if not changed:
        return ()
    checks: list[Recheck] = []
    length, tyre = _touched(changed, _LENGTH), _touched(changed, _TYRE)
    height = _touched(changed, _RIDE_HEIGHT)
    if length:
        checks.append(_leverage_start(after))
        checks.append(_full_stroke(bike))
    if _touched(changed, _FORK):
        checks.append(_full_fork_stroke(bike))
    if tyre:
        checks.append(
            Recheck(
                "tyre: circumference, and clearance all round at full stroke",
                "a taller tyre lifts its end and comes nearer to mudguard, swingarm and chain",
                "what was entered; nothing touches with the spring out",
            )
        )
    if height or tyre:
        checks.append(
            Recheck(
                "ride height, both ends", "length, clamps or tyre moved the chassis", _heights(before, after)
            )
        )
    sprung = any(_touched(changed, [f"{end}.{name}" for name in _SPRING]) for end in ENDS)
    other_rate = [end for end in ENDS if _touched(changed, [f"{end}.{name}" for name in _RATE])]
    checks += _sags(bike, changed, before, after)
    stands_otherwise = any(_moved(before, after, f"{end}.ride_height_mm", NOTICED_MM) for end in ENDS)
    if sprung and stands_otherwise and not (height or tyre):
        checks.append(
            Recheck(
                "ride height, both ends",
                "with another preload or spring the chassis stands higher or lower",
                _heights(before, after),
            )
        )
    checks += [_rebound(end, before, after) for end in other_rate]
    if height or tyre or _moved(before, after, "rake_deg", 0.05):
        checks.append(
            Recheck(
                "geometry: rake, trail, wheelbase",
                "the attitude of the chassis has changed",
                _geometry(before, after),
            )
        )
    if tyre or length or _touched(changed, _DRIVE):
        checks.append(_drive(before, after))
    damping = any(_moved(before, after, f"{end}.hop_damping", 0.02) for end in ENDS)
    if _touched(changed, (".damper.", "_clicks")) or other_rate or damping:
        checks.append(
            Recheck(
                "both ends by hand: down and up at the same rate",
                "the damping at a wheel has changed",
                _known(before, after, "{} hop damping ratio {}", "hop_damping")
                or "both ends come up together, without swinging past",
            )
        )
    return tuple(checks)


def _sags(bike: Bike, changed: Sequence[Changed], before: Values, after: Values) -> list[Recheck]:
    """Sag of the ends that a change moved, each with the reason that goes first."""
    length, weight = _touched(changed, _LENGTH), _touched(changed, _WEIGHT)
    chassis = _touched(changed, _RIDE_HEIGHT) or _touched(changed, _TYRE)
    checks = []
    for end in ENDS:
        spring = _touched(changed, [f"{end}.{name}" for name in _SPRING])
        if not (spring or chassis or weight):
            continue
        if weight:
            why = "weight has moved"
        elif length and end == "rear":
            why = "the wheel sits elsewhere on its leverage curve"
        elif spring:
            why = "its spring has changed"
        else:
            why = "the chassis stands otherwise and shifts a little load"
        undone = _touched(changed, [f"{end}.preload_mm"])  # no preload to undo the change with
        checks.append(_sag(bike, end, before, after, why, offer=not undone))
    return checks


def _full_fork_stroke(bike: Bike) -> Recheck:
    return Recheck(
        "clearance at full fork stroke, springs out",
        "the whole stroke of the front wheel has moved against clamps, radiator, exhaust and fairing",
        f"{bike.front.stroke_mm:.0f} mm along the legs, {wheel_stroke_mm(bike, 'front'):.0f} mm at the wheel; tyre, "
        f"mudguard and caps of the legs touch nothing, also with the bars at both locks",
    )


def _rebound(end: End, before: Values, after: Values) -> Recheck:
    key = f"{end}.body_damping"
    return Recheck(
        f"{end} rebound damping",
        "another spring pushes back otherwise against the same damping",
        "comes up as quickly as before, without swinging past"
        if after[key] is None
        else f"damping ratio of the body {_to(before, after, key)}; comes up without swinging past",
    )


def _leverage_start(after: Values) -> Recheck:
    at_sag = after["rear.leverage_at_sag"]
    return Recheck(
        "leverage: where the wheel starts on its curve, and the sensor's zero with the wheel off the ground",
        "another length starts from another place on the leverage curve, so the same spring sags differently",
        f"ratio {_number(after, 'rear.leverage_extended')} extended"
        + ("" if at_sag is None else f", {_number(after, 'rear.leverage_at_sag')} at rider sag"),
    )


def _full_stroke(bike: Bike) -> Recheck:
    return Recheck(
        "clearance at full extension and full stroke, spring out",
        "the whole stroke has moved against frame, tyre and chain",
        f"{wheel_stroke_mm(bike, 'rear'):.0f} mm of wheel travel, nothing touches, chain not tight at any point",
    )


def _sag(bike: Bike, end: End, before: Values, after: Values, why: str, *, offer: bool) -> Recheck:
    key, free_key = f"{end}.rider_sag_mm", f"{end}.free_sag_mm"
    if after[key] is None:
        return Recheck(f"{end} sag, then preload", why, "what it read before, or what is wanted", "")
    free = "" if after[free_key] is None else f"free sag {_to(before, after, free_key)} mm, "
    return Recheck(
        f"{end} sag, then preload",
        why,
        f"{free}rider sag {_to(before, after, key)} mm",
        _back(bike, end, before[key], after[key]) if offer else "",
    )


def _back(bike: Bike, end: End, was: float | None, now: float | None) -> str:
    """The preload that brings a sag back."""
    if was is None or now is None or abs(now - was) < NOTICED_MM:
        return ""
    way = setting_for(bike, f"{end}.rider_sag_mm", was, f"{end}.preload_mm")
    if way.set_to is None or way.gives is None:
        return f"{was:.1f} mm cannot be had with preload: {way.reason} mm"
    if way.set_to == way.now:
        return ""  # no spanner setting is closer
    turns = f" = {way.steps}" if way.steps else ""
    then = "" if f"{way.gives:.1f}" == f"{was:.1f}" else f", which gives {way.gives:.1f} mm"
    return f"for {was:.1f} mm as before: preload {way.set_to - way.now:+.3g} mm{turns}{then}"


def _drive(before: Values, after: Values) -> Recheck:
    parts = []
    if after["rollout_mm"] is not None:
        parts.append(f"rollout {_to(before, after, 'rollout_mm')} mm a turn of the front sprocket")
    if after["anti_squat_pct"] is not None:
        parts.append(f"anti-squat {_to(before, after, 'anti_squat_pct')} %")
    return Recheck(
        "gearing, chain slack at its tightest point, and speed from the wheel sensor",
        "tyre, axle or swingarm angle has changed",
        "; ".join(parts) or "not known without [rear.chain]",
    )


def _moved(before: Values, after: Values, key: str, by: float) -> bool:
    a, b = before[key], after[key]
    return a is not None and b is not None and abs(b - a) >= by


def _number(values: Values, key: str) -> str:
    value = values[key]
    return "not known" if value is None else f"{value:.{BY_KEY[key].decimals}f}"


def _to(before: Values, after: Values, key: str) -> str:
    """Before to after, or the one number when it has not changed as printed."""
    a, b = _number(before, key), _number(after, key)
    return b if a == b else f"{b} (was {a})"


def _known(before: Values, after: Values, words: str, key: str) -> str:
    """Known values of one quantity of both ends as text, "" if none is known."""
    return ", ".join(
        words.format(end, _to(before, after, f"{end}.{key}"))
        for end in ENDS
        if after[f"{end}.{key}"] is not None
    )


def _heights(before: Values, after: Values) -> str:
    """Ride height with the rider; extended without sag; advice if neither is known."""
    with_rider = _known(before, after, "{} {} mm", "ride_height_mm")
    keys = {end: f"extended.{end}.ride_height_mm" for end in ENDS}
    if with_rider or any(after[key] is None for key in keys.values()):
        return with_rider or "write both down: the bike file does not give the tyre radii"
    return (
        ", ".join(f"{end} {_to(before, after, key)} mm" for end, key in keys.items()) + ", both ends extended"
    )


def _geometry(before: Values, after: Values) -> str:
    """Known values of rake, trail and wheelbase, with the rider or extended."""
    extended = after["rake_deg"] is None
    parts = []
    for name, unit in (("rake", "deg"), ("trail", "mm"), ("wheelbase", "mm")):
        key = f"{'extended.' if extended else ''}{name}_{unit}"
        if after[key] is not None:
            parts.append(f"{name} {_to(before, after, key)} {unit}")
    return ", ".join(parts) + (", both ends extended" if extended else "")
