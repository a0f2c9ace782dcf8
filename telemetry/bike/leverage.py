"""Leverage curve: wheel travel and leverage ratio against damper shaft travel.

Travel is 0 at full extension, compression positive. The leverage ratio is d(wheel)/d(shaft): about 1.6-2.1 and
falling with stroke at a road-race rear, constant cos(rake) at the front.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np

from telemetry.arrays import BoolArray, FloatArray
from telemetry.bike.sections import DirectShock, Linkage, Point, RockerOnFrame, Swingarm
from telemetry.numeric import Cubic, shape_preserving

# Distance past its ends over which a straight continuation is trusted: stops yield by 2 to 3 mm in a hard contact,
# a sensor's zero and a table's last point are a millimetre off (common practice, no source).
BEYOND_MM = 5.0

SHORTEST_LINK_MM = 1.0  # points nearer than this are one point or a typing error

# Searched range of swingarm angle and its step; real ones stay within about 20 degrees.
_LOWEST_DEG, _HIGHEST_DEG, _STEP_DEG = -25.0, 75.0, 0.25
_NEWTON_STEPS = 4  # from a quarter of a degree: quadratic, the third already reaches rounding
_KNOTS = 201  # of the resulting curve: exact at the knots, better than 1e-7 mm between them

LEAST_RATIO = 0.05  # keeps the fitted curve rising; far below any real ratio
_KNOT_SPACING_MM = 2.0
_SMOOTHING = np.logspace(-2.0, 8.0, 41)
_COUNTED = 1.4  # weight of each degree of freedom in the cross-validation


@dataclass(frozen=True)
class LeverageCurve:
    """Wheel travel as a smooth, strictly rising function of shaft travel. [mm]

    A shape-preserving cubic (PCHIP [1]_) through the measured points: it rises wherever the table rises and never
    overshoots between points. A table of constant ratio gives exactly that ratio. Past either end the curve is
    straight with its end ratio; see `trusted`.

    References
    ----------
    .. [1] F. N. Fritsch, J. Butland, SIAM J. Sci. Stat. Comput. 5(2), 300-304, 1984, doi:10.1137/0905021.
    """

    shaft_mm: tuple[float, ...]  # the table; both columns rise strictly
    wheel_mm: tuple[float, ...]
    ratio_at_points: tuple[float, ...] | None = (
        None  # if known from pivot coordinates: the cubic then has these slopes
    )
    measured_mm: tuple[float, float] | None = None  # range of shaft travel, if shorter than the curve

    @cached_property
    def _wheel(self) -> Cubic:
        if self.ratio_at_points is not None:
            return Cubic(self.shaft_mm, self.wheel_mm, self.ratio_at_points)
        return shape_preserving(self.shaft_mm, self.wheel_mm)

    @cached_property
    def _shaft(self) -> tuple[FloatArray, FloatArray]:
        shaft = np.linspace(self.shaft_mm[0], self.shaft_mm[-1], 2001)
        return shaft, self._wheel(shaft)

    def _inside(self, shaft_travel_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Shaft travel clipped to the curve, and the distance beyond it. [mm]"""
        shaft = np.asarray(shaft_travel_mm, dtype=np.float64)
        inside = np.clip(shaft, self.shaft_mm[0], self.shaft_mm[-1])
        return inside, shaft - inside

    def trusted(self, shaft_travel_mm: FloatArray) -> BoolArray:
        """True within the measured range and up to `BEYOND_MM` past it; False where the input is NaN."""
        first, last = self.measured_mm or (self.shaft_mm[0], self.shaft_mm[-1])
        return (shaft_travel_mm >= first - BEYOND_MM) & (shaft_travel_mm <= last + BEYOND_MM)

    def wheel_travel_mm(self, shaft_travel_mm: FloatArray) -> FloatArray:
        """Wheel travel, vertical at the axle relative to the chassis, from shaft travel; NaN where that is. [mm]"""
        inside, beyond = self._inside(shaft_travel_mm)
        wheel = self._wheel(inside)
        out = beyond != 0.0  # few samples if any; NaN is among them, and stays NaN
        wheel[out] += beyond[out] * self._wheel.slope(inside[out])
        return wheel

    def ratio(self, shaft_travel_mm: FloatArray) -> FloatArray:
        """Leverage ratio d(wheel)/d(shaft) at a shaft travel [mm]; unitless, shape (n_samples,), NaN where that is."""
        return self._wheel.slope(self._inside(shaft_travel_mm)[0])

    def wheel_and_ratio(self, shaft_travel_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """`wheel_travel_mm` and `ratio` in one, of few enough samples to stay in the cache."""
        inside, beyond = self._inside(shaft_travel_mm)
        wheel, ratio = self._wheel.with_slope(inside)
        beyond *= ratio
        wheel += beyond
        return wheel, ratio

    def wheel_mm_at(self, shaft_mm: float) -> float:
        """Wheel travel at one shaft travel. [mm]"""
        return float(self.wheel_travel_mm(np.array([shaft_mm]))[0])

    def ratio_at(self, shaft_mm: float) -> float:
        """Leverage ratio at one shaft travel [mm]."""
        return float(self.ratio(np.array([shaft_mm]))[0])

    def ratio_slope_per_mm(self, shaft_mm: float) -> float:
        """Slope of the ratio, d(ratio)/d(shaft), negative if falling; central difference over 0.5 mm. [1/mm]"""
        step = 0.25
        low, high = max(self.shaft_mm[0], shaft_mm - step), min(self.shaft_mm[-1], shaft_mm + step)
        return (self.ratio_at(high) - self.ratio_at(low)) / (high - low)

    def shaft_travel_mm(self, wheel_travel_mm: FloatArray) -> FloatArray:
        """Shaft travel from wheel travel in the table: the inverse of `wheel_travel_mm`, to about 1e-4 mm. [mm]"""
        shaft, wheel = self._shaft
        found = np.empty(len(wheel_travel_mm))
        order = np.argsort(wheel_travel_mm)  # each is found beside the one before
        found[order] = np.interp(wheel_travel_mm[order], wheel, shaft)
        return found

    @property
    def wheel_stroke_mm(self) -> float:
        """Wheel travel at the end of the table. [mm]"""
        return self.wheel_mm[-1]


class LinkageError(ValueError):
    """Points that make no suspension; the message names them and the reason."""


@dataclass(frozen=True)
class _Moving:
    """A point at many swingarm angles: position, first and second derivative, each of shape (n, 2)."""

    p: FloatArray
    v: FloatArray
    a: FloatArray

    def __sub__(self, other: "_Moving") -> "_Moving":
        return _Moving(self.p - other.p, self.v - other.v, self.a - other.a)


def _dot(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(a[..., 0] * b[..., 0] + a[..., 1] * b[..., 1])


def _turned(vector: FloatArray) -> FloatArray:
    """Derivative of a rotating vector with respect to its angle: (x, z) -> (z, -x)."""
    return np.stack([vector[..., 1], -vector[..., 0]], axis=-1)


@dataclass(frozen=True)
class Mechanism:
    """Linkage with its link lengths; points of shape (2,). [mm]

    ``shock_far`` and ``rod_far`` stand on ``*_body``; without a rod the near shock eye is on the swingarm. Points on
    the swingarm are relative to its pivot. ``shock_near`` is relative to the rocker pivot, along the arm to the rod and
    across.
    """

    pivot: FloatArray
    axle: FloatArray
    shock_near: FloatArray
    shock_far: FloatArray
    shock_far_body: Literal["frame", "swingarm"]
    rocker_body: Literal["frame", "swingarm"] | None = None
    rocker_pivot: FloatArray | None = None
    rod_far: FloatArray | None = None
    arm_mm: float = 0.0
    rod_mm: float = 0.0
    branch: float = 1.0

    def _on(self, body: str, point: FloatArray, turn: FloatArray) -> _Moving:
        if body == "frame":
            still = np.zeros((len(turn), 2))
            return _Moving(still + point, still, still)
        cos, sin = np.cos(turn), np.sin(turn)
        r = np.stack([point[0] * cos + point[1] * sin, -point[0] * sin + point[1] * cos], axis=-1)
        return _Moving(self.pivot + r, _turned(r), -r)

    def axle_at(self, turn: FloatArray) -> _Moving:
        """Rear axle at swingarm angles. [rad]"""
        return self._on("swingarm", self.axle, turn)

    def _loop(self, turn: FloatArray) -> tuple[_Moving, _Moving, FloatArray, FloatArray, FloatArray]:
        """Rocker pivot, far end and arm of the rod; derivatives 1 and 2 of the rocker angle by swingarm angle."""
        assert self.rocker_pivot is not None and self.rod_far is not None and self.rocker_body is not None
        other = "swingarm" if self.rocker_body == "frame" else "frame"
        c, d = self._on(self.rocker_body, self.rocker_pivot, turn), self._on(other, self.rod_far, turn)
        between = d.p - c.p
        distance = np.sqrt(_dot(between, between))
        along = (self.arm_mm**2 - self.rod_mm**2 + distance**2) / (2.0 * distance)
        with np.errstate(invalid="ignore"):  # links that cannot meet give NaN, which the caller handles
            across = self.branch * np.sqrt(self.arm_mm**2 - along**2)
        unit = between / distance[:, None]
        arm = along[:, None] * unit - across[:, None] * _turned(unit)
        w, relative = arm - between, c - d
        lever = _dot(w, _turned(arm))
        with np.errstate(divide="ignore", invalid="ignore"):
            rate = -_dot(w, relative.v) / lever
            wv = relative.v + rate[:, None] * _turned(arm)
            rate2 = -(_dot(wv, wv) + _dot(w, relative.a) - rate**2 * _dot(w, arm)) / lever
        return c, d, arm, rate, rate2

    def _near_eye(self, turn: FloatArray) -> _Moving:
        if self.rocker_body is None:
            return self._on("swingarm", self.shock_near, turn)
        c, _, arm, rate, rate2 = self._loop(turn)
        q = self._on_rocker(arm)
        return _Moving(
            c.p + q,
            c.v + rate[:, None] * _turned(q),
            c.a + rate2[:, None] * _turned(q) - (rate**2)[:, None] * q,
        )

    def _on_rocker(self, arm: FloatArray) -> FloatArray:
        unit = arm / self.arm_mm
        return np.asarray(self.shock_near[0] * unit - self.shock_near[1] * _turned(unit))

    def shock_at(self, turn: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Shock length and its first and second derivative by swingarm angle. [mm, mm/rad, mm/rad2]"""
        u = self._near_eye(turn) - self._on(self.shock_far_body, self.shock_far, turn)
        length = np.sqrt(_dot(u.p, u.p))
        first = _dot(u.p, u.v) / length
        return length, first, (_dot(u.v, u.v) + _dot(u.p, u.a) - first**2) / length

    def rod_push(self, turn: FloatArray) -> FloatArray:
        """Compression of the rod per newton of shock force; negative if the rod is in tension."""
        c, _, arm, _, _ = self._loop(turn)
        between = self._loop(turn)[1].p - c.p
        q = self._on_rocker(arm)
        u = c.p + q - self._on(self.shock_far_body, self.shock_far, turn).p
        # Virtual work of a rod that lengthens while the swingarm stands still.
        return -self.rod_mm * _dot(u, _turned(q)) / (_dot(arm - between, _turned(arm)) * np.sqrt(_dot(u, u)))


def _point(values: Point) -> FloatArray:
    return np.array(values, dtype=np.float64)


def _link(name: str, a: FloatArray, b: FloatArray) -> float:
    length = float(np.hypot(*(b - a)))
    if length < SHORTEST_LINK_MM:
        raise LinkageError(f"{name} are the same point ({a[0]:g}, {a[1]:g}); a link needs a length")
    return length


def _cross(a: FloatArray, b: FloatArray) -> float:
    return float(a[0] * b[1] - a[1] * b[0])


def _segments_cross(a: FloatArray, b: FloatArray, c: FloatArray, d: FloatArray) -> bool:
    return bool(
        _cross(b - a, c - a) * _cross(b - a, d - a) < 0.0
        and _cross(d - c, a - c) * _cross(d - c, b - c) < 0.0
    )


def build_mechanism(
    swingarm: Swingarm, linkage: Linkage, shifts_mm: dict[str, Point] | None = None
) -> Mechanism:
    """Mechanism with link lengths from the points; ``shifts_mm`` moves points by key, rods keep their length. [mm]

    Raises `LinkageError` if two ends of a link are one point, or the links cross.
    """
    at = {
        key: _point(value)
        for section in (swingarm, linkage)
        for key, value in section.model_dump().items()
        if isinstance(value, tuple)
    }
    pivot = at["pivot_mm"]
    _link("swingarm.pivot_mm and swingarm.axle_mm", pivot, at["axle_mm"])
    shift = {key: _point(value) for key, value in (shifts_mm or {}).items()}
    none = np.zeros(2)

    def placed(key: str, on_swingarm: bool) -> FloatArray:
        moved = at[key] + shift.get(key, none)
        return moved - pivot if on_swingarm else moved

    far_body: Literal["frame", "swingarm"] = "frame" if at.get("shock_frame_mm") is not None else "swingarm"
    if isinstance(linkage, DirectShock):
        _link("shock_frame_mm and shock_swingarm_mm", at["shock_frame_mm"], at["shock_swingarm_mm"])
        return Mechanism(
            pivot + shift.get("pivot_mm", none),
            placed("axle_mm", True),
            placed("shock_swingarm_mm", True),
            placed("shock_frame_mm", False),
            "frame",
        )
    far_key = f"shock_{far_body}_mm"
    on_frame = isinstance(linkage, RockerOnFrame)
    rod_key = "rod_swingarm_mm" if on_frame else "rod_frame_mm"
    c, e, d, q = at["rocker_pivot_mm"], at["rod_rocker_mm"], at[rod_key], at["shock_rocker_mm"]
    arm = _link("rocker_pivot_mm and rod_rocker_mm", c, e)
    rod = _link(f"rod_rocker_mm and {rod_key}", e, d)
    _link("rocker_pivot_mm and shock_rocker_mm", c, q)
    _link(f"shock_rocker_mm and {far_key}", q, at[far_key])
    _link(f"pivot_mm and {rod_key}", pivot, d)
    _link("pivot_mm and rocker_pivot_mm", pivot, c)
    _link(f"rocker_pivot_mm and {rod_key}", c, d)
    # the loop is pivot, end on the swingarm, ..., end on the frame
    swing, ground = (d, c) if on_frame else (c, d)
    second, third = ((d, e), (e, c)) if on_frame else ((c, e), (e, d))
    if _segments_cross(pivot, swing, *third) or _segments_cross(*second, ground, pivot):
        raise LinkageError(
            f"links cross: pivot_mm, rocker_pivot_mm, rod_rocker_mm and {rod_key} make a crossed loop, which flips "
            f"over under load; check the signs of their coordinates"
        )
    unit = (e - c) / arm
    across = np.array([-unit[1], unit[0]])
    return Mechanism(
        pivot + shift.get("pivot_mm", none),
        placed("axle_mm", True),
        np.array([float((q - c) @ unit), float((q - c) @ across)]),
        placed(far_key, far_body == "swingarm"),
        far_body,
        "frame" if on_frame else "swingarm",
        placed("rocker_pivot_mm", not on_frame),
        placed(rod_key, on_frame),
        arm,
        rod,
        1.0 if _cross(d - c, e - c) >= 0.0 else -1.0,
    )


@dataclass(frozen=True)
class LinkageSolution:
    """The linkage solved over shock travel; arrays of shape (n,), 0 at full extension, compression positive."""

    shaft_mm: FloatArray
    wheel_mm: FloatArray  # vertical, of the axle relative to the chassis
    arc_mm: FloatArray  # along the arc of the axle, always the longer
    ratio: FloatArray  # d(vertical wheel travel)/d(shock travel)
    ratio_slope_per_mm: FloatArray  # d(ratio)/d(shock travel) [1/mm]
    turn_rad: FloatArray  # of the swingarm from the measured position, positive wheel up
    axle_mm: FloatArray  # path in the chassis frame, shape (n, 2)


def _usable(mechanism: Mechanism) -> tuple[FloatArray, FloatArray, str, str]:
    """Swingarm angles around the measured one at which the shock shortens as the wheel rises; reasons for both ends."""
    turn = np.radians(np.arange(_LOWEST_DEG, _HIGHEST_DEG + _STEP_DEG / 2, _STEP_DEG))
    length, slope, _ = mechanism.shock_at(turn)
    start = int(np.argmin(np.abs(turn)))
    closed = np.isfinite(length) & np.isfinite(slope)
    good = closed & (np.where(closed, slope, 0.0) < 0.0)
    if not closed[start]:
        raise LinkageError("the rod does not reach from the rocker to its other end as the points stand")
    if not good[start]:
        raise LinkageError("the shock does not shorten when the wheel rises; check the points of its eyes")
    bad = np.flatnonzero(~good)
    low = int(bad[bad < start].max(initial=-1)) + 1
    high = int(bad[bad > start].min(initial=len(turn)))

    def reason(index: int) -> str:
        if not 0 <= index < len(turn):
            return "the swingarm would have to turn further than any real one"
        if not closed[index]:
            return "rocker and rod line up there (dead centre) and the loop cannot be closed beyond"
        return "the shock stops shortening there"

    return turn[low:high], length[low:high], reason(low - 1), reason(high)


def solve_linkage(
    mechanism: Mechanism,
    stroke_mm: float,
    *,
    shock_length_mm: float | None = None,
    positions: int | FloatArray = _KNOTS,
) -> LinkageSolution:
    """Solve the linkage over the whole stroke, on its measured branch; arrays of shape (n,). [mm]

    ``shock_length_mm`` is eye to eye at full extension (default: as the points stand); ``positions`` a number of evenly
    spaced shock travels, or the travels. Raises `LinkageError` with the reason if part of the stroke cannot be reached.
    """
    turn, length, below, above = _usable(mechanism)
    full = float(mechanism.shock_at(np.zeros(1))[0][0]) if shock_length_mm is None else shock_length_mm
    if full > length[0]:
        raise LinkageError(
            f"a shock of {full:.1f} mm cannot be fitted; at {length[0]:.1f} mm it is at its limit: {below}"
        )
    if full - stroke_mm < length[-1]:
        raise LinkageError(
            f"only {full - length[-1]:.1f} mm of the {stroke_mm:g} mm shock stroke can be reached: {above}"
        )
    if isinstance(positions, int):
        positions = np.linspace(0.0, stroke_mm, positions)
    # Full extension first, then the requested positions, in one solution.
    wanted = full - np.concatenate([[0.0], positions])
    at = np.interp(-wanted, -length, turn)
    for _ in range(_NEWTON_STEPS):
        now, slope, _ = mechanism.shock_at(at)
        step = (wanted - now) / slope
        at = at + step
        if float(np.max(np.abs(step))) < 1e-9:
            break
    _, first, second = mechanism.shock_at(at)
    axle = mechanism.axle_at(at)
    rise, bend = axle.v[:, 1], axle.a[:, 1]
    ratio = -rise / first
    slope = (bend * first - rise * second) / first**3
    if not np.all(ratio > 0.0):
        raise LinkageError("the wheel does not rise when the shock shortens; check swingarm.axle_mm")
    radius = float(np.hypot(*mechanism.axle))
    return LinkageSolution(
        np.asarray(positions, dtype=np.float64),
        axle.p[1:, 1] - axle.p[0, 1],
        radius * (at[1:] - at[0]),
        ratio[1:],
        slope[1:],
        at[1:],
        axle.p[1:],
    )


@dataclass(frozen=True)
class FittedLeverage:
    """A leverage curve fitted to points, 0 at full extension."""

    shaft_mm: tuple[float, ...]  # at the knots
    wheel_mm: tuple[float, ...]
    ratio: tuple[float, ...]  # linear between the knots
    point_shaft_mm: tuple[float, ...]
    residual_mm: tuple[float, ...]  # of each point, positive above the curve
    residual_sd_mm: float  # by the remaining degrees of freedom
    offset_mm: float  # wheel travel that the fit gives to shock travel 0; taken off the curve


def fit_leverage(points: tuple[tuple[float, float], ...], stroke_mm: float) -> FittedLeverage:
    """Rising curve with the least curvature of ratio that points (shock, wheel) [mm] allow, in any order.

    Penalised least squares on second differences of the ratio. The penalty is chosen by generalised cross-validation
    (P. Craven, G. Wahba, Numer. Math. 31, 377-403, 1979, doi:10.1007/BF01404567) with degrees of freedom weighted 1.4
    (Y.-J. Kim, C. Gu, J. R. Stat. Soc. B 66, 337-356, 2004; both from memory). `LinkageError` if the points do not
    cover the stroke, or do not rise.
    """
    from scipy.optimize import lsq_linear

    shaft, wheel = np.array(sorted(points), dtype=np.float64).T
    spread = float(np.polyfit(shaft, wheel, 1)[0]) if np.ptp(shaft) > 0 else 0.0
    if spread <= 0.0:
        raise LinkageError("leverage_points_mm do not rise; each is [shock travel, vertical wheel travel]")
    if len(np.unique(shaft)) < 5 or shaft[-1] < 0.95 * stroke_mm or shaft[0] > 0.1 * stroke_mm:
        raise LinkageError(
            f"leverage_points_mm go from {shaft[0]:g} to {shaft[-1]:g} mm of shock travel; measure at least five over "
            f"the whole {stroke_mm:g} mm stroke"
        )
    end = max(stroke_mm, float(shaft[-1]))
    knots = np.linspace(0.0, end, max(8, int(np.ceil(end / _KNOT_SPACING_MM)) + 1))
    design = np.column_stack([np.ones_like(shaft), _integrals(shaft, knots)])
    bends = np.hstack([np.zeros((len(knots) - 2, 1)), np.diff(np.eye(len(knots)), 2, axis=0)])
    count, best = len(shaft), (np.inf, 0.0, 0.0)
    for weight in _SMOOTHING:
        normal = design.T @ design + weight * bends.T @ bends + 1e-12 * np.eye(design.shape[1])
        solve = np.linalg.solve(normal, design.T)
        misfit = wheel - design @ (solve @ wheel)
        used = float(np.trace(design @ solve))
        left = count - used
        if count - _COUNTED * used <= 0.0:
            continue  # as many degrees of freedom as points: fits any noise
        score = float(misfit @ misfit) / (count - _COUNTED * used) ** 2
        if score < best[0]:
            best = (score, float(weight), left)
    _, weight, left = best
    solution = lsq_linear(
        np.vstack([design, np.sqrt(weight) * bends]),
        np.concatenate([wheel, np.zeros(len(bends))]),
        bounds=(np.concatenate([[-np.inf], np.full(len(knots), LEAST_RATIO)]), np.inf),
        tol=1e-12,
    ).x
    ratio = np.maximum(solution[1:], LEAST_RATIO)
    residual = wheel - design @ solution
    travel = np.concatenate([[0.0], np.cumsum(0.5 * (ratio[1:] + ratio[:-1]) * np.diff(knots))])
    return FittedLeverage(
        tuple(knots.tolist()),
        tuple(travel.tolist()),
        tuple(ratio.tolist()),
        tuple(shaft.tolist()),
        tuple(residual.tolist()),
        float(np.sqrt(residual @ residual / max(left, 1.0))),
        float(solution[0]),
    )


def _integrals(shaft: FloatArray, knots: FloatArray) -> FloatArray:
    """Wheel travel for a ratio of 1 at one knot and 0 at the others, of shape (n_shaft, n_knots)."""
    step = float(knots[1] - knots[0])
    from_knot = (shaft[:, None] - knots[None, :]) / step

    def hat_integral(u: FloatArray) -> FloatArray:
        u = np.clip(u, -1.0, 1.0)
        return np.where(u < 0, 0.5 * (1 + u) ** 2, 1.0 - 0.5 * (1 - u) ** 2)

    return step * (hat_integral(from_knot) - hat_integral(np.broadcast_to(-knots / step, from_knot.shape)))
