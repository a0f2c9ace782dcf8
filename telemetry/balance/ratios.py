"""Ratios of the rear over the front with their 95 % intervals."""

import numpy as np

from telemetry.arrays import FloatArray, IntArray
from telemetry.balance.balance import Ratio

MIN_PLACES = 5
NORMAL_975 = 1.959964


def half_width(sd: float, n: int) -> float:
    """Half of a 95 % interval from a standard error and the number of independent values (Student's t, n - 1)."""
    from scipy.special import stdtrit  # scipy.stats takes a second to import

    return float(stdtrit(n - 1, 0.975) * sd)


def ratio_of_sums(
    front: FloatArray, rear: FloatArray, place: IntArray, noise: tuple[float, float] | None = None
) -> Ratio:
    """Sum of the rear over sum of the front with its 95 % intervals; a place met again is no new evidence.

    Parameters
    ----------
    front, rear : ndarray of shape (n_pairs,)
        Positive; the same measure on the same bump.
    place : ndarray of int, shape (n_pairs,)
        Same number for the same bump.
    noise : tuple of float, optional
        Standard deviation of what the sensors add to a value of the front and of the rear.

    Returns
    -------
    Ratio
        None when fewer than `MIN_PLACES` different bumps were met.

    Notes
    -----
    A large bump counts as much as it moved the ends: small ones drown in the roughness about them, and the mean of
    their ratios is pulled aside by it. ``ci95`` is that of a ratio estimator over places as clusters, on a
    logarithmic scale: what other bumps of the kind would give. ``noise_ci95`` carries the sensors' noise alone through
    the two sums.

    References
    ----------
    .. [1] W. G. Cochran, Sampling Techniques, 3rd ed., Wiley, 1977, ch. 6 and 9A (ratio, clusters).
    """
    _, group = np.unique(place, return_inverse=True)
    n = int(group.max(initial=-1)) + 1
    if n < MIN_PLACES:
        return Ratio(None)
    ratio = float(rear.sum() / front.sum())
    residual = np.bincount(group, weights=rear - ratio * front)
    sd = float(np.sqrt(np.sum(residual**2) * n / (n - 1)) / rear.sum())
    if noise is None:
        return Ratio(ratio, _about(ratio, half_width(sd, n)))
    noise_sd = float(np.sqrt(len(front)) * np.hypot(noise[0] / front.sum(), noise[1] / rear.sum()))
    return Ratio(ratio, _about(ratio, half_width(sd, n)), _about(ratio, NORMAL_975 * noise_sd))


def _about(ratio: float, half: float) -> tuple[float, float]:
    return ratio * float(np.exp(-half)), ratio * float(np.exp(half))
