"""Smoothing: a moving average that leaves unknown values out, and a penalised fit that goes through gaps."""

from typing import Any

import numpy as np
import numpy.typing as npt

from telemetry.arrays import BoolArray, FloatArray, IntArray
from telemetry.numeric import median
from telemetry.signals import runs


def moving_mean(values: FloatArray, width: int) -> FloatArray:
    """Centred moving average over the next odd ``width``; NaN stays NaN and is left out of its neighbours."""
    valid = np.isfinite(values)
    known = values if valid.all() else np.where(valid, values, 0.0)
    mean = _sums_about(np.cumsum(known), width // 2)
    mean /= np.maximum(_sums_about(np.cumsum(valid, dtype=np.int32), width // 2), 1)
    mean[~valid] = np.nan
    return mean


def _sums_about(running: npt.NDArray[Any], half: int) -> npt.NDArray[Any]:
    """Sum of each value with so many to either side, from the running sums."""
    n = len(running)
    half = min(half, max(n - 1, 0))
    about: npt.NDArray[Any] = np.empty_like(running)
    about[: n - half] = running[half:]
    about[n - half :] = running[-1:]
    about[half + 1 :] -= running[: n - half - 1]
    return about


def penalised_fit(
    weight: FloatArray, beside: FloatArray | None, right_side: FloatArray, penalty: float, order: int
) -> FloatArray:
    """Values on an even grid that follow data while their differences of an order stay small.

    Minimises weighted squared residuals plus ``penalty`` times squared differences; without data a polynomial of degree
    ``order - 1`` goes on. ``weight`` is the diagonal of the data's normal matrix, ``beside`` its off-diagonal,
    ``right_side`` (n,) or (n, k) its weighted sums (E. T. Whittaker, Proc. Edinburgh Math. Soc. 41, 63-75, 1923; P. H.
    C. Eilers, Anal. Chem. 75, 3631-3636, 2003, doi:10.1021/ac034173t).
    """
    from scipy.linalg import LinAlgError, solveh_banded

    n = len(weight)
    difference = np.diff(np.eye(order + 1), n=order, axis=0)[0]
    bands = np.zeros((order + 1, n))
    for first in range(order + 1):
        for second in range(first, order + 1):
            rows = slice(first, n - order + first)
            bands[second - first, rows] += penalty * difference[first] * difference[second]
    bands[0] += weight
    if beside is not None:
        bands[1, :-1] += beside
    # a small weight everywhere keeps the system definite where all data lie in one place
    bands[0] += 1e-9 * (1.0 + weight.max())
    try:
        return np.asarray(solveh_banded(bands, right_side, lower=True, check_finite=False))
    except LinAlgError:  # data in one place under so strong a penalty that rounding loses the small weight
        bands[0] += 1e-12 * bands[0].max()
        return np.asarray(solveh_banded(bands, right_side, lower=True, check_finite=False))


def robust_sd(values: FloatArray) -> float:
    """Standard deviation of the bulk of values: 1.4826 times their median absolute deviation."""
    return 1.4826 * median(np.abs(values - median(values))) if len(values) else 0.0


def runs_longer(mask: BoolArray, least: int) -> list[tuple[int, int]]:
    """First index, and index after the last, of every run of true of at least so many samples."""
    return [(int(a), int(b)) for a, b in zip(*runs(mask), strict=True) if b - a >= least]


def sums_at(index: IntArray, values: FloatArray, n: int) -> FloatArray:
    """Sum of the values at each of n places."""
    return np.bincount(index, values, n).astype(np.float64, copy=False)


def commonest(values: FloatArray, share: float) -> float:
    """Middle of the largest group of values within a share of one another (the earlier of equals), unlike the median.

    >>> commonest(np.array([100.0, 101.0, 102.0, 140.0, 141.0, 142.0]), 0.03)
    101.0
    """
    near = np.abs(values[:, None] - values) <= share * values
    return float(np.median(values[near[:, int(np.argmax(near.sum(axis=0)))]]))
