"""The pole of the rear wheel: from products of signals to frequency and damping ratio, with their scatter."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.damping.hop import WheelHop, coefficients, hop_mode, log_gain, tyre_hz_of

# (c + c_t)/m over 2 pi 15 Hz: from less than any tyre gives to a damper that hardly moves.
LEAST_DAMPING, MOST_DAMPING = 0.02, 1.7
SEARCH_POINTS = 13
# The tyre frequency learned from the road is this close to the one the wheel rings at.
TYRE_SHARE = 0.15
# As much as a sound damper has: a ratio of 0.5 at 14 Hz (common practice, no source).
SOUND_DAMPING = 0.9
# Above this ratio there is no hop to be found. A choice of ours.
NO_MODE = 0.8
SEARCH_ROUNDS = 4
AROUND = np.linspace(-1.0, 1.0, SEARCH_POINTS)
AT_BOUND = 0.01  # in ln of tyre frequency and damping: a step of the last round


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


@dataclass(frozen=True)
class _Search:
    """A grid of poles over ln of tyre frequency and damping, with `coefficients` and `log_gain` of each."""

    axes: tuple[FloatArray, FloatArray]
    row: FloatArray
    gain: FloatArray


def _search(hop: WheelHop, axes: tuple[FloatArray, FloatArray]) -> _Search:
    tyre_hz, damping = map(np.exp, axes)
    row = coefficients(hop, tyre_hz[:, None], damping)
    return _Search(axes, row, log_gain(row))


def _bounds(hop: WheelHop, most_damping: float = MOST_DAMPING) -> FloatArray:
    low, high = (np.log(tyre_hz_of(hop, hz)) for hz in hop.band_hz)
    return np.array([[low, high], [np.log(LEAST_DAMPING), np.log(most_damping)]])


@lru_cache(maxsize=8)
def _whole_band(hop: WheelHop, most_damping: float) -> _Search:
    """Where every search begins."""
    tyre, damping = (np.linspace(low, high, SEARCH_POINTS) for low, high in _bounds(hop, most_damping))
    return _search(hop, (tyre, damping))


def fit_pole(products: FloatArray, hop: WheelHop, most_damping: float = MOST_DAMPING) -> Pole:
    """The likeliest pole within the hop's band, by a grid that is refined around its best point.

    Parameters
    ----------
    products : ndarray of shape (5, 5)
        Mean products of the rear's signals, what is known taken out.
    most_damping : float
        Where the search ends.
    """
    bounds, grid = _bounds(hop, most_damping), _whole_band(hop, most_damping)
    half = 0.5 * np.diff(bounds, axis=1)[:, 0]
    centre, least = _best(products, grid)
    for _ in range(SEARCH_ROUNDS - 1):
        half = half / 4.0
        tyre, damping = (
            np.minimum(np.maximum(c + h * AROUND, low), high)
            for c, h, (low, high) in zip(centre, half, bounds.tolist(), strict=True)
        )
        centre, least = _best(products, _search(hop, (tyre, damping)))
    tyre_hz, found = map(float, np.exp(centre))
    return Pole(tyre_hz, found, *hop_mode(hop, tyre_hz, found), least)


def stopped_by_bounds(pole: Pole, hop: WheelHop) -> tuple[bool, bool]:
    """Whether the search ended at an edge of the band, and of the damping.

    At an edge of the band the damping still follows the wheel's, on a scale that is not known; at an edge of the
    damping nothing was found.
    """
    here = np.log([pole.tyre_hz, pole.damping])
    at_bound = np.abs(_bounds(hop) - here[:, None]) < AT_BOUND
    return bool(at_bound[0].any()), bool(at_bound[1].any())


def _best(products: FloatArray, grid: _Search) -> tuple[FloatArray, float]:
    """The point of a grid with the least residual, and ln of that less its gain."""
    square = ((grid.row @ products) * grid.row).sum(axis=-1)
    value = np.log(np.maximum(square, 1e-12)) - grid.gain
    i, j = np.unravel_index(np.argmin(value), value.shape)
    return np.array([grid.axes[0][i], grid.axes[1][j]]), float(value[i, j])


def found_mode(pole: Pole, hop: WheelHop) -> bool:
    """Whether a hop was found: within its bounds, and not so damped that wheel and chassis move as one."""
    return pole.damping_ratio <= NO_MODE and not stopped_by_bounds(pole, hop)[1]


def hop_near(pole: Pole, hop: WheelHop) -> tuple[float, float]:
    """Where an undamped hop may lie once a pole was learned of the outing.

    Returns
    -------
    tuple of float
        `TYRE_SHARE` to either side of what was learned; the whole band where nothing was: the pole stopped at a bound,
        or so damped that wheel and chassis move as one. [Hz]
    """
    if pole.damping_ratio > NO_MODE or any(stopped_by_bounds(pole, hop)):
        return hop.band_hz
    own_hz, _ = hop_mode(hop, pole.tyre_hz, 0.0)
    return max(hop.band_hz[0], (1 - TYRE_SHARE) * own_hz), min(hop.band_hz[1], (1 + TYRE_SHARE) * own_hz)


def frequency_scatter(damping_ratio: float, frequency_hz: float, seconds: float) -> float:
    """Standard deviation of the frequency, sqrt(f ratio / (2 pi T)); see `damping_scatter` of signals. [Hz]"""
    return float(np.sqrt(frequency_hz * damping_ratio / (2 * np.pi * seconds)))


def take_out(products: FloatArray, prior: float | FloatArray = 0.0) -> tuple[FloatArray, FloatArray]:
    """Regress the five rear signals on the known ones.

    Parameters
    ----------
    products : ndarray of shape (5 + k, 5 + k)
        Mean products, the rear's signals first.
    prior : float or ndarray of shape (k,)
        What is known was taken out before with weights that hold in general: how much they count, as a share of
        these products (ridge regression).

    Returns
    -------
    response : ndarray of shape (k, 5)
    left : ndarray of shape (5, 5)
        Mean products of what the regression leaves.
    """
    k = len(products) - 5
    if k == 0:
        return np.empty((0, 5)), products
    known = products[5:, 5:].copy()
    # a little weight on the diagonal: neighbouring taps are nearly the same signal
    diagonal = known.ravel()[:: k + 1]
    diagonal += prior * diagonal + 1e-6 * diagonal.sum() / k
    response = np.asarray(np.linalg.solve(known, products[5:, :5]))
    left = products[:5, :5] - products[:5, 5:] @ response
    return response, 0.5 * (left + left.T)
