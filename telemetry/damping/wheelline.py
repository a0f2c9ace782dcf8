"""A line locked to the wheel's rotation: imbalance, or a tyre out of round.

It turns with the wheel, which turns with the ground speed times a smooth factor (rolling radius, lean, slip). It is
looked for in what the learned equation leaves, over the wheel's angle instead of time, and believed only if
the outing as a whole shows it better than factors at which nothing turns.

References
----------
.. [1] H. Vold, J. Leuridan, SAE 931288, 1993 (order tracking).
"""

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_array

from telemetry.arrays import BoolArray, FloatArray, IntArray
from telemetry.damping.band import HIGH_HZ, LOW_HZ

ComplexArray = npt.NDArray[np.complex128]

# Turns per nominal turn (ground speed over the bike file's radius).
FACTORS = (0.92, 1.26)
FACTOR_STEP = 0.01
# From here on, as wide, no wheel turns: what chance gives.
NOTHING_TURNS_FROM = (0.56, 1.30)
WINDOW_TURNS = 20
HOP_TURNS = 10
PER_TURN = 16
# The line is followed in phase over so many turns, then its amplitude is taken over more.
PHASE_TURNS = 12
AMPLITUDE_TURNS = 24
TOP_HZ = 32.0
# Cost of a factor that moves one step from window to window, in units of log likelihood; and at most.
STEP_COST, MOST_STEPS = 1.5, 6
# The line's gain per window over chance that the outing as a whole must show.
LEAST_GAIN = 0.6
# In a stretch the line may be this much stronger than usual at its speed; more is not the wheel's.
MOST_OVER_USUAL = 1.25
CHUNK, CHUNK_SAMPLES = 512, 8192  # windows and samples at a time, for memory
# Windows of a piece of a path, and how many more are looked at to either side of it.
TOGETHER, APART = 512, 64
RATE_BINS, LEAST_TURNS_PER_BIN = 10, 2


@dataclass(frozen=True)
class Line:
    """A line of known phase: what turns with the wheel, or a tone.

    Parameters
    ----------
    phase_turns : ndarray of shape (n,)
        [turns]
    angle_turns : ndarray of shape (n,)
        The nominal angle, from ground speed and radius. [turns]
    rate_hz : ndarray of shape (n,)
        [1/s]
    usable : ndarray of shape (n,)
    amplitude_turns : float
        Over so many turns its amplitude is taken.
    """

    phase_turns: FloatArray
    angle_turns: FloatArray
    rate_hz: FloatArray
    usable: BoolArray
    amplitude_turns: float = AMPLITUDE_TURNS

    def without_line(self, signals: FloatArray) -> FloatArray:
        """Signals of shape (k, n) less what turns with the wheel in each."""
        return self._less(signals, self._heard)

    def without_usual_line(self, signals: FloatArray, measure: FloatArray) -> FloatArray:
        """Signals of shape (k, n) less no more than what usually turns with the wheel.

        The line in ``measure`` is held to its median at each wheel speed, and the others in proportion: a
        ringing that happens to be as fast as the wheel is not taken for the wheel's.
        """
        heard, rate = self._heard, self._rate_hz
        if heard.sum() < RATE_BINS * LEAST_TURNS_PER_BIN:
            return signals
        size = np.abs(self._amplitude(measure))
        edges = np.quantile(rate[heard], np.linspace(0.0, 1.0, RATE_BINS + 1))
        where = np.clip(np.searchsorted(edges, rate) - 1, 0, RATE_BINS - 1)
        bins = [size[heard & (where == k)] for k in range(RATE_BINS)]
        # at one speed for long, a bin may hold none
        usual = np.array([np.median(values if len(values) else size[heard]) for values in bins])
        limit = MOST_OVER_USUAL * np.interp(rate, 0.5 * (edges[1:] + edges[:-1]), usual)
        held = heard * np.minimum(1.0, limit / np.maximum(size, 1e-12))
        return self._less(signals, held)

    def _less(self, signals: FloatArray, share: FloatArray | BoolArray) -> FloatArray:
        """Signals less a share of the line, turn by turn."""
        carrier = self._complex_carrier
        before, part = self._between
        amplitude = np.stack([2.0 * self._amplitude(row) * share for row in signals])
        step = np.diff(amplitude, append=amplitude[:, -1:])
        left = np.empty_like(signals)
        for first in range(0, signals.shape[1], CHUNK_SAMPLES):
            here = slice(first, first + CHUNK_SAMPLES)
            low, high = int(before[here][0]), int(before[here][-1]) + 1
            turn = before[here] - low
            for row, into, at, change in zip(signals, left, amplitude, step, strict=True):
                line = change[low:high].take(turn)
                line *= part[here]
                line += at[low:high].take(turn)
                line *= carrier[here]
                np.subtract(row[here], line.real, out=into[here])
        return left

    def followed(self, signal: FloatArray) -> "Line":
        """The same with the phase followed more closely than the factors do."""
        drift = np.unwrap(np.angle(self._amplitude(signal, PHASE_TURNS))) / (2 * np.pi)
        return replace(self, phase_turns=self.phase_turns + np.interp(self.angle_turns, self._middle, drift))

    def part(self, inside: slice) -> "Line":
        """Some of the samples of it."""
        angle = self.angle_turns[inside]
        return replace(
            self,
            phase_turns=self.phase_turns[inside],
            angle_turns=angle - angle[0],
            rate_hz=self.rate_hz[inside],
            usable=self.usable[inside],
        )

    @cached_property
    def _first(self) -> IntArray:
        """First sample of every whole turn, and one past the last."""
        return np.searchsorted(self.angle_turns, np.arange(0.0, max(self.angle_turns[-1], 2.0)))

    @cached_property
    def _middle(self) -> FloatArray:
        return 0.5 + np.arange(len(self._first) - 1, dtype=np.float64)

    @cached_property
    def _between(self) -> tuple[IntArray, FloatArray]:
        """For every sample the turn whose middle is before it, and how far it is to the next; held at both ends."""
        at = np.clip(self.angle_turns - 0.5, 0.0, len(self._middle) - 1.0)
        before = at.astype(np.int64)
        return before, at - before

    @cached_property
    def _rate_hz(self) -> FloatArray:
        return np.interp(self._middle, self.angle_turns, self.rate_hz)

    @cached_property
    def _heard(self) -> BoolArray:
        """Turns in which the wheel turns within the band."""
        return np.asarray((self._rate_hz > LOW_HZ[1]) & (self._rate_hz < TOP_HZ))

    @cached_property
    def _carrier(self) -> tuple[FloatArray, FloatArray]:
        """Cosine and sine of the phase where it is usable."""
        angle = 2 * np.pi * self.phase_turns
        return np.cos(angle) * self.usable, np.sin(angle) * self.usable

    @cached_property
    def _complex_carrier(self) -> ComplexArray:
        cosine, sine = self._carrier
        return np.asarray(cosine + 1j * sine)

    @cached_property
    def _samples(self) -> FloatArray:
        """Usable samples in every turn."""
        return self._sums(self.usable.astype(np.float64))

    def _sums(self, values: FloatArray) -> FloatArray:
        """Sum of the samples of every turn."""
        return np.add.reduceat(values[: self._first[-1]], self._first[:-1])

    @cached_property
    def _carrier_sums(self) -> csr_array:
        """Takes a signal to its sums with cosine, then with sine, over every turn; shape (2 n_turns, n)."""
        last = self._first[-1]
        columns = np.arange(last, dtype=np.int32)
        edges = np.concatenate([self._first, self._first[1:] + last]).astype(np.int32)
        values = np.concatenate([part[:last] for part in self._carrier])
        return csr_array(
            (values, np.tile(columns, 2), edges), shape=(2 * len(self._middle), len(self.angle_turns))
        )

    def _amplitude(self, signal: FloatArray, turns: float | None = None) -> ComplexArray:
        """Complex amplitude of the line turn by turn: a triangular mean over so many turns."""
        cosine, sine = np.split(self._carrier_sums @ signal, 2)
        sums, samples = cosine - 1j * sine, self._samples
        half = round(0.25 * (turns or self.amplitude_turns))
        count = np.maximum(_boxed(samples, half), 1.0)
        mean = _boxed(sums, half) / count  # a box twice is a triangle
        return np.asarray(_boxed(mean * samples, half) / count, dtype=np.complex128)


def _boxed(values: npt.NDArray[Any], half: int) -> npt.NDArray[Any]:
    """Sum over each value and ``half`` neighbours to either side."""
    width = 2 * half + 1
    total = np.zeros(len(values) + width, dtype=values.dtype)
    np.cumsum(values, out=total[half + 1 : len(total) - half])
    total[len(total) - half :] = total[len(total) - half - 1]
    return np.asarray(total[width:] - total[:-width])


def find_wheel_turning(
    residual: FloatArray, usable: BoolArray, speed_m_s: FloatArray, step_s: float, radius_mm: float
) -> Line | None:
    """Find a line that turns with the wheel, if the outing shows one.

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
    """
    nominal_hz = speed_m_s / (2e-3 * np.pi * radius_mm)
    angle = np.concatenate([[0.0], np.cumsum(np.maximum(nominal_hz[1:], 1e-6) * step_s)])
    even = np.arange(0.0, angle[-1], 1.0 / PER_TURN)
    if len(even) < 4 * WINDOW_TURNS * PER_TURN:
        return None
    over_angle = np.interp(even, angle, np.where(usable, residual, 0.0))
    turning_hz = np.interp(even, angle, nominal_hz)
    good = np.interp(even, angle, usable.astype(float)) > 0.999
    starts = np.arange(0, len(even) - WINDOW_TURNS * PER_TURN, HOP_TURNS * PER_TURN)

    steps = FACTOR_STEP * np.arange(round((FACTORS[1] - FACTORS[0]) / FACTOR_STEP) + 1)
    bands = np.stack([low + steps for low in (FACTORS[0], *NOTHING_TURNS_FROM)])
    gain = _line_gain(over_angle, good, turning_hz, starts, bands)
    paths, total = smooth_paths(gain)
    share = total / np.maximum((gain.max(axis=2) > 0).sum(axis=1), 1)
    if share[0] - share[1:].max() < LEAST_GAIN:
        return None
    factor = np.interp(angle, even[starts] + 0.5 * WINDOW_TURNS, bands[0][paths[0]])
    phase = np.concatenate([[0.0], np.cumsum(factor[1:] * np.diff(angle))])
    return Line(phase, angle, factor * nominal_hz, usable).followed(residual)


def _line_gain(
    signal: FloatArray, good: BoolArray, turning_hz: FloatArray, starts: IntArray, bands: FloatArray
) -> FloatArray:
    """Log likelihood that a line at each factor gains in each window; shape (n_bands, n_windows, n_factors)."""
    length = WINDOW_TURNS * PER_TURN
    factors = bands.ravel()
    taper = np.hanning(length)
    turn = np.arange(length) / PER_TURN
    angle = 2 * np.pi * turn[:, None] * factors
    waves = taper[:, None] * np.concatenate([np.cos(angle), np.sin(angle)], axis=1)
    known = np.cumsum(np.concatenate([[0], good]))
    whole = known[starts + length] - known[starts] == length
    total_hz = np.concatenate([[0.0], np.cumsum(turning_hz)])
    hz = (total_hz[starts + length] - total_hz[starts]) / length
    gain = np.zeros((len(starts), len(factors)))
    windows = np.lib.stride_tricks.sliding_window_view(signal, length)
    for first in range(0, len(starts), CHUNK):
        part = slice(first, first + CHUNK)
        pieces = windows[starts[part]]
        energy = ((pieces * taper) ** 2).sum(axis=1)
        both = (pieces @ waves) ** 2
        line = 2.0 * (both[:, : len(factors)] + both[:, len(factors) :]) / (taper**2).sum()
        share = np.clip(line / np.maximum(energy, 1e-12)[:, None], 0.0, 0.98)
        # independent values in the window: as many as its seconds hold in the band, half for the taper
        freedom = (HIGH_HZ[0] - LOW_HZ[1]) * WINDOW_TURNS / np.maximum(hz[part], 1e-3)
        turns_hz = hz[part, None] * factors
        inside = (turns_hz > LOW_HZ[1]) & (turns_hz < TOP_HZ) & whole[part, None]
        gain[part] = np.where(inside, -0.5 * freedom[:, None] * np.log1p(-share) - 1.0, 0.0)
    return gain.reshape(len(starts), *bands.shape).transpose(1, 0, 2)


def smooth_paths(gain: FloatArray) -> tuple[IntArray, FloatArray]:
    """For each band the path of factors with the largest gain less what its steps cost, and its gain.

    Pieces of it are searched side by side, with `APART` windows of their neighbours: so far away a window hardly has a
    say any more, for a path may change to any other at the cost of `MOST_STEPS` steps.

    Parameters
    ----------
    gain : ndarray of shape (n_bands, n_windows, n_factors)

    Returns
    -------
    path : ndarray of shape (n_bands, n_windows)
    total : ndarray of shape (n_bands,)
    """
    bands, count, states = gain.shape
    pieces = -(-count // TOGETHER)
    padded = np.zeros((bands, pieces * TOGETHER + 2 * APART, states))
    padded[:, APART : APART + count] = gain
    length = TOGETHER + 2 * APART
    cut = np.lib.stride_tricks.sliding_window_view(padded, length, axis=1)[:, ::TOGETHER]
    cut = cut.transpose(0, 1, 3, 2).reshape(bands * pieces, length, states)
    path = likeliest_paths(cut)[:, APART:-APART].reshape(bands, -1)[:, :count]
    return path, np.take_along_axis(gain, path[:, :, None], axis=2)[:, :, 0].sum(axis=1)


def likeliest_paths(gain: FloatArray) -> IntArray:
    """The path of states with the largest gain less what its steps cost (Viterbi), for each of several gains.

    Parameters
    ----------
    gain : ndarray of shape (n, n_windows, n_states)

    Returns
    -------
    ndarray of shape (n, n_windows)
    """
    many, count, states = gain.shape
    steps = np.minimum(np.abs(np.arange(states)[:, None] - np.arange(states)), MOST_STEPS)
    # from a state nearby at the price of its steps, from any other at most at the full price
    price = STEP_COST * np.abs(np.arange(-MOST_STEPS, MOST_STEPS + 1.0))[:, None, None]
    wide = np.full((many, states + 2 * MOST_STEPS), -np.inf)
    before = wide[:, MOST_STEPS:-MOST_STEPS]
    nearby = np.lib.stride_tricks.sliding_window_view(wide, states, axis=1).transpose(1, 0, 2)
    best = np.empty((count, many, states))
    best[0] = gain[:, 0]
    for i in range(1, count):
        before[:] = best[i - 1]
        leap = before.max(axis=1, keepdims=True) - STEP_COST * MOST_STEPS
        best[i] = np.maximum((nearby - price).max(axis=0), leap) + gain[:, i]
    path = np.empty((many, count), dtype=np.int64)
    path[:, -1] = best[-1].argmax(axis=1)
    for i in range(count - 1, 0, -1):
        path[:, i - 1] = (best[i - 1] - STEP_COST * steps[path[:, i]]).argmax(axis=1)
    return path
