"""Whether two small sets of laps differ: interval, p value, and a check that assumes less.

A lap is one observation. Welch's t gives the interval. With three laps against eight it alone calls too many
differences, since three laps can agree by chance; Student's t (one spread for both sides) does not, but is
fooled where the spreads differ. So both must speak for a difference. They take laps to be spread normally; the
exact permutation test takes only that laps could have been swapped, and is the check.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

# The permutation test is exact up to this many ways of splitting the laps (8 against 8), random beyond.
_SPLITS = 20_000
Alternative = Literal["two-sided", "less", "greater"]


@dataclass(frozen=True)
class Difference:
    """Mean of b less mean of a, Welch's 95 % interval, two-sided p; None where the laps show no spread."""

    value: float
    ci95: tuple[float, float] | None
    p_welch: float | None
    p_student: float | None


def difference_of_means(a: Sequence[float], b: Sequence[float]) -> Difference:
    """Difference of two means, by Welch's t [1]_ (each side its own spread) and by Student's t (one spread).

    Parameters
    ----------
    a, b : sequence of float
        One value a lap, at least two each.

    Returns
    -------
    Difference
        b minus a.

    References
    ----------
    .. [1] B. L. Welch, Biometrika 34, 28-35, 1947, doi:10.1093/biomet/34.1-2.28.
    """
    from scipy.stats import ttest_ind

    value = float(np.mean(b) - np.mean(a))
    if np.ptp(a) == 0 and np.ptp(b) == 0:
        return Difference(value, None, None, None)
    result = ttest_ind(b, a, equal_var=False)
    interval = result.confidence_interval(0.95)
    p_student = float(ttest_ind(b, a).pvalue)
    return Difference(value, (float(interval.low), float(interval.high)), float(result.pvalue), p_student)


def permutation_p(a: Sequence[float], b: Sequence[float], *, alternative: Alternative = "two-sided") -> float:
    """Share of all ways to split the laps in two whose means differ at least as much as they did.

    Parameters
    ----------
    a, b : sequence of float
        One value a lap.
    alternative : {"two-sided", "less", "greater"}
        "greater": b above a.

    Returns
    -------
    float
        Exact up to 8 against 8 laps or as many splits; beyond, from random splits, always the same ones.

    References
    ----------
    .. [1] B. Efron, R. J. Tibshirani, An Introduction to the Bootstrap, 1993, chapter 15.
    """
    from scipy.stats import permutation_test

    result = permutation_test(
        (np.asarray(b, dtype=float), np.asarray(a, dtype=float)),
        lambda x, y, axis: np.mean(x, axis=axis) - np.mean(y, axis=axis),
        vectorized=True,
        n_resamples=_SPLITS,
        alternative=alternative,
        random_state=0,
    )
    return float(result.pvalue)


def holm(p_values: Sequence[float]) -> tuple[float, ...]:
    """Adjust p values for how many were looked at, so that one false alarm in the whole family stays rare.

    Parameters
    ----------
    p_values : sequence of float

    Returns
    -------
    tuple of float
        In the order given; each compared with 0.05 keeps the chance of any false alarm at 5 %.

    References
    ----------
    .. [1] S. Holm, Scand. J. Statist. 6, 65-70, 1979.
    """
    adjusted = [1.0] * len(p_values)
    floor = 0.0
    for rank, index in enumerate(np.argsort(p_values, kind="stable")):
        floor = max(floor, min(1.0, (len(p_values) - rank) * p_values[index]))
        adjusted[index] = floor
    return tuple(adjusted)
