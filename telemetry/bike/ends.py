"""The two ends, [front] and [rear] of the bike file, and the rear's leverage and axle path as it stands now."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import Annotated, Any, ClassVar, Self

import numpy as np
from pydantic import Field, ValidationError, model_validator

from telemetry.arrays import FloatArray
from telemetry.bike.dyno import Dyno, fitted_sides
from telemetry.bike.leverage import (
    BEYOND_MM,
    FittedLeverage,
    LeverageCurve,
    LinkageError,
    LinkageSolution,
    Mechanism,
    build_mechanism,
    fit_leverage,
    solve_linkage,
)
from telemetry.bike.sections import (
    RANGES,
    Chain,
    Eccentric,
    Linkage,
    Measured,
    MeasuredAt,
    MountInsert,
    Point,
    Section,
    Sensor,
    SpringParts,
    Swingarm,
)

LEVERAGES = ("leverage_table_mm", "leverage_points_mm", "linkage")  # a rear has one of these
_KEYS = ("id", "serviced")
_CURVE = ("compression", "rebound", "dyno", "dyno_file")

# Low/high speed split of damper speed at the shaft: a setting of the bike file. Common practice, no source.
FRONT_SPEED_SPLIT_MM_S = 150.0
REAR_SPEED_SPLIT_MM_S = 100.0
# Largest wheel travel of a table at full extension; a larger one has another zero. Own choice.
_EXTENDED_WITHIN_MM = 1.0
# Mean leverage ratio over the stroke: about 1 with the shock at the axle, 4 with one near the pivot; common practice,
# no source.
LEVERAGE = (0.9, 6.0)
DAMPER_CLICKS = ("compression_clicks", "rebound_clicks")

# At a road-race rear the wheel moves 1.6 to 2.1 times as far as the shock (common practice); wider here, for other
# linkages. A ratio below 1 throughout whose inverse lies within is a table with its columns the other way about.
USUAL_RATIO = (1.2, 3.5)
LEAST_RATIO = 0.9
# No shock is so short. [mm]
LEAST_STROKE_MM = 1.0
# No damper of a motorcycle is longer; a leverage curve goes so far where the stroke is open. [mm]
LONGEST_STROKE_MM = RANGES["stroke_mm"].high


class DamperIdentity(Section):
    """Identity of the fitted damper: its engraved or written id, and the date of its last service."""

    id: Annotated[str, Field(min_length=1)]
    serviced: date | None = None


class WithIdentity(Section):
    """An end whose damper has an identity (``id``, ``serviced`` in the file), with or without its curve."""

    fitted: DamperIdentity | None = None

    @model_validator(mode="before")
    @classmethod
    def _identity_of_the_damper(cls, data: Any) -> Any:
        damper = data.get("damper") if isinstance(data, dict) else None
        if not isinstance(damper, dict) or not set(_KEYS) & set(damper):
            return data
        if "id" not in damper:
            raise ValueError("damper.serviced needs damper.id as well: which damper was it?")
        try:
            identity = DamperIdentity(**{key: damper[key] for key in _KEYS if key in damper})
        except ValidationError as error:
            wrong = error.errors()[0]["loc"][0]
            needed = "a name" if wrong == "id" else "a date such as 2026-05-01"
            raise ValueError(f"damper.{wrong} must be {needed}, not {damper[str(wrong)]!r}") from None
        rest = {key: value for key, value in damper.items() if key not in _KEYS}
        has_curve = any(key in rest for key in _CURVE)
        return {**data, "fitted": identity, "damper": rest if has_curve else None}


class DamperSide(Section):
    """One direction of a digressive damper: steep up to the knee, flatter above.

    F(v) = high v + (low - high) knee tanh(v / knee), with v the shaft speed.
    """

    low_n_s_per_mm: float
    high_n_s_per_mm: float
    knee_mm_s: float = 120.0


class Damper(Section):
    """Damper force, compression and rebound apart, and the friction of the seals.

    Instead of the two sides a dynamometer table: ``dyno`` with rows [clicks, speed mm/s, force N], or
    ``dyno_file`` with the columns clicks, speed_mm_s, force_n beside the bike file. Compression is positive in
    speed and force; clicks are those of the side that the speed's sign names, from fully closed. The two sides
    are then fitted to the table at ``compression_clicks`` and ``rebound_clicks``, which are written in [front] and
    [rear], as in a setup sheet; in [front.damper] and [rear.damper] they are understood as well.
    """

    compression: DamperSide
    rebound: DamperSide
    friction_n: float = 0.0
    compression_clicks: float | None = None
    rebound_clicks: float | None = None
    dyno: Dyno | None = None

    @model_validator(mode="before")
    @classmethod
    def _sides_from_dyno(cls, data: Any) -> Any:
        if isinstance(data, dict) and data.get("dyno") is not None:
            return {
                **data,
                **fitted_sides(data["dyno"], data.get("compression_clicks"), data.get("rebound_clicks")),
            }
        return data


class _EndSection(WithIdentity):
    """Keys of either end; travel and speed need none of these. Clicks are counted from fully closed."""

    tyre_radius_mm: float | None = None
    spring_rate_n_per_mm: float | None = None
    preload_mm: float | None = None
    compression_clicks: float | None = None
    rebound_clicks: float | None = None
    high_speed_compression_clicks: float | None = None
    high_speed_rebound_clicks: float | None = None
    tyre_rate_n_per_mm: float | None = None
    tyre_damping_n_s_per_mm: float = 0.15
    unsprung_mass_kg: float | None = None
    damper: Damper | None = None
    sensor: Sensor | None = None
    spring: SpringParts | None = None
    measured: Measured | None = None

    @model_validator(mode="before")
    @classmethod
    def _clicks_also_for_the_damper(cls, data: Any) -> Any:
        damper = data.get("damper") if isinstance(data, dict) else None
        if not isinstance(damper, dict):
            return data
        clicks = {key: data.get(key, damper.get(key)) for key in DAMPER_CLICKS}
        given = {key: value for key, value in clicks.items() if value is not None}
        return {**data, **given, "damper": {**damper, **given}}

    @model_validator(mode="before")
    @classmethod
    def _radius_from_circumference(cls, data: Any) -> Any:
        if not isinstance(data, dict) or data.get("tyre_circumference_mm") is None:
            return data
        data = dict(data)
        around = data.pop("tyre_circumference_mm")
        if "tyre_radius_mm" in data:
            raise ValueError("give tyre_radius_mm or tyre_circumference_mm, not both")
        return {**data, "tyre_radius_mm": around / (2 * np.pi) if isinstance(around, int | float) else around}

    @model_validator(mode="after")
    def _fits_its_stroke(self) -> Self:
        stroke_mm: float | None = getattr(self, "stroke_mm" if self.section == "front" else "shock_stroke_mm")
        if self.preload_mm is not None and stroke_mm is not None and self.preload_mm > stroke_mm:
            raise ValueError(
                f"preload_mm = {self.preload_mm:g} is more than the {stroke_mm:g} mm stroke: no spring is clamped by "
                f"more than its damper moves"
            )
        return self


class Front(_EndSection):
    """The fork: stroke along the legs, rake from the vertical, offset of the axle from the steering axis.

    ``fork_height_mm`` is how far the legs stand out above the upper clamp: more lowers the front.
    """

    section: ClassVar[str] = "front"
    stroke_mm: float | None = None
    rake_deg: float | None = None
    fork_offset_mm: float | None = None
    fork_height_mm: float = 0.0
    speed_split_mm_s: float = FRONT_SPEED_SPLIT_MM_S


class Rear(_EndSection):
    """The rear: shock stroke, and one of three descriptions of its leverage, or none.

    ``leverage_table_mm`` are exact pairs (shock travel, vertical wheel travel), extrapolated straight past its ends;
    ``leverage_points_mm`` pairs as measured by hand, to which a smooth monotone curve is fitted; else [rear.linkage]
    with [rear.swingarm]. ``shock_length_mm`` is eye to eye at full extension, ``axle_back_mm`` the axle's place in the
    chain adjuster, positive to the rear along the swingarm.
    """

    section: ClassVar[str] = "rear"
    shock_stroke_mm: float | None = None
    leverage_table_mm: Annotated[tuple[tuple[float, float], ...], Field(min_length=2)] | None = None
    leverage_points_mm: Annotated[tuple[tuple[float, float], ...], Field(min_length=5)] | None = None
    swingarm: Swingarm | None = None
    linkage: Linkage | None = None
    shock_length_mm: float | None = None
    axle_back_mm: float = 0.0
    mount_insert: MountInsert | None = None
    eccentric: Eccentric | None = None
    chain: Chain | None = None
    speed_split_mm_s: float = REAR_SPEED_SPLIT_MM_S

    @model_validator(mode="after")
    def _one_description_of_the_leverage(self) -> Self:
        given = [name for name in LEVERAGES if getattr(self, name) is not None]
        if len(given) > 1:
            raise ValueError(f"needs only one of {', '.join(LEVERAGES)} (given: {', '.join(given)})")
        if self.linkage is not None and self.shock_stroke_mm is None:
            raise ValueError("linkage needs shock_stroke_mm as well")
        for name, needed in (("linkage", "swingarm"), ("chain", "swingarm"), ("mount_insert", "linkage"),
                             ("eccentric", "swingarm")):  # fmt: skip
            if getattr(self, name) is not None and getattr(self, needed) is None:
                raise ValueError(f"{name} needs [rear.{needed}] as well")
        if self.eccentric and self.eccentric.moves == "pivot_mm" and self.linkage is None:
            raise ValueError("eccentric.moves = 'pivot_mm' needs [rear.linkage] as well")
        return self

    @model_validator(mode="after")
    def _columns_are_shock_and_wheel(self) -> Self:
        for name in ("leverage_table_mm", "leverage_points_mm"):
            if hint := table_mistake(getattr(self, name) or ()):
                raise ValueError(f"{name}: {hint}")
        return self

    @model_validator(mode="after")
    def _table_rises_through_full_extension(self) -> Self:
        pairs = self.leverage_table_mm
        if pairs is None:
            return self
        for row, ((s0, w0), (s1, w1)) in enumerate(zip(pairs, pairs[1:], strict=False), start=2):
            if s1 <= s0 or w1 <= w0:
                raise ValueError(
                    f"leverage_table_mm row {row}: [{s1:g}, {w1:g}] does not rise above [{s0:g}, {w0:g}]; "
                    f"both columns must rise strictly (measured with noise? call it leverage_points_mm)"
                )
        shaft, wheel = np.array(pairs).T
        stroke_mm = shaft[-1] if self.shock_stroke_mm is None else self.shock_stroke_mm
        if shaft[0] > BEYOND_MM or shaft[-1] < 0.5 * stroke_mm:
            raise ValueError(
                f"leverage_table_mm goes from {shaft[0]:g} to {shaft[-1]:g} mm of shock travel, but shock_stroke_mm "
                f"is {stroke_mm:g}; measure the table over the whole stroke, in mm"
            )
        extended = float(LeverageCurve(tuple(shaft), tuple(wheel)).wheel_travel_mm(np.zeros(1))[0])
        if abs(extended) > _EXTENDED_WITHIN_MM:
            raise ValueError(
                f"leverage_table_mm must go through [0, 0] (full extension), but gives {extended:.1f} mm of wheel "
                f"travel at 0 mm of shock travel; count both columns from full extension"
            )
        return self


def table_mistake(pairs: Sequence[tuple[float, float]]) -> str:
    """Probable mistake in an impossible leverage table of (shock, wheel) [mm], "" if the table is possible."""
    if not pairs:
        return ""
    shock, wheel = (abs(pairs[-1][k] - pairs[0][k]) for k in (0, 1))
    if 0.0 < max(shock, wheel) < LEAST_STROKE_MM:
        return (
            f"its last row is [{pairs[-1][0]:g}, {pairs[-1][1]:g}]: this looks like metres; write millimetres"
        )
    if (
        shock > 0.0
        and wheel > 0.0
        and wheel / shock < LEAST_RATIO
        and USUAL_RATIO[0] < shock / wheel < USUAL_RATIO[1]
    ):
        return (
            f"its wheel travel is only {wheel / shock:.2f} times its shock travel, where {USUAL_RATIO[0]:g} to "
            f"{USUAL_RATIO[1]:g} is usual: the columns are probably the other way about. Write [shock, wheel]"
        )
    return ""


# Lengths in the file and between the points may differ by what was adjusted since, not by more (a slip of the pen).
_FARTHEST_LENGTH_MM = 20.0


@dataclass(frozen=True)
class RearEnd:
    """Leverage and axle path of the rear in the chassis frame."""

    curve: LeverageCurve  # wheel against shock travel, from full extension as the bike stands now
    measured_axle_mm: Point  # at full extension, when the file was measured
    extended_axle_mm: Point  # at full extension, now
    pivot_mm: Point | None = None  # of the swingarm, now
    arm_mm: float | None = None  # pivot to axle
    solution: LinkageSolution | None = None  # of a linkage, over the stroke
    fit: FittedLeverage | None = None  # of leverage points
    extended_by_mm: float = 0.0  # shock travel by which the table was extrapolated

    def axle_mm(self, shaft_mm: float) -> FloatArray:
        """Axle [x, z] in the chassis frame at a shock travel. [mm]"""
        return np.asarray(self.axles_mm(np.array([shaft_mm]))[0])

    def axles_mm(self, shaft_mm: FloatArray) -> FloatArray:
        """Axles in the chassis frame at shock travels, shape (n, 2). [mm]"""
        z = self.extended_axle_mm[1] + self.curve.wheel_travel_mm(shaft_mm)
        x = np.full(len(z), self.extended_axle_mm[0])
        if self.pivot_mm is not None and self.arm_mm is not None:
            x = self.pivot_mm[0] - np.sqrt(self.arm_mm**2 - (self.pivot_mm[1] - z) ** 2)
        return np.column_stack([x, z])

    def axle_slope(self, shaft_mm: float) -> FloatArray:
        """Derivative of the axle position, d[x, z]/d(shock travel)."""
        ratio = self.curve.ratio_at(shaft_mm)
        if self.pivot_mm is None:
            return np.array([0.0, ratio])
        back, up = self.axle_mm(shaft_mm) - np.array(self.pivot_mm)
        return np.array([-up / back * ratio, ratio])


def _offset(
    rear: Rear, insert: str | None, eccentric_deg: float | None, back_mm: float
) -> dict[str, FloatArray]:
    """Displacements by inserts, eccentric and chain adjuster, by the key of the moved point. [mm]"""
    moved: dict[str, FloatArray] = {}
    if rear.mount_insert:
        moved[rear.mount_insert.moves] = np.array(
            rear.mount_insert.offset_mm(insert or rear.mount_insert.selected)
        )
    if rear.eccentric:
        angle = np.radians(rear.eccentric.angle_deg if eccentric_deg is None else eccentric_deg)
        arm = rear.eccentric.radius_mm * np.array([np.cos(angle), np.sin(angle)])
        moved[rear.eccentric.moves] = moved.get(rear.eccentric.moves, 0.0) + arm
    if rear.swingarm and back_mm:
        along = np.subtract(rear.swingarm.axle_mm, rear.swingarm.pivot_mm)
        moved["axle_mm"] = moved.get("axle_mm", 0.0) + back_mm * along / np.hypot(*along)
    return moved


def shifts_mm(rear: Rear, at: MeasuredAt) -> dict[str, Point]:
    """Displacements of points since they were measured, by key. [mm]"""
    now = _offset(rear, None, None, rear.axle_back_mm)
    then = _offset(
        rear,
        at.mount_insert,
        at.eccentric_deg,
        rear.axle_back_mm if at.axle_back_mm is None else at.axle_back_mm,
    )
    none = np.zeros(2)
    moved = {key: now.get(key, none) - then.get(key, none) for key in {*now, *then}}
    return {key: (float(x), float(z)) for key, (x, z) in moved.items()}


@lru_cache(maxsize=64)
def rear_end(rear: Rear, at: MeasuredAt) -> RearEnd:
    """Leverage curve and axle path of the rear of a bike file; ``at`` are its settings when its points were measured.

    `LinkageError` if the points make no suspension over the whole stroke.
    """
    if rear.linkage is not None:
        return _from_linkage(rear, at)
    return _from_table(rear, at)


def mechanism_of(rear: Rear, at: MeasuredAt) -> tuple[Mechanism, float]:
    """Current linkage of a rear end, and its shock length at full extension. [mm]"""
    assert rear.swingarm is not None and rear.linkage is not None
    as_measured = build_mechanism(rear.swingarm, rear.linkage)
    between_eyes = float(as_measured.shock_at(np.zeros(1))[0][0])
    length = between_eyes if rear.shock_length_mm is None else rear.shock_length_mm
    if abs(length - between_eyes) > _FARTHEST_LENGTH_MM:
        raise LinkageError(
            f"shock_length_mm = {length:g}, but the points put its eyes {between_eyes:.1f} mm apart; one is mistyped"
        )
    return build_mechanism(rear.swingarm, rear.linkage, shifts_mm(rear, at)), length


def _from_linkage(rear: Rear, at: MeasuredAt) -> RearEnd:
    assert rear.swingarm is not None and rear.linkage is not None
    mechanism, length = mechanism_of(rear, at)
    assert rear.shock_stroke_mm is not None
    solution = solve_linkage(mechanism, rear.shock_stroke_mm, shock_length_mm=length)
    declared = getattr(rear.linkage, "rod", None)
    if declared is not None:
        pushed = mechanism.rod_push(solution.turn_rad)
        if not np.all(pushed > 0 if declared == "push" else pushed < 0):
            raise LinkageError(
                f"rod = '{declared}', but with these points the rod is "
                f"{'pushed' if pushed[0] > 0 else 'pulled'} when the wheel rises; a point is mistyped"
            )
    curve = LeverageCurve(
        tuple(solution.shaft_mm.tolist()), tuple(solution.wheel_mm.tolist()), tuple(solution.ratio.tolist())
    )
    x, z = (float(value) for value in solution.axle_mm[0])
    pivot = (float(mechanism.pivot[0]), float(mechanism.pivot[1]))
    return RearEnd(curve, rear.swingarm.axle_mm, (x, z), pivot, float(np.hypot(*mechanism.axle)), solution)


def _from_table(rear: Rear, at: MeasuredAt) -> RearEnd:
    fit = None
    if rear.leverage_points_mm is not None:
        fit = fit_leverage(rear.leverage_points_mm, rear.shock_stroke_mm or max(rear.leverage_points_mm)[0])
        base = LeverageCurve(fit.shaft_mm, fit.wheel_mm, fit.ratio)
    else:
        unknown = ((0.0, np.nan), (rear.shock_stroke_mm or LONGEST_STROKE_MM, np.nan))
        shaft, wheel = zip(*(rear.leverage_table_mm or unknown), strict=True)
        base = LeverageCurve(shaft, wheel)
    longer = 0.0
    if rear.shock_length_mm is not None and at.shock_length_mm is not None:
        longer = rear.shock_length_mm - at.shock_length_mm
    curve, dropped, extended = _shifted(base, longer, rear.shock_stroke_mm or base.shaft_mm[-1])
    measured = rear.swingarm.axle_mm if rear.swingarm else (0.0, 0.0)
    axle = np.array([measured[0], measured[1] - dropped])
    if rear.swingarm is None:
        back = rear.axle_back_mm - (rear.axle_back_mm if at.axle_back_mm is None else at.axle_back_mm)
        return RearEnd(
            curve, measured, (float(axle[0]) - back, float(axle[1])), fit=fit, extended_by_mm=extended
        )
    pivot = np.array(rear.swingarm.pivot_mm)
    arm = np.array(rear.swingarm.axle_mm) - pivot
    length = float(np.hypot(*arm))
    reach = np.abs(np.array([axle[1], axle[1] + curve.wheel_mm[-1]]) - pivot[1])
    if np.any(reach >= 0.9 * length):
        raise LinkageError("swingarm.axle_mm rises further than its length allows; check swingarm and table")
    axle[0] = pivot[0] - np.sqrt(length**2 - (axle[1] - pivot[1]) ** 2)
    shift = np.array(shifts_mm(rear, at).get("axle_mm", (0.0, 0.0)))
    if np.any(shift):
        curve, axle, length = _on_another_arm(curve, axle, pivot, arm, arm + shift)
    return RearEnd(
        curve, measured, (float(axle[0]), float(axle[1])), rear.swingarm.pivot_mm, length, None, fit, extended
    )


def _shifted(base: LeverageCurve, longer_mm: float, stroke_mm: float) -> tuple[LeverageCurve, float, float]:
    """Curve from a changed full extension, drop of the axle there, and extrapolated travel. [mm]

    A changed shock length extrapolates the linear trend of the ratio; a table short of the stroke keeps its end ratio.
    """
    shaft = np.array(base.shaft_mm)
    start, stop = -longer_mm, stroke_mm - longer_mm
    if longer_mm == 0.0:
        if shaft[0] == 0.0 and shaft[-1] >= stroke_mm:
            return base, 0.0, 0.0
        stop = max(stop, shaft[-1])
    ratio = base.ratio(shaft)
    trend = float(np.polyfit(shaft, ratio, 1)[0]) if len(shaft) > 2 and longer_mm != 0.0 else 0.0
    extended = max(0.0, shaft[0] - start) + max(0.0, stop - shaft[-1])

    def continued(at: FloatArray) -> tuple[FloatArray, FloatArray]:
        inside = np.clip(at, shaft[0], shaft[-1])
        beyond = at - inside
        edge = base.ratio(inside)
        return (base.wheel_travel_mm(inside) + edge * beyond + 0.5 * trend * beyond**2, edge + trend * beyond)

    knots = np.unique(np.concatenate([[start, stop], shaft[(shaft > start) & (shaft < stop)]]))
    travel, slope = continued(knots)
    return (
        LeverageCurve(
            tuple((knots - start).tolist()),
            tuple((travel - travel[0]).tolist()),
            tuple(slope.tolist()),
            measured_mm=(float(shaft[0]), float(shaft[-1])) if longer_mm == 0.0 else None,
        ),
        -float(travel[0]),
        float(extended),
    )


def _on_another_arm(
    curve: LeverageCurve, axle: FloatArray, pivot: FloatArray, arm: FloatArray, new_arm: FloatArray
) -> tuple[LeverageCurve, FloatArray, float]:
    """Curve, axle and arm length after moving the axle in the swingarm; the swingarm angle is as before."""
    shaft = np.linspace(0.0, curve.shaft_mm[-1], 101)
    length, new_length = float(np.hypot(*arm)), float(np.hypot(*new_arm))
    # Angles below the horizontal, behind the pivot.
    angle = np.arcsin((pivot[1] - axle[1] - curve.wheel_travel_mm(shaft)) / length)
    turned = float(np.arctan2(-new_arm[1], -new_arm[0]) - np.arctan2(-arm[1], -arm[0]))
    new_angle = angle + turned
    travel = new_length * (np.sin(new_angle[0]) - np.sin(new_angle))
    ratio = curve.ratio(shaft) * new_length * np.cos(new_angle) / (length * np.cos(angle))
    where = pivot - new_length * np.array([np.cos(new_angle[0]), np.sin(new_angle[0])])
    made = LeverageCurve(
        tuple(shaft.tolist()), tuple(travel.tolist()), tuple(ratio.tolist()), measured_mm=curve.measured_mm
    )
    return made, where, new_length
