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

import numpy as np
import numpy.typing as npt

from telemetry.arrays import BoolArray, FloatArray, IntArray
from telemetry.damping.band import HIGH_HZ, LOW_HZ

ComplexArray = npt.NDArray[np.complex128]

# Turns per nominal turn (ground speed over the bike file's radius).
FACTORS = (0.92, 1.26)
FACTOR_STEP = 0.01
# As wide and no wheel turns there: what chance gives.
NOTHING_TURNS = ((0.56, 0.90), (1.30, 1.64))
WINDOW_TURNS = 20
HOP_TURNS = 4
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
RATE_BINS = 10


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
        return np.stack([row - self._wave(self._amplitude(row) * self._heard) for row in signals])

    def without_usual_line(self, signals: FloatArray, measure: FloatArray) -> FloatArray:
        """Signals of shape (k, n) less no more than what usually turns with the wheel.

        The line in ``measure`` is held to its median at each wheel speed, and the others in proportion: a
        ringing that happens to be as fast as the wheel is not taken for the wheel's.
        """
        heard, rate = self._heard, np.interp(self._even, self.angle_turns, self.rate_hz)
        if heard.sum() < RATE_BINS * 8:
            return signals
        size = np.abs(self._amplitude(measure))
        edges = np.quantile(rate[heard], np.linspace(0.0, 1.0, RATE_BINS + 1))
        where = np.clip(np.searchsorted(edges, rate) - 1, 0, RATE_BINS - 1)
        usual = np.array([np.median(size[heard & (where == k)]) for k in range(RATE_BINS)])
        limit = MOST_OVER_USUAL * np.interp(rate, 0.5 * (edges[1:] + edges[:-1]), usual)
        held = heard * np.minimum(1.0, limit / np.maximum(size, 1e-12))
        return np.stack([row - self._wave(self._amplitude(row) * held) for row in signals])

    def followed(self, signal: FloatArray) -> "Line":
        """The same with the phase followed more closely than the factors do."""
        drift = np.unwrap(np.angle(self._amplitude(signal, PHASE_TURNS))) / (2 * np.pi)
        return replace(self, phase_turns=self.phase_turns + np.interp(self.angle_turns, self._even, drift))

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
    def _even(self) -> FloatArray:
        """Every quarter turn."""
        return np.arange(0.0, self.angle_turns[-1], 0.25)

    @cached_property
    def _heard(self) -> BoolArray:
        """Where the wheel turns within the band."""
        rate = np.interp(self._even, self.angle_turns, self.rate_hz)
        return np.asarray((rate > LOW_HZ[1]) & (rate < TOP_HZ))

    @cached_property
    def _carrier(self) -> ComplexArray:
        return np.asarray(np.exp(2j * np.pi * self.phase_turns) * self.usable)

    def _amplitude(self, signal: FloatArray, turns: float | None = None) -> ComplexArray:
        """Complex amplitude of the line, every quarter turn: a triangular mean over so many turns."""
        value = np.asarray(signal * self._carrier.conj(), dtype=np.complex128)
        low, high, count = self._windows(turns or self.amplitude_turns)
        mean: ComplexArray = np.zeros(len(self._even), dtype=np.complex128)
        for _ in range(2):  # a box twice is a triangle
            total = np.concatenate([[0.0], np.cumsum(value)])
            mean = (total[high] - total[low]) / count
            value = np.asarray(
                np.interp(self.angle_turns, self._even, mean) * self.usable, dtype=np.complex128
            )
        return mean

    def _windows(self, turns: float) -> tuple[IntArray, IntArray, FloatArray]:
        """First sample, one past the last, and number of usable samples half of ``turns`` wide."""
        if turns not in self._found:
            low = np.searchsorted(self.angle_turns, self._even - 0.25 * turns)
            high = np.searchsorted(self.angle_turns, self._even + 0.25 * turns)
            total = np.concatenate([[0.0], np.cumsum(self.usable.astype(float))])
            self._found[turns] = (low, high, np.maximum(total[high] - total[low], 1.0))
        return self._found[turns]

    @cached_property
    def _found(self) -> dict[float, tuple[IntArray, IntArray, FloatArray]]:
        return {}

    def _wave(self, amplitude: ComplexArray) -> FloatArray:
        at = np.interp(self.angle_turns, self._even, amplitude)
        return np.asarray(2.0 * (at * self._carrier).real)


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

    Returns
    -------
    Line or None
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

    def track(low: float, high: float) -> tuple[FloatArray, float]:
        factors = np.arange(low, high + 1e-9, FACTOR_STEP)
        gain = _line_gain(over_angle, good, turning_hz, starts, factors)
        path, total = _smooth_path(gain)
        return factors[path], total / max(int((gain.max(axis=1) > 0).sum()), 1)

    path, gain = track(*FACTORS)
    chance = max(track(*band)[1] for band in NOTHING_TURNS)
    if gain - chance < LEAST_GAIN:
        return None
    factor = np.interp(angle, even[starts] + 0.5 * WINDOW_TURNS, path)
    phase = np.concatenate([[0.0], np.cumsum(factor[1:] * np.diff(angle))])
    return Line(phase, angle, factor * nominal_hz, usable).followed(residual)


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
        # independent values in the window: as many as its seconds hold in the band, half for the taper
        freedom = (HIGH_HZ[0] - LOW_HZ[1]) * WINDOW_TURNS / np.maximum(hz, 1e-3)
        turns_hz = hz[:, None] * factors
        inside = (turns_hz > LOW_HZ[1]) & (turns_hz < TOP_HZ) & good[index].all(axis=1)[:, None]
        gain[first : first + chunk] = np.where(inside, -0.5 * freedom[:, None] * np.log1p(-share) - 1.0, 0.0)
    return gain


def _smooth_path(gain: FloatArray) -> tuple[IntArray, float]:
    """The path of factors with the largest gain less what its steps cost (Viterbi), and its gain."""
    count, states = gain.shape
    steps = np.abs(np.arange(states)[:, None] - np.arange(states))
    cost = STEP_COST * np.minimum(steps, MOST_STEPS)
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
