"""Faults of one travel signal: found, counted, located; masked, or bridged where that is safe."""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from telemetry.arrays import BoolArray, End, FloatArray
from telemetry.errors import CalibrationError, StrokeExceededError
from telemetry.notes import QualityNote, Severity, Step
from telemetry.signals.gaps import block_range, bridge, longest_bridge, runs
from telemetry.signals.run import SensorSetup
from telemetry.signals.spikes import BEND_MM_S2, find_spikes

# Within this of its two ends a travel is at the end: noise, and play of the sensor's mount.
EDGE_MM = 0.5
# Readings this far outside the stroke are no motion: a spike if short, a wire that opened if flat and long.
OUTSIDE_MM = 2.0
SHORT_S = 0.050
FLAT_MM = 0.2
# A sensor may read past the stroke for this share of the log, or SHORT_S at a time, before its scale is wrong.
MOST_EXCESS_SHARE = 1e-3
# Full extension may read this far below 0, as when a mount has slipped a little, before the zero is wrong.
MOST_ZERO_ERROR_MM = 3.0
# The same reading for this long, give or take its noise, while the other end moves this much: the sensor is stuck.
STUCK_S, STUCK_MM, STUCK_OTHER_MM = 1.0, 0.25, 3.0
RIDING_M_S = 8.0
# Exactly the same reading for this long may be a logger that repeats its last value, or an open wire. The evidence is
# how unlikely so many equal steps are, by the share of equal steps around them (log odds), and the jump at an edge.
# Weight and limit are fitted on simulated logs of 10 to 14 bits; the limit lets one false find of some 20 ms through
# in about ten minutes. Where the jump is no larger than a step of the converter, nothing can tell them apart.
HELD_S, HELD_SAMPLES, HELD_AROUND_S = 0.015, 4, 0.3
HELD_JUMP_WEIGHT, HELD_LEAST_JUMP_MM, HELD_EVIDENCE, HELD_FITTED_FROM_HZ = 14.0, 0.1, 6.5, 200.0
# A jump that motion cannot make is enough alone, and all that counts where an end may rest on its stop.
AT_STOP_MM, HELD_JUMP_MM = 1.0, 1.0
MOVES_MM, MOVES_S = 0.5, 0.25
# So small a share of a log that stands still is told for the record only: chance makes some of it.
HELD_FEW_SHARE = 1e-3
# This near to an end of its stroke an end can halt at once.
STOP_MM = 4.0


@dataclass(frozen=True)
class Place:
    """Where a signal comes from, for messages: the log, its end and sensor, and the row of a sample.

    ``gaps`` are the stretches, in samples, for which the log has no rows at all.
    """

    source: str
    end: End
    setup: SensorSetup
    sample_rate_hz: float
    row_of: Callable[[int], int]
    gaps: tuple[tuple[int, int], ...] = ()

    def at(self, sample: int) -> str:
        """Row and time of a sample, in words."""
        return f"row {self.row_of(sample)} (t = {sample / self.sample_rate_hz:.3f} s)"


@dataclass
class Cleaning:
    """Travel while it is being cleaned, with what was found and done so far.

    ``unheld_mm`` is travel before what lies a little beyond the stroke was held at its end.
    """

    place: Place
    travel_mm: FloatArray
    notes: list[QualityNote] = field(default_factory=list)
    history: list[Step] = field(default_factory=list)
    unheld_mm: FloatArray = field(default_factory=lambda: np.empty(0))

    def mask(self, samples: BoolArray, code: str, what: str, *, severity: Severity = "warning") -> None:
        """Set samples to NaN, and say so: how many, in how many places, where first."""
        if samples.any():
            self.note(
                samples, code, f"{what} in {{places}}; {{count}} samples are left out.", severity=severity
            )
            self.travel_mm = np.where(samples, np.nan, self.travel_mm)

    def note(self, samples: BoolArray, code: str, text: str, *, severity: Severity = "warning") -> None:
        """Add a note on samples, and a step of history; ``text`` may use {places} and {count}."""
        starts, ends = runs(samples)
        first, rate = int(starts[0]), self.place.sample_rate_hz
        where = (
            f"{len(starts)} places, first at {self.place.at(first)}"
            if len(starts) > 1
            else self.place.at(first)
        )
        count = int(samples.sum())
        self.notes.append(
            QualityNote(
                severity,
                code,
                f"{self.place.end.capitalize()} travel {text.format(places=where, count=count)}",
                channel=self.place.setup.channel,
                start_s=first / rate,
                end_s=float(ends[-1]) / rate,
            )
        )
        self.history.append(Step(code, {"end": self.place.end, "samples": count, "places": len(starts)}))


def clean(
    travel_mm: FloatArray,
    place: Place,
    other_mm: FloatArray | None,
    speed_m_s: FloatArray | None = None,
) -> Cleaning:
    """Find and mask the faults of one calibrated travel signal.

    Parameters
    ----------
    travel_mm : ndarray of shape (n_samples,)
        Evenly sampled; NaN where the log has nothing. [mm]
    place : Place
    other_mm : ndarray of shape (n_samples,) or None
        The other end, if it has a sensor. [mm]
    speed_m_s : ndarray of shape (n_samples,) or None
        Of the motorcycle, if it is known. [m/s]

    Returns
    -------
    Cleaning

    Raises
    ------
    StrokeExceededError
        If travel beyond the stroke is more than isolated.
    CalibrationError
        If travel far below full extension is more than isolated.
    """
    work = Cleaning(place, travel_mm)
    _note_missing(work)
    _mask_outside(work)
    _mask_stuck(work, other_mm, speed_m_s)
    spikes = find_spikes(work.travel_mm, place.sample_rate_hz)
    _mask_held(work, spikes)
    work.mask(spikes & np.isfinite(work.travel_mm), "spikes", "has spikes")
    _check_ends(work)
    _bridge(work)
    return work


def _note_missing(work: Cleaning) -> None:
    missing = np.isnan(work.travel_mm)
    for start, end in work.place.gaps:  # the clock's own note tells of them
        missing[start:end] = False
    if missing.any():
        work.note(missing, "missing", "is missing in {places}; {count} samples in all.")


def _mask_held(work: Cleaning, spikes: BoolArray) -> None:
    """Mask readings that stand exactly still: the longer, and the larger the jump at either edge, the surer."""
    travel, rate = work.travel_mm, work.place.sample_rate_hz
    step = np.abs(np.diff(travel))
    starts, ends = runs(step == 0)  # the same reading from sample start to sample end
    long = ends - starts + 1 >= max(HELD_SAMPLES, int(np.ceil(HELD_S * rate)))
    long &= (starts > 0) & (ends < len(step))
    starts, ends = starts[long], ends[long]
    clear = np.flatnonzero(~spikes)  # beside a standstill, what lies beyond a spike counts
    before = clear[np.maximum(np.searchsorted(clear, starts) - 1, 0)]
    after = clear[np.minimum(np.searchsorted(clear, ends, side="right"), len(clear) - 1)]
    fell = np.nan_to_num(np.abs(travel[before] - travel[starts]))
    left = np.nan_to_num(np.abs(travel[after] - travel[ends]))
    to_stop = np.minimum(travel[starts], work.place.setup.stroke_mm - travel[starts])
    fell[to_stop < STOP_MM] = 0.0  # an end that runs into its stop does halt at once
    too_fast = max(HELD_JUMP_MM, BEND_MM_S2 / rate**2)
    held = np.zeros(len(travel), dtype=bool)
    for i, (start, end) in enumerate(zip(starts, ends, strict=True)):
        jump = max(fell[i], left[i])
        found = jump > too_fast
        if not found and to_stop[i] > AT_STOP_MM:  # on its stop an end may rest
            odds = (end - start) * _surprise(step, start, end, round(HELD_AROUND_S * rate))
            jump *= min(1.0, rate / HELD_FITTED_FROM_HZ)  # a slower log steps farther by itself
            evidence = odds + HELD_JUMP_WEIGHT * np.log(jump + HELD_LEAST_JUMP_MM)
            found = evidence > HELD_EVIDENCE and _moves_about(travel, start, end, rate)
        if found:
            # without a jump before it, the first of them is the last true reading
            held[start if fell[i] > HELD_JUMP_MM else start + 1 : end + 1] = True
    few = held.sum() < HELD_FEW_SHARE * len(held)
    text = "stands exactly still (an open wire, a logger that repeats itself?)"
    work.mask(held, "held", text, severity="info" if few else "warning")


def _surprise(step: FloatArray, start: int, end: int, reach: int) -> float:
    """How unlikely one equal step is, by its share on either side of a standstill: the negative log of it."""
    sides = np.concatenate([step[max(0, start - reach) : start], step[end : end + reach]])
    sides = sides[np.isfinite(sides)]
    return -float(np.log(((sides == 0).sum() + 0.5) / (len(sides) + 1)))


def _moves_about(travel: FloatArray, start: int, end: int, rate: float) -> bool:
    """Whether the end moves on either side of a standstill: not when the motorcycle stands."""
    about = max(2, round(MOVES_S * rate))
    sides = travel[max(0, start - about) : start], travel[end + 1 : end + 1 + about]
    return all(
        len(side) > 1 and float(np.nanmax(side, initial=-np.inf) - np.nanmin(side, initial=np.inf)) > MOVES_MM
        for side in sides
    )


def _mask_stuck(work: Cleaning, other_mm: FloatArray | None, speed_m_s: FloatArray | None) -> None:
    """Mask a sensor that does not move while the other end does, or, without one, while the motorcycle rides."""
    travel, rate = work.travel_mm, work.place.sample_rate_hz
    half = max(2, round(0.5 * STUCK_S * rate))
    if len(travel) < 2 * half:
        return
    still = block_range(travel, half) <= STUCK_MM
    if other_mm is not None:
        moves = block_range(other_mm, half) > STUCK_OTHER_MM
    elif speed_m_s is not None:
        moves = speed_m_s[: len(speed_m_s) // half * half : half] > RIDING_M_S
    else:
        return
    stuck = np.zeros(len(travel), dtype=bool)
    for first, last in zip(*runs(still), strict=True):
        if last - first >= 2 and moves[first:last].sum() >= 2:
            start, end = first * half, last * half
            level = float(np.median(travel[start:end]))
            # the blocks' edges are not the fault's
            before, after = travel[max(0, start - half) : start][::-1], travel[end : end + half]
            start -= _leading(np.abs(before - level) <= STUCK_MM)
            end += _leading(np.abs(after - level) <= STUCK_MM)
            stuck[start:end] = True
    work.mask(stuck, "stuck", "does not change while the other end moves," if other_mm is not None
              else "does not change while the motorcycle rides,")  # fmt: skip


def _leading(true: BoolArray) -> int:
    """How many are true before the first that is not."""
    return int(np.argmin(true)) if not true.all() else len(true)


def _mask_outside(work: Cleaning) -> None:
    """Mask short excursions out of the stroke, and long flat ones: a sensor at its rail."""
    travel, stroke = work.travel_mm, work.place.setup.stroke_mm
    outside = (travel < -OUTSIDE_MM) | (travel > stroke + OUTSIDE_MM)
    if outside.any():
        outside = _with_neighbours(outside, (travel < -EDGE_MM) | (travel > stroke + EDGE_MM))
    short, rail = np.zeros_like(outside), np.zeros_like(outside)
    for start, end in zip(*runs(outside), strict=True):
        if end - start <= SHORT_S * work.place.sample_rate_hz:
            short[start:end] = True
        elif np.ptp(travel[start:end]) <= FLAT_MM:
            rail[start:end] = True
    if rail.sum() > 0.5 * np.isfinite(travel).sum():
        return  # not a fault now and then: the calibration is wrong, and is refused below
    work.mask(rail, "rail", "stands still outside the stroke (an open wire?)")
    work.mask(short, "outside", "jumps out of the stroke")


def _with_neighbours(outside: BoolArray, beyond: BoolArray) -> BoolArray:
    """The readings outside with a sample or two beside and between them that are no better."""
    outside = outside.copy()
    for _ in range(2):
        outside[1:] |= outside[:-1] & beyond[1:]
        outside[:-1] |= outside[1:] & beyond[:-1]
    for start, end in zip(*runs(~outside), strict=True):
        if end - start <= 2 and start > 0 and end < len(outside):
            outside[start:end] = True
    return outside


def _check_ends(work: Cleaning) -> None:
    """Refuse what no damper can do; hold small excess at the end of the stroke, so that it stays visible."""
    travel, place = work.travel_mm, work.place
    stroke, rate, n_valid = place.setup.stroke_mm, place.sample_rate_hz, max(1, np.isfinite(travel).sum())
    over, under = travel > stroke + EDGE_MM, travel < -EDGE_MM
    if _more_than_isolated(over, rate, n_valid):
        worst = int(np.nanargmax(travel))
        raise StrokeExceededError(
            f"{place.source}, {place.at(worst)}, channel {place.setup.channel!r}: {travel[worst]:.1f} mm is more "
            f"than the {stroke:g} mm stroke. Check points in [{place.end}.sensor] of {place.setup.source}."
        )
    if _more_than_isolated(travel < -MOST_ZERO_ERROR_MM, rate, n_valid):
        worst = int(np.nanargmin(travel))
        raise CalibrationError(
            f"{place.source}, {place.at(worst)}, channel {place.setup.channel!r}: {travel[worst]:.1f} mm is beyond "
            f"full extension (0 mm). Check points and zero in [{place.end}.sensor] of {place.setup.source}, and "
            f"whether the sensor is the right way round."
        )
    work.unheld_mm = travel
    work.travel_mm = np.clip(travel, -EDGE_MM, stroke + EDGE_MM)
    if over.any():
        text = f"reads up to {np.nanmax(travel) - stroke:.1f} mm more than the stroke in {{places}}"
        work.note(over, "over_stroke", text + "; {count} samples are held at the stroke.")
    if under.any():
        text = f"reads up to {-np.nanmin(travel):.1f} mm below full extension in {{places}}"
        work.note(
            under,
            "zero_moved",
            text
            + f"; {{count}} samples are held at 0. Check zero in [{place.end}.sensor]: the mount may have slipped.",
        )


def _more_than_isolated(samples: BoolArray, sample_rate_hz: float, n_valid: int) -> bool:
    starts, ends = runs(samples)
    longest = int((ends - starts).max(initial=0))
    return longest > SHORT_S * sample_rate_hz or samples.sum() > MOST_EXCESS_SHARE * n_valid


def _bridge(work: Cleaning) -> None:
    longest = longest_bridge(work.place.sample_rate_hz)
    work.travel_mm, bridged = bridge(work.travel_mm, longest)
    if bridged.any():
        text = f"has gaps of up to {longest} samples in {{places}}; {{count}} samples are bridged by a cubic."
        work.note(bridged, "bridged", text, severity="info")
