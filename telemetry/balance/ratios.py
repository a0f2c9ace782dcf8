"""Ratios of the rear over the front with their 95 % intervals."""

import numpy as np

from telemetry.arrays import FloatArray, IntArray
from telemetry.balance.balance import Ratio

MIN_PLACES = 5


def half_width(sd: float, n: int) -> float:
    """Half of a 95 % interval from a standard error and the number of independent values (Student's t, n - 1)."""
    from scipy.special import stdtrit  # scipy.stats takes a second to import

    return float(stdtrit(n - 1, 0.975) * sd)


def ratio_of_sums(front: FloatArray, rear: FloatArray, place: IntArray) -> Ratio:
    """Sum of the rear over sum of the front with its 95 % interval, each place once however often it was met.

    Parameters
    ----------
    front, rear : ndarray of shape (n_pairs,)
        Positive; the same measure on the same bump.
    place : ndarray of int, shape (n_pairs,)
        Same number for the same bump.

    Returns
    -------
    Ratio
        None when fewer than `MIN_PLACES` different bumps were met.

    Notes
    -----
    A large bump counts as much as it moved the ends: small ones drown in the roughness about them, and the mean of
    their ratios is pulled aside by it. The interval is that of a ratio estimator, on a logarithmic scale.

    References
    ----------
    .. [1] W. G. Cochran, Sampling Techniques, 3rd ed., Wiley, 1977, ch. 6 (variance of a ratio).
    """
    _, group = np.unique(place, return_inverse=True)
    count = np.bincount(group)
    n = len(count)
    if n < MIN_PLACES:
        return Ratio(None)
    front, rear = np.bincount(group, weights=front) / count, np.bincount(group, weights=rear) / count
    ratio = float(rear.sum() / front.sum())
    residual = rear - ratio * front
    sd = float(np.sqrt(np.sum(residual**2) * n / (n - 1)) / front.sum()) / ratio
    half = half_width(sd, n)
    return Ratio(ratio, (ratio * float(np.exp(-half)), ratio * float(np.exp(half))))
