"""Free decay of a mode of vibration, and its damping from the logarithmic decrement."""

from dataclasses import dataclass

import numpy as np

from telemetry.arrays import FloatArray


@dataclass(frozen=True)
class Mode:
    """A damped mode: undamped natural frequency and damping ratio. [Hz, 1]"""

    frequency_hz: float
    damping_ratio: float


def free_decay(modes: tuple[Mode, ...], t_s: FloatArray) -> FloatArray:
    """Basis functions of free decays of modes at times [s], a damped cosine and sine each; (n_samples, 2 n_modes)."""
    columns = []
    for mode in modes:
        omega = 2 * np.pi * mode.frequency_hz
        envelope = np.exp(-mode.damping_ratio * omega * t_s)
        phase = omega * np.sqrt(max(0.0, 1 - mode.damping_ratio**2)) * t_s
        columns += [envelope * np.cos(phase), envelope * np.sin(phase)]
    return np.column_stack(columns)


def log_decrement(first: float, last: float, cycles: float = 1.0) -> float:
    """Logarithmic decrement: natural logarithm of the ratio of two peaks a cycle apart, in any one unit.

    Parameters
    ----------
    cycles : float
        Number of cycles between them; half a cycle is 0.5, with peaks as magnitudes.

    References
    ----------
    .. [1] S. S. Rao, Mechanical Vibrations, 5th ed., Pearson, 2011, sec. 2.6.3.
    """
    return float(np.log(abs(first) / abs(last)) / cycles)


def damping_from_log_decrement(decrement: float) -> float:
    """Damping ratio of a logarithmic decrement: delta / sqrt(4 pi^2 + delta^2)."""
    return float(decrement / np.hypot(2 * np.pi, decrement))


def damping_scatter(damping_ratio: float, frequency_hz: float, duration_s: float) -> float:
    """Lower bound on the standard deviation of a damping ratio estimated from a random record of a duration. [s]

    sqrt(zeta / (2 pi f T)), the Cramer-Rao bound of a lightly damped mode under white noise.
    """
    return float(np.sqrt(damping_ratio / (2 * np.pi * frequency_hz * duration_s)))
