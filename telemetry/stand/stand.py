"""The bike at the stand: quantities before and after changes, what moved most, what to measure again and expect."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import TypeAdapter

from telemetry.arrays import ENDS, End
from telemetry.bike import Bike, bike_warnings, parse_bike, rear_end, sag_lacks, wheel_stroke_mm
from telemetry.errors import BikeFileError
from telemetry.stand.changes import Change, Changed, Target, apply_changes, reach, setting_for
from telemetry.stand.quantities import BY_KEY, QUANTITIES, Values, measure
from telemetry.stand.sags import SagCheck, SagWindow, SpringCheck, check_sags, sag_windows

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


SCHEMA = "bothends.stand/1"
_MOST = 6  # of what moved most
_NOTICED = 0.5  # least change shown, in steps of the quantity
# Says again what another row has said: the pitch what the rake, the normal what the ground trail, and so on.
_SHOWN_ELSEWHERE = (
    "pitch_deg", "normal_trail_mm", "front.rider_shaft_mm", "rear.rider_shaft_mm", "rear.arc_stroke_mm",
    "rear.leverage_extended", "rear.leverage_compressed", "extended.normal_trail_mm",
)  # fmt: skip


@dataclass(frozen=True)
class Row:
    """One quantity before and after, None if unknown. ``steps`` is the change in its own step."""

    key: str
    group: str
    name: str
    unit: str
    decimals: int
    before: float | None
    after: float | None
    change: float | None
    steps: float | None


@dataclass(frozen=True)
class LeverageFit:
    """Fit of a smooth curve to the leverage points: largest residual, standard deviation, all residuals. [mm]"""

    largest_mm: float
    residual_sd_mm: float
    point_shaft_mm: tuple[float, ...]
    residual_mm: tuple[float, ...]


@dataclass(frozen=True)
class Stand:
    """A bike at the stand. ``rows`` keep the order of the quantities; ``moved_most`` are keys, most first."""

    source: str
    bike: str
    changed: tuple[Changed, ...]
    rows: tuple[Row, ...]
    moved_most: tuple[str, ...]
    recheck: tuple[Recheck, ...]
    aims: tuple[Target, ...]
    sags: tuple[SagCheck, ...]
    springs: tuple[SpringCheck, ...]
    leverage_fit: LeverageFit | None
    warnings: tuple[str, ...]
    notes: tuple[str, ...]
    caution: str
    windows: tuple[SagWindow, ...] = ()
    schema: str = SCHEMA

    def row(self, key: str) -> Row:
        """The row of a quantity."""
        return next(row for row in self.rows if row.key == key)


@dataclass(frozen=True)
class StandResult:
    """The stand as it is stored, and the bikes before and after, to draw."""

    stand: Stand
    before: Bike
    after: Bike


def at_stand(
    bike: Bike,
    changes: Sequence[Change] = (),
    *,
    targets: Mapping[str, float] | None = None,
    measured: Mapping[str, float] | None = None,
) -> StandResult:
    """Quantities of a bike at the stand, effects of changes on them, and settings that reach targets.

    What the bike file lacks costs the quantities that need it. ``targets`` are wanted quantities by key; their
    settings start from the bike after the changes. ``measured`` sags [mm], such as ``front.rider_sag_mm``, take the
    place of those of the bike file. `BikeFileError` if a key is unknown, or a change cannot be or passes a limit.
    """
    bike = _with_measured(bike, measured or {})
    after_bike, changed = apply_changes(bike, changes) if changes else (bike, ())
    before = measure(bike)
    after = measure(after_bike) if changes else before
    rows = []
    for q in QUANTITIES:
        a, b = before[q.key], after[q.key]
        change = b - a if a is not None and b is not None else None
        steps = change / q.step if change is not None else None
        rows.append(Row(q.key, q.group, q.name, q.unit, q.decimals, a, b, change, steps))
    by_size = sorted(
        (
            row
            for row in rows
            if row.steps is not None and abs(row.steps) >= _NOTICED and not _shown_elsewhere(row.key, before)
        ),
        key=lambda row: -abs(row.steps or 0.0),
    )
    sags, springs = ((), ()) if sag_lacks(bike) else check_sags(bike)
    # a tape's reading is of the motorcycle as it stands, before the changes
    sag_of = bike if not changes else _without_measured(after_bike)
    stand = Stand(
        source=bike.source,
        bike=bike.name,
        changed=changed,
        rows=tuple(rows),
        moved_most=tuple(row.key for row in by_size[:_MOST]),
        recheck=recheck_list(after_bike, changed, before, after),
        aims=tuple(reach(after_bike, key, value) for key, value in (targets or {}).items()),
        sags=sags,
        springs=springs,
        leverage_fit=_fit_of(bike),
        warnings=tuple(
            dict.fromkeys((*bike_warnings(bike), *bike_warnings(after_bike), *_topped_out(after)))
        ),
        notes=_notes(bike, after_bike, changed),
        caution=CAUTION if changed or targets else "",
        windows=sag_windows(sag_of, {end: after[f"{end}.rider_sag_mm"] for end in ENDS}),
    )
    return StandResult(stand, bike, after_bike)


def _shown_elsewhere(key: str, values: Values) -> bool:
    """True if another row holds the same value; also for extended rows if the sag is available."""
    return key in _SHOWN_ELSEWHERE or (key.startswith("extended.") and values["rake_deg"] is not None)


def _topped_out(after: Values) -> list[str]:
    """Ends that do not sag at all with the rider on."""
    return [
        f"The {end} does not sag with the rider on: its spring holds it at full extension. Less preload or a softer "
        f"spring."
        for end in ENDS
        if after[f"{end}.rider_sag_mm"] == 0.0
    ]


def _with_measured(bike: Bike, measured: Mapping[str, float]) -> Bike:
    """The bike with measured sags in the place of those in its file."""
    if not measured:
        return bike
    data: dict[str, Any] = bike.model_dump(mode="python", exclude_none=True)
    for key, value in measured.items():
        end, _, name = key.partition(".")
        if end not in ENDS or name not in ("free_sag_mm", "static_sag_mm", "rider_sag_mm"):
            raise BikeFileError(
                f"{key!r} is no measured sag; it is front or rear, then .free_sag_mm, .static_sag_mm or .rider_sag_mm."
            )
        data[end] = {**data[end], "measured": {**data[end].get("measured", {}), name: value}}
    return parse_bike(data, source=bike.source)


def _without_measured(bike: Bike) -> Bike:
    ends: dict[str, Any] = {end: bike.end(end).model_copy(update={"measured": None}) for end in ENDS}
    return bike.model_copy(update=ends)


def _fit_of(bike: Bike) -> LeverageFit | None:
    fit = rear_end(bike.rear, bike.measured_at).fit
    if fit is None:
        return None
    largest = max((abs(value) for value in fit.residual_mm), default=0.0)
    return LeverageFit(largest, fit.residual_sd_mm, fit.point_shaft_mm, fit.residual_mm)


def _notes(before: Bike, after: Bike, changed: Sequence[Changed]) -> tuple[str, ...]:
    """Notes on what the numbers leave out, and sections of the bike file that would add it."""
    notes = []
    chassis, rear = before.chassis, before.rear
    extended = rear_end(after.rear, after.measured_at).extended_by_mm
    if extended > 0.0:
        notes.append(
            f"The leverage table was continued by {extended:g} mm of shock travel beyond its end, with the trend "
            f"of its ratio: a guess. Pivot coordinates in [rear.linkage] would tell it."
        )
    lacks = sag_lacks(before)
    if lacks:
        notes.append(f"Sag, and height and geometry with the rider on, need {', '.join(lacks)}.")
    if before.front.fork_offset_mm is None or before.front.tyre_radius_mm is None:
        notes.append("Trail needs front.fork_offset_mm and front.tyre_radius_mm.")
    elif not lacks and any(
        section.tyre_rate_n_per_mm is None or section.unsprung_mass_kg is None
        for section in (before.front, before.rear)
    ):
        notes.append("Trail is on unloaded tyres: loaded ones need both tyre rates and unsprung masses.")
    if before.front.tyre_radius_mm is None or before.rear.tyre_radius_mm is None:
        notes.append("Ride heights need the radii of both tyres.")
    if lacks:
        pass
    elif chassis is not None and chassis.rider is None:
        notes.append("Free and static sag need [chassis] rider: the rider's mass and place.")
    elif chassis is not None and chassis.fuel is None:
        notes.append("Without [chassis] fuel the static sag, ready to ride, is the free sag.")
    if rear.swingarm is None:
        notes.append("Swingarm angle, travel along the arc, squat line and anti-squat need [rear.swingarm].")
    if rear.chain is None:
        notes.append("Chain line, anti-squat and gearing need [rear.chain].")
    if not lacks and chassis is not None and chassis.pitch_inertia_kg_m2 is None:
        notes.append("Bounce and pitching need chassis.pitch_inertia_kg_m2.")
    for end in ENDS:
        section = before.end(end)
        if section.unsprung_mass_kg is None or section.tyre_rate_n_per_mm is None or section.damper is None:
            notes.append(f"Vibration needs unsprung_mass_kg, tyre_rate_n_per_mm and [{end}.damper].")
        turned = [c.key for c in changed if c.key.startswith(f"{end}.") and c.key.endswith("_clicks")]
        if turned and (section.damper is None or section.damper.dyno is None):
            notes.append(
                f"{turned[0]}: what a click does is not known without a dyno table in [{end}.damper]."
            )
    unlimited = [
        change.key
        for change in changed
        if not isinstance(change.after, str)
        and (
            (adjuster := after.adjusters.get(change.key)) is None
            or (adjuster.min, adjuster.max) == (None, None)
        )
    ]
    if unlimited:
        notes.append(
            f"[adjusters] gives no limits for {', '.join(dict.fromkeys(unlimited))}: whether the parts allow it "
            f"is not checked."
        )
    return tuple(notes)


def stand_to_json(stand: Stand) -> str:
    """Stand as indented JSON text, schema ``bothends.stand/1``; unknown values are null."""
    return TypeAdapter(Stand).dump_json(stand, indent=1).decode()
