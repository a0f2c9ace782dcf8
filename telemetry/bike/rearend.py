"""Rear end of a bike file: leverage curve and axle path, including changes since it was measured."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.bike.ends import LONGEST_STROKE_MM, Rear
from telemetry.bike.leverage import (
    FittedLeverage,
    LeverageCurve,
    LinkageError,
    LinkageSolution,
    Mechanism,
    build_mechanism,
    fit_leverage,
    solve_linkage,
)
from telemetry.bike.sections import MeasuredAt, Point

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
        z = self.extended_axle_mm[1] + float(self.curve.wheel_travel_mm(np.array([shaft_mm]))[0])
        if self.pivot_mm is None or self.arm_mm is None:
            return np.array([self.extended_axle_mm[0], z])
        down = self.pivot_mm[1] - z
        return np.array([self.pivot_mm[0] - float(np.sqrt(self.arm_mm**2 - down**2)), z])

    def axle_slope(self, shaft_mm: float) -> FloatArray:
        """Derivative of the axle position, d[x, z]/d(shock travel)."""
        ratio = float(self.curve.ratio(np.array([shaft_mm]))[0])
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

    Raises
    ------
    LinkageError
        If the points make no suspension over the whole stroke.
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
