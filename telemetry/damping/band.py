"""Travel speed in the band of the wheel hop, with its derivatives and integrals, at about 100 Hz.

All in one pass through the frequency domain: no phase shift, the same band for every log rate, and a smooth
window, so that the filter rings no longer than a quarter of a second and no narrower than the band.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.signal import upfirdn

from telemetry.arrays import BoolArray, FloatArray, IntArray

ComplexArray = npt.NDArray[np.complex128]

RATE_HZ = 100.0
LEAST_RATE_HZ = 200.0  # a faster log is thinned to no less before its spectrum is taken, which is costly
LOW_HZ = (4.0, 6.0)  # below it is the chassis
HIGH_HZ = (28.0, 36.0)  # above it is sensor noise; a 100 Hz log has nothing beyond
RING_S = 0.12  # how far the window's response matters
SHORT_GAP_S = 0.008  # a masked stretch so short is bridged without harm to 36 Hz


def rise(x: FloatArray) -> FloatArray:
    """From 0 to 1 as x does, with a level start and end."""
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip(x, 0.0, 1.0)))


def band_window(frequency_hz: FloatArray) -> FloatArray:
    """Gain of the band: 1 from 6 to 28 Hz, smoothly 0 at 4 and 36 Hz."""
    low = rise((frequency_hz - LOW_HZ[0]) / (LOW_HZ[1] - LOW_HZ[0]))
    high = rise((HIGH_HZ[1] - frequency_hz) / (HIGH_HZ[1] - HIGH_HZ[0]))
    return low * high


# The band as a weight on frequency, for likelihoods: power gain on an even grid.
_GRID_STEP_HZ = 0.5
FREQUENCY_HZ = np.arange(LOW_HZ[0] + _GRID_STEP_HZ, HIGH_HZ[1], _GRID_STEP_HZ)
BAND_WEIGHT = band_window(FREQUENCY_HZ) ** 2
# Independent values per second of a signal of this band.
FREEDOM_PER_S = 2.0 * float(BAND_WEIGHT.sum()) * _GRID_STEP_HZ


def fast_length(n: int) -> int:
    """The next even length with a large power of two in it, which keeps the FFT fast."""
    block = 1 << max(n.bit_length() - 5, 1)
    return -(-n // block) * block


def bridged(values: FloatArray) -> FloatArray:
    """``values`` with straight lines over what is not finite."""
    bad = ~np.isfinite(values)
    if not bad.any():
        return values
    index = np.arange(len(values))
    return np.where(bad, np.interp(index, index[~bad], values[~bad]), values)


def thin(values: FloatArray, every: int) -> FloatArray:
    """One in ``every`` of the values, which close a circle, after three moving means over as many [1]_.

    What is folded into the band by it, from 164 Hz on, is a hundredth or less.

    References
    ----------
    .. [1] E. B. Hogenauer, IEEE Trans. ASSP 29(2), 155-162, 1981, doi:10.1109/TASSP.1981.1163535.
    """
    if every == 1:
        return values
    mean = np.full(every, 1.0 / every)
    taps = np.convolve(np.convolve(mean, mean), mean)
    before = 3 * every  # as many as there are taps, and whole steps
    return np.asarray(upfirdn(taps, np.concatenate([values[-before:], values]), down=every))[
        3 : 3 + len(values) // every
    ]


def thin_response(frequency_per_sample: FloatArray, every: int) -> ComplexArray:
    """What `thin` makes of each frequency, which is above 0. [1/sample]"""
    back = np.exp(-2j * np.pi * frequency_per_sample)
    return np.asarray(((1.0 - back**every) / (every * (1.0 - back))) ** 3)


def band_signals(
    travel_mm: FloatArray, sample_rate_hz: float, orders: Sequence[int], *, reference_hz: float
) -> tuple[float, FloatArray]:
    """Derivatives and integrals of the travel speed in the band.

    Parameters
    ----------
    travel_mm : ndarray of shape (n_samples,)
        NaN where invalid: bridged here, to be masked by `usable`. [mm]
    sample_rate_hz : float
        [Hz]
    orders : sequence of int
        0 is the speed, 1 its derivative, -1 its integral.
    reference_hz : float
        One derivative is divided by 2 pi times this, so that all orders are of one size. [Hz]

    Returns
    -------
    step_s : float
        Sampling interval of the answer. [s]
    signals : ndarray of shape (len(orders), n)
        [mm/s]
    """
    n = len(travel_mm)
    out = fast_length(int((n / sample_rate_hz + 1.0) * RATE_HZ) + 2)
    thinned = max(int(sample_rate_hz / LEAST_RATE_HZ), 1)
    padded = round(out * sample_rate_hz / RATE_HZ / thinned) * thinned
    values = np.empty(padded)
    values[:n] = bridged(travel_mm)
    # the end runs back to the start over a second, so that the circle closes without a jump
    values[n:] = np.linspace(values[n - 1], values[0], padded - n)
    spectrum = np.fft.rfft(thin(values, thinned))
    # a log of less than twice the band's end has nothing above half its rate
    frequency = np.arange(min(out // 2 + 1, len(spectrum))) * sample_rate_hz / padded
    inside = np.flatnonzero((frequency > LOW_HZ[0]) & (frequency < HIGH_HZ[1]))
    frequency = frequency[inside]
    spectrum = spectrum[inside] / thin_response(frequency / sample_rate_hz, thinned)
    speed = spectrum * band_window(frequency) * 2j * np.pi * frequency * (out * thinned / padded)
    step_s = padded / sample_rate_hz / out
    kept = int((n - 1) / sample_rate_hz / step_s + 1e-9) + 1
    signals = np.empty((len(orders), kept))
    whole = np.zeros(out // 2 + 1, dtype=complex)
    for row, order in enumerate(orders):
        whole[inside] = speed * (1j * frequency / reference_hz) ** order
        signals[row] = np.fft.irfft(whole, out)[:kept]
    return step_s, signals


def band_covariance(orders: Sequence[int], *, reference_hz: float) -> FloatArray:
    """Covariance of `band_signals` of white noise.

    Parameters
    ----------
    reference_hz : float
        [Hz]

    Returns
    -------
    ndarray of shape (len(orders), len(orders))
        For noise in the travel of a one-sided density of 1 mm2/Hz. [mm2/s2]
    """
    powers = (1j * FREQUENCY_HZ / reference_hz) ** np.asarray(orders, dtype=np.int64)[:, None]
    gain = powers * 2j * np.pi * FREQUENCY_HZ
    return np.asarray(np.real((gain * BAND_WEIGHT * _GRID_STEP_HZ) @ gain.conj().T))


@dataclass(frozen=True)
class Between:
    """Moments between the samples of an even grid, for cubic Hermite interpolation [1]_.

    At 100 Hz it is 0.3 % off at 16 Hz, a value and a derivative being known at every sample.

    Parameters
    ----------
    first : ndarray of shape (n,)
        The sample before each moment.
    weights : tuple of ndarray of shape (n,)
        On the two values around it, then on their derivatives times the interval.

    References
    ----------
    .. [1] C. de Boor, A Practical Guide to Splines, Springer 1978, ch. 4.
    """

    first: IntArray
    weights: tuple[FloatArray, FloatArray, FloatArray, FloatArray]

    def each(self, orders: FloatArray, rows: Sequence[int], per_step: float) -> FloatArray:
        """Some rows of signals at the moments; shape (len(rows), n).

        Parameters
        ----------
        orders : ndarray of shape (k, n_grid)
            On the grid; each row but the first is the integral of the one before.
        rows : sequence of int
            Neighbours, rising.
        per_step : float
            Of a row, times the interval, the slope of the next.
        """
        here, there, rise_here, rise_there = self.weights
        last = self.first + 1
        slopes = (orders[rows[0] - 1][self.first], orders[rows[0] - 1][last])
        found = np.empty((len(rows), len(self.first)))
        for into, row in zip(found, rows, strict=True):
            values = (orders[row][self.first], orders[row][last])
            np.multiply(rise_here, slopes[0], out=into)
            into += rise_there * slopes[1]
            into *= per_step
            into += here * values[0]
            into += there * values[1]
            slopes = values
        return found


def between(at: FloatArray, n: int) -> Between:
    """Moments ``at``, counted in samples of a grid of ``n``; what lies outside is held to its ends."""
    at = np.clip(at, 0.0, n - 1.0)
    first = np.minimum(at.astype(np.int64), n - 2)
    u = at - first
    there = u * u * (3.0 - 2.0 * u)
    return Between(first, (1.0 - there, there, u * (1.0 - u) ** 2, u * u * (u - 1.0)))


def usable(valid: BoolArray, sample_rate_hz: float, at_s: FloatArray) -> BoolArray:
    """Where band signals rest on measured samples.

    Parameters
    ----------
    valid : ndarray of shape (n_samples,)
    sample_rate_hz : float
        [Hz]
    at_s : ndarray of shape (n,)
        Times asked for, from the first sample. [s]

    Returns
    -------
    ndarray of shape (n,)
        False within `RING_S` of the ends of the log and of gaps longer than `SHORT_GAP_S`.
    """
    n = len(valid)
    edges = np.flatnonzero(np.diff(np.concatenate([[True], valid, [True]]).astype(np.int8)))
    gaps = edges.reshape(-1, 2)
    gaps = gaps[(gaps[:, 1] - gaps[:, 0]) > SHORT_GAP_S * sample_rate_hz]
    ends = np.array([[-1, 0], [n - 1, n]])
    gaps_s = np.concatenate([gaps, ends]) / sample_rate_hz
    marks = np.zeros(len(at_s) + 1)
    first = np.searchsorted(at_s, gaps_s[:, 0] - RING_S)
    last = np.searchsorted(at_s, gaps_s[:, 1] + RING_S, side="right")
    np.add.at(marks, first, 1.0)
    np.add.at(marks, last, -1.0)
    return np.asarray(np.cumsum(marks)[:-1] == 0)
