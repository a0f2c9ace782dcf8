"""Ratios of the rear over the front with their 95 % intervals."""

import numpy as np

from telemetry.arrays import FloatArray, IntArray
from telemetry.balance.balance import Ratio

MIN_PLACES = 4
LARGEST_SHARE = 0.8  # of the front's sum in one place: more, and there is nothing to compare it with
NORMAL_975 = 1.959964


def half_width(sd: float, n: float) -> float:
    """Half of a 95 % interval from a standard error and the number of independent values (Student's t, n - 1)."""
    from scipy.special import stdtrit  # scipy.stats takes a second to import

    return float(stdtrit(max(n - 1, 1.0), 0.975) * sd)


def ratio_of_sums(
    front: FloatArray,
    rear: FloatArray,
    place: IntArray,
    noise: tuple[float, float] | None = None,
    weight: FloatArray | None = None,
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
    weight : ndarray of shape (n_pairs,), optional
        How much each pair counts; 1 by default.

    Returns
    -------
    Ratio
        None when fewer than `MIN_PLACES` different bumps were met.

    Notes
    -----
    A large bump counts as much as it moved the ends: small ones drown in the roughness about them, and the mean of
    their ratios is pulled aside by it. ``ci95`` is that of a ratio estimator over places as clusters, on a
    logarithmic scale: what other bumps of the kind would give. Each place is held against the ratio of all others
    (the jackknife), and the degrees of freedom are those of the number of equal places that would weigh as much, as
    few large ones may make most of a sum. ``noise_ci95`` carries the sensors' noise alone through the two sums.

    References
    ----------
    .. [1] W. G. Cochran, Sampling Techniques, 3rd ed., Wiley, 1977, ch. 6 and 9A (ratio, clusters).
    .. [2] J. G. MacKinnon, H. White, J. Econometrics 29(3), 305-325, 1985, doi:10.1016/0304-4076(85)90158-7 (the
       jackknife where weights differ; from memory).
    .. [3] L. Kish, Survey Sampling, Wiley, 1965, sec. 11.7 (effective number; from memory).
    """
    _, group = np.unique(place, return_inverse=True)
    n = int(group.max(initial=-1)) + 1
    if n < MIN_PLACES:
        return Ratio(None)
    weight = np.ones(len(front)) if weight is None else weight
    front, rear = weight * front, weight * rear
    ratio = float(rear.sum() / front.sum())
    share = np.bincount(group, weights=front) / front.sum()
    if share.max() > LARGEST_SHARE:
        return Ratio(None)
    residual = np.bincount(group, weights=rear - ratio * front) / (1 - share)
    sd = float(np.sqrt(np.sum(residual**2) * (n - 1) / n) / rear.sum())
    half = half_width(sd, float(1 / np.sum(share**2)))
    if noise is None:
        return Ratio(ratio, _about(ratio, half))
    noise_sd = float(np.sqrt(np.sum(weight**2)) * np.hypot(noise[0] / front.sum(), noise[1] / rear.sum()))
    return Ratio(ratio, _about(ratio, half), _about(ratio, NORMAL_975 * noise_sd))


def _about(ratio: float, half: float) -> tuple[float, float]:
    return ratio * float(np.exp(-half)), ratio * float(np.exp(half))
