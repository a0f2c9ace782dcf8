"""The pole of the rear wheel: from products of signals to frequency and damping ratio, with their scatter."""

from dataclasses import dataclass

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.damping.hop import WheelHop, coefficients, hop_mode, log_gain, tyre_hz_of

# (c + c_t)/m over 2 pi 15 Hz: from less than any tyre gives to a damper that hardly moves.
LEAST_DAMPING, MOST_DAMPING = 0.02, 1.7
SEARCH_POINTS = 13
SEARCH_ROUNDS = 4


@dataclass(frozen=True)
class Pole:
    """A point of the two-parameter family of rear equations.

    Parameters
    ----------
    tyre_hz, damping : float
        As in `telemetry.damping.hop.coefficients`.
    frequency_hz, damping_ratio : float
        Of its hop mode. [Hz]
    log_residual : float
        ln of the mean square residual less `log_gain`: smaller is likelier.
    """

    tyre_hz: float
    damping: float
    frequency_hz: float
    damping_ratio: float
    log_residual: float


def log_residual(products: FloatArray, coefficient: FloatArray) -> FloatArray:
    """Logarithm of the mean square residual, corrected for the band (see `log_gain`).

    Parameters
    ----------
    products : ndarray of shape (5, 5)
        Mean products of the rear's signals, what is known taken out.
    coefficient : ndarray of shape (..., 5)

    Returns
    -------
    ndarray of shape (...)
    """
    square = np.einsum("...i,ij,...j->...", coefficient, products, coefficient)
    return np.asarray(np.log(np.maximum(square, 1e-12)) - log_gain(coefficient))


def fit_pole(products: FloatArray, hop: WheelHop, near: Pole | None = None) -> Pole:
    """The likeliest pole within the hop's band, by a grid that is refined around its best point.

    Parameters
    ----------
    products : ndarray of shape (5, 5)
    hop : WheelHop
    near : Pole, optional
        Look near it only: three grids instead of four.

    Returns
    -------
    Pole
    """
    low, high = (np.log(tyre_hz_of(hop, hz)) for hz in hop.band_hz)
    bounds = np.array([[low, high], [np.log(LEAST_DAMPING), np.log(MOST_DAMPING)]])
    centre, half = bounds.mean(axis=1), 0.5 * np.diff(bounds, axis=1)[:, 0]
    best, rounds = np.inf, SEARCH_ROUNDS
    if near is not None:
        centre, half, rounds = np.log([near.tyre_hz, near.damping]), half / 4.0, rounds - 1
    for _ in range(rounds):
        axes = [
            np.clip(np.linspace(c - h, c + h, SEARCH_POINTS), *bound)
            for c, h, bound in zip(centre, half, bounds, strict=True)
        ]
        tyre, damping = np.meshgrid(*map(np.exp, axes), indexing="ij")
        value = log_residual(products, coefficients(hop, tyre, damping))
        i, j = np.unravel_index(np.argmin(value), value.shape)
        centre, half, best = np.array([axes[0][i], axes[1][j]]), half / 4.0, float(value[i, j])
    tyre_hz, found = map(float, np.exp(centre))
    return Pole(tyre_hz, found, *hop_mode(hop, tyre_hz, found), best)


def frequency_scatter(damping_ratio: float, frequency_hz: float, seconds: float) -> float:
    """Standard deviation of the frequency, sqrt(f ratio / (2 pi T)); see `damping_scatter` of signals. [Hz]"""
    return float(np.sqrt(frequency_hz * damping_ratio / (2 * np.pi * seconds)))


def take_out(products: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Regress the five rear signals on the known ones.

    Parameters
    ----------
    products : ndarray of shape (5 + k, 5 + k)
        Mean products, the rear's signals first.

    Returns
    -------
    response : ndarray of shape (k, 5)
    left : ndarray of shape (5, 5)
        Mean products of what the regression leaves.
    """
    k = len(products) - 5
    if k == 0:
        return np.empty((0, 5)), products
    known = products[5:, 5:]
    # a little weight on the diagonal: neighbouring taps are nearly the same signal
    known = known + 1e-6 * np.trace(known) / k * np.eye(k)
    response = np.linalg.solve(known, products[5:, :5])
    left = products[:5, :5] - products[:5, 5:] @ response
    return response, 0.5 * (left + left.T)
