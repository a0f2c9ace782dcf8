"""What loss a log could show: the detectability limit, computed from the log itself.

The rear's speed is modelled as the road that the front told of and the part that it did not, shaped by the rear
pole, and the sensor's noise on top. The evidence that a loss then gathers each second is the difference of two
expected log likelihoods [1]_ (a Kullback-Leibler divergence); it has to reach, with its scatter, what the log's
own healthy windows ask for.

References
----------
.. [1] P. Whittle, Ark. Mat. 2 (1953) 423-434.
"""

from math import erf, sqrt

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.damping.band import BAND_WEIGHT, FREEDOM_PER_S, FREQUENCY_HZ
from telemetry.damping.equation import BLOCK_S, WheelEquation, blocks
from telemetry.damping.evidence import PoleGrid, Windows
from telemetry.damping.hop import band_gain, band_response, log_gain
from telemetry.damping.learn import Learned
from telemetry.damping.oscillation import DetectionLimit

# Ratios to give the limit for: what rubber alone leaves at least, a tyre with a trace of oil, the edge of lost.
RATIOS = (0.05, 0.08, 0.12)
CHANCE = 0.9
# Evidence scatters more than on an even road: measured on the tuning seeds of tests/benchmarks/detection.
MORE_SCATTER = 1.4
# No shorter loss is promised: windows of half a second rarely lie fully in one. On held-out seeds of
# tests/benchmarks/detection 8 of 12 losses of 0.5 s were found where 9 in 10 had been promised, 99 % of longer ones.
SHORTEST_PROMISED_S = 0.75
_STEP_HZ = float(FREQUENCY_HZ[1] - FREQUENCY_HZ[0])


def evidence_per_s(
    equation: WheelEquation, learned: Learned, predicted: FloatArray, grid: PoleGrid, noise_per_hz: float
) -> tuple[FloatArray, FloatArray]:
    """Evidence that a loss down to each pole of the grid gathers in a second, on the outing's usual road.

    Parameters
    ----------
    equation : WheelEquation
    learned : Learned
    predicted : ndarray of shape (n,)
    grid : PoleGrid
    noise_per_hz : float
        Density of the sensor's white noise, one-sided, travel at the wheel. [mm2/Hz]

    Returns
    -------
    mean, variance : ndarray of shape (n_poles,)
        [1/s]; 0 for poles that are not lost.
    """
    left = np.stack([learned.row @ equation.own - predicted, predicted])
    cut = blocks((left,), equation.usable, equation.step_s, BLOCK_S)
    unknown, known = np.median(cut.products[cut.whole][:, [0, 1], [0, 1]], axis=0)
    width = float(BAND_WEIGHT.sum()) * _STEP_HZ
    noise = noise_per_hz * (2 * np.pi * FREQUENCY_HZ) ** 2
    heard = float((band_gain(learned.row, FREQUENCY_HZ) * noise) @ BAND_WEIGHT) * _STEP_HZ
    # where noise hides the road altogether, a hundredth of what is left is road at most
    unknown = max(unknown - heard, 0.01 * unknown) / width
    known = known / width
    all_poles = band_response(grid.row, FREQUENCY_HZ)
    gain = np.abs(all_poles) ** 2
    log_gains = log_gain(grid.row)
    mean, variance = np.zeros(len(gain)), np.zeros(len(gain))
    for true in np.flatnonzero(grid.lost):
        # what each pole of the grid leaves of a wheel with this one
        relative = all_poles / all_poles[true]
        power = np.abs(relative - 1.0) ** 2 * known + np.abs(relative) ** 2 * unknown + gain * noise
        residual = power @ BAND_WEIGHT
        likelihood = 0.5 * FREEDOM_PER_S * (log_gains - np.log(residual))
        lost = int(np.where(grid.lost, likelihood, -np.inf).argmax())
        healthy = int(np.where(grid.healthy, likelihood, -np.inf).argmax())
        mean[true] = likelihood[lost] - likelihood[healthy]
        # the logarithm of a mean square scatters with the shares that its frequencies have in it
        share = power[lost] / residual[lost] - power[healthy] / residual[healthy]
        variance[true] = 0.5 * FREEDOM_PER_S * float(share**2 @ BAND_WEIGHT * BAND_WEIGHT.sum())
    return mean, variance


def chance_to_find(mean_per_s: float, variance_per_s: float, seconds: float, needed: float) -> float:
    """Chance that a window of so many seconds reaches the evidence it needs.

    Parameters
    ----------
    mean_per_s, variance_per_s : float
        Of the evidence. [1/s]
    seconds, needed : float
        Length [s] and threshold.

    Returns
    -------
    float
    """
    # a loss begins and ends within blocks: half a block of it is lost on average
    seconds = seconds - 0.5 * BLOCK_S
    sd = MORE_SCATTER * sqrt(max(variance_per_s * seconds, 1e-12))
    return 0.5 * (1.0 + erf((mean_per_s * seconds - needed) / (sqrt(2.0) * sd)))


def detection_limits(
    mean_per_s: FloatArray,
    variance_per_s: FloatArray,
    grid: PoleGrid,
    looked_at: tuple[Windows, ...],
    noise_mm: float,
) -> tuple[DetectionLimit, ...]:
    """The shortest loss that is found in 9 of 10 cases, for several damping ratios.

    Parameters
    ----------
    mean_per_s, variance_per_s : ndarray of shape (n_poles,)
        From `evidence_per_s`.
    grid : PoleGrid
    looked_at : tuple of Windows
    noise_mm : float
        At the wheel. [mm]

    Returns
    -------
    tuple of DetectionLimit
    """
    found = []
    for ratio in RATIOS:
        near = grid.lost & (np.abs(np.log(grid.damping_ratio / ratio)) < 0.2)
        if not near.any():
            continue
        mean, variance = float(mean_per_s[near].mean()), float(variance_per_s[near].mean())
        long_enough = [
            window.n_blocks * BLOCK_S
            for window in looked_at
            if window.n_blocks * BLOCK_S >= SHORTEST_PROMISED_S
            and chance_to_find(mean, variance, window.n_blocks * BLOCK_S, window.needed) >= CHANCE
        ]
        found.append(DetectionLimit(ratio, min(long_enough, default=None), noise_mm))
    return tuple(found)
