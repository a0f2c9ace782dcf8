"""The start line: which channel or which line on the ground says when it was crossed."""

from dataclasses import dataclass, replace

import numpy as np

from telemetry.arrays import BoolArray, FloatArray
from telemetry.laps import crossings
from telemetry.laps.centreline import CentreLine
from telemetry.laps.clock import Thin
from telemetry.laps.fixes import Fixes
from telemetry.laps.gps import to_plane_m
from telemetry.laps.kinds import MOVING_M_S
from telemetry.laps.lap import LapSource
from telemetry.laps.pattern import STILL_M_S, from_speed_pattern, from_stops
from telemetry.laps.speed import Speed
from telemetry.notes import QualityNote
from telemetry.signals import Run

# Less riding than this holds no lap. [s]
LEAST_RIDDEN_S = 10.0


@dataclass(frozen=True)
class Marks:
    """Crossings of the start line.

    Parameters
    ----------
    times_s : ndarray of shape (n_crossings,)
        [s]
    numbers : list of int or None
        Number of the lap that begins at each; None when the log does not number them.
    line_m : tuple of float or None
        Middle of the line on the ground, when that is what was crossed. [m]
    ends_s : ndarray of shape (n_crossings,) or None
        When each lap ended, where that is not the next crossing: rides from box to box. [s]
    by_place : ndarray of bool, shape (n_crossings,), or None
        Crossings of which the signal says nothing, by the positions.
    several : ndarray of bool, shape (n_crossings - 1,), or None
        Between which crossings lies more than one lap.
    """

    times_s: FloatArray
    source: LapSource
    numbers: list[int] | None = None
    line_m: tuple[float, float] | None = None
    ends_s: FloatArray | None = None
    by_place: BoolArray | None = None
    several: BoolArray | None = None


def find_marks(
    run: Run,
    thin: Thin,
    fixes: Fixes | None,
    speed: Speed,
    start_line: tuple[float, float] | None,
    line: CentreLine | None,
    notes: list[QualityNote],
) -> Marks:
    """Crossings from the first of: a lap-number channel, a beacon, a line on the ground, the speed.

    Parameters
    ----------
    start_line : tuple of float or None
        Latitude and longitude of its middle, if given: then it comes first. [deg]
    line : CentreLine or None
        Of the circuit, if it is known.
    notes : list of QualityNote
        What was found is added.
    """
    if speed.thin_m_s is not None and np.mean(speed.thin_m_s > MOVING_M_S) * thin.t_s[-1] < LEAST_RIDDEN_S:
        words = "The motorcycle is hardly ridden in this log: there are no laps in it."
        notes.append(QualityNote("warning", "not_ridden", words))
        return Marks(np.array([]), "none")
    if start_line is None:
        marks = _by_signal(run)
        if marks is not None:
            return marks
    if fixes is not None:
        marks = _on_the_ground(thin, fixes, speed, start_line, line, notes)
        if speed.thin_m_s is not None:
            # standing on the line, positions wander over it and back
            rides = np.interp(marks.times_s, thin.t_s, speed.thin_m_s) > STILL_M_S
            marks = replace(marks, times_s=marks.times_s[rides])
        if len(marks.times_s):
            return marks
    return _by_speed(thin, speed, notes)


def _by_signal(run: Run) -> Marks | None:
    if "lap" in run.channels:
        times, numbers = crossings.from_lap_channel(run.t_s, run.channels["lap"])
        if len(times):
            return Marks(times, "lap channel", numbers)
    if "beacon" in run.channels:
        times = crossings.from_beacon(run.t_s, run.channels["beacon"])
        if len(times):
            return Marks(times, "beacon")
    return None


def _on_the_ground(
    thin: Thin,
    fixes: Fixes,
    speed: Speed,
    start_line: tuple[float, float] | None,
    line: CentreLine | None,
    notes: list[QualityNote],
) -> Marks:
    if start_line is not None:
        return _given_line(fixes, start_line, notes)
    if line is not None:
        (east, north), middle = line.tangent, (float(line.x_m[0]), float(line.y_m[0]))
        return Marks(
            crossings.from_line(fixes, middle, float(np.arctan2(north[0], east[0]))), "gps line", None, middle
        )
    if speed.thin_m_s is None:
        return Marks(np.array([]), "none")
    middle, _, times = crossings.found_line(fixes, np.interp(fixes.t_s, thin.t_s, speed.thin_m_s))
    if len(times):
        notes.append(
            QualityNote(
                "info",
                "start_line_assumed",
                "No start line given: laps are counted from the fastest point of the track. "
                "Give its position once with --line LAT,LON: it is kept for this place.",
            )
        )
    return Marks(times, "gps line", None, middle)


def _given_line(fixes: Fixes, start_line: tuple[float, float], notes: list[QualityNote]) -> Marks:
    east, north = to_plane_m(np.array([start_line[0]]), np.array([start_line[1]]), fixes.origin_deg)
    middle = (float(east[0]), float(north[0]))
    away, nearest = _nearest(fixes, middle)
    if away <= crossings.LINE_HALF_WIDTH_M:
        heading = _usual_heading(fixes, middle, nearest)
        return Marks(crossings.from_line(fixes, middle, heading), "gps line", None, middle)
    notes.append(
        QualityNote(
            "warning",
            "start_line_missed",
            f"The start line given is {away:.0f} m from the nearest point of the track; no laps were counted by it. "
            "Check its position.",
        )
    )
    return Marks(np.array([]), "none")


def _nearest(fixes: Fixes, middle: tuple[float, float]) -> tuple[float, int]:
    """Distance of the line's middle from the track (between fixes too), and the fix nearest to it."""
    east, north = fixes.east_m - middle[0], fixes.north_m - middle[1]
    step_east, step_north = np.diff(east), np.diff(north)
    square = np.maximum(step_east**2 + step_north**2, 1e-9)
    share = np.clip(-(east[:-1] * step_east + north[:-1] * step_north) / square, 0.0, 1.0)
    away = np.hypot(east[:-1] + share * step_east, north[:-1] + share * step_north)
    best = int(np.argmin(away))
    return float(away[best]), best + int(share[best] > 0.5)


def _usual_heading(fixes: Fixes, middle: tuple[float, float], nearest: int) -> float:
    """Direction of travel over the line: of the fastest pass near it, which is the circuit and not the pit lane."""
    near = np.hypot(fixes.east_m - middle[0], fixes.north_m - middle[1])
    step = np.hypot(
        np.diff(fixes.east_m, append=fixes.east_m[-1]), np.diff(fixes.north_m, append=fixes.north_m[-1])
    )
    reach = max(2.0 * crossings.LINE_HALF_WIDTH_M, 1.5 * float(near[nearest]))
    close = np.flatnonzero(near <= reach)
    return crossings.heading_at(fixes, int(close[np.argmax(step[close])]))


def _by_speed(thin: Thin, speed: Speed, notes: list[QualityNote]) -> Marks:
    if speed.travelled_m is not None:
        times = from_speed_pattern(thin.t_s, speed.travelled_m)
        leaves, comes = from_stops(thin.t_s, speed.travelled_m)
        # rides that each go once round repeat as well, but every repetition has a stop in it
        stopped = np.histogram(comes, times)[0] if len(times) > 1 else np.array([])
        if len(times) and not (len(leaves) and stopped.all()):
            notes.append(
                QualityNote(
                    "info",
                    "laps_by_speed",
                    "Laps were found because the speed repeats; they are counted from the fastest point, "
                    "not from the start line. Log a lap number, a beacon or GPS to do better.",
                )
            )
            return Marks(times, "speed pattern")
        if len(leaves):
            notes.append(
                QualityNote(
                    "info",
                    "laps_by_stops",
                    "Laps were found between stops: each goes from where it set off to where it came back. "
                    "Log a lap number, a beacon or GPS to do better.",
                )
            )
            return Marks(leaves, "pit stops", ends_s=comes)
    notes.append(
        QualityNote(
            "warning", "no_laps", "No laps found: the log is reviewed as one stretch, without places."
        )
    )
    return Marks(np.array([]), "none")
