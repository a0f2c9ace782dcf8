"""A thinner clock: places change slowly, so they are worked out at some 50 Hz and spread over the run's samples."""

from dataclasses import dataclass

import numpy as np

from telemetry.arrays import FloatArray, IntArray

# Fast enough for phases (a rider's hands and body), slow enough that two hours are cheap. A choice of ours.
PLACE_HZ = 50.0


@dataclass(frozen=True)
class Thin:
    """Every ``step``-th of ``n_samples`` samples.

    Parameters
    ----------
    n_samples : int
        Of the run.
    sample_rate_hz : float
        Of the run.
    """

    n_samples: int
    sample_rate_hz: float
    step: int

    @property
    def rate_hz(self) -> float:
        """Rate of the thin clock. [Hz]"""
        return self.sample_rate_hz / self.step

    @property
    def samples(self) -> IntArray:
        """The run's samples it keeps."""
        return np.arange(0, self.n_samples, self.step)

    @property
    def t_s(self) -> FloatArray:
        """Its instants. [s]"""
        return self.samples / self.sample_rate_hz

    def pick(self, values: FloatArray) -> FloatArray:
        """Values at the samples it keeps."""
        return values[:: self.step]

    def integral(self, values: FloatArray) -> FloatArray:
        """Integral from the first sample on, by the trapezoidal rule over all samples of the run."""
        ends = self.pick(values)
        blocks = np.add.reduceat(values, self.samples)[:-1] + 0.5 * np.diff(ends)
        return np.concatenate(([0.0], np.cumsum(blocks))) / self.sample_rate_hz

    def spread(self, values: FloatArray) -> FloatArray:
        """Straight lines between thin values, at every sample of the run; on as before after the last."""
        if self.step == 1:
            return values.copy()
        share = np.arange(self.step) / self.step
        rise = np.diff(values, append=2 * values[-1] - values[-2] if len(values) > 1 else values[-1])
        lines = rise[:, None] * share
        lines += values[:, None]
        return lines.ravel()[: self.n_samples]

    def hold(self, values: IntArray) -> IntArray:
        """The nearest thin value at every sample of the run."""
        half = (self.step - 1) // 2
        counts = np.full(len(values), self.step)
        counts[0] = self.step - half
        counts[-1] += self.n_samples - counts.sum()
        return np.repeat(values, counts)


def thin_clock(n_samples: int, sample_rate_hz: float) -> Thin:
    """The thin clock of a run."""
    return Thin(n_samples, sample_rate_hz, max(1, int(sample_rate_hz / PLACE_HZ)))
