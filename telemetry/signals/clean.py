"""Faults of one travel signal: detect, count and locate them; mask or bridge the samples."""

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from telemetry.arrays import BoolArray, End, FloatArray, IntArray
from telemetry.decimals import Column, Numbers
from telemetry.errors import CalibrationError, StrokeExceededError
from telemetry.notes import QualityNote, Severity, Step
from telemetry.numeric import BLOCK, quantile
from telemetry.signals.channels import SensorSetup
from telemetry.signals.clock import block_range, bridge, cubic_weights, longest_bridge, runs

# A block of samples is a spike if each lies this far, to the same side, from the cubic through two samples on either
# side, and the block is entered and left by a jump: travel that hits a stop reverses as sharply, but without a jump
# towards it. Motion deviates from a cubic with the square of the block's duration: the second limit allows three times
# the hardest kerbs of simulated outings. Own choice; common practice has no figure.
SPIKE_MM = 1.5
BEND_MM_S2 = 50_000.0
# Contacts with a stop bend travel up to this many times more; applied within this distance of the stroke's ends.
STOP_BENDS, BEND_STOP_MM = 3.0, 4.0
WIDEST_S, WIDEST_SAMPLES, NARROWEST_SAMPLES = 0.005, 5, 3
PASSES = 3
# At the edge of a spike of height h, the second difference is h or more.
SPIKE_BEND_MM = 0.7 * SPIKE_MM
# Least share of its deviation that a spike gains in one step, at both edges; a contact gains nothing.
JUMP_SHARE = 0.5

# Travel this close to a limit is at the limit: noise, and play of the sensor's mount.
EDGE_MM = 0.5
# Largest reading past the stroke that can be travel: stops yield by 2 to 3 mm in a hard contact, and a zero is a
# millimetre off (common practice, no source).
OUTSIDE_MM = 5.0
# A reading that leaves the stroke by a jump is a fault: a stop decelerates an end, so an outward acceleration of more
# than a spike's height plus three times that of the hardest road is no motion.
JUMP_MM, JUMP_BENDS, JUMP_SAMPLES = SPIKE_MM, 3.0, 2
# A reading outside the stroke constant for this time, within this range (5 to 95 %), is an open wire.
STANDS_S, FLAT_MM = 0.050, 0.3
# A calibration is wrong if smooth travel stays past the stroke by more than a stop yields: for this long at a time, or
# for this share of the log and this long in total. A landing holds an end on its stop for 0.1 to 0.15 s; fifty
# contacts of 20 ms are one second.
MOST_EXCESS_MM, LONGEST_EXCESS_S, MOST_EXCESS_SHARE, MOST_EXCESS_S = 2.0, 0.25, 0.01, 0.5
# Full extension may read this far below 0, for example after a mount has slipped slightly; beyond it the zero is wrong.
MOST_ZERO_ERROR_MM = 3.0
# Warning if an end is held on its stop this long and this far past the stroke: check points and stroke.
HELD_PAST_S, HELD_PAST_MM = 0.15, 1.0
# A floating input reads noise: within this time this share of readings bends by more than this plus four times the
# hardest road. Own choices; the noisiest sound sensor stays a factor below.
WILD_S, WILD_SHARE, WILD_MM, WILD_BENDS, WILD_REACH_S = 0.2, 0.25, 5.0, 4.0, 0.02
# No bridging this close to a limit of the stroke: the gap may hide a contact.
NO_BRIDGE_MM = 3.0
# Readings this short between two faults, and up to two readings beside a fault that bend like a jump, are masked with
# the fault.
ISLAND_S, ISLAND_SAMPLES, BESIDE_MM = 0.015, 2, 2.0
# Stuck sensor: constant within its noise for this long while the other end moves this much.
STUCK_S, STUCK_MM, STUCK_OTHER_MM = 1.0, 0.25, 3.0
RESTS_MM = 1.5
RIDING_M_S = 8.0
# Exactly the same reading for this long may be a logger that repeats its last value, or an open wire. The evidence is
# the log odds of so many equal steps, given the share of equal steps around them, plus the jump at an edge. Weight and
# limit are fitted on simulated logs of 10 to 14 bits; the limit gives one false detection of some 20 ms in about ten
# minutes. Repeats with a jump no larger than a converter step cannot be detected.
HELD_S, HELD_SAMPLES, HELD_AROUND_S = 0.015, 4, 0.3
SAME_MM = 1e-9
HELD_JUMP_WEIGHT, HELD_LEAST_JUMP_MM, HELD_EVIDENCE, HELD_FITTED_FROM_HZ = 14.0, 0.1, 6.5, 200.0
# A jump that motion cannot make is sufficient evidence, and required where an end may rest on its stop.
AT_STOP_MM, HELD_JUMP_MM = 1.0, 1.0
MOVES_MM, MOVES_S = 0.5, 0.25
# A smaller held share of the log is only an info: some repeats are chance.
HELD_FEW_SHARE = 1e-3
# This close to a limit of its stroke an end can stop at once.
STOP_MM = 4.0


def widest_spike(sample_rate_hz: float) -> int:
    """Largest number of samples of a spike at this rate."""
    return int(np.clip(WIDEST_S * sample_rate_hz, NARROWEST_SAMPLES, WIDEST_SAMPLES))


def find_spikes(
    travel_mm: FloatArray,
    sample_rate_hz: float,
    stroke_mm: float = np.inf,
    *,
    even: bool = True,
    bends: IntArray | None = None,
) -> BoolArray:
    """Mask of spike samples; travel bends sharply at the stops of ``stroke_mm``. [mm]

    Where samples were interpolated (not ``even``), a jump may span two of them. ``bends`` are as of `sharp_bends` with
    `SPIKE_BEND_MM`, where they are known already.
    """
    widest = widest_spike(sample_rate_hz)
    spikes = np.zeros(len(travel_mm), dtype=bool)
    bends = sharp_bends(travel_mm, SPIKE_BEND_MM) if bends is None else bends
    index = _around(bends, (PASSES + 1) * (widest + 3), len(travel_mm))
    if index.size:
        inside = index >= 0
        near = np.where(inside, travel_mm[index], np.nan)
        spikes[index[inside]] = _in_passes(near, widest, sample_rate_hz, stroke_mm, 1 if even else 2)[inside]
    return spikes


def sharp_bends(travel_mm: FloatArray, least_mm: float) -> IntArray:
    """Samples at which the second difference of travel is larger, in order. [mm]"""
    found = [np.empty(0, dtype=np.int64)]
    for first in range(0, len(travel_mm) - 2, BLOCK):
        bend = np.diff(travel_mm[first : first + BLOCK + 2], 2)
        found.append(np.flatnonzero(np.abs(bend, out=bend) > least_mm) + first + 1)
    return np.concatenate(found)


def _around(at: IntArray, reach: int, count: int) -> IntArray:
    """Indices of ``count`` samples within reach of some of them, in order, separated by -1."""
    if not at.size:
        return at
    apart = np.flatnonzero(np.diff(at) > 2 * reach + 1)
    starts = np.maximum(at[np.append(0, apart + 1)] - reach, 0)
    ends = np.minimum(at[np.append(apart, len(at) - 1)] + reach + 1, count)
    lengths = ends - starts + WIDEST_SAMPLES + 1
    place = np.arange(lengths.sum()) - np.repeat(np.cumsum(lengths) - lengths, lengths)
    index = np.where(place < np.repeat(ends - starts, lengths), np.repeat(starts, lengths) + place, -1)
    return np.asarray(index, dtype=np.int64)


def _in_passes(
    travel_mm: FloatArray, widest: int, sample_rate_hz: float, stroke_mm: float, jump_steps: int
) -> BoolArray:
    spikes = np.zeros(len(travel_mm), dtype=bool)
    values = travel_mm
    for _ in range(PASSES):  # a spike can hide its neighbour
        blocks = _blocks(values, widest, sample_rate_hz, stroke_mm, jump_steps)
        new = _strongest(blocks, len(values))
        if not new.any():
            break
        spikes |= new
        values, _ = bridge(np.where(spikes, np.nan, travel_mm), widest)
    return spikes


def _blocks(
    values: FloatArray, widest: int, sample_rate_hz: float, stroke_mm: float, jump_steps: int
) -> list[tuple[float, int, int]]:
    """Candidate spikes as (deviation, start, width)."""
    bends = np.abs(np.diff(values, 2)) > SPIKE_BEND_MM  # in front of a block, or at its start
    starts = np.flatnonzero(np.append(bends, False) | np.append(False, bends)) + 1
    blocks = []
    for width in range(1, widest + 1):
        at = starts[(starts >= 2) & (starts + width + 2 <= len(values))]
        deviation = _height(values, at, width, jump_steps)
        half_span_s = 0.5 * (width + 1) / sample_rate_hz
        at_stop = (
            values[at[:, None] + np.arange(width)].max(axis=1, initial=-np.inf) > stroke_mm - BEND_STOP_MM
        )
        bend_mm = BEND_MM_S2 * half_span_s**2 * np.where(at_stop, STOP_BENDS, 1.0)
        beyond = deviation > np.maximum(SPIKE_MM, bend_mm)
        blocks += [(float(d), int(i), width) for d, i in zip(deviation[beyond], at[beyond], strict=True)]
    return blocks


def _height(values: FloatArray, at: IntArray, width: int, steps: int) -> FloatArray:
    """Distance of each block from the cubic through its neighbours; 0 unless on one side with a jump away and back."""
    banks = values[at[:, None] + np.array([-2, -1, width, width + 1])]
    away = np.stack([values[at + k] - banks @ cubic_weights(width, k) for k in range(width)])
    least = np.abs(away).min(axis=0, initial=np.inf)
    bend = np.zeros(len(values))
    bend[1:-1] = np.diff(values, 2)
    sign = np.sign(away.sum(axis=0))
    entered = np.max([sign * bend[np.maximum(at - 1 - k, 0)] for k in range(steps)], axis=0)
    left = np.max([sign * bend[np.minimum(at + width + k, len(bend) - 1)] for k in range(steps)], axis=0)
    jumps = (entered > JUMP_SHARE * least) & (left > JUMP_SHARE * least)
    same_side = (away > 0).all(axis=0) | (away < 0).all(axis=0)
    return np.where(jumps & same_side, least, 0.0)


def _strongest(blocks: list[tuple[float, int, int]], n_samples: int) -> BoolArray:
    """Mask of the accepted blocks, largest deviation first; blocks that touch an accepted one are rejected."""
    taken = np.zeros(n_samples, dtype=bool)
    for _, start, width in sorted(blocks, reverse=True):
        if not taken[max(0, start - 2) : start + width + 2].any():
            taken[start : start + width] = True
    return taken


@dataclass(frozen=True)
class SignalOrigin:
    """Origin of a signal for messages: log, end, sensor, and the row of a sample."""

    source: str
    end: End
    setup: SensorSetup
    sample_rate_hz: float
    row_of: Callable[[int], int]
    gaps: tuple[tuple[int, int], ...] = ()  # stretches of samples without usable rows, noted elsewhere
    even: bool = True  # False: samples are interpolated, so a fault reaches one sample further

    def at(self, sample: int) -> str:
        """Row and time of a sample as text."""
        return f"row {self.row_of(sample)} (t = {sample / self.sample_rate_hz:.3f} s)"


@dataclass
class Cleaning:
    """Travel during cleaning, with its notes and history."""

    origin: SignalOrigin
    travel_mm: FloatArray
    notes: list[QualityNote] = field(default_factory=list)
    history: list[Step] = field(default_factory=list)

    @cached_property
    def _sharp(self) -> IntArray:
        return sharp_bends(self.travel_mm, SPIKE_BEND_MM)

    def bends(self, least_mm: float = SPIKE_BEND_MM) -> IntArray:
        """Samples at which travel that is left bends by more, which is `SPIKE_BEND_MM` or larger. [mm]"""
        at = self._sharp  # masks take samples away, and bends with them
        around = self.travel_mm[at[:, None] + np.array([-1, 0, 1])]
        return np.asarray(at[np.abs(np.diff(around, 2)[:, 0]) > least_mm])

    def mask(self, samples: BoolArray, code: str, what: str, *, severity: Severity = "warning") -> None:
        """Set samples to NaN and add a note with count, places and first position."""
        if not samples.any():
            return
        if not self.origin.even:
            samples = _grown(samples, 1)
        samples = samples & np.isfinite(self.travel_mm)
        if samples.any():
            self.note(
                samples, code, f"{what} in {{places}}; {{count}} samples are left out.", severity=severity
            )
            self.travel_mm = np.where(samples, np.nan, self.travel_mm)

    def note(self, samples: BoolArray, code: str, text: str, *, severity: Severity = "warning") -> None:
        """Add a note and a history step on samples; ``text`` may use {places} and {count}."""
        starts, ends = runs(samples)
        first, rate = int(starts[0]), self.origin.sample_rate_hz
        where = (
            f"{len(starts)} places, first at {self.origin.at(first)}"
            if len(starts) > 1
            else self.origin.at(first)
        )
        count = int(samples.sum())
        message = f"{self.origin.end.capitalize()} travel {text.format(places=where, count=count)}"
        self.notes.append(
            QualityNote(
                severity,
                code,
                message,
                channel=self.origin.setup.channel,
                start_s=first / rate,
                end_s=float(ends[-1]) / rate,
            )
        )
        self.history.append(Step(code, {"end": self.origin.end, "samples": count, "places": len(starts)}))


def clean(
    travel_mm: FloatArray,
    origin: SignalOrigin,
    other_mm: FloatArray | None,
    speed_m_s: FloatArray | Numbers | None = None,
) -> Cleaning:
    """Detect and mask the faults of calibrated travel [mm], with the other end's travel and the speed if logged.

    `StrokeExceededError` or `CalibrationError` if travel out of range is more than isolated.
    """
    work = Cleaning(origin, travel_mm)
    _note_missing(work)
    _mask_wild(work)
    smooth = _mask_outside(work)
    _mask_stuck(work, other_mm, speed_m_s)
    spikes = find_spikes(
        work.travel_mm, origin.sample_rate_hz, origin.setup.stroke_mm, even=origin.even, bends=work.bends()
    )
    _mask_held(work, spikes)
    work.mask(spikes, "spikes", "has spikes")
    if work.travel_mm is not travel_mm:
        _mask_beside(work, np.isfinite(travel_mm) & np.isnan(work.travel_mm))
    _check_ends(work, np.where(smooth, travel_mm, work.travel_mm) if smooth.any() else work.travel_mm)
    _bridge(work)
    return work


def _grown(samples: BoolArray, by: int) -> BoolArray:
    """Mask with each run extended by so many samples on both sides."""
    grown = samples.copy()
    for _ in range(by):
        grown[1:] |= grown[:-1].copy()
        grown[:-1] |= grown[1:].copy()
    return grown


def _note_missing(work: Cleaning) -> None:
    missing = np.isnan(work.travel_mm)
    for start, end in work.origin.gaps:  # noted elsewhere
        missing[start:end] = False
    if missing.any():
        work.note(missing, "missing", "is missing in {places}; {count} samples in all.")


def _mask_held(work: Cleaning, spikes: BoolArray) -> None:
    """Mask exactly constant readings; evidence grows with their duration and the jump at either edge."""
    travel, rate = work.travel_mm, work.origin.sample_rate_hz
    # equal readings from sample start to sample end, except for the rounding of interpolation
    starts, ends = runs(_equal_steps(travel))
    long = ends - starts + 1 >= max(HELD_SAMPLES, int(np.ceil(HELD_S * rate)))
    long &= (starts > 0) & (ends < len(travel) - 1)
    starts, ends = starts[long], ends[long]
    if not starts.size:
        return
    clear = np.flatnonzero(~spikes)  # the jump at an edge is measured past a spike
    before = clear[np.maximum(np.searchsorted(clear, starts) - 1, 0)]
    after = clear[np.minimum(np.searchsorted(clear, ends, side="right"), len(clear) - 1)]
    fell = np.nan_to_num(np.abs(travel[before] - travel[starts]))
    left = np.nan_to_num(np.abs(travel[after] - travel[ends]))
    to_stop = np.minimum(travel[starts], work.origin.setup.stroke_mm - travel[starts])
    fell[to_stop < STOP_MM] = 0.0  # an end that hits its stop does halt at once
    too_fast = max(HELD_JUMP_MM, BEND_MM_S2 / rate**2)
    held = np.zeros(len(travel), dtype=bool)
    for i, (start, end) in enumerate(zip(starts, ends, strict=True)):
        jump = max(fell[i], left[i])
        repeated = jump > too_fast
        if not repeated and to_stop[i] > AT_STOP_MM:  # on its stop an end may rest
            odds = (end - start) * _surprise(travel, start, end, round(HELD_AROUND_S * rate))
            jump *= min(1.0, rate / HELD_FITTED_FROM_HZ)  # motion per sample is larger in a slower log
            evidence = odds + HELD_JUMP_WEIGHT * np.log(jump + HELD_LEAST_JUMP_MM)
            repeated = evidence > HELD_EVIDENCE and _moves_about(travel, start, end, rate)
        if repeated:
            # without a jump before it, the first one is the last valid reading
            held[start if fell[i] > HELD_JUMP_MM else start + 1 : end + 1] = True
    few = held.sum() < HELD_FEW_SHARE * len(held)
    text = "stands exactly still (an open wire, a logger that repeats itself?)"
    work.mask(held, "held", text, severity="info" if few else "warning")


def _equal_steps(travel_mm: FloatArray) -> BoolArray:
    """Where a sample is equal to the one before, shape (n_samples - 1,)."""
    equal = np.zeros(max(len(travel_mm) - 1, 0), dtype=bool)
    for first in range(0, len(equal), BLOCK):
        step = np.diff(travel_mm[first : first + BLOCK + 1])
        equal[first : first + BLOCK] = np.abs(step, out=step) <= SAME_MM
    return equal


def _surprise(travel_mm: FloatArray, start: int, end: int, reach: int) -> float:
    """Negative log of the share of equal steps around a standstill: the surprise of one equal step."""
    before, after = travel_mm[max(0, start - reach) : start + 1], travel_mm[end : end + reach + 1]
    sides = np.concatenate([np.diff(before), np.diff(after)])
    sides = sides[np.isfinite(sides)]
    return -float(np.log(((sides == 0).sum() + 0.5) / (len(sides) + 1)))


def _moves_about(travel: FloatArray, start: int, end: int, rate: float) -> bool:
    """True if the end moves before and after a standstill; False for a motorcycle at rest."""
    about = max(2, round(MOVES_S * rate))
    sides = travel[max(0, start - about) : start], travel[end + 1 : end + 1 + about]
    return all(
        len(side) > 1 and float(np.nanmax(side, initial=-np.inf) - np.nanmin(side, initial=np.inf)) > MOVES_MM
        for side in sides
    )


def _mask_stuck(work: Cleaning, other_mm: FloatArray | None, speed_m_s: FloatArray | Numbers | None) -> None:
    """Mask a sensor that does not move while the other end moves or, without one, while the motorcycle rides."""
    travel, rate = work.travel_mm, work.origin.sample_rate_hz
    half = max(2, round(0.5 * STUCK_S * rate))
    if len(travel) < 2 * half:
        return
    still = block_range(travel, half) <= STUCK_MM
    if not (still[1:] & still[:-1]).any():
        return
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
                continue  # topped out with its wheel in the air
            # extend beyond the block edges
            before, after = travel[max(0, start - half) : start][::-1], travel[end : end + half]
            start -= _leading(np.abs(before - level) <= STUCK_MM)
            end += _leading(np.abs(after - level) <= STUCK_MM)
            stuck[start:end] = True
    work.mask(stuck, "stuck", "does not change while the other end moves," if other_mm is not None
              else "does not change while the motorcycle rides,")  # fmt: skip


def _leading(true: BoolArray) -> int:
    """Number of leading true values."""
    return int(np.argmin(true)) if not true.all() else len(true)


def _bend_mm(work: Cleaning) -> float:
    """Largest second difference of travel from the hardest road. [mm]"""
    return BEND_MM_S2 / work.origin.sample_rate_hz**2


def _mask_outside(work: Cleaning) -> BoolArray:
    """Mask impossible travel; return the part that moved there smoothly, as from a wrong calibration."""
    travel, stroke, rate = work.travel_mm, work.origin.setup.stroke_mm, work.origin.sample_rate_hz
    faults, smooth = np.zeros(len(travel), dtype=bool), np.zeros(len(travel), dtype=bool)
    low, high = Column(travel).limits or (0.0, 0.0)
    jump_mm = JUMP_MM + JUMP_BENDS * _bend_mm(work)
    near = JUMP_SAMPLES + 1  # samples on both sides that tell a jump
    for sign, most_mm, limit_mm in ((-1.0, -low, 0.0), (1.0, high, stroke)):
        if most_mm - limit_mm <= EDGE_MM:
            continue
        for start, end in zip(*runs(sign * travel - limit_mm > EDGE_MM), strict=True):
            first = max(start - near, 0)
            past = sign * travel[first : end + near] - limit_mm  # of the stretch and its neighbours
            before = _jump(past, start - first, jump_mm)
            after = _jump(past[::-1], len(past) - (end - first), jump_mm)
            beyond = start + np.flatnonzero(past[start - first : end - first] > OUTSIDE_MM)
            if before or after:  # also mask the sample within the jump
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
        smooth, "beyond_stroke", f"goes more than {OUTSIDE_MM:g} mm past its stroke, which no end can reach,"
    )
    if work.travel_mm is not travel and not (np.isfinite(work.travel_mm) | smooth).any():
        setup = work.origin.setup
        raise CalibrationError(
            f"{work.origin.source}, channel {setup.channel!r}: no reading is within the {stroke:g} mm "
            f"stroke. Check the sensor's wiring, and points and zero in [{work.origin.end}.sensor] of {setup.source}."
        )
    return smooth


def _jump(past_mm: FloatArray, start: int, jump_mm: float) -> int:
    """Number of steps in which travel accelerated past the stroke at a sample, 0 if it did not."""
    for steps in range(1, JUMP_SAMPLES + 1):
        at = start - steps  # the last sample of the motion
        if at < 1:
            return 0
        if past_mm[at + 1] - 2 * past_mm[at] + past_mm[at - 1] > jump_mm:
            return steps
    return 0


def _stands(travel_mm: FloatArray) -> bool:
    """True if readings are constant except for noise."""
    low, high = quantile(travel_mm, 0.05), quantile(travel_mm, 0.95)
    return bool(high - low <= FLAT_MM)


def _mask_wild(work: Cleaning) -> None:
    """Mask stretches of noise from a floating input."""
    travel, rate = work.travel_mm, work.origin.sample_rate_hz
    length = max(8, round(WILD_S * rate))
    count = len(travel) // length
    at, reach = work.bends(WILD_MM + WILD_BENDS * _bend_mm(work)), max(8, round(WILD_REACH_S * rate))
    wild = np.bincount(at // length, minlength=count)[:count] > WILD_SHARE * length
    if not wild.any():
        return
    samples = np.zeros(len(travel), dtype=bool)
    samples[: count * length] = np.repeat(wild, length)
    for start, end in zip(*runs(samples), strict=True):  # extend to both sides
        while (before := at[(at < start) & (at >= start - reach)]).size:
            start = int(before[0])
        while (after := at[(at >= end) & (at < end + reach)]).size:
            end = int(after[-1]) + 1
        samples[max(start - 2, 0) : end + 2] = True
    work.mask(samples, "wild", "jumps as no end can move (an open wire, a floating input?)")


def _mask_beside(work: Cleaning, fault: BoolArray) -> None:
    """Mask short remains between faults, and jumps at the edge of a fault."""
    travel = work.travel_mm
    doubtful = np.zeros(len(travel), dtype=bool)
    for start, end in zip(*runs(np.isfinite(travel)), strict=True):
        beside = fault[max(start - 1, 0)], fault[min(end, len(fault) - 1)]
        longest = (
            max(ISLAND_SAMPLES, ISLAND_S * work.origin.sample_rate_hz) if all(beside) else ISLAND_SAMPLES
        )
        if end - start <= longest and any(beside):
            doubtful[start:end] = True
    odd = work.bends(BESIDE_MM + JUMP_BENDS * _bend_mm(work))
    for sign in (1, -1):
        edge = odd - sign  # the sample between a bend and what is missing, or next to it
        beyond = np.stack([edge - sign, edge - 2 * sign]) % len(travel)
        edge = edge[np.isnan(travel[beyond]).any(axis=0) & np.isfinite(travel[edge])]
        doubtful[edge] = True
    work.mask(doubtful, "beside", "cannot be distinguished from an adjacent fault", severity="info")


def _check_ends(work: Cleaning, travel_mm: FloatArray) -> None:
    """Raise for a calibration that no damper fits; note travel past the stroke. ``travel_mm`` is before masking."""
    origin, travel = work.origin, work.travel_mm
    stroke, rate = origin.setup.stroke_mm, origin.sample_rate_hz
    low, high = Column(travel_mm).limits or (0.0, 0.0)
    if low >= -EDGE_MM and high <= stroke + EDGE_MM:
        return
    n_valid = int(np.isfinite(travel_mm).sum())
    if _for_long(travel_mm > stroke + MOST_EXCESS_MM, rate, n_valid):
        worst = int(np.nanargmax(travel_mm))
        raise StrokeExceededError(
            f"{origin.source}, {origin.at(worst)}, channel {origin.setup.channel!r}: {travel_mm[worst]:.1f} mm is more "
            f"than the {stroke:g} mm stroke. Check points in [{origin.end}.sensor] of {origin.setup.source}."
        )
    if _for_long(travel_mm < -MOST_ZERO_ERROR_MM, rate, n_valid):
        worst = int(np.nanargmin(travel_mm))
        raise CalibrationError(
            f"{origin.source}, {origin.at(worst)}, channel {origin.setup.channel!r}: {travel_mm[worst]:.1f} mm is "
            f"beyond full extension (0 mm). Check points and zero in [{origin.end}.sensor] of {origin.setup.source}, "
            f"and whether the sensor is the right way round."
        )
    over, under = travel > stroke + EDGE_MM, travel < -EDGE_MM
    if over.any():
        starts, ends = runs(travel > stroke + HELD_PAST_MM)
        held = bool((ends - starts).max(initial=0) > HELD_PAST_S * rate)
        work.note(
            over,
            "over_stroke",
            f"goes up to {np.nanmax(travel) - stroke:.1f} mm past the {stroke:g} mm stroke in {{places}}; {{count}} "
            + (f"samples, for longer than a stop yields: check points in [{origin.end}.sensor] and the stroke."
               if held else "samples: stops yield in a hard contact."),
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
    longest = longest_bridge(work.origin.sample_rate_hz)
    work.travel_mm, bridged = bridge(
        work.travel_mm, longest, within_mm=(NO_BRIDGE_MM, work.origin.setup.stroke_mm - NO_BRIDGE_MM)
    )
    if bridged.any():
        text = f"has gaps of up to {longest} samples in {{places}}; {{count}} samples are bridged by a cubic."
        work.note(bridged, "bridged", text, severity="info")
