"""A steady tone in a sensor's signal, such as vibration of its bracket, folded into the band by sampling.

It has one frequency all through the outing. A wheel that rings, however little it is damped, is wider: a tyre
alone leaves a ratio of 0.03, which at 15 Hz is 0.9 Hz from half power to half power.
"""

import numpy as np

from telemetry.arrays import BoolArray, FloatArray
from telemetry.damping.band import HIGH_HZ, LOW_HZ
from telemetry.damping.wheelline import Line

WINDOW_S = 10.0
LEAST_WINDOWS = 6
# The tone against what is a little beside it; the window's own width is 0.2 Hz to either side.
BESIDE_HZ = (0.35, 0.85)
LEAST_OVER_BESIDE = 6.0
AMPLITUDE_TURNS = 150.0  # 10 s at 15 Hz: a ringing of a second is hardly touched


def find_tone(signal: FloatArray, usable: BoolArray, step_s: float) -> Line | None:
    """The strongest steady tone of a signal; None where there is none.

    Parameters
    ----------
    signal : ndarray of shape (n,)
        Band-limited.
    usable : ndarray of shape (n,)
    step_s : float
        [s]
    """
    length = round(WINDOW_S / step_s)
    starts = np.arange(0, len(signal) - length + 1, length // 2)
    index = starts[:, None] + np.arange(length)
    whole = usable[index].mean(axis=1) > 0.9 if len(starts) else np.zeros(0, dtype=bool)
    if whole.sum() < LEAST_WINDOWS:
        return None
    pieces = (signal * usable)[index[whole]] * np.hanning(length)
    power = np.abs(np.fft.rfft(pieces, axis=1)) ** 2
    # every window counts the same: a tone is in all of them, a rough stretch in one
    density = np.mean(power / power.sum(axis=1, keepdims=True), axis=0)
    hz = np.fft.rfftfreq(length, step_s)
    first, last = (round(edge * WINDOW_S) for edge in BESIDE_HZ)
    beside = np.concatenate([np.ones(last - first + 1), np.zeros(2 * first - 1), np.ones(last - first + 1)])
    usual = np.convolve(density, beside / beside.sum(), mode="same")
    inside = (hz > LOW_HZ[1]) & (hz < HIGH_HZ[0])
    over = np.where(inside, density / np.maximum(usual, 1e-30), 0.0)
    best = int(np.argmax(over))
    if over[best] < LEAST_OVER_BESIDE:
        return None
    before, here, after = np.sqrt(density[best - 1 : best + 2])
    exact_hz = float(hz[best] + (after - before) / (before + here + after) * (hz[1] - hz[0]))
    turns = exact_hz * step_s * np.arange(len(signal), dtype=np.float64)
    rate = np.full(len(signal), exact_hz)
    return Line(turns, turns, rate, usable, AMPLITUDE_TURNS)
