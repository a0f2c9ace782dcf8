"""How the motorcycle stood on one lap: ride heights, pitch, rake and trail over the lap, by phase and by corner."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import BoolArray, IntArray
from telemetry.bike import Bike, attitude
from telemetry.motion.motion import Motion
from telemetry.motion.places import LEAST_S


@dataclass(frozen=True)
class LapPlace:
    """One lap in one corner or one phase or, with neither, as a whole. None where an end was not measured.

    Parameters
    ----------
    corner, phase : int or None, str or None
        One of them, or neither.
    front_mm, rear_mm : float or None
        Ride heights: median wheel travel. [mm]
    pitch_deg : float or None
        Mean, nose down positive. [deg]
    rake_deg, trail_mm : float or None
        Of the motorcycle at the median travels on level ground; trail only where the bike file gives the tyre radius
        and the fork offset. [deg, mm]
    """

    corner: int | None
    phase: str | None
    front_mm: float | None
    rear_mm: float | None
    pitch_deg: float | None
    rake_deg: float | None
    trail_mm: float | None


def lap_places(
    motion: Motion, moving: BoolArray, corner: IntArray, phase: IntArray, phases: Sequence[str], bike: Bike
) -> tuple[LapPlace, ...]:
    """How the motorcycle stood over the samples of one lap.

    Parameters
    ----------
    motion : Motion
        During the lap.
    moving : ndarray of bool, shape (n_samples,)
    corner, phase : ndarray of int, shape (n_samples,)
        Corner number, 0 on none; index into ``phases``, -1 where unknown.

    Returns
    -------
    tuple of LapPlace
        The whole lap first, then phases, then corners; places without `LEAST_S` of valid time are left out.
    """
    places: list[tuple[int | None, str | None, BoolArray]] = [(None, None, moving)]
    places += [(None, name, moving & (phase == index)) for index, name in enumerate(phases)]
    places += [(number, None, moving & (corner == number)) for number in sorted(set(corner.tolist()) - {0})]
    least = max(LEAST_S * motion.sample_rate_hz, 1.0)
    found = (_at(motion, use, least, number, name, bike) for number, name, use in places)
    return tuple(place for place in found if (place.front_mm, place.rear_mm) != (None, None))


def _at(
    motion: Motion, use: BoolArray, least: float, corner: int | None, phase: str | None, bike: Bike
) -> LapPlace:
    wheel: dict[str, float] = {}
    shaft: dict[str, float] = {}
    both = use
    for name, end in motion.ends.items():
        here = use & end.valid
        both = both & end.valid
        if np.count_nonzero(here) >= least:
            wheel[name] = float(np.median(end.wheel_travel_mm[here]))
            shaft[name] = float(np.median(end.shaft_travel_mm[here]))
    if len(shaft) < 2 or np.count_nonzero(both) < least:
        return LapPlace(corner, phase, wheel.get("front"), wheel.get("rear"), None, None, None)
    stands = attitude(bike, shaft["front"], shaft["rear"])
    return LapPlace(
        corner,
        phase,
        wheel["front"],
        wheel["rear"],
        float(np.mean(motion.pitch_deg[both])),
        stands.rake_deg,
        stands.trail_mm,
    )
