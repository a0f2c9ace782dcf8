"""Laps and the place of every sample on the circuit."""

from dataclasses import dataclass, replace
from typing import Literal

from telemetry.arrays import FloatArray, IntArray
from telemetry.notes import QualityNote

Phase = Literal["braking", "entry", "mid-corner", "drive", "straight"]
PHASES: tuple[Phase, ...] = ("braking", "entry", "mid-corner", "drive", "straight")
LapSource = Literal["lap channel", "beacon", "gps line", "speed pattern", "pit stops", "none"]
LapKind = Literal["timed", "out", "in", "pits", "part", "several", "aborted", "elsewhere", "left out"]


@dataclass(frozen=True)
class Lap:
    """One lap; ``complete`` when it was ridden from the line to the line without a stop.

    ``kind`` says what it is: timed (the same as complete); out, from a stop or the pit lane to the line; in, from the
    line to a stop or the pit lane; pits, in the pit lane only; part, of which the log does not hold both ends; several,
    more than one lap, since a crossing was missed; aborted, with a stop, much slower than the others or cut short;
    elsewhere, not on the circuit of the other laps; left out, because a person asked for it. ``stopped_s`` is the time
    it stood still or was pushed.
    """

    lap: int
    start_s: float
    end_s: float
    distance_m: float | None
    complete: bool
    kind: LapKind = "part"
    stopped_s: float = 0.0

    @property
    def time_s(self) -> float:
        """Lap time. [s]"""
        return self.end_s - self.start_s


@dataclass(frozen=True)
class Corner:
    """A corner, numbered in order of travel; distances are from the lap's start.

    Left is -1, right +1, 0 where only the speed is known. A corner on the start line starts before 0 or ends beyond
    the lap. ``name`` is what a person calls it, if they gave one.
    """

    number: int
    start_m: float
    apex_m: float
    end_m: float
    direction: int
    name: str = ""


@dataclass(frozen=True)
class Circuit:
    """A circuit, so that another run on it has the same places and the same corner numbers.

    Parameters
    ----------
    length_m : float
        Of the lap along its centre line. [m]
    latitude_deg, longitude_deg : ndarray of shape (n_points,) or None
        Centre line from the start line on, points evenly apart; None where it was found without positions. [deg]
    speed_m_s, lean_deg : ndarray of shape (n_cells,) or None
        Of the mean lap, in cells evenly apart from the start line on, for runs without positions. [m/s, deg]
    kept_in : str
        The file it is kept in for its place; "" for one that was given or found.
    """

    name: str
    length_m: float
    corners: tuple[Corner, ...]
    latitude_deg: FloatArray | None = None
    longitude_deg: FloatArray | None = None
    speed_m_s: FloatArray | None = None
    lean_deg: FloatArray | None = None
    kept_in: str = ""


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
        Along the circuit since the start of the lap, the same at the same place in every lap; NaN where unknown. [m]
    x_m, y_m : ndarray or None
        Position east and north of the run's first fix on the tangent plane; None without GPS. [m]
    speed_m_s : ndarray
        Ground speed; NaN where unknown. [m/s]
    phase : ndarray of int
        Index into `PHASES`, -1 where unknown.
    corner : ndarray of int
        Corner number at each sample (nearest corner's stretch from braking to drive), 0 on a straight.
    phase_sources : tuple of str
        Channels the phases were decided from.
    circuit : Circuit or None
        The circuit as this run knows it, or as it was given; None without a complete lap.
    corner_source : str
        What the corners were found from: circuit, lean, GPS track, speed or "".
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
    circuit: Circuit | None = None
    corner_source: str = ""

    def during(self, rows: slice) -> "Track":
        """The same track over some of the samples, with all its laps and corners; nothing is copied."""
        return replace(
            self,
            lap=self.lap[rows],
            distance_m=self.distance_m[rows],
            x_m=None if self.x_m is None else self.x_m[rows],
            y_m=None if self.y_m is None else self.y_m[rows],
            speed_m_s=self.speed_m_s[rows],
            phase=self.phase[rows],
            corner=self.corner[rows],
        )
