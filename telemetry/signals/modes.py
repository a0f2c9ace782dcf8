"""Modes of vibration from the poles of a sampled free decay."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from telemetry.arrays import FloatArray

ComplexArray = npt.NDArray[np.complex128]


@dataclass(frozen=True)
class Mode:
    """A damped mode: undamped natural frequency and damping ratio. [Hz, 1]"""

    frequency_hz: float
    damping_ratio: float

    @property
    def period_s(self) -> float:
        """Time from peak to peak: the period of the damped oscillation. [s]"""
        return float(1 / (self.frequency_hz * np.sqrt(1 - self.damping_ratio**2)))


def matrix_pencil(decay: npt.ArrayLike, order: int, *, pencil: int | None = None) -> ComplexArray:
    """Poles of a sum of damped exponentials.

    Parameters
    ----------
    decay : array-like of shape (n_samples,)
        Evenly sampled, real or complex, no NaN.
    order : int
        Number of poles; two for each mode of a real decay.
    pencil : int, optional
        Pencil parameter, from ``order`` to ``n_samples - order``; a third of the samples is best against noise.

    Returns
    -------
    ndarray of complex, shape (order,)
        exp(s / sample rate) for each pole s.

    References
    ----------
    .. [1] Y. Hua, T. K. Sarkar, IEEE Trans. Acoust. Speech Signal Process. 38(5), 814-824, 1990,
       doi:10.1109/29.56027.
    """
    samples = np.asarray(decay)
    length = pencil or len(samples) // 3
    rows = np.lib.stride_tricks.sliding_window_view(samples, length + 1)
    # The right singular vectors that carry the signal; noise is left with the others.
    _, _, right = np.linalg.svd(rows, full_matrices=False)
    signal = right[:order].T
    return np.linalg.eigvals(np.linalg.pinv(signal[:-1]) @ signal[1:]).astype(np.complex128)


def modes_from_poles(poles: ComplexArray, sample_rate_hz: float) -> tuple[Mode, ...]:
    """Modes of the pairs of conjugate poles, by rising frequency; real poles do not oscillate and are left out.

    Parameters
    ----------
    poles : ndarray of complex, shape (n_poles,)
        As from `matrix_pencil`.
    sample_rate_hz : float
        [Hz]
    """
    s = np.log(poles) * sample_rate_hz
    s = s[s.imag > 1e-9 * sample_rate_hz]
    s = s[np.argsort(np.abs(s))]
    return tuple(Mode(float(abs(p) / (2 * np.pi)), float(-p.real / abs(p))) for p in s)


def free_decay(modes: tuple[Mode, ...], t_s: FloatArray) -> FloatArray:
    """Base of the free decays of modes: a cosine and a sine for each, damped.

    Parameters
    ----------
    t_s : ndarray of shape (n_samples,)
        [s]

    Returns
    -------
    ndarray of shape (n_samples, 2 n_modes)
    """
    columns = []
    for mode in modes:
        omega = 2 * np.pi * mode.frequency_hz
        envelope = np.exp(-mode.damping_ratio * omega * t_s)
        phase = omega * np.sqrt(max(0.0, 1 - mode.damping_ratio**2)) * t_s
        columns += [envelope * np.cos(phase), envelope * np.sin(phase)]
    return np.column_stack(columns)
