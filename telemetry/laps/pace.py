"""Which laps count: the one rule for comparing runs, for shifts over an outing and for the course of a damper."""

from collections.abc import Sequence
from statistics import median
from typing import Protocol, TypeVar

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.laps.lap import Lap

# A complete lap slower than this times the quickest is an out lap, an in lap or traffic. A choice, no source.
SLOW_LAP = 1.10
# A lap is timed at the ends of so many equal parts of it.
PARTS = 100


class TimedLap(Protocol):
    """A lap with its time and length, of `telemetry.laps` or of a summary."""

    @property
    def complete(self) -> bool:
        """From the line to the line without a stop."""

    @property
    def time_s(self) -> float:
        """Lap time. [s]"""

    @property
    def distance_m(self) -> float | None:
        """Length. [m]"""


AnyLap = TypeVar("AnyLap", bound=TimedLap)


def slowest_s(laps: Sequence[TimedLap]) -> float:
    """The longest time that a lap at pace may take, infinite without a complete lap. [s]"""
    return SLOW_LAP * min((lap.time_s for lap in laps if lap.complete), default=float("inf"))


def laps_at_pace(laps: Sequence[AnyLap]) -> tuple[AnyLap, ...]:
    """Complete laps that are at most `SLOW_LAP` times as long as the quickest."""
    longest_s = slowest_s(laps)
    return tuple(lap for lap in laps if lap.complete and lap.time_s <= longest_s)


def lap_length_m(laps: Sequence[TimedLap]) -> float | None:
    """Length of a lap: the median of the complete ones, None where none has a length. [m]"""
    return median([lap.distance_m for lap in laps if lap.complete and lap.distance_m] or [0.0]) or None


def passing_times_s(lap: Lap, t_s: FloatArray, distance_m: FloatArray) -> tuple[float, ...]:
    """When a complete lap passed the ends of `PARTS` equal parts of its length, since its start.

    Parameters
    ----------
    t_s, distance_m : ndarray of shape (n,)
        Of the samples of the lap; distance since its start, NaN where not known. [s, m]

    Returns
    -------
    tuple of float
        ``PARTS + 1`` times from 0 to the lap time; empty where the distance is not known. [s]
    """
    known = np.isfinite(distance_m)
    if not lap.complete or not lap.distance_m or np.mean(known) < 0.9:
        return ()
    place = np.maximum.accumulate(distance_m[known])
    ends = np.linspace(0.0, lap.distance_m, PARTS + 1)[1:-1]
    inner = np.clip(np.interp(ends, place, t_s[known]) - lap.start_s, 0.0, lap.time_s)
    return (0.0, *(float(time) for time in inner), lap.time_s)
