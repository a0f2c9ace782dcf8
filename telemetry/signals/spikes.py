"""Spikes: one to a few samples that leave the motion and come back."""

import numpy as np

from telemetry.arrays import BoolArray, FloatArray, IntArray
from telemetry.signals.gaps import bridge, cubic_weights

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
