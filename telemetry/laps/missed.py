"""Crossings that a beacon missed: a pulse shorter than a sample falls between two, and laps run into one."""

from dataclasses import replace

import numpy as np

from telemetry.arrays import BoolArray, FloatArray
from telemetry.laps import crossings
from telemetry.laps.clock import Thin
from telemetry.laps.fixes import Fixes
from telemetry.laps.kinds import PIT_SHARE, SAME_CIRCUIT
from telemetry.laps.marks import Marks
from telemetry.laps.pattern import laps_within
from telemetry.laps.speed import Speed
from telemetry.notes import QualityNote

# Pulses of so many samples may fall between two: a pulse lasts as long as its samples, give or take one.
SHORT_PULSE = 1.5


def with_missed(
    marks: Marks, beacon: FloatArray, thin: Thin, fixes: Fixes | None, speed: Speed, notes: list[QualityNote]
) -> Marks:
    """Crossings by a beacon, with those at speed that it missed, where positions say when they were.

    Parameters
    ----------
    marks : Marks
        From the beacon.
    beacon : ndarray of shape (n_samples,)
    notes : list of QualityNote
        What was found is added.

    Returns
    -------
    Marks
        With ``by_place`` where crossings were added, or ``several`` where it is only known that some are missing.
    """
    if speed.thin_m_s is None or speed.travelled_m is None:
        if crossings.shortest_pulse(beacon) <= SHORT_PULSE:
            notes.append(_may_be_missed_note())
        return marks
    if fixes is not None:
        added = _passed_unseen(marks.times_s, fixes, np.interp(fixes.t_s, thin.t_s, speed.thin_m_s))
        if not len(added):
            return marks
        notes.append(_added_note(added))
        times = np.concatenate((marks.times_s, added))
        order = np.argsort(times)
        by_place = np.concatenate((np.zeros(len(marks.times_s), bool), np.ones(len(added), bool)))
        return replace(marks, times_s=times[order], by_place=by_place[order])
    missed = _laps_in_one(marks.times_s, beacon, thin, speed.travelled_m)
    if not missed.any():
        return marks
    notes.append(_missed_note(marks.times_s, missed))
    return replace(marks, several=missed)


def _passed_unseen(times_s: FloatArray, fixes: Fixes, speed_m_s: FloatArray) -> FloatArray:
    """When the place of the beacon was passed at speed and no pulse was logged. [s]"""
    known = (times_s >= fixes.t_s[0]) & (times_s <= fixes.t_s[-1])
    if not known.any():
        return np.array([])
    at_pulse = np.interp(times_s[known], fixes.t_s, speed_m_s)
    limit = PIT_SHARE * float(np.median(at_pulse[at_pulse >= np.median(at_pulse)]))
    seen = times_s[known][at_pulse >= limit]
    east, north = (np.interp(seen, fixes.t_s, v) for v in (fixes.east_m, fixes.north_m))
    middle = (float(np.median(east)), float(np.median(north)))
    # pulses of more than one beacon have no common place
    if np.median(np.hypot(east - middle[0], north - middle[1])) > crossings.LINE_HALF_WIDTH_M:
        return np.array([])
    fast = np.flatnonzero(speed_m_s >= limit)
    near = np.hypot(fixes.east_m[fast] - middle[0], fixes.north_m[fast] - middle[1])
    passed = crossings.from_line(fixes, middle, crossings.heading_at(fixes, int(fast[np.argmin(near)])))
    passed = passed[np.interp(passed, fixes.t_s, speed_m_s) >= limit]
    away = np.abs(passed[:, None] - times_s).min(axis=1) if len(passed) else np.array([])
    return passed[away >= crossings.MIN_LAP_S]


def _laps_in_one(times_s: FloatArray, beacon: FloatArray, thin: Thin, travelled_m: FloatArray) -> BoolArray:
    """Between which pulses lies more than one lap, because the speed repeats there.

    On a circuit of two like halves it repeats within a lap. So it is believed only where a pulse can have been
    missed: some last no longer than a sample, or another lap is as long as what repeats.
    """
    lengths = np.diff(np.interp(times_s, thin.t_s, travelled_m))
    spans = zip(times_s[:-1].tolist(), times_s[1:].tolist(), strict=True)
    laps = np.array([laps_within(thin.t_s, travelled_m, *span) for span in spans])
    if crossings.shortest_pulse(beacon) <= SHORT_PULSE:
        return np.asarray(laps > 1)
    known = [bool(np.any(np.abs(lengths - part) <= SAME_CIRCUIT * part)) for part in lengths / laps]
    return np.asarray((laps > 1) & np.array(known, dtype=bool))


def _added_note(added_s: FloatArray) -> QualityNote:
    where = ", ".join(f"{time:.1f}" for time in added_s[:6].tolist())
    return QualityNote(
        "warning",
        "beacon_missed",
        f"The beacon has no pulse at {len(added_s)} of the times the motorcycle passed its place ({where}"
        f"{', ...' if len(added_s) > 6 else ''} s): laps are counted there by the positions. A pulse shorter than a "
        "sample can fall between two; log the beacon faster, or have the logger hold it longer.",
        channel="beacon",
        start_s=float(added_s[0]),
        end_s=float(added_s[-1]),
    )


def _missed_note(times_s: FloatArray, missed: BoolArray) -> QualityNote:
    first = np.flatnonzero(missed)
    where = ", ".join(f"{times_s[i]:.1f} to {times_s[i + 1]:.1f} s" for i in first[:3].tolist())
    return QualityNote(
        "warning",
        "beacon_missed",
        f"A pulse of the beacon was missed: {where}{', ...' if len(first) > 3 else ''} is longer than one lap by the "
        "speed, and is not timed. A pulse shorter than a sample can fall between two; log the beacon faster, or have "
        "the logger hold it longer.",
        channel="beacon",
        start_s=float(times_s[first[0]]),
        end_s=float(times_s[first[-1] + 1]),
    )


def _may_be_missed_note() -> QualityNote:
    return QualityNote(
        "info",
        "beacon_short",
        "Pulses of the beacon last no longer than a sample: one may have fallen between two, so that two laps are "
        "counted as one. Without speed and positions that cannot be told; log the beacon faster.",
        channel="beacon",
    )
