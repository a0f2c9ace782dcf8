"""The place along the circuit at every moment, and the laps that follow from it."""

from dataclasses import dataclass, replace

import numpy as np

from telemetry.arrays import BoolArray, FloatArray
from telemetry.laps.centreline import CentreLine, nearest_m
from telemetry.laps.clock import Thin
from telemetry.laps.corners import mean_lap
from telemetry.laps.course import (
    Course,
    by_wheels,
    follow,
    laps_between,
)
from telemetry.laps.fixes import Fixes
from telemetry.laps.kinds import SAME_CIRCUIT
from telemetry.laps.lap import Circuit
from telemetry.laps.marks import Marks
from telemetry.laps.match import match_by_pattern
from telemetry.laps.smooth import commonest
from telemetry.laps.speed import Speed
from telemetry.notes import QualityNote

# A lap is usual when its length is within this share of the middle one.
USUAL_SHARE = 0.05
# A lap signal further from the circuit's start line than this is of another line. [m]
SAME_LINE_M = 30.0
# Positions further from the line than this are not on the circuit: beyond any pit lane or paddock. [m]
ELSEWHERE_M = 250.0
# Positions that lag by as much are worth a word. [s]
DELAY_WORTH_SAYING_S = 0.05


@dataclass(frozen=True)
class Places:
    """Where the motorcycle was along the circuit.

    Parameters
    ----------
    marks : Marks
        Crossings of the start line; put right by the places, where they were found on the ground.
    place_m : ndarray of shape (n_thin,)
        Along the circuit over all laps, never falling. [m]
    starts_m : ndarray of shape (n_crossings,)
        The place of the start line, in ``place_m``, at each crossing. [m]
    lap_m : float
        Length of a lap; 0 without laps. [m]
    elsewhere : ndarray of bool, shape (n_thin,)
        Not on the circuit.
    line : CentreLine or None
        0 is the start line.
    fixes : Fixes or None
        With their delay taken out.
    matched : bool
        The places are those of a circuit that was given.
    """

    marks: Marks
    place_m: FloatArray
    starts_m: FloatArray
    lap_m: float
    elsewhere: BoolArray
    line: CentreLine | None = None
    fixes: Fixes | None = None
    matched: bool = False


def find_places(
    thin: Thin,
    fixes: Fixes | None,
    speed: Speed,
    lean_deg: FloatArray | None,
    marks: Marks,
    circuit: Circuit | None,
    line: CentreLine | None,
    notes: list[QualityNote],
) -> Places | None:
    """Places by positions and wheels, or by wheels alone.

    Parameters
    ----------
    lean_deg : ndarray of shape (n_thin,) or None
        [deg]
    circuit : Circuit or None
        That was given.
    line : CentreLine or None
        Its centre line, if the run has positions on it.
    notes : list of QualityNote
        What was found is added.

    Returns
    -------
    Places or None
        None when neither speed nor positions are known.
    """
    if speed.travelled_m is None:
        return None
    if fixes is not None and marks.ends_s is None:
        course = follow(fixes, thin.t_s, speed.travelled_m, marks.times_s, line)
        if course is not None:
            return _on_course(thin, fixes, course, marks, line is not None, notes)
    places = _by_wheels(thin, speed, marks)
    if circuit is None or circuit.speed_m_s is None or len(marks.times_s) < 2 or marks.ends_s is not None:
        return places
    return _on_pattern(thin, speed, lean_deg, places, circuit, notes)


def _on_course(
    thin: Thin, fixes: Fixes, course: Course, marks: Marks, matched: bool, notes: list[QualityNote]
) -> Places:
    line, place, lap = course.line, course.place_m, course.line.length_m
    moved = fixes.earlier(course.delay_s)
    if abs(course.delay_s) >= DELAY_WORTH_SAYING_S:
        notes.append(
            QualityNote(
                "info",
                "gps_delay",
                f"Positions are logged {course.delay_s:.2f} s later than the speed; they are moved by as much.",
            )
        )
    elsewhere = _elsewhere(thin, moved, course, notes)
    if matched:
        at = np.interp(marks.times_s, thin.t_s, place)
        away = float(np.median((at + lap / 2) % lap - lap / 2)) if len(at) else 0.0
        by_signal = marks.source in ("lap channel", "beacon") and abs(away) <= SAME_LINE_M
        if len(at) and not by_signal and marks.source != "gps line":
            side = "after" if away > 0 else "before"
            notes.append(
                QualityNote(
                    "info",
                    "lap_signal_elsewhere",
                    f"The {marks.source} counts laps {abs(away):.0f} m {side} the start line of the circuit file; "
                    "laps are counted at the line of the file.",
                )
            )
    elif marks.line_m is not None:
        middle_east, middle_north = marks.line_m
        at, _ = line.project(np.array([middle_east]), np.array([middle_north]), np.zeros(1), 60.0)
        line, place, by_signal = line.from_place(float(at[0])), place - at[0], False
    else:
        at = np.interp(marks.times_s, thin.t_s, place)
        zero = float(np.median(at - laps_between(at, lap) * lap))
        line, place, by_signal = line.from_place(zero), place - zero, True
    if by_signal:
        at = np.interp(marks.times_s, thin.t_s, place)
        starts = np.round(at / lap) * lap
        if marks.by_place is not None:
            at_line = np.interp(starts, place, thin.t_s)
            marks = replace(marks, times_s=np.where(marks.by_place, at_line, marks.times_s))
    else:
        starts = lap * np.arange(np.ceil(place[0] / lap), np.floor(place[-1] / lap) + 1)
        starts = starts[starts > place[0]]
        # a lap on another circuit has no crossings of this line
        times = np.interp(starts, place, thin.t_s)
        here = ~elsewhere[np.clip(np.round(times * thin.rate_hz).astype(np.int64), 0, len(place) - 1)]
        starts = starts[here]
        marks = replace(
            marks, times_s=times[here], source="gps line", numbers=None, by_place=None, several=None
        )
    return Places(marks, place, starts, lap, elsewhere, line, moved, matched)


def _elsewhere(thin: Thin, fixes: Fixes, course: Course, notes: list[QualityNote]) -> BoolArray:
    """When the motorcycle was not on this circuit at all."""
    off = ~course.on_line
    far = np.zeros(len(off))
    if off.any():
        look = np.flatnonzero(off)[:: max(1, round(fixes.rate_hz / 2))]
        away, _ = nearest_m(course.line, fixes.east_m[look], fixes.north_m[look])
        far[off] = np.interp(np.flatnonzero(off), look, (away > ELSEWHERE_M).astype(np.float64))
    elsewhere = np.interp(thin.t_s, fixes.t_s, far) > 0.5
    lasts = float(np.sum(elsewhere)) / thin.rate_hz
    if lasts > 30.0:
        where = thin.t_s[elsewhere]
        notes.append(
            QualityNote(
                "warning",
                "two_circuits",
                f"For {lasts:.0f} s the motorcycle is not on the circuit of the other laps: nothing is placed there. "
                "Split the log to review the rest.",
                start_s=float(where[0]),
                end_s=float(where[-1]),
            )
        )
    return elsewhere


def _by_wheels(thin: Thin, speed: Speed, marks: Marks) -> Places:
    travelled = speed.travelled_m
    assert travelled is not None
    nowhere = np.zeros(len(travelled), dtype=bool)
    at = np.interp(marks.times_s, thin.t_s, travelled)
    if len(at) < 2 and marks.ends_s is None:
        zero = float(at[0]) if len(at) else 0.0
        return Places(marks, travelled - zero, at - zero, 0.0, nowhere)
    if marks.ends_s is not None:
        back = np.interp(marks.ends_s, thin.t_s, travelled)
        lap = float(np.median(back - at))
        knots, values = np.column_stack((at, back)).ravel(), np.tile([0.0, lap], len(at))
        values += np.repeat(np.arange(len(at)) * lap, 2)
        starts = lap * np.arange(len(at), dtype=np.float64)
        return Places(marks, np.interp(travelled, knots, values), starts, lap, nowhere)
    lap = commonest(np.diff(at), SAME_CIRCUIT)
    place = by_wheels(travelled, at, lap, lap)
    return Places(marks, place, np.interp(marks.times_s, thin.t_s, place), lap, nowhere)


def _on_pattern(
    thin: Thin,
    speed: Speed,
    lean_deg: FloatArray | None,
    places: Places,
    circuit: Circuit,
    notes: list[QualityNote],
) -> Places:
    """The places of a known circuit, found by how the speed and the lean go round the lap."""
    lap = places.lap_m
    usual = np.abs(np.diff(places.starts_m) - lap) <= USUAL_SHARE * lap
    index = np.searchsorted(places.starts_m, places.place_m, side="right") - 1
    inside = (index >= 0) & (index < len(usual))
    inside[inside] = usual[index[inside]]
    ours = mean_lap(places.place_m % lap, inside, lap, speed.thin_m_s, lean_deg)
    by_signal = places.marks.source in ("lap channel", "beacon")
    match = match_by_pattern(circuit, ours, line_known=by_signal)
    if match is None:
        notes.append(not_this_circuit(circuit, "the speed goes round the lap in another way"))
        return places
    nodes, _ = match
    rounds, along = np.divmod(places.place_m, lap)
    place = np.interp(along, np.linspace(0.0, lap, len(nodes)), nodes) + rounds * circuit.length_m
    place = np.maximum.accumulate(place)
    if by_signal:
        starts = np.round(places.starts_m / lap) * circuit.length_m
        return replace(places, place_m=place, starts_m=starts, lap_m=circuit.length_m, matched=True)
    length = circuit.length_m
    starts = length * np.arange(np.ceil(place[0] / length), np.floor(place[-1] / length) + 1)
    marks = replace(places.marks, times_s=np.interp(starts, place, thin.t_s), several=None)
    return replace(places, marks=marks, place_m=place, starts_m=starts, lap_m=length, matched=True)


def not_this_circuit(circuit: Circuit, why: str) -> QualityNote:
    """What to say when a log is not of the circuit that was given."""
    return QualityNote(
        "warning",
        "other_circuit",
        f"The log is not from {circuit.name or 'this circuit'}: {why}. It is reviewed without the circuit file.",
    )
