"""Free modes that several decays of both ends share: least squares over frequencies and damping ratios."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.signals.modes import Mode, free_decay

# From where the search starts [Hz]; body modes of motorcycles lie between (`telemetry.bike.modes`).
STARTS = ((1.6, 3.0), (2.2, 4.0), (1.5, 2.2), (3.0, 5.0))
BOUNDS_HZ = (0.7, 9.0)
WORK_HZ = 100.0
MOST_STEPS = 60
LEAST_SHARE = 0.005  # of the motion; a weaker mode is not told


@dataclass(frozen=True)
class FreeMode:
    """One mode of the body on its springs.

    ``rear_over_front`` is the amplitude of the rear's travel over the front's in it, negative when they move
    against each other; ``share`` is of the energy of all decays.
    """

    frequency_hz: float
    damping_ratio: float
    rear_over_front: float
    share: float


def fit_free_modes(decays: Sequence[FloatArray], sample_rate_hz: float) -> tuple[FreeMode, ...]:
    """Two modes that all decays of both ends share.

    Parameters
    ----------
    decays : sequence of ndarray of shape (2, n_samples)
        Front and rear from the moment the bike is free, about rest; lengths may differ.
    sample_rate_hz : float
        [Hz]

    Returns
    -------
    tuple of FreeMode
        By rising frequency; a mode with hardly any of the motion is left out. Empty without decays.

    Notes
    -----
    Amplitudes and phases follow linearly for each end and decay (variable projection).

    References
    ----------
    .. [1] G. H. Golub, V. Pereyra, SIAM J. Numer. Anal. 10(2), 413-432, 1973, doi:10.1137/0710036.
    """
    if not decays:
        return ()
    from scipy.optimize import least_squares

    step = max(1, round(sample_rate_hz / WORK_HZ))
    shorts = [d[:, : d.shape[1] // step * step].reshape(2, -1, step).mean(axis=2) for d in decays]
    clocks = [np.arange(d.shape[1]) * step / sample_rate_hz for d in shorts]

    def modes(parameters: FloatArray) -> tuple[Mode, ...]:
        return tuple(Mode(float(f), float(z)) for f, z in parameters.reshape(-1, 2))

    def residual(parameters: FloatArray) -> FloatArray:
        parts = []
        for values, t_s in zip(shorts, clocks, strict=True):
            base = np.column_stack([free_decay(modes(parameters), t_s), np.ones(len(t_s))])
            parts.append((values.T - base @ np.linalg.lstsq(base, values.T, rcond=None)[0]).ravel())
        return np.concatenate(parts)

    best = None
    for low, high in STARTS:
        for zeta in (0.2, 0.5):
            found = least_squares(
                residual,
                [low, zeta, high, zeta],
                bounds=([BOUNDS_HZ[0], 0.005] * 2, [BOUNDS_HZ[1], 0.97] * 2),
            )
            if best is None or found.cost < best.cost:
                best = found
    assert best is not None
    return _told(modes(best.x), shorts, clocks)


def _told(
    modes: tuple[Mode, ...], decays: Sequence[FloatArray], clocks: Sequence[FloatArray]
) -> tuple[FreeMode, ...]:
    energy, shape = np.zeros(len(modes)), np.zeros((len(modes), 2), dtype=complex)
    for values, t_s in zip(decays, clocks, strict=True):
        base = np.column_stack([free_decay(modes, t_s), np.ones(len(t_s))])
        amplitudes = np.linalg.lstsq(base, values.T, rcond=None)[0]
        for k in range(len(modes)):
            own = amplitudes[2 * k : 2 * k + 2]
            energy[k] += float(np.sum((base[:, 2 * k : 2 * k + 2] @ own) ** 2))
            turned = own[0] - 1j * own[1]
            largest = turned[np.argmax(np.abs(turned))]
            shape[k] += turned * np.conj(largest)
    found = [
        FreeMode(
            mode.frequency_hz, mode.damping_ratio,
            float(np.clip(np.real(s[1] / s[0]) if s[0] else np.inf, -99.0, 99.0)), float(e / energy.sum()),
        )
        for mode, s, e in zip(modes, shape, energy, strict=True) if e >= LEAST_SHARE * energy.sum()
    ]  # fmt: skip
    return tuple(sorted(found, key=lambda mode: mode.frequency_hz))
