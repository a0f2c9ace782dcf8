"""Faults of one travel signal: found, counted, located; masked, or bridged where that is safe."""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from telemetry.arrays import BoolArray, End, FloatArray, IntArray
from telemetry.errors import CalibrationError, StrokeExceededError
from telemetry.notes import QualityNote, Severity, Step
from telemetry.signals.clock import block_range, bridge, cubic_weights, longest_bridge, runs
from telemetry.signals.run import SensorSetup

# A block of samples is a spike when each of them lies this far, to the same side, from the cubic through two
# samples on either bank, and was entered and left by a jump: travel that runs into a stop is turned round there as
# sharply, but nothing sped it up on the way. Motion itself bends away from a cubic with the square of the time it has:
# the second limit allows three times what the hardest kerbs of simulated outings do. Common practice has no figure.
SPIKE_MM = 1.5
BEND_MM_S2 = 50_000.0
# Into a stop an end is driven by bumps three times as sharp. Within this of the stroke they may have been.
STOP_BENDS, BEND_STOP_MM = 3.0, 4.0
WIDEST_S, WIDEST_SAMPLES, NARROWEST_SAMPLES = 0.005, 5, 3
PASSES = 3
EDGE_SHARE = 0.7
# Of its distance from the cubic a spike gains at least this much in one step, at either edge; a contact gains nothing.
JUMP_SHARE = 0.5


def widest_spike(sample_rate_hz: float) -> int:
    """Samples that a spike may last at this rate."""
    return int(np.clip(WIDEST_S * sample_rate_hz, NARROWEST_SAMPLES, WIDEST_SAMPLES))


def find_spikes(
    travel_mm: FloatArray, sample_rate_hz: float, stroke_mm: float = np.inf, *, even: bool = True
) -> BoolArray:
    """Samples that belong to a spike.

    Parameters
    ----------
    travel_mm : ndarray of shape (n_samples,)
        NaN where invalid. [mm]
    sample_rate_hz : float
        [Hz]
    stroke_mm : float, optional
        Of the damper: what is driven into its stop bends more sharply than what the road alone moves. [mm]
    even : bool
        False where samples were interpolated: a jump may then take two of them.

    Returns
    -------
    ndarray of bool, shape (n_samples,)
    """
    widest = widest_spike(sample_rate_hz)
    found = np.zeros(len(travel_mm), dtype=bool)
    index = _near_bends(travel_mm, (PASSES + 1) * (widest + 3))
    if index.size:
        inside = index >= 0
        near = np.where(inside, travel_mm[index], np.nan)
        found[index[inside]] = _in_passes(near, widest, sample_rate_hz, stroke_mm, 1 if even else 2)[inside]
    return found


def _near_bends(values: FloatArray, reach: int) -> IntArray:
    """Samples within reach of a bend sharp enough for a spike, in order; -1, never bridged, between stretches."""
    # at the edge of a spike of height h, the second difference is h or more
    at = np.flatnonzero(np.abs(np.diff(values, 2)) > EDGE_SHARE * SPIKE_MM) + 1
    if not at.size:
        return at.astype(np.int64)
    apart = np.flatnonzero(np.diff(at) > 2 * reach + 1)
    starts = np.maximum(at[np.append(0, apart + 1)] - reach, 0)
    ends = np.minimum(at[np.append(apart, len(at) - 1)] + reach + 1, len(values))
    lengths = ends - starts + WIDEST_SAMPLES + 1
    place = np.arange(lengths.sum()) - np.repeat(np.cumsum(lengths) - lengths, lengths)
    index = np.where(place < np.repeat(ends - starts, lengths), np.repeat(starts, lengths) + place, -1)
    return np.asarray(index, dtype=np.int64)


def _in_passes(
    travel_mm: FloatArray, widest: int, sample_rate_hz: float, stroke_mm: float, jump_steps: int
) -> BoolArray:
    found = np.zeros(len(travel_mm), dtype=bool)
    values = travel_mm
    for _ in range(PASSES):  # a spike hides another one next to it
        blocks = _blocks(values, widest, sample_rate_hz, stroke_mm, jump_steps)
        new = _strongest(blocks, len(values))
        if not new.any():
            break
        found |= new
        values, _ = bridge(np.where(found, np.nan, travel_mm), widest)
    return found


def _blocks(
    values: FloatArray, widest: int, sample_rate_hz: float, stroke_mm: float, jump_steps: int
) -> list[tuple[float, int, int]]:
    """Candidates as (deviation, start, width)."""
    bends = np.abs(np.diff(values, 2)) > EDGE_SHARE * SPIKE_MM  # in front of a block, or at its start
    starts = np.flatnonzero(np.append(bends, False) | np.append(False, bends)) + 1
    blocks = []
    for width in range(1, widest + 1):
        at = starts[(starts >= 2) & (starts + width + 2 <= len(values))]
        deviation = np.where(_jumps(values, at, width, jump_steps), _deviation(values, at, width), 0.0)
        half_span_s = 0.5 * (width + 1) / sample_rate_hz
        at_stop = (
            values[at[:, None] + np.arange(width)].max(axis=1, initial=-np.inf) > stroke_mm - BEND_STOP_MM
        )
        bend_mm = BEND_MM_S2 * half_span_s**2 * np.where(at_stop, STOP_BENDS, 1.0)
        beyond = deviation > np.maximum(SPIKE_MM, bend_mm)
        blocks += [(float(d), int(i), width) for d, i in zip(deviation[beyond], at[beyond], strict=True)]
    return blocks


def _jumps(values: FloatArray, at: IntArray, width: int, steps: int) -> BoolArray:
    """Whether each block was entered and left by a jump away from the motion and back, within so many steps."""
    bend = np.zeros(len(values))
    bend[1:-1] = np.diff(values, 2)
    away = _away(values, at, width)
    sign = np.sign(away.sum(axis=0))
    entered = np.max([sign * bend[np.maximum(at - 1 - k, 0)] for k in range(steps)], axis=0)
    left = np.max([sign * bend[np.minimum(at + width + k, len(bend) - 1)] for k in range(steps)], axis=0)
    least = JUMP_SHARE * np.abs(away).min(axis=0, initial=np.inf)
    return np.asarray((entered > least) & (left > least))


def _away(values: FloatArray, at: IntArray, width: int) -> FloatArray:
    """Distance of each sample of each block from the cubic through its banks, shape (width, n_blocks)."""
    banks = values[at[:, None] + np.array([-2, -1, width, width + 1])]
    return np.stack([values[at + k] - banks @ cubic_weights(width, k) for k in range(width)])


def _deviation(values: FloatArray, at: IntArray, width: int) -> FloatArray:
    """Least distance of the samples of each block from the cubic through its banks; 0 if on both sides of it."""
    away = _away(values, at, width)
    same_side = (away > 0).all(axis=0) | (away < 0).all(axis=0)
    return np.where(same_side, np.abs(away).min(axis=0, initial=np.inf), 0.0)


def _strongest(blocks: list[tuple[float, int, int]], n_samples: int) -> BoolArray:
    """Take blocks by deviation; what touches one already taken is its echo in the banks."""
    taken = np.zeros(n_samples, dtype=bool)
    for _, start, width in sorted(blocks, reverse=True):
        if not taken[max(0, start - 2) : start + width + 2].any():
            taken[start : start + width] = True
    return taken


# Within this of its two ends a travel is at the end: noise, and play of the sensor's mount.
EDGE_MM = 0.5
# So far past its stroke an end may read: rubber and metal give by 2 to 3 mm in a hard contact, and a zero is a
# millimetre off (common practice, no source). Beyond that a reading is no travel, however it came about.
OUTSIDE_MM = 5.0
# A reading that leaves the stroke by a jump is a fault. A stop only ever slows an end down: what speeds up outwards by
# more than a spike's height and three times what the road does to it from one sample to the next is no motion.
JUMP_MM, JUMP_BENDS, JUMP_SAMPLES = SPIKE_MM, 3.0, 2
# One that stands still out there, for this long and within this much (5 to 95 % of it), is a wire that opened.
STANDS_S, FLAT_MM = 0.050, 0.3
# A calibration is wrong where travel that moves like travel stays past the stroke by more than a stop gives: for so
# long at a time, or for this share of the log and this long in all. A bike that lands is held on its stop by the
# tyre for 0.1 to 0.15 s; fifty contacts of 20 ms are one second.
MOST_EXCESS_MM, LONGEST_EXCESS_S, MOST_EXCESS_SHARE, MOST_EXCESS_S = 2.0, 0.25, 0.01, 0.5
# Full extension may read this far below 0, as when a mount has slipped a little, before the zero is wrong.
MOST_ZERO_ERROR_MM = 3.0
# Held on its stop this long and this far past the stroke, points or stroke deserve a look.
HELD_PAST_S, HELD_PAST_MM = 0.15, 1.0
# An input that floats reads noise: where in so long this share of readings bends by more than this much and four times
# what the road does, none of them is travel. Choices of ours; the noisiest sound sensor stays a factor below.
WILD_S, WILD_SHARE, WILD_MM, WILD_BENDS, WILD_REACH_S = 0.2, 0.25, 5.0, 4.0, 0.02
# This near to an end of the stroke nothing is bridged: a contact may hide in the gap.
NO_BRIDGE_MM = 3.0
# What is left for so short between two faults, and the last two readings beside one that bend like a jump, cannot be
# told from the fault.
ISLAND_S, ISLAND_SAMPLES, BESIDE_MM = 0.015, 2, 2.0
# The same reading for this long, give or take its noise, while the other end moves this much: the sensor is stuck.
STUCK_S, STUCK_MM, STUCK_OTHER_MM = 1.0, 0.25, 3.0
RESTS_MM = 1.5
RIDING_M_S = 8.0
# Exactly the same reading for this long may be a logger that repeats its last value, or an open wire. The evidence is
# how unlikely so many equal steps are, by the share of equal steps around them (log odds), and the jump at an edge.
# Weight and limit are fitted on simulated logs of 10 to 14 bits; the limit lets one false find of some 20 ms through
# in about ten minutes. Where the jump is no larger than a step of the converter, nothing can tell them apart.
HELD_S, HELD_SAMPLES, HELD_AROUND_S = 0.015, 4, 0.3
SAME_MM = 1e-9
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

    ``gaps`` are the stretches, in samples, for which the log has no rows at all. On a clock that is not ``even`` a
    sample is made of the rows on either side of it: a fault then reaches one sample further.
    """

    source: str
    end: End
    setup: SensorSetup
    sample_rate_hz: float
    row_of: Callable[[int], int]
    gaps: tuple[tuple[int, int], ...] = ()
    even: bool = True

    def at(self, sample: int) -> str:
        """Row and time of a sample, in words."""
        return f"row {self.row_of(sample)} (t = {sample / self.sample_rate_hz:.3f} s)"


@dataclass
class Cleaning:
    """Travel while it is being cleaned, with what was found and done so far."""

    place: Place
    travel_mm: FloatArray
    notes: list[QualityNote] = field(default_factory=list)
    history: list[Step] = field(default_factory=list)

    def mask(self, samples: BoolArray, code: str, what: str, *, severity: Severity = "warning") -> None:
        """Set samples to NaN, and say so: how many, in how many places, where first."""
        if not self.place.even:
            samples = _grown(samples, 1)
        samples = samples & np.isfinite(self.travel_mm)
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
    other_mm : ndarray of shape (n_samples,) or None
        The other end, if it has a sensor. [mm]
    speed_m_s : ndarray of shape (n_samples,) or None
        Of the motorcycle, if it is known. [m/s]

    Raises
    ------
    StrokeExceededError
        If travel beyond the stroke is more than isolated.
    CalibrationError
        If travel far below full extension is more than isolated.
    """
    work = Cleaning(place, travel_mm)
    _note_missing(work)
    _mask_wild(work)
    smooth = _mask_outside(work)
    _mask_stuck(work, other_mm, speed_m_s)
    spikes = find_spikes(work.travel_mm, place.sample_rate_hz, place.setup.stroke_mm, even=place.even)
    _mask_held(work, spikes)
    work.mask(spikes, "spikes", "has spikes")
    _mask_beside(work, np.isfinite(travel_mm) & np.isnan(work.travel_mm))
    _check_ends(work, np.where(smooth, travel_mm, work.travel_mm))
    _bridge(work)
    return work


def _grown(samples: BoolArray, by: int) -> BoolArray:
    """Samples with so many on either side of each run."""
    grown = samples.copy()
    for _ in range(by):
        grown[1:] |= grown[:-1].copy()
        grown[:-1] |= grown[1:].copy()
    return grown


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
    # the same reading from sample start to sample end, but for the rounding of what was interpolated
    starts, ends = runs(step <= SAME_MM)
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
            if abs(level) < RESTS_MM and np.ptp(travel[start:end]) > 0:
                continue  # with its wheel in the air an end rests on its stop, however the other one moves
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


def _bend_mm(work: Cleaning) -> float:
    """How far the hardest road bends travel from one sample to the next. [mm]"""
    return BEND_MM_S2 / work.place.sample_rate_hz**2


def _mask_outside(work: Cleaning) -> BoolArray:
    """Mask what no end can reach; return what of it moved there and back like an end, as a wrong calibration does."""
    travel, stroke, rate = work.travel_mm, work.place.setup.stroke_mm, work.place.sample_rate_hz
    faults, smooth = np.zeros(len(travel), dtype=bool), np.zeros(len(travel), dtype=bool)
    jump_mm = JUMP_MM + JUMP_BENDS * _bend_mm(work)
    for past in (-travel, travel - stroke):
        for start, end in zip(*runs(past > EDGE_MM), strict=True):
            before, after = _jump(past, start, jump_mm), _jump(past[::-1], len(past) - end, jump_mm)
            beyond = start + np.flatnonzero(past[start:end] > OUTSIDE_MM)
            if before or after:  # the sample that the jump passed through goes too
                faults[start - max(before - 1, 0) : end + max(after - 1, 0)] = True
            elif beyond.size and end - start > STANDS_S * rate and _stands(travel[start:end]):
                faults[start:end] = True
            else:
                smooth[beyond] = True
    short = np.zeros_like(faults)
    for start, end in zip(*runs(faults), strict=True):
        short[start:end] = end - start <= STANDS_S * rate
    work.mask(faults & ~short, "rail", "stands outside the stroke (an open wire?)")
    work.mask(faults & short, "outside", "jumps out of the stroke")
    work.mask(
        smooth, "beyond_stroke", f"goes more than {OUTSIDE_MM:g} mm past its stroke, where it is no travel,"
    )
    if not (np.isfinite(work.travel_mm) | smooth).any() and np.isfinite(travel).any():
        setup = work.place.setup
        raise CalibrationError(
            f"{work.place.source}, channel {setup.channel!r}: nothing it reads is a travel within the {stroke:g} mm "
            f"stroke. Check the sensor's wiring, and points and zero in [{work.place.end}.sensor] of {setup.source}."
        )
    return smooth


def _jump(past_mm: FloatArray, start: int, jump_mm: float) -> int:
    """Over how many steps travel sped up outwards to get past the stroke at a sample: 0 where it did not."""
    for steps in range(1, JUMP_SAMPLES + 1):
        at = start - steps  # the last sample of the motion
        if at < 1:
            return 0
        if past_mm[at + 1] - 2 * past_mm[at] + past_mm[at - 1] > jump_mm:
            return steps
    return 0


def _stands(travel_mm: FloatArray) -> bool:
    """Whether readings stand still but for noise."""
    low, high = np.percentile(travel_mm, [5, 95])
    return bool(high - low <= FLAT_MM)


def _mask_wild(work: Cleaning) -> None:
    """Mask stretches in which readings jump about as an input does that nothing drives."""
    travel, rate = work.travel_mm, work.place.sample_rate_hz
    length = max(8, round(WILD_S * rate))
    count = len(travel) // length
    bends = np.zeros(len(travel), dtype=bool)
    bends[1:-1] = np.abs(np.diff(travel, 2)) > WILD_MM + WILD_BENDS * _bend_mm(work)
    wild = bends[: count * length].reshape(count, length).mean(axis=1) > WILD_SHARE
    samples = np.zeros(len(travel), dtype=bool)
    samples[: count * length] = np.repeat(wild, length)
    at, reach = np.flatnonzero(bends), max(8, round(WILD_REACH_S * rate))
    for start, end in zip(*runs(samples), strict=True):  # on either side as far as it goes on
        while (before := at[(at < start) & (at >= start - reach)]).size:
            start = int(before[0])
        while (after := at[(at >= end) & (at < end + reach)]).size:
            end = int(after[-1]) + 1
        samples[max(start - 2, 0) : end + 2] = True
    work.mask(samples, "wild", "jumps about as no end moves (an open wire, an input that floats?)")


def _mask_beside(work: Cleaning, found: BoolArray) -> None:
    """Mask what cannot be told from a fault beside it: single readings between faults, and jumps at their edges."""
    travel = work.travel_mm
    untold = np.zeros(len(travel), dtype=bool)
    for start, end in zip(*runs(np.isfinite(travel)), strict=True):
        beside = found[max(start - 1, 0)], found[min(end, len(found) - 1)]
        longest = max(ISLAND_SAMPLES, ISLAND_S * work.place.sample_rate_hz) if all(beside) else ISLAND_SAMPLES
        if end - start <= longest and any(beside):
            untold[start:end] = True
    bend = np.zeros(len(travel))
    bend[1:-1] = np.abs(np.diff(travel, 2))
    odd = bend > BESIDE_MM + JUMP_BENDS * _bend_mm(work)  # False where a neighbour is missing
    gone = np.isnan(travel)
    for reach in (1, 2):
        for sign in (1, -1):
            edge = np.roll(gone, sign * reach) & ~gone & np.roll(odd, -sign)
            untold |= edge
    work.mask(untold, "beside", "cannot be told from a fault beside it", severity="info")


def _check_ends(work: Cleaning, travel_mm: FloatArray) -> None:
    """Refuse a calibration that no damper fits; note what reaches past the stroke, which stays as it is.

    ``travel_mm`` still holds what moved out of the stroke like an end, and was masked for being too far out.
    """
    place, travel = work.place, work.travel_mm
    stroke, rate = place.setup.stroke_mm, place.sample_rate_hz
    if _for_long(travel_mm > stroke + MOST_EXCESS_MM, rate, np.isfinite(travel_mm).sum()):
        worst = int(np.nanargmax(travel_mm))
        raise StrokeExceededError(
            f"{place.source}, {place.at(worst)}, channel {place.setup.channel!r}: {travel_mm[worst]:.1f} mm is more "
            f"than the {stroke:g} mm stroke. Check points in [{place.end}.sensor] of {place.setup.source}."
        )
    if _for_long(travel_mm < -MOST_ZERO_ERROR_MM, rate, np.isfinite(travel_mm).sum()):
        worst = int(np.nanargmin(travel_mm))
        raise CalibrationError(
            f"{place.source}, {place.at(worst)}, channel {place.setup.channel!r}: {travel_mm[worst]:.1f} mm is beyond "
            f"full extension (0 mm). Check points and zero in [{place.end}.sensor] of {place.setup.source}, and "
            f"whether the sensor is the right way round."
        )
    over, under = travel > stroke + EDGE_MM, travel < -EDGE_MM
    if over.any():
        starts, ends = runs(travel > stroke + HELD_PAST_MM)
        held = bool((ends - starts).max(initial=0) > HELD_PAST_S * rate)
        work.note(
            over,
            "over_stroke",
            f"goes up to {np.nanmax(travel) - stroke:.1f} mm past the {stroke:g} mm stroke in {{places}}; {{count}} "
            + (f"samples, for longer than a stop gives way: check points in [{place.end}.sensor] and the stroke."
               if held else "samples, as rubber and metal give in a hard contact."),
            severity="warning" if held else "info",
        )  # fmt: skip
    if under.any():
        text = f"goes up to {-np.nanmin(travel):.1f} mm past full extension in {{places}}; {{count}} samples."
        work.note(under, "under_zero", text, severity="info")


def _for_long(samples: BoolArray, sample_rate_hz: float, n_valid: int) -> bool:
    starts, ends = runs(samples)
    longest = int((ends - starts).max(initial=0))
    most = max(MOST_EXCESS_SHARE * n_valid, MOST_EXCESS_S * sample_rate_hz)
    return longest > LONGEST_EXCESS_S * sample_rate_hz or int(samples.sum()) > most


def _bridge(work: Cleaning) -> None:
    longest = longest_bridge(work.place.sample_rate_hz)
    work.travel_mm, bridged = bridge(
        work.travel_mm, longest, within_mm=(NO_BRIDGE_MM, work.place.setup.stroke_mm - NO_BRIDGE_MM)
    )
    if bridged.any():
        text = f"has gaps of up to {longest} samples in {{places}}; {{count}} samples are bridged by a cubic."
        work.note(bridged, "bridged", text, severity="info")
