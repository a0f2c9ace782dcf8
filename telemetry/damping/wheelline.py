"""A line locked to the wheel's rotation: imbalance, or a tyre out of round.

It turns with the wheel, which turns with the ground speed times a smooth factor (rolling radius, lean, slip). It is
looked for in what the learned equation leaves, over the wheel's angle instead of time, and believed only if
the outing as a whole shows it better than factors at which nothing turns.

References
----------
.. [1] H. Vold, J. Leuridan, SAE 931288, 1993 (order tracking).
"""

from dataclasses import dataclass

import numpy as np

from telemetry.arrays import BoolArray, FloatArray, IntArray
from telemetry.damping.band import HIGH_HZ, LOW_HZ

# Turns per nominal turn (ground speed over the bike file's radius).
FACTORS = (0.92, 1.26)
FACTOR_STEP = 0.01
# As wide and no wheel turns there: what chance gives.
NOTHING_TURNS = ((0.56, 0.90), (1.30, 1.64))
WINDOW_TURNS = 24
HOP_TURNS = 6
PER_TURN = 16
# Cost of a factor that moves one step from window to window, in units of log likelihood.
STEP_COST = 1.5
# The line's gain per window over chance that the outing as a whole must show.
LEAST_GAIN = 0.6
# The line may be this much stronger than usual at the speed; more is not the wheel's.
MOST_OVER_USUAL = 1.25
RATE_BINS = 10


@dataclass(frozen=True)
class WheelLine:
    """The line that was found.

    Parameters
    ----------
    force : ndarray of shape (n,)
        On the right side of the rear equation. [mm/s]
    rate_hz : ndarray of shape (n,)
        Turns per second of the wheel, as tracked. [Hz]
    gain : float
        Log likelihood per window over what chance gives.
    """

    force: FloatArray
    rate_hz: FloatArray
    gain: float


def find_wheel_line(
    residual: FloatArray, usable: BoolArray, speed_m_s: FloatArray, step_s: float, radius_mm: float
) -> WheelLine | None:
    """Find the line and its force, if the outing shows one.

    Parameters
    ----------
    residual : ndarray of shape (n,)
        What the learned equation leaves. [mm/s]
    usable : ndarray of shape (n,)
    speed_m_s : ndarray of shape (n,)
        Ground speed. [m/s]
    step_s : float
        [s]
    radius_mm : float
        Of the tyre. [mm]

    Returns
    -------
    WheelLine or None
    """
    nominal_hz = speed_m_s / (2 * np.pi * radius_mm / 1e3)
    angle = np.concatenate([[0.0], np.cumsum(np.maximum(nominal_hz[1:], 1e-6) * step_s)])
    even = np.arange(0.0, angle[-1], 1.0 / PER_TURN)
    if len(even) < 4 * WINDOW_TURNS * PER_TURN:
        return None
    quiet = np.where(usable, residual, 0.0)
    over_angle = np.interp(even, angle, quiet)
    turning_hz = np.interp(even, angle, nominal_hz)
    good = np.interp(even, angle, usable.astype(float)) > 0.999
    starts = np.arange(0, len(even) - WINDOW_TURNS * PER_TURN, HOP_TURNS * PER_TURN)

    def track(low: float, high: float) -> tuple[FloatArray, float]:
        factors = np.arange(low, high + 1e-9, FACTOR_STEP)
        gain = _line_gain(over_angle, good, turning_hz, starts, factors)
        path, total = _smooth_path(gain)
        return factors[path], total / max(int((gain.max(axis=1) > 0).sum()), 1)

    path, gain = track(*FACTORS)
    chance = max(track(*band)[1] for band in NOTHING_TURNS)
    if gain - chance < LEAST_GAIN:
        return None
    middle = even[starts] + 0.5 * WINDOW_TURNS
    factor = np.interp(angle, middle, path)
    phase = np.concatenate([[0.0], np.cumsum(factor[1:] * np.diff(angle))])
    force = _line_force(quiet, usable, phase, factor * nominal_hz, angle)
    return WheelLine(force, factor * nominal_hz, gain - chance)


def _line_gain(
    signal: FloatArray, good: BoolArray, turning_hz: FloatArray, starts: IntArray, factors: FloatArray
) -> FloatArray:
    """Log likelihood that a line at each factor gains in each window; shape (n_windows, n_factors)."""
    length = WINDOW_TURNS * PER_TURN
    taper = np.hanning(length)
    turn = np.arange(length) / PER_TURN
    waves = taper[:, None] * np.exp(-2j * np.pi * turn[:, None] * factors)
    gain = np.zeros((len(starts), len(factors)))
    chunk = 512
    for first in range(0, len(starts), chunk):
        index = starts[first : first + chunk, None] + np.arange(length)
        pieces = signal[index]
        energy = (pieces**2 * taper**2).sum(axis=1)
        line = 2.0 * np.abs(pieces @ waves) ** 2 / (taper**2).sum()
        share = np.clip(line / np.maximum(energy, 1e-12)[:, None], 0.0, 0.98)
        hz = turning_hz[index].mean(axis=1)
        # independent values in the window: as many as its seconds hold in the band, less for the taper
        seconds = WINDOW_TURNS / np.maximum(hz, 1e-3)
        freedom = 0.5 * 2.0 * (HIGH_HZ[0] - LOW_HZ[1]) * seconds
        inside = (hz * factors[0] > LOW_HZ[1]) & (hz * factors[-1] < HIGH_HZ[0]) & good[index].all(axis=1)
        gain[first : first + chunk] = np.where(
            inside[:, None], -0.5 * freedom[:, None] * np.log1p(-share) - 1.0, 0.0
        )
    return gain


def _smooth_path(gain: FloatArray) -> tuple[IntArray, float]:
    """The path of factors with the largest gain less what its steps cost (Viterbi), and its gain."""
    count, states = gain.shape
    steps = np.abs(np.arange(states)[:, None] - np.arange(states))
    cost = STEP_COST * np.minimum(steps, 6) ** 1.0
    best = gain[0]
    came_from = np.zeros((count, states), dtype=np.int64)
    for i in range(1, count):
        choice = best[None, :] - cost
        came_from[i] = choice.argmax(axis=1)
        best = choice.max(axis=1) + gain[i]
    path = np.empty(count, dtype=np.int64)
    path[-1] = int(best.argmax())
    for i in range(count - 1, 0, -1):
        path[i - 1] = came_from[i, path[i]]
    return path, float(gain[np.arange(count), path].sum())


def _line_force(
    residual: FloatArray, usable: BoolArray, phase: FloatArray, rate_hz: FloatArray, angle: FloatArray
) -> FloatArray:
    """The line's part of the residual: its own slow amplitude, held to what is usual at that wheel speed."""
    turned = np.exp(-2j * np.pi * phase)
    every = 1.0 / 4
    even = np.arange(0.0, angle[-1], every)
    slow = np.concatenate([[0.0], np.cumsum(residual * turned)])
    count = np.concatenate([[0.0], np.cumsum(usable.astype(float))])
    # mean over a window of turns, in wheel angle
    low = np.searchsorted(angle, even - 0.5 * WINDOW_TURNS)
    high = np.searchsorted(angle, even + 0.5 * WINDOW_TURNS)
    mean = (slow[high] - slow[low]) / np.maximum(count[high] - count[low], 1.0)
    rate = np.interp(even, angle, rate_hz)
    seen = (rate > LOW_HZ[1]) & (rate < HIGH_HZ[0]) & (high - low > 8)
    if seen.sum() < RATE_BINS * 8:
        return np.zeros(len(residual))
    edges = np.quantile(rate[seen], np.linspace(0.0, 1.0, RATE_BINS + 1))
    where = np.clip(np.searchsorted(edges, rate) - 1, 0, RATE_BINS - 1)
    usual = np.array([np.median(np.abs(mean[seen & (where == k)])) for k in range(RATE_BINS)])
    middle = 0.5 * (edges[1:] + edges[:-1])
    limit = MOST_OVER_USUAL * np.interp(rate, middle, usual)
    size = np.abs(mean)
    held = np.where(seen, mean * np.minimum(1.0, limit / np.maximum(size, 1e-12)), 0.0)
    at = np.interp(angle, even, held.real) + 1j * np.interp(angle, even, held.imag)
    return np.asarray(2.0 * np.real(at * np.conj(turned)))
