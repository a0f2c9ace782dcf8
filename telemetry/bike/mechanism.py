"""A rear suspension as a mechanism: its points taken to lengths, and every position as a function of one turn.

Everything turns in the plane x forward, z up. The swingarm's turn is 0 as measured and positive when the wheel
rises (right-handed about y, ISO 8855). Positions are closed forms of that turn, first and second derivatives
follow from the constraints differentiated.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.bike.sections import DirectShock, Linkage, Point, RockerOnFrame, Swingarm

SHORTEST_LINK_MM = 1.0  # two points nearer than this are the same point, or a slip of the pen


class LinkageError(ValueError):
    """Points that make no suspension; says which and why."""


@dataclass(frozen=True)
class _Moving:
    """A point over many turns of the swingarm: position, first and second derivative, each (n, 2)."""

    p: FloatArray
    v: FloatArray
    a: FloatArray

    def __sub__(self, other: "_Moving") -> "_Moving":
        return _Moving(self.p - other.p, self.v - other.v, self.a - other.a)


def _dot(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(a[..., 0] * b[..., 0] + a[..., 1] * b[..., 1])


def _turned(vector: FloatArray) -> FloatArray:
    """Derivative of a vector that turns: (x, z) -> (z, -x)."""
    return np.stack([vector[..., 1], -vector[..., 0]], axis=-1)


@dataclass(frozen=True)
class Mechanism:
    """The linkage with its lengths, ready to be solved.

    ``shock_far`` and ``rod_far`` stand on ``*_body``; without a rod the near shock eye is on the swingarm. Points
    on the swingarm are relative to its pivot. ``shock_near`` is relative to the rocker pivot, along the arm to
    the rod and across it.
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
        """The rear axle."""
        return self._on("swingarm", self.axle, turn)

    def _loop(self, turn: FloatArray) -> tuple[_Moving, _Moving, FloatArray, FloatArray, FloatArray]:
        """Rocker pivot, far end of the rod, arm to the rod, and the rocker's first and second turn rate."""
        assert self.rocker_pivot is not None and self.rod_far is not None and self.rocker_body is not None
        other = "swingarm" if self.rocker_body == "frame" else "frame"
        c, d = self._on(self.rocker_body, self.rocker_pivot, turn), self._on(other, self.rod_far, turn)
        between = d.p - c.p
        distance = np.sqrt(_dot(between, between))
        along = (self.arm_mm**2 - self.rod_mm**2 + distance**2) / (2.0 * distance)
        with np.errstate(invalid="ignore"):  # no meeting: NaN, told apart by the caller
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
        """Length of the shock, and its first and second derivative by the swingarm's turn. [mm, mm/rad, mm/rad2]"""
        u = self._near_eye(turn) - self._on(self.shock_far_body, self.shock_far, turn)
        length = np.sqrt(_dot(u.p, u.p))
        first = _dot(u.p, u.v) / length
        return length, first, (_dot(u.v, u.v) + _dot(u.p, u.a) - first**2) / length

    def rod_push(self, turn: FloatArray) -> FloatArray:
        """Compression in the rod for each newton of shock force; negative where the rod is pulled."""
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
    """Take the lengths of a linkage from its points, and shift points that an insert or eccentric moves.

    Parameters
    ----------
    linkage : DirectShock, RockerOnFrame or RockerOnSwingarm
    shifts_mm : dict of key to (x, z), optional
        By the key of the point: how far it stands from where it was measured; rods keep their length. [mm, mm]

    Raises
    ------
    LinkageError
        If two ends of a link are one point, or the links cross.
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
    swing, ground = (
        (d, c) if on_frame else (c, d)
    )  # the loop is pivot, end on the swingarm, ..., end on the frame
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
