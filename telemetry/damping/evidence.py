"""Evidence for lost damping, block by block: lost poles of the rear wheel against healthy ones.

Every block of a quarter of a second says how likely each pole of a grid is, with a noise level of its own, so
that one bump cannot decide for two seconds. Blocks add up; what counts over a window is the mean likelihood
of the lost poles against that of the healthy ones.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from telemetry.arrays import BoolArray, FloatArray, IntArray
from telemetry.damping.equation import BLOCK_S, WheelEquation, blocks
from telemetry.damping.hop import (
    FREEDOM_PER_S,
    HEALTHY_ABOVE,
    HIGH_HZ,
    LOST_BELOW,
    LOW_HZ,
    WheelHop,
    band_response,
    coefficients,
    fast_length,
    hop_mode,
    hop_modes,
    log_gain,
    rise,
    tyre_hz_of,
)
from telemetry.damping.pole import FrontFilter, Pole, hop_near

# Near the hop: a little beyond where it may lie, with smooth edges that ring no longer than a block.
BEYOND = (0.82, 1.17)
EDGE_HZ = 2.3
# The road is never smoother than this share of its median, as far as the front can tell.
LEAST_ROAD = 0.15
# ln of mean square, own over road, of a wheel that has lost its damping: twice as far is ln 4 = 1.39, and most lose
# more. Its healthy scatter is the outing's own, but not less than that of a second of a resonance. The rare bump that
# only this wheel has met counts as `RARE`. Chosen on the tuning seeds of tests/benchmarks/detection.
LOST_SWING, LOST_SPREAD = 1.8, 0.45
MORE_SCATTER, LEAST_SCATTER = 1.1, 0.25
RARE, RARE_RANGE = 0.003, 5.0
# With less than this the wheel swings no further than with half of its damping: a sound damper too is damped less
# at some loads and speeds (oil and hose give, valves are digressive, seals hold), and its pole then looks lost.
LEAST_SWING = float(np.log(2.0))
UPPER_QUARTILE = 0.6745  # of a normal distribution


@dataclass(frozen=True)
class Swing:
    """Mean square speed near the hop by block, (n_blocks,): the wheel's own, and what the road makes of it. [mm2/s2]"""

    own: FloatArray
    road: FloatArray


def find_swing(equation: WheelEquation, fitted: FrontFilter, predicted: FloatArray, hop: WheelHop) -> Swing:
    """Swing of a wheel over a run; ``predicted`` (n,) is the right side of the equation from the other wheel."""
    n, step_s = len(predicted), equation.step_s
    padded = fast_length(n)
    hz = np.asarray(np.fft.rfftfreq(padded, step_s), dtype=np.float64)
    inside = np.flatnonzero((hz > LOW_HZ[0]) & (hz < HIGH_HZ[1]))
    low, high = (share * edge for share, edge in zip(BEYOND, hop_near(fitted.pole, hop), strict=True))
    near = rise((hz[inside] - low) / EDGE_HZ + 0.5) * rise((high - hz[inside]) / EDGE_HZ + 0.5)
    parts = []
    for signal, gain in ((equation.own[2], near), (predicted, near / band_response(fitted.row, hz[inside]))):
        spectrum = np.zeros(len(hz), dtype=complex)
        spectrum[inside] = np.fft.rfft(signal, padded)[inside] * gain
        parts.append(_block_mean(np.fft.irfft(spectrum, padded)[:n] ** 2, round(BLOCK_S / step_s)))
    return Swing(*parts)


def _block_mean(values: FloatArray, length: int) -> FloatArray:
    count = len(values) // length
    return np.asarray(values[: count * length].reshape(count, length).mean(axis=1))


@dataclass(frozen=True)
class Usual:
    """Usual swing of windows of one length; ``least`` is added to the road's part. [mm2/s2]

    ``middle`` is the median of ln(own / road), ``scatter`` the standard deviation of healthy stretches about it.
    """

    least: float
    middle: float
    scatter: float


def usual_swing(swing: Swing, whole: BoolArray, n_blocks: int) -> Usual:
    """Usual swing of windows of ``n_blocks`` blocks; ``whole`` (n,) are the usable ones."""
    if not whole.any():
        return Usual(0.0, 0.0, LEAST_SCATTER)
    least = LEAST_ROAD * float(np.median(swing.road[whole]))
    usable = np.convolve(whole, np.ones(n_blocks), mode="valid") > n_blocks - 0.5
    if len(whole) < n_blocks or not usable.any():
        return Usual(least, 0.0, LEAST_SCATTER)
    over = swing_over(swing, Usual(least, 0.0, 0.0), n_blocks)[usable]
    middle, upper = np.quantile(over, [0.5, 0.75])
    scatter = MORE_SCATTER * float(upper - middle) / UPPER_QUARTILE
    return Usual(least, float(middle), max(scatter, LEAST_SCATTER))


def swing_over(swing: Swing, usual: Usual, n_blocks: int) -> FloatArray:
    """ln(own / road) of mean squares less the usual, for every run of ``n_blocks`` blocks, by first block."""
    if len(swing.own) < n_blocks:
        return np.empty(0)
    box = np.full(n_blocks, 1.0 / n_blocks)
    own, road = (np.convolve(part, box, mode="valid") for part in (swing.own, swing.road))
    return np.asarray(np.log(np.maximum(own, 1e-12) / np.maximum(road + usual.least, 1e-12)) - usual.middle)


def swing_evidence(over: FloatArray, scatter: float) -> FloatArray:
    """Log likelihood ratio, lost over healthy, of a swing over the usual; -inf below `LEAST_SWING`.

    At most about ln(`RARE_RANGE` / `RARE`): a wheel may meet what the other has not.
    """
    normal = np.sqrt(2 * np.pi)
    lost = -0.5 * ((np.minimum(over, LOST_SWING) - LOST_SWING) / LOST_SPREAD) ** 2 - np.log(
        LOST_SPREAD * normal
    )
    healthy = (1.0 - RARE) * np.exp(-0.5 * (over / scatter) ** 2) / (scatter * normal)
    found = lost - np.log(healthy + RARE / RARE_RANGE)
    return np.asarray(np.where(over < LEAST_SWING, -np.inf, found))


GRID_HZ = 0.5
GRID_DAMPING = np.geomspace(0.03, 1.4, 15)
# A damper that is weak all the time is its own reference: healthy starts at this share of the learned ratio. One that
# fails in one direction only, or in part, leaves more than rubber does: about half of the learned ratio.
HEALTHY_SHARE, LOST_SHARE = 0.75, 0.55
# A sound, digressive damper works at a ratio near 0.2 on a rough stretch (common practice, no source): whatever was
# learned, more than a little above it is not lost. Chosen on the tuning seeds.
LOST_AT_MOST = 0.22


@dataclass(frozen=True)
class PoleGrid:
    """Poles to compare; ``row`` (n_poles, 5) are coefficients of the wheel's signals, ``gain`` their `log_gain`."""

    frequency_hz: FloatArray
    damping_ratio: FloatArray
    row: FloatArray
    gain: FloatArray
    lost: BoolArray
    healthy: BoolArray


def pole_grid(hop: WheelHop, fitted: Pole) -> PoleGrid:
    """Grid of poles over the hop's band, narrowed by the tyre frequency of the outing's pole."""
    low, high = hop_near(fitted, hop)
    # a working damper may stiffen the wheel beyond where it hops without one
    top = max(high, hop_mode(hop, fitted.tyre_hz, 0.0)[0])
    hz = np.linspace(low, top, max(3, round((top - low) / GRID_HZ) + 1))
    tyre = np.array([tyre_hz_of(hop, f) for f in hz])
    tyre, damping = (a.ravel() for a in np.meshgrid(tyre, GRID_DAMPING, indexing="ij"))
    mode_hz, ratio = hop_modes(hop, tyre, damping)
    row = coefficients(hop, tyre, damping)
    lost_below = max(LOST_BELOW, min(LOST_AT_MOST, LOST_SHARE * fitted.damping_ratio))
    healthy_above = max(1.3 * lost_below, min(HEALTHY_ABOVE, HEALTHY_SHARE * fitted.damping_ratio))
    hops = np.repeat(hz <= high + 1e-9, len(GRID_DAMPING))
    stiffened = ~hops & (ratio >= HEALTHY_SHARE * fitted.damping_ratio)
    return PoleGrid(
        mode_hz,
        ratio,
        row,
        log_gain(row),
        hops & (ratio <= lost_below),
        hops & (ratio >= healthy_above) | stiffened,
    )


def block_log_likelihood(
    equation: WheelEquation,
    input_signal: FloatArray,
    grid: PoleGrid,
    seconds: float = BLOCK_S,
) -> tuple[FloatArray, BoolArray]:
    """Log likelihood (n_blocks, n_poles) of every pole in every block, and which blocks are usable.

    ``input_signal`` (n,) is the right side of the equation from the other wheel.
    """
    cut = blocks((equation.own, input_signal[None]), equation.usable, equation.step_s, seconds)
    rows = np.concatenate([grid.row, -np.ones((len(grid.row), 1))], axis=1)
    i, j = np.triu_indices(6)
    weights = rows[:, i] * rows[:, j] * np.where(i == j, 1.0, 2.0)
    square = np.maximum(cut.products[:, i, j] @ weights.T, 1e-9)
    return 0.5 * FREEDOM_PER_S * cut.seconds * (grid.gain - np.log(square)), cut.whole


def _mean_likelihood(values: FloatArray) -> FloatArray:
    top = values.max(axis=1, keepdims=True)
    return np.asarray(top[:, 0] + np.log(np.exp(values - top).mean(axis=1)))


def _window_evidence(
    lost: FloatArray, healthy: FloatArray, bad: IntArray, n_blocks: int, wanted: BoolArray | None = None
) -> FloatArray:
    """Evidence of every run of ``n_blocks`` blocks, by first block: ln of mean likelihood, lost over healthy.

    ``lost``, ``healthy`` and ``bad`` are cumulative sums from 0 on, n + 1 long. -inf where a block is unusable or the
    run is not in ``wanted`` (None: all).
    """
    if len(bad) <= n_blocks:
        return np.empty(0)
    whole = bad[n_blocks:] == bad[:-n_blocks]
    first = np.flatnonzero(whole if wanted is None else whole & wanted)
    found = np.full(len(whole), -np.inf)
    if len(first):
        found[first] = _mean_likelihood(lost[first + n_blocks] - lost[first])
        found[first] -= _mean_likelihood(healthy[first + n_blocks] - healthy[first])
    return found


def _summed(values: NDArray[Any]) -> NDArray[Any]:
    """Sums from the first row on, starting with 0."""
    total = np.zeros((len(values) + 1, *values.shape[1:]), dtype=values.dtype)
    np.cumsum(values, axis=0, out=total[1:])
    return total


def best_run(gain: FloatArray) -> tuple[int, int]:
    """First and one past last index of the run with the largest sum (Kadane)."""
    total = np.concatenate([[0.0], np.cumsum(gain)])
    lowest = np.minimum.accumulate(total)
    last = int(np.argmax(total - lowest))
    return int(np.argmin(total[: last + 1])), last


def class_evidence(likelihood: FloatArray, whole: BoolArray, grid: PoleGrid, n_blocks: int) -> FloatArray:
    """The pole's evidence of every run of ``n_blocks`` blocks, by first block; -inf where one is not usable."""
    lost, healthy = (_summed(likelihood[:, kind]) for kind in (grid.lost, grid.healthy))
    return _window_evidence(lost, healthy, _summed((~whole).astype(np.int64)), n_blocks)


@dataclass(frozen=True)
class Windows:
    """Evidence of all windows of one length, by first block, and how much of it such a window needs."""

    n_blocks: int
    evidence: FloatArray
    needed: float


def windows(
    likelihood: FloatArray,
    whole: BoolArray,
    grid: PoleGrid,
    thresholds: Mapping[float, float],
    swing: Swing | None = None,
) -> tuple[Windows, ...]:
    """Windows of several lengths over their ``thresholds`` (by length [s]), by pole and swing (None without a road)."""
    lost, healthy = (_summed(likelihood[:, kind]) for kind in (grid.lost, grid.healthy))
    bad = _summed((~whole).astype(np.int64))
    found = []
    for seconds, least in thresholds.items():
        n_blocks = round(seconds / BLOCK_S)
        if swing is None:
            evidence = _window_evidence(lost, healthy, bad, n_blocks)
        else:
            usual = usual_swing(swing, whole, n_blocks)
            of_swing = swing_evidence(swing_over(swing, usual, n_blocks), usual.scatter)
            # most windows swing too little for any pole to be called lost
            evidence = of_swing + _window_evidence(lost, healthy, bad, n_blocks, np.isfinite(of_swing))
        found.append(Windows(n_blocks, evidence, least))
    return tuple(found)


def over_threshold(
    looked_at: tuple[Windows, ...], threshold_offset: float = 0.0
) -> list[tuple[int, int, float]]:
    """Windows over their threshold less ``threshold_offset``: first block, one past the last, evidence above it."""
    found = []
    for window in looked_at:
        over = window.evidence - window.needed
        found += [
            (int(i), int(i) + window.n_blocks, float(over[i]))
            for i in np.flatnonzero(over > -threshold_offset)
        ]
    return sorted(found)


def joined(found: list[tuple[int, int, float]]) -> list[list[tuple[int, int, float]]]:
    """Windows, sorted by first block, in groups of those that overlap or touch."""
    groups: list[list[tuple[int, int, float]]] = []
    end = -1
    for window in found:
        if groups and window[0] <= end:
            groups[-1].append(window)
        else:
            groups.append([window])
        end = max(end, window[1])
    return groups
