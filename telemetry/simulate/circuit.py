"""Invented circuits: straights and corners joined into a closed lap."""

from dataclasses import dataclass
from math import radians

import numpy as np

from telemetry.arrays import FloatArray

STEP_M = 1.0
GRID_M = 0.5  # of the integration of headings


@dataclass(frozen=True)
class CornerPlan:
    """A corner to build: angle positive to the right; radius in its middle; easing in and out (clothoids)."""

    angle_deg: float
    radius_m: float
    easing_m: float = 30.0
    straight_before_m: float = 100.0

    @property
    def length_m(self) -> float:
        """From the first to the last metre that is not straight. [m]"""
        return radians(abs(self.angle_deg)) * self.radius_m + self.easing_m


@dataclass(frozen=True)
class CircuitCorner:
    """A corner as it lies: distances from the start line; direction -1 left, +1 right."""

    number: int
    start_m: float
    apex_m: float
    end_m: float
    direction: int
    radius_m: float


@dataclass(frozen=True)
class Circuit:
    """A closed lap, 0 at the start line.

    Parameters
    ----------
    place_m : ndarray of shape (n_points,)
        Lap distance of the points, from 0 to the length. [m]
    x_m, y_m : ndarray of shape (n_points,)
        East and north of the start line. [m]
    curvature_1_m : ndarray of shape (n_points,)
        Positive in right-hand corners. [1/m]
    corners : tuple of CircuitCorner
        In order of travel.
    """

    name: str
    length_m: float
    place_m: FloatArray
    x_m: FloatArray
    y_m: FloatArray
    curvature_1_m: FloatArray
    corners: tuple[CircuitCorner, ...]

    def at(self, distance_m: FloatArray, values: FloatArray) -> FloatArray:
        """Interpolate one of the circuit's arrays at distances that may run over many laps."""
        return np.interp(np.asarray(distance_m) % self.length_m, self.place_m, values)


def _corner_curvature(plan: CornerPlan, along_m: FloatArray) -> FloatArray:
    """Curvature at distances into a corner: up, steady, down. Its integral is the corner's angle."""
    rise = np.clip(np.minimum(along_m, plan.length_m - along_m) / plan.easing_m, 0.0, 1.0)
    return np.asarray(np.sign(plan.angle_deg) * rise / plan.radius_m)


def _chord(plan: CornerPlan, heading: float) -> tuple[complex, float]:
    """Displacement over a corner entered at a heading, and the heading after it."""
    n = max(8, int(np.ceil(plan.length_m / GRID_M)))
    step = plan.length_m / n
    turns = _corner_curvature(plan, (np.arange(n, dtype=np.float64) + 0.5) * step) * step
    headings = heading - (np.cumsum(turns) - 0.5 * turns)
    return complex(np.sum(np.exp(1j * headings)) * step), heading - np.radians(plan.angle_deg)


def _closing_straights(plans: tuple[CornerPlan, ...]) -> FloatArray:
    """Lengths of straights, nearest to those planned, that bring the end to the start."""
    heading, gap, directions = 0.0, 0j, []
    for plan in plans:
        directions.append(np.exp(1j * heading))
        chord, heading = _chord(plan, heading)
        gap += chord
    planned = np.array([plan.straight_before_m for plan in plans])
    sides = np.array([np.real(directions), np.imag(directions)])
    missing = -np.array([gap.real, gap.imag]) - sides @ planned
    return np.asarray(planned + np.linalg.lstsq(sides, missing, rcond=None)[0])


def build_circuit(name: str, plans: tuple[CornerPlan, ...], *, line_share: float = 0.6) -> Circuit:
    """A closed circuit from its corners; straights are lengthened or shortened so that it closes.

    Parameters
    ----------
    plans : tuple of CornerPlan
        In order of travel; angles add up to a full turn (or to none: a figure of eight).
    line_share : float
        Where the start line stands along the straight before the first corner, 0 to 1.

    Raises
    ------
    ValueError
        If the angles do not close, or a straight would have to be shorter than nothing.
    """
    total = sum(plan.angle_deg for plan in plans)
    if min(abs(total - 360.0), abs(total + 360.0), abs(total)) > 1e-6:
        raise ValueError(f"{name}: corner angles add up to {total:g} deg, not to 360, -360 or 0.")
    straights = _closing_straights(plans).tolist()
    if min(straights) <= 0.0:
        raise ValueError(f"{name}: cannot be closed; straights would be {np.round(straights, 1).tolist()} m.")

    length = sum(straights) + sum(plan.length_m for plan in plans)
    place = np.linspace(0.0, length, int(np.ceil(length / STEP_M)) + 1)
    curvature, corners = np.zeros_like(place), []
    at = -line_share * straights[0]
    for number, (plan, straight) in enumerate(zip(plans, straights, strict=True), start=1):
        start, at = at + straight, at + straight + plan.length_m
        curvature += _corner_curvature(plan, place - start)
        direction = 1 if plan.angle_deg > 0 else -1
        corners.append(CircuitCorner(number, start, 0.5 * (start + at), at, direction, plan.radius_m))
    return _laid_out(name, length, place, curvature, tuple(corners), total)


def _laid_out(
    name: str,
    length: float,
    place: FloatArray,
    curvature: FloatArray,
    corners: tuple[CircuitCorner, ...],
    total_deg: float,
) -> Circuit:
    """Positions from curvature; what sampling leaves open (millimetres) is spread over the lap."""
    step = place[1]
    turned = np.concatenate([[0.0], np.cumsum(0.5 * (curvature[1:] + curvature[:-1]) * step)])
    turned += (np.radians(total_deg) - turned[-1]) * place / length
    headings = np.exp(-1j * turned)
    position = np.concatenate([[0.0], np.cumsum(0.5 * (headings[1:] + headings[:-1]) * step)])
    position -= position[-1] * place / length
    return Circuit(name, length, place, position.real.copy(), position.imag.copy(), curvature, corners)


def _random_plans(rng: np.random.Generator) -> tuple[CornerPlan, ...]:
    n = int(rng.integers(9, 13))
    n_against = int(rng.integers(2, 5))
    against = -rng.uniform(40.0, 95.0, n_against)
    n_with = n - n_against
    share = rng.dirichlet(np.full(n_with, 6.0))
    along = 40.0 + share * (360.0 - np.sum(against) - 40.0 * n_with)
    angles = rng.permutation(np.concatenate([against, along])) * rng.choice([-1.0, 1.0])
    radii = rng.uniform(28.0, 110.0, n)
    straights = rng.lognormal(np.log(130.0), 0.5, n)
    straights[0] = rng.uniform(450.0, 750.0)
    easing = rng.uniform(20.0, 40.0, n)
    return tuple(
        CornerPlan(float(a), float(r), float(e), float(s))
        for a, r, e, s in zip(angles, radii, easing, straights, strict=True)
    )


def _crosses_itself(circuit: Circuit, clearance_m: float) -> bool:
    """Whether two stretches that are apart along the lap come closer than a clearance."""
    thin = slice(0, -1, 8)
    z = (circuit.x_m + 1j * circuit.y_m)[thin]
    place = circuit.place_m[thin]
    apart = np.abs(place[:, None] - place[None, :])
    apart = np.minimum(apart, circuit.length_m - apart)
    return bool(np.any((np.abs(z[:, None] - z[None, :]) < clearance_m) & (apart > 3.0 * clearance_m)))


def random_circuit(seed: int) -> Circuit:
    """An invented circuit: 9 to 12 corners, left and right, one long straight, 2 to 4 km.

    Parameters
    ----------
    seed : int
        The same seed gives the same circuit.
    """
    rng = np.random.default_rng([seed, 0xC1])
    while True:
        plans = _random_plans(rng)
        straights = _closing_straights(plans)
        inner = np.min(straights[1:])
        if inner < 25.0 or straights[0] < 350.0 or np.max(straights[1:]) > 600.0:
            continue
        circuit = build_circuit(f"random circuit {seed}", plans)
        if 2000.0 <= circuit.length_m <= 4000.0 and not _crosses_itself(circuit, 25.0):
            return circuit
