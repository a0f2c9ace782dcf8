"""Invented circuits: straights and corners joined into a closed lap."""

from dataclasses import dataclass
from functools import cache
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
        If the angles do not close, or a straight would get no length or a negative one.
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


# ISO 8608:2016: displacement PSD at 0.1 cycles/m, geometric mean of each class [m3]; each is 4 times the last
REFERENCE_CYCLES_PER_M = 0.1
CLASS_MEAN_M3 = {name: 16e-6 * 4**i for i, name in enumerate("ABCDEFGH")}
WAVINESS = 2.0


@dataclass(frozen=True)
class Bump:
    """One rise and fall of the road, (1 - cos) shaped, centred at a place. Negative height is a hollow."""

    at_m: float
    height_mm: float
    length_m: float


@dataclass(frozen=True)
class KerbRidges:
    """A row of ridges ridden over: a sine along the road, faded in and out over one spacing at each end.

    ``rear_only``: the front wheel passes beside them.
    """

    start_m: float
    end_m: float
    height_mm: float
    spacing_m: float
    rear_only: bool = False


@dataclass(frozen=True)
class RoughStretch:
    """A stretch whose random unevenness is ``factor`` times as high as elsewhere."""

    start_m: float
    end_m: float
    factor: float


Feature = Bump | KerbRidges | RoughStretch


@dataclass(frozen=True)
class Road:
    """Roughness of a circuit.

    Parameters
    ----------
    psd_m3 : float
        Displacement PSD at 0.1 cycles/m. [m3]
    waviness : float
        Its exponent w.
    features : tuple of Bump, KerbRidges or RoughStretch
        Places are metres of lap distance.
    least_cycles_per_m, most_cycles_per_m : float
        Band of the random part. Shorter waves are swallowed by the tyre's contact patch. [1/m]
    step_m : float
        About how far apart the points of the profile are. [m]
    """

    psd_m3: float = 24e-6
    waviness: float = WAVINESS
    features: tuple[Feature, ...] = ()
    least_cycles_per_m: float = 0.011
    most_cycles_per_m: float = 5.0
    step_m: float = 0.02


def psd_m3(cycles_per_m: FloatArray, psd_at_reference_m3: float, waviness: float = WAVINESS) -> FloatArray:
    """Displacement PSD of a road, one-sided (ISO 8608:2016): Gd(n0) (n / n0)^-w, n0 = 0.1 cycles/m. [m3]"""
    return psd_at_reference_m3 * (np.asarray(cycles_per_m) / REFERENCE_CYCLES_PER_M) ** -waviness


def random_profile_m(road: Road, length_m: float, rng: np.random.Generator) -> tuple[float, FloatArray]:
    """Distance between points and random height of a closed road: cosines of the PSD's amplitudes, random phases. [m]

    M. Shinozuka, C.-M. Jan, J. Sound Vib. 25(1), 111-128, 1972, doi:10.1016/0022-460X(72)90600-1.
    """
    n_points = int(np.ceil(length_m / road.step_m))
    cycles_per_m = np.arange(n_points // 2 + 1) / length_m
    inside = (cycles_per_m >= road.least_cycles_per_m) & (cycles_per_m <= road.most_cycles_per_m)
    phase = rng.uniform(0.0, 2.0 * np.pi, len(cycles_per_m))
    amplitude = np.zeros(len(cycles_per_m))
    amplitude[inside] = np.sqrt(2.0 * psd_m3(cycles_per_m[inside], road.psd_m3, road.waviness) / length_m)
    return length_m / n_points, np.fft.irfft(0.5 * n_points * amplitude * np.exp(1j * phase), n_points)


def _along(place_m: FloatArray, start_m: float, length_m: float) -> FloatArray:
    """Distance from a start, forward round the closed road."""
    return (place_m - start_m) % length_m


def _faded(along_m: FloatArray, extent_m: float, fade_m: float) -> FloatArray:
    """1 inside an extent, falling to 0 as a half cosine at its two ends."""
    rise = np.clip(np.minimum(along_m, extent_m - along_m) / fade_m, 0.0, 1.0)
    return 0.5 * (1.0 - np.cos(np.pi * rise))


@dataclass(frozen=True)
class RoadProfile:
    """A closed road as each wheel meets it: points evenly apart, the first at lap distance 0. [m]"""

    step_m: float
    front_m: FloatArray
    rear_m: FloatArray


def _rise_m(feature: Bump | KerbRidges, place_m: FloatArray, length_m: float) -> FloatArray:
    """Height added by a bump or a row of ridges. [m]"""
    if isinstance(feature, Bump):
        along = _along(place_m, feature.at_m - 0.5 * feature.length_m, length_m) / feature.length_m
        return 0.5e-3 * feature.height_mm * (1.0 - np.cos(2.0 * np.pi * np.minimum(along, 1.0)))
    along = _along(place_m, feature.start_m, length_m)
    share = _faded(along, feature.end_m - feature.start_m, feature.spacing_m)
    return 0.5e-3 * feature.height_mm * share * np.sin(2.0 * np.pi * along / feature.spacing_m)


def road_profile(road: Road, length_m: float, rng: np.random.Generator) -> RoadProfile:
    """A closed road of ``length_m`` with everything on it."""
    step_m, height = random_profile_m(road, length_m, rng)
    place = step_m * np.arange(len(height), dtype=np.float64)
    for feature in road.features:
        if isinstance(feature, RoughStretch):
            along = _along(place, feature.start_m, length_m)
            share = _faded(along, feature.end_m - feature.start_m, 5.0)
            height = height * (1.0 + (feature.factor - 1.0) * share)
    front, rear = height.copy(), height.copy()
    for feature in road.features:
        if not isinstance(feature, RoughStretch):
            rise = _rise_m(feature, place, length_m)
            rear += rise
            if not (isinstance(feature, KerbRidges) and feature.rear_only):
                front += rise
    return RoadProfile(step_m, front, rear)


def flat_road(length_m: float = 100.0) -> RoadProfile:
    """A road without any unevenness."""
    nil = np.zeros(8)
    return RoadProfile(length_m / len(nil), nil, nil)


VELLMOOR_ROAD_SEED = 7  # of its random unevenness: the same on every day


@cache
def vellmoor_ring() -> Circuit:
    """The Vellmoor Ring: 2.9 km, seven corners to the right and four to the left, one long straight."""
    return build_circuit(
        "Vellmoor Ring",
        (
            CornerPlan(84, 100, 30, 715),
            CornerPlan(95, 61, 29, 334),
            CornerPlan(-47, 54, 27, 119),
            CornerPlan(85, 39, 23, 109),
            CornerPlan(54, 39, 35, 26),
            CornerPlan(-60, 83, 21, 118),
            CornerPlan(-57, 36, 26, 38),
            CornerPlan(81, 77, 34, 72),
            CornerPlan(-55, 72, 24, 45),
            CornerPlan(92, 33, 34, 52),
            CornerPlan(88, 93, 28, 101),
        ),
    )


def vellmoor_road() -> Road:
    """The road of the Vellmoor Ring: between classes A and B, with dips, a crest, bumps and a kerb."""
    return Road(
        features=(
            Bump(150.0, -150.0, 60.0),  # dip where the brakes go on for corner 1
            Bump(430.0, -260.0, 45.0),  # dip at the exit of corner 1
            Bump(500.0, 12.0, 2.0),
            Bump(700.0, -140.0, 40.0),  # dip under braking for corner 2
            Bump(960.0, 10.0, 1.2),
            KerbRidges(1308.0, 1330.0, 10.0, 1.6),  # inside kerb between corners 4 and 5
            Bump(1450.0, -12.0, 3.0),
            Bump(1580.0, -420.0, 45.0),  # dip in the middle of corner 6
            RoughStretch(1960.0, 2120.0, 1.5),
            Bump(2300.0, 8.0, 0.6),
            Bump(2730.0, 110.0, 60.0),  # crest on the straight, and the dip behind it
            Bump(2790.0, -110.0, 60.0),
        )
    )
