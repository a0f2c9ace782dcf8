"""How far a wheel swings near its hop, against what the road makes of it with the damping of the outing as a whole.

Whatever fails in a damper, and however little its force then is that of a scaled-down one, the wheel swings further
near its hop than the road explains: with a quarter of the damping twice as far, as the mean square of a resonance goes
with the inverse of its damping ratio. It fails on other things than the pole does: a bump that only this wheel has
met makes it swing, but not ring on; a pole can be read wrong, but not where the wheel hardly moves.

References
----------
.. [1] S. H. Crandall, W. D. Mark, Random Vibration in Mechanical Systems, 1963: mean square of a resonator under white
   noise.
"""

from dataclasses import dataclass

import numpy as np

from telemetry.arrays import BoolArray, FloatArray
from telemetry.damping.band import HIGH_HZ, LOW_HZ, fast_length, rise
from telemetry.damping.equation import BLOCK_S, WheelEquation
from telemetry.damping.front_filter import FrontFilter
from telemetry.damping.hop import WheelHop, band_response
from telemetry.damping.pole import hop_near

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
    """Mean square speed near the hop, block by block; arrays of shape (n_blocks,).

    ``own`` is the wheel's, ``road`` what the road that the other wheel met makes of it. [mm2/s2]
    """

    own: FloatArray
    road: FloatArray


def find_swing(equation: WheelEquation, fitted: FrontFilter, predicted: FloatArray, hop: WheelHop) -> Swing:
    """Swing of a wheel over a run.

    Parameters
    ----------
    predicted : ndarray of shape (n,)
        The right side of the equation as the other wheel predicts it.
    """
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
    """What windows of one length do over the outing.

    ``least`` is added to the road's part [mm2/s2]; ``middle`` is the median of ln of own over road, ``scatter`` the
    standard deviation of healthy stretches about it.
    """

    least: float
    middle: float
    scatter: float


def usual_swing(swing: Swing, whole: BoolArray, n_blocks: int) -> Usual:
    """The usual swing of windows of ``n_blocks`` blocks.

    Parameters
    ----------
    whole : ndarray of shape (n,)
        Blocks that are usable.
    """
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
    """Log of mean square, own over road, of every run of ``n_blocks`` blocks, less the usual.

    Returns
    -------
    ndarray of shape (n - n_blocks + 1,)
        By first block.
    """
    if len(swing.own) < n_blocks:
        return np.empty(0)
    box = np.full(n_blocks, 1.0 / n_blocks)
    own, road = (np.convolve(part, box, mode="valid") for part in (swing.own, swing.road))
    return np.asarray(np.log(np.maximum(own, 1e-12) / np.maximum(road + usual.least, 1e-12)) - usual.middle)


def swing_evidence(over: FloatArray, scatter: float) -> FloatArray:
    """Log likelihood ratio, lost over healthy, of a swing over the usual.

    Parameters
    ----------
    over : ndarray
        From `swing_over`.

    Returns
    -------
    ndarray
        At most ln(`RARE_RANGE` / `RARE`) less a little: a wheel may meet what the other has not. -inf below
        `LEAST_SWING`.
    """
    normal = np.sqrt(2 * np.pi)
    lost = -0.5 * ((np.minimum(over, LOST_SWING) - LOST_SWING) / LOST_SPREAD) ** 2 - np.log(
        LOST_SPREAD * normal
    )
    healthy = (1.0 - RARE) * np.exp(-0.5 * (over / scatter) ** 2) / (scatter * normal)
    found = lost - np.log(healthy + RARE / RARE_RANGE)
    return np.asarray(np.where(over < LEAST_SWING, -np.inf, found))
