"""What loss a log could show: the detectability limit, found by letting the damper fail in the log itself.

Had the damper been lost on the very road that was ridden, the rear would have moved by the ratio of the two answers of
the wheel: that of the lost pole over that of the learned one. The log's own rear is passed through that ratio, all of
it, and asked with the detector's own evidence how many of its windows would have been found. So whatever makes it hard
to hear is in it as it is: noise and play of both sensors, a wheelbase or speed that is a little wrong, road that the
front has not met. Only the rear sensor's own noise does not ring with the wheel; it is left as it was, by the share
that it has at each frequency [1]_.

References
----------
.. [1] N. Wiener, Extrapolation, Interpolation, and Smoothing of Stationary Time Series, 1949: the best linear estimate
   of a signal in noise takes at each frequency the signal's share of the power.
"""

from dataclasses import replace

import numpy as np

from telemetry.arrays import BoolArray, FloatArray
from telemetry.damping.band import FREQUENCY_HZ, HIGH_HZ, LOW_HZ, fast_length
from telemetry.damping.equation import BLOCK_S, ORDERS, OWN, WheelEquation
from telemetry.damping.evidence import Windows, block_log_likelihood, class_evidence
from telemetry.damping.hop import REFERENCE_HZ, band_response, hop_mode
from telemetry.damping.listen import Heard
from telemetry.damping.oscillation import DetectionLimit
from telemetry.damping.swing import find_swing, swing_evidence, swing_over, usual_swing

# Ratios to give the limit for: what rubber alone leaves at least, a tyre with a trace of oil, the edge of lost.
RATIOS = (0.05, 0.08, 0.12)
CHANCE = 0.9
# Of the pole's evidence a true loss gathers this share: dampers are digressive and seals hold, which a pole that is
# lost throughout has not; measured on the tuning seeds of tests/benchmarks/detection.
SHARE_GATHERED = 0.5
# No shorter loss is promised: windows of half a second rarely lie fully in one.
SHORTEST_PROMISED_S = 0.75
MOST_S = 300.0  # of riding are enough


def detection_limits(heard: Heard, looked_at: tuple[Windows, ...]) -> tuple[DetectionLimit, ...]:
    """The shortest loss that is found in 9 of 10 cases, for several damping ratios.

    Parameters
    ----------
    heard : Heard
        With the other wheel's news.
    looked_at : tuple of Windows
        What the detector asks of windows of several lengths.

    Returns
    -------
    tuple of DetectionLimit
    """
    grid = heard.grid
    found = []
    hop_hz, _ = hop_mode(heard.hop, heard.asked.pole.tyre_hz, 0.0)
    part = _middle(heard.equation)
    signals = heard.signals[heard.end]
    for ratio in RATIOS:
        alike = grid.lost & (np.abs(np.log(grid.damping_ratio / ratio)) < 0.2)
        if not alike.any():
            continue
        pole = int(np.where(alike, np.abs(grid.frequency_hz - hop_hz), np.inf).argmin())
        shares = shares_found(heard, lost_in(part, heard, grid.row[pole], signals.noise_mm2_hz), looked_at)
        long_enough = [
            seconds for seconds, share in shares.items() if seconds >= SHORTEST_PROMISED_S and share >= CHANCE
        ]
        found.append(DetectionLimit(ratio, min(long_enough, default=None), signals.noise_mm))
    return tuple(found)


def _middle(equation: WheelEquation) -> slice:
    """At most `MOST_S` from the middle, from a whole block on."""
    n, block = len(equation.t_s), round(BLOCK_S / equation.step_s)
    most = round(MOST_S / equation.step_s)
    first = max(n - most, 0) // 2 // block * block
    return slice(first, min(first + most, n))


def lost_in(part: slice, heard: Heard, row: FloatArray, noise_per_hz: float) -> WheelEquation:
    """A part of the run as it had been with another pole throughout.

    Parameters
    ----------
    part : slice
    heard : Heard
    row : ndarray of shape (5,)
        Coefficients of the other pole.
    noise_per_hz : float
        Density of the sensor's white noise, one-sided, travel at the wheel. [mm2/Hz]

    Returns
    -------
    WheelEquation
    """
    equation = heard.equation
    speed = equation.own[2, part]
    n, padded = len(speed), fast_length(len(speed))
    hz = np.asarray(np.fft.rfftfreq(padded, equation.step_s), dtype=np.float64)
    inside = np.flatnonzero((hz > LOW_HZ[0]) & (hz < HIGH_HZ[1]))
    f = hz[inside]
    spectrum = np.fft.rfft(speed, padded)[inside]
    bins = len(FREQUENCY_HZ)
    near = np.clip(
        np.round((f - FREQUENCY_HZ[0]) / (FREQUENCY_HZ[1] - FREQUENCY_HZ[0])).astype(int), 0, bins - 1
    )
    density = 2.0 * equation.step_s / n * np.abs(spectrum) ** 2
    smooth = np.bincount(near, density, bins) / np.maximum(np.bincount(near, minlength=bins), 1)
    heard_noise = noise_per_hz * (2 * np.pi * FREQUENCY_HZ) ** 2
    moved = np.clip(1.0 - heard_noise / np.maximum(smooth, 1e-12), 0.0, 1.0)[near]
    ratio = band_response(heard.asked.row, f) / band_response(row, f)
    spectrum = spectrum * (moved * ratio + 1.0 - moved)
    own = np.empty((5, n))
    whole = np.zeros(len(hz), dtype=complex)
    orders = list(ORDERS)[OWN]
    for i, order in enumerate(orders):
        whole[inside] = spectrum * (1j * f / REFERENCE_HZ) ** order
        own[i] = np.fft.irfft(whole, padded)[:n]
    return replace(
        equation,
        t_s=equation.t_s[part],
        own=own,
        known=equation.known[:, part],
        usable=equation.usable[part],
        news=None,
        ground_speed_m_s=None,
    )


def shares_found(heard: Heard, lost: WheelEquation, looked_at: tuple[Windows, ...]) -> dict[float, float]:
    """Share of the places at which a loss of each length would have been found.

    Parameters
    ----------
    heard : Heard
    lost : WheelEquation
        From `lost_in`: a part of the run, its damper lost throughout.
    looked_at : tuple of Windows

    Returns
    -------
    dict of float to float
        By length: that of a window and half a block to either side, as a loss begins and ends within blocks. [s]
    """
    if heard.swing is None:
        return {}
    first = int(np.searchsorted(heard.equation.t_s, lost.t_s[0]))
    predicted = heard.predicted[first : first + len(lost.t_s)]
    likelihood, whole = block_log_likelihood(lost, predicted, heard.grid)
    swing = find_swing(lost, heard.asked, predicted, heard.hop)
    all_whole = heard.whole_blocks
    reached: dict[int, tuple[BoolArray, BoolArray]] = {}
    for window in looked_at:
        evidence = class_evidence(likelihood, whole, heard.grid, window.n_blocks)
        usable = np.isfinite(evidence)
        if not usable.any():
            continue
        usual = usual_swing(heard.swing, all_whole, window.n_blocks)
        over = swing_over(swing, usual, window.n_blocks)
        enough = SHARE_GATHERED * evidence + swing_evidence(over, usual.scatter) >= window.needed
        reached[window.n_blocks] = usable, usable & enough
    found = {}
    for n_blocks, (usable, _) in reached.items():
        # any window that lies within is enough
        any_of = np.zeros(len(usable), dtype=bool)
        for shorter, (_, enough) in reached.items():
            for later in range(n_blocks - shorter + 1):
                any_of |= enough[later : later + len(any_of)]
        found[(n_blocks + 1) * BLOCK_S] = float(any_of[usable].mean())
    return found
