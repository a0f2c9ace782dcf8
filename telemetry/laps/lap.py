"""Laps and the place of every sample on the circuit."""

from dataclasses import dataclass
from typing import Literal

from telemetry.arrays import FloatArray, IntArray
from telemetry.notes import QualityNote

Phase = Literal["braking", "entry", "mid-corner", "drive", "straight"]
PHASES: tuple[Phase, ...] = ("braking", "entry", "mid-corner", "drive", "straight")
LapSource = Literal["lap channel", "beacon", "gps line", "speed pattern", "none"]


@dataclass(frozen=True)
class Lap:
    """One lap; ``complete`` when both its start and its end crossed the line."""

    lap: int
    start_s: float
    end_s: float
    distance_m: float | None
    complete: bool

    @property
    def time_s(self) -> float:
        """Lap time. [s]"""
        return self.end_s - self.start_s


@dataclass(frozen=True)
class Corner:
    """A corner, numbered in order of travel; distances are from the lap's start. Left is -1, right +1."""

    number: int
    start_m: float
    apex_m: float
    end_m: float
    direction: int


@dataclass(frozen=True)
class Track:
    """Where every sample of the run is; all arrays of shape (n_samples,).

    Parameters
    ----------
    laps : tuple of Lap
        In order; part laps before the first and after the last crossing are kept, not complete.
    lap_source : LapSource
        What the laps were found from.
    lap : ndarray of int
        Lap number at each sample, 0 where none.
    distance_m : ndarray
        Since the start of the lap; NaN where unknown. [m]
    x_m, y_m : ndarray or None
        Position east and north of the run's first fix on the tangent plane; None without GPS. [m]
    speed_m_s : ndarray
        Ground speed; NaN where unknown. [m/s]
    phase : ndarray of int
        Index into `PHASES`, -1 where unknown.
    corner : ndarray of int
        Corner number at each sample (nearest corner's stretch from braking to drive), 0 on a straight.
    corners : tuple of Corner
    phase_sources : tuple of str
        Channels the phases were decided from.
    """

    laps: tuple[Lap, ...]
    lap_source: LapSource
    lap: IntArray
    distance_m: FloatArray
    x_m: FloatArray | None
    y_m: FloatArray | None
    speed_m_s: FloatArray
    phase: IntArray
    corner: IntArray
    corners: tuple[Corner, ...]
    phase_sources: tuple[str, ...]
    notes: tuple[QualityNote, ...] = ()
