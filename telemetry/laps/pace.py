"""Which laps count: the one rule for comparing runs, for shifts over an outing and for the course of a damper."""

from collections.abc import Sequence
from statistics import median
from typing import Protocol, TypeVar

# A complete lap slower than this times the quickest is an out lap, an in lap or traffic. A choice, no source.
SLOW_LAP = 1.10


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
    """Complete laps that are at most `SLOW_LAP` times as long as the quickest.

    Parameters
    ----------
    laps : sequence of Lap or LapSummary

    Returns
    -------
    tuple of the same
    """
    longest_s = slowest_s(laps)
    return tuple(lap for lap in laps if lap.complete and lap.time_s <= longest_s)


def lap_length_m(laps: Sequence[TimedLap]) -> float | None:
    """Length of a lap: the median of the complete ones, None where none has a length. [m]"""
    return median([lap.distance_m for lap in laps if lap.complete and lap.distance_m] or [0.0]) or None
