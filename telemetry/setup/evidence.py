"""Statistics of two outings: variances of lap means and of outings, intervals, and tests of many rows at once.

Laps of one outing resemble their neighbours, so n laps say less than n independent ones; and two outings with the same
set-up differ by more than their laps do, by fuel, tyres, temperature and rider. Both are part of every interval here.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from typing import TypeVar

import numpy as np

from telemetry.arrays import FloatArray

# Lag-1 correlations of laps that are thought possible before the laps are looked at, all alike. A choice, no source.
CORRELATIONS = np.linspace(0.0, 0.8, 17)
# Factors by which outings may differ more than expected, and degrees of freedom of a row's own factor about the common
# one, that are thought possible before repeats are looked at, all alike. A choice, no source.
SCALES = np.geomspace(0.1, 30.0, 25)
FREEDOMS = np.geomspace(32.0, 1024.0, 6)
# Without repeats the two outings themselves show it. Then the variance may be so many times the usual one; the usual
# one is known to a factor of 2 (standard deviation of the logarithm), for a cause may be missing. Choices, no source.
SCALES_OF_TWO = np.geomspace(0.5, 30.0, 25)
LOG_SD_OF_TWO = float(np.log(2.0))
# From fewer rows nothing is learned about how far the two outings lie apart. A choice, no source.
FEWEST_ROWS = 5
# Degrees of freedom of a variance that is as good as known.
KNOWN = 1e6
# Shares of the rows that may have been moved though no change is known that does, all alike; they have so many times
# the variance. Choices, no source.
MOVED_SHARES = (0.0, 0.15, 0.3, 0.45)
MOVED_FACTOR = 30.0
Key = TypeVar("Key")


@dataclass(frozen=True)
class Laps:
    """One number over the laps of one outing; lap numbers rise."""

    numbers: FloatArray
    values: FloatArray


@dataclass(frozen=True)
class Variance:
    """An estimated variance and its degrees of freedom (infinite for one that is taken as known)."""

    value: float
    freedom: float


@dataclass(frozen=True)
class LapCorrelation:
    """Posterior ``weight`` (sums to 1) of each lag-1 correlation ``rho`` of the laps."""

    rho: FloatArray
    weight: FloatArray

    @property
    def mean(self) -> float:
        """Expected correlation."""
        return float(self.rho @ self.weight)


INDEPENDENT = LapCorrelation(np.zeros(1), np.ones(1))


def _correlation_matrix(numbers: FloatArray, rho: float) -> FloatArray:
    """First-order autoregression: rho to the power of how many laps apart."""
    return np.asarray(rho ** np.abs(np.subtract.outer(numbers, numbers)))  # 0 ** 0 is 1


def lap_correlation(rows: Sequence[Sequence[Laps]]) -> LapCorrelation:
    """Correlation of neighbouring laps, from all rows (each its outings) together, of `CORRELATIONS`.

    What few laps leave open stays open: variances are expected values over all correlations that fit. Restricted
    likelihood: H. D. Patterson, R. Thompson, Biometrika 58, 545-554, 1971 (from memory).
    """
    by_laps: dict[tuple[float, ...], list[FloatArray]] = {}
    for outings in rows:
        for laps in outings:
            if len(laps.values) >= 3 and np.ptp(laps.values) > 0:
                by_laps.setdefault(tuple(laps.numbers.tolist()), []).append(laps.values)
    likelihood = np.zeros(len(CORRELATIONS))
    for numbers, values in by_laps.items():
        together = np.array(values)
        likelihood += [
            _restricted_log_likelihood(np.array(numbers), together, float(rho)) for rho in CORRELATIONS
        ]
    # rows that move together are not so many witnesses
    likelihood *= independent_share(rows)
    weight = np.exp(likelihood - likelihood.max())
    return LapCorrelation(CORRELATIONS, weight / weight.sum())


def _restricted_log_likelihood(numbers: FloatArray, values: FloatArray, rho: float) -> float:
    """Sum over rows of values, shape (n_rows, n_laps), each with its own mean and variance."""
    matrix = _correlation_matrix(numbers, rho)
    inverse = np.linalg.inv(matrix)
    information = float(inverse.sum())
    rest = values - (values @ inverse.sum(axis=0) / information)[:, None]
    squares = np.einsum("ki,ij,kj->k", rest, inverse, rest)
    free = len(numbers) - 1
    constant = float(np.linalg.slogdet(matrix)[1]) + float(np.log(information))
    return -0.5 * (len(values) * constant + free * float(np.sum(np.log(squares))))


def independent_share(rows: Sequence[Sequence[Laps]]) -> float:
    """Number of independently moving rows as share of all: 1 / mean square correlation, less what chance adds.

    Between 1 / number of rows and 1.
    """
    rests = []
    for outings in rows:
        rest = {
            (k, float(number)): value
            for k, laps in enumerate(outings)
            if len(laps.values)
            for number, value in zip(laps.numbers, laps.values - laps.values.mean(), strict=True)
        }
        if any(value != 0.0 for value in rest.values()):
            rests.append(rest)
    if len(rests) < 2:
        return 1.0
    common = sorted(set.intersection(*(set(rest) for rest in rests)))
    freedom = len(common) - len({outing for outing, _ in common})
    if freedom < 2:
        return 1.0 / len(rests)
    table = np.array([[rest[key] for key in common] for rest in rests])
    size = np.linalg.norm(table, axis=1)
    table = table[size > 0] / size[size > 0, None]
    squares = (table @ table.T) ** 2
    freed = np.clip((freedom * squares - 1.0) / (freedom - 1.0), 0.0, 1.0)
    np.fill_diagonal(freed, 1.0)
    return float(1.0 / np.mean(freed) / len(table))


@lru_cache(maxsize=4096)
def _moments(numbers: tuple[float, ...], rho: float) -> tuple[float, float, float]:
    """Trace and sum of squares of the centred correlation matrix, and the mean of the matrix."""
    matrix = _correlation_matrix(np.array(numbers), rho)
    centred = matrix - matrix.mean(axis=0)
    return float(np.trace(centred)), float(np.sum(centred * centred.T)), float(matrix.mean())


def lap_variance(outings: Sequence[Laps], correlation: LapCorrelation) -> Variance:
    """Variance of laps about their outing's mean, pooled over outings; 0 with 0 degrees of freedom without two laps.

    Laps like their neighbours scatter less about the mean of a short outing; the variance is corrected for it.
    """
    used = [laps for laps in outings if len(laps.values) >= 2]
    if not used:
        return Variance(0.0, 0.0)
    square = sum(float(np.sum((laps.values - laps.values.mean()) ** 2)) for laps in used)
    value = freedom = 0.0
    for rho, weight in zip(correlation.rho, correlation.weight, strict=True):
        moments = [_moments(tuple(laps.numbers.tolist()), float(rho)) for laps in used]
        expected = sum(each[0] for each in moments)
        value += float(weight) * square / expected
        freedom += float(weight) * expected**2 / sum(each[1] for each in moments)  # Satterthwaite
    return Variance(value, freedom)


def mean_factor(numbers: FloatArray, correlation: LapCorrelation) -> float:
    """Variance of the mean of laps with these numbers over that of one lap: 1 / n when laps are independent.

    >>> mean_factor(np.array([1.0, 2.0, 3.0, 4.0]), INDEPENDENT)
    0.25
    """
    means = [_moments(tuple(numbers.tolist()), float(rho))[2] for rho in correlation.rho]
    return float(np.array(means) @ correlation.weight)


def added(*parts: Variance) -> Variance:
    """Sum of independent variances, by F. E. Satterthwaite, Biometrics Bulletin 2, 110-114, 1946, doi:10.2307/3002019.

    >>> added(Variance(1.0, 5.0), Variance(1.0, 5.0))
    Variance(value=2.0, freedom=10.0)
    """
    total = sum(part.value for part in parts)
    open_ = sum(part.value**2 / part.freedom for part in parts if part.value > 0)
    return Variance(total, total**2 / open_ if open_ > 0 else float("inf"))


@dataclass(frozen=True)
class OutingSpread:
    """Spread between outings of one set-up over that expected, from all rows; ``weight`` (sums to 1) is of each pair.

    ``scale`` is the ratio of variances, ``freedom`` the degrees of freedom of a row's variance about that common scale.
    """

    scale: FloatArray
    freedom: FloatArray
    weight: FloatArray

    @property
    def factor(self) -> float:
        """Middle of the scale, by its logarithm."""
        return float(np.exp(self.weight @ np.log(self.scale)))

    def applied(self, expected: Variance, measured: Variance) -> Variance:
        """Variance of one row: the expected one scaled, weighted with that of its own repeats.

        G. K. Smyth, Stat. Appl. Genet. Mol. Biol. 3(1), art. 3, 2004, doi:10.2202/1544-6115.1027: moderated variance.
        """
        prior = _row_freedom(self.freedom, expected)
        freedom = prior + measured.freedom
        values = (prior * self.scale * expected.value + measured.freedom * measured.value) / freedom
        # an inverse variance with f degrees of freedom has the relative variance 2 / f, and so has the mixture
        mean = 1.0 / float(self.weight @ (1.0 / values))
        relative = float(self.weight @ ((mean / values) ** 2 * (1.0 + 2.0 / freedom))) - 1.0
        return Variance(mean, 2.0 / relative)


def _row_freedom(freedom: FloatArray, expected: Variance) -> FloatArray:
    """Degrees of freedom of a row's variance about the scaled one that is expected, itself an estimate."""
    return np.asarray(1.0 / (1.0 / freedom + 1.0 / expected.freedom))


def outing_spread(
    expected: Sequence[Variance], measured: Sequence[Variance], independent: float
) -> OutingSpread:
    """Scale and freedom of the rows' measured variances between outings (repeats of set-ups) against those expected.

    Only the ``independent`` share of the rows counts as evidence; what few repeats leave open stays open.
    """
    scale, freedom = _possible(SCALES)
    likelihood = np.zeros(len(scale))
    for prior, own in zip(expected, measured, strict=True):
        if own.freedom == 0 or own.value <= 0 or prior.value <= 0:
            continue
        ratio = own.value / prior.value / scale
        likelihood += _log_density(ratio, own.freedom, _row_freedom(freedom, prior)) - np.log(scale)
    return _spread(scale, freedom, independent * likelihood)


def spread_of_two(
    expected: Sequence[Variance], differences: Sequence[float], independent: float
) -> OutingSpread:
    """Scale of the variances between two outings, where no set-up was repeated, from how far the two lie apart.

    Parameters
    ----------
    expected : sequence of Variance
        Of the difference of each row that no change is known to have moved.
    differences : sequence of float
        Of the same rows.
    independent : float
        Share of the rows that are independent.

    Returns
    -------
    OutingSpread
        A row may have been moved all the same, by what was not written down (`MOVED_SHARES`): such rows lie further
        apart and do not widen the others [1]_. With fewer rows than `FEWEST_ROWS` it is what is usual.

    References
    ----------
    .. [1] G. E. P. Box, G. C. Tiao, Biometrika 55, 119-129, 1968, doi:10.1093/biomet/55.1.119: a share of values with
       another variance (from memory).
    """
    if len(expected) < FEWEST_ROWS:
        return OutingSpread(np.ones(1), np.full(1, KNOWN), np.ones(1))
    scale, freedom = _possible(SCALES_OF_TWO)
    moved = np.array(MOVED_SHARES)[:, None]
    likelihood = np.zeros((len(moved), len(scale)))
    for prior, difference in zip(expected, differences, strict=True):
        of_row = _row_freedom(freedom, prior)
        # rounded logs may give no difference at all; this far below the expected one it says nothing further
        ratio = max(difference**2 / prior.value, 1e-12) / scale
        still = np.exp(_log_density(ratio, 1.0, of_row))
        apart = np.exp(_log_density(ratio / MOVED_FACTOR, 1.0, of_row)) / MOVED_FACTOR
        likelihood += np.log((1.0 - moved) * still + moved * apart) - np.log(scale)
    likelihood = np.logaddexp.reduce(independent * likelihood, axis=0)
    return _spread(scale, freedom, likelihood - 0.5 * (np.log(scale) / LOG_SD_OF_TWO) ** 2)


def _possible(scales: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Every pair of a scale and of degrees of freedom, each of shape (n,)."""
    scale, freedom = np.meshgrid(scales, FREEDOMS, indexing="ij")
    return scale.ravel(), freedom.ravel()


def _log_density(ratio: FloatArray, freedom: float, of_row: FloatArray) -> FloatArray:
    """Logarithm of the density of F with `freedom` and `of_row` degrees of freedom, but for a constant."""
    from scipy.special import betaln

    shape = 0.5 * freedom * np.log(freedom / of_row) + (0.5 * freedom - 1.0) * np.log(ratio)
    tail = 0.5 * (freedom + of_row) * np.log1p(freedom * ratio / of_row)
    return np.asarray(shape - tail - betaln(0.5 * freedom, 0.5 * of_row))


def _spread(scale: FloatArray, freedom: FloatArray, log_weight: FloatArray) -> OutingSpread:
    weight = np.exp(log_weight - log_weight.max())
    return OutingSpread(scale, freedom, weight / weight.sum())


def between_outings(
    groups: Sequence[Sequence[float]], compared: Sequence[Sequence[int]] | None = None
) -> Variance:
    """Variance of outing means about their set-up's mean, pooled; 0 with 0 degrees of freedom without repeats.

    ``groups`` holds for each set-up the means of its outings. The outings ``compared`` (-1 or 1, else 0) lose the part
    of the spread that lies in their difference, unless nothing else is left: it would be judged by itself.
    """
    freedom = sum(max(len(group) - 1, 0) for group in groups)
    if freedom == 0:
        return Variance(0.0, 0.0)
    rest = np.concatenate([np.asarray(group) - np.mean(group) for group in groups if len(group)])
    if compared is not None and freedom > 1:
        own = np.concatenate([np.asarray(signs) - np.mean(signs) for signs in compared if len(signs)])
        if np.any(own):
            rest = rest - own * (own @ rest) / (own @ own)
            freedom -= 1
    return Variance(float(rest @ rest) / freedom, float(freedom))


def t_interval(difference: float, variance: Variance) -> tuple[float, float]:
    """95 % interval by Student's t."""
    from scipy.special import stdtrit

    half = float(stdtrit(min(variance.freedom, KNOWN), 0.975)) * float(np.sqrt(variance.value))
    return difference - half, difference + half


def p_two_sided(difference: float, variance: Variance) -> float:
    """Probability of a difference at least as large, of either sign, where there is none."""
    return 2.0 * p_above(abs(difference), variance)


def p_above(difference: float, variance: Variance) -> float:
    """Probability of a difference at least as high where there is none."""
    from scipy.special import stdtr

    return float(stdtr(min(variance.freedom, KNOWN), -difference / np.sqrt(variance.value)))


def holm(p_values: Sequence[float]) -> tuple[float, ...]:
    """Holm-adjusted p values in the order given: below 0.05 any false alarm has a chance of 5 %.

    S. Holm, Scand. J. Statist. 6, 65-70, 1979.
    """
    adjusted = [1.0] * len(p_values)
    floor = 0.0
    for rank, index in enumerate(np.argsort(p_values, kind="stable")):
        floor = max(floor, min(1.0, (len(p_values) - rank) * p_values[index]))
        adjusted[index] = floor
    return tuple(adjusted)


def closed_test(keys: Sequence[Key], p_of: Callable[[tuple[Key, ...]], float]) -> Mapping[Key, float]:
    """Adjusted p of each of a few hypotheses: the largest ``p_of`` all sets that it is in.

    Below 0.05 the chance of any false alarm is 5 % (R. Marcus, E. Peritz, K. R. Gabriel, Biometrika 63, 655-660, 1976,
    doi:10.1093/biomet/63.3.655).
    """
    found = dict.fromkeys(keys, 0.0)
    for size in range(1, len(keys) + 1):
        for subset in combinations(keys, size):
            p = p_of(subset)
            for key in subset:
                found[key] = max(found[key], p)
    return found
