"""The bike at the stand: every quantity before and after changes, what moved most, and what to measure again."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import TypeAdapter

from telemetry.arrays import ENDS
from telemetry.bike import Bike, bike_warnings, parse_bike, rear_end, sag_lacks
from telemetry.errors import BikeFileError
from telemetry.stand.changes import Change, Changed, apply_changes
from telemetry.stand.quantities import QUANTITIES, Values, measure
from telemetry.stand.recheck import CAUTION, Recheck, recheck_list
from telemetry.stand.sags import SagCheck, SagWindow, SpringCheck, check_sags, sag_windows
from telemetry.stand.targets import Target, reach

SCHEMA = "bothends.stand/1"
_MOST = 6  # of what moved most
_NOTICED = 0.5  # least change shown, in steps of the quantity
# Says again what another row has said: the pitch what the rake, the normal what the ground trail, and so on.
_SAID_ALREADY = (
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

    Parameters
    ----------
    bike : Bike
        What it lacks costs the quantities that need it.
    targets : mapping of key to number, optional
        Quantities that are wanted; the ways start from the bike after the changes.
    measured : mapping of key to number, optional
        Measured sags such as ``front.rider_sag_mm``, in place of those of the bike file. [mm]

    Raises
    ------
    BikeFileError
        If a key is unknown, or a change cannot be or passes a limit.
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
            if row.steps is not None and abs(row.steps) >= _NOTICED and not _said_already(row.key, before)
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


def _said_already(key: str, values: Values) -> bool:
    """True if another row holds the same value; also for extended rows if the sag is available."""
    return key in _SAID_ALREADY or (key.startswith("extended.") and values["rake_deg"] is not None)


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
