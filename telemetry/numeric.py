"""Numerical methods of every review: cubics through points, a root, a t quantile, quantiles of long arrays.

SciPy and NumPy have them all. SciPy's import costs as much as reading 10 to 40 minutes of log, and nothing else of it
is needed where these are used; NumPy's median takes several times as long. The tests hold them to SciPy and NumPy.
"""

import math
from collections.abc import Callable, Sequence
from functools import cached_property, lru_cache
from statistics import NormalDist
from typing import Protocol

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import ArrayLike

from telemetry.arrays import BoolArray, FloatArray, IntArray

# Samples of one block: temporaries of so many stay in the cache.
BLOCK = 16_384
# Weights from which a product of matrices is quicker, and sums at once.
LONG_WEIGHTS, SUMS = 12, 16
# One value in so many says about where a quantile of many arrays lies.
THINNED = 64
_TINY = 1e-300


class Cubic:
    """Piecewise cubic with given values and slopes at its knots.

    Parameters
    ----------
    x, y, slope : array_like of shape (n_knots,)
        ``x`` rises strictly.

    References
    ----------
    .. [1] C. de Boor, A Practical Guide to Splines, Springer 1978, ch. 4.
    """

    def __init__(self, x: ArrayLike, y: ArrayLike, slope: ArrayLike) -> None:
        x, y, slope = (np.asarray(part, dtype=np.float64) for part in (x, y, slope))
        step = np.diff(x)
        secant = np.diff(y) / step
        bend = (slope[:-1] + slope[1:] - 2.0 * secant) / step
        self._x = x
        # of each piece, highest power first, in the distance from its first knot
        self._powers = (bend / step, (secant - slope[:-1]) / step - bend, slope[:-1].copy(), y[:-1].copy())

    def __call__(self, at: FloatArray) -> FloatArray:
        """Values; NaN where ``at`` is. The end pieces go on beyond the knots."""
        return self._each(at, self._powers)

    def slope(self, at: FloatArray) -> FloatArray:
        """Derivatives; NaN where ``at`` is."""
        return self._each(at, self._slopes)

    def with_slope(self, at: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Values and derivatives of few enough places to stay in the cache."""
        piece, away = self._place(at)
        return _horner(self._powers, piece, away), _horner(self._slopes, piece, away)

    @cached_property
    def _slopes(self) -> tuple[FloatArray, ...]:
        a, b, c, _ = self._powers
        return 3.0 * a, 2.0 * b, c

    def _place(self, at: FloatArray) -> tuple[IntArray | int, FloatArray]:
        """Piece of each place, and how far behind its first knot."""
        if len(self._x) == 2:
            return 0, at - self._x[0]
        piece = self._x[1:-1].searchsorted(at, side="right")
        return piece, at - self._x[piece]

    def _each(self, at: FloatArray, powers: tuple[FloatArray, ...]) -> FloatArray:
        at = np.asarray(at, dtype=np.float64)
        found = np.empty(at.shape)
        flat, into = at.reshape(-1), found.reshape(-1)
        for first in range(0, len(flat), BLOCK):
            piece, away = self._place(flat[first : first + BLOCK])
            into[first : first + BLOCK] = _horner(powers, piece, away)
        return found


def _horner(powers: tuple[FloatArray, ...], piece: IntArray | int, away: FloatArray) -> FloatArray:
    value = powers[0][piece] * away
    for power in powers[1:-1]:
        value += power[piece]
        value *= away
    value += powers[-1][piece]
    return value


def shape_preserving(x: ArrayLike, y: ArrayLike) -> Cubic:
    """Cubic through points that rises or falls only where they do (PCHIP).

    Parameters
    ----------
    x, y : array_like of shape (n_points,)
        Two or more; ``x`` rises strictly.

    References
    ----------
    .. [1] F. N. Fritsch, J. Butland, SIAM J. Sci. Stat. Comput. 5(2), 300-304, 1984, doi:10.1137/0905021.
    """
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    step = np.diff(x)
    secant = np.diff(y) / step
    if len(x) == 2:
        return Cubic(x, y, np.repeat(secant, 2))
    before, after = 2.0 * step[1:] + step[:-1], step[1:] + 2.0 * step[:-1]
    level = secant[1:] * secant[:-1] <= 0.0
    with np.errstate(divide="ignore", invalid="ignore"):
        inner = (before + after) / (before / secant[:-1] + after / secant[1:])
    slope = np.concatenate(([0.0], np.where(level, 0.0, inner), [0.0]))
    slope[0] = _end_slope(step[0], step[1], secant[0], secant[1])
    slope[-1] = _end_slope(step[-1], step[-2], secant[-1], secant[-2])
    return Cubic(x, y, slope)


def quantiles(ordered: FloatArray, shares: ArrayLike) -> FloatArray:
    """Quantiles of values that are in order, between neighbours by a straight line, as `numpy.quantile`.

    Parameters
    ----------
    ordered : ndarray of shape (n,)
        Rising, at least one, without NaN.
    shares : array_like
        From 0 to 1.
    """
    place = np.asarray(shares, dtype=np.float64) * (len(ordered) - 1)
    low = place.astype(np.int64)
    below, above = ordered[low], ordered[np.minimum(low + 1, len(ordered) - 1)]
    return np.asarray(below + (place - low) * (above - below))


def quantiles_of(pieces: Sequence[FloatArray], shares: ArrayLike) -> FloatArray:
    """Quantiles of all values of some arrays together, each of which is in order, as `quantiles` of them in one.

    Parameters
    ----------
    pieces : sequence of ndarray
        Rising, without NaN; together at least one value.
    shares : array_like
        From 0 to 1.
    """
    pieces = [piece for piece in pieces if len(piece)]
    if len(pieces) == 1:
        return quantiles(pieces[0], shares)
    place = np.asarray(shares, dtype=np.float64) * (sum(map(len, pieces)) - 1)
    low = place.astype(np.int64)
    thin = np.sort(np.concatenate([piece[::THINNED] for piece in pieces]))
    # no more than so many values are below one of the thinned, and no fewer than so many are up to another
    least = thin[np.minimum(low // THINNED, len(thin) - 1)]
    enough = -(-(low + 2) // THINNED) + len(pieces)
    most = np.where(enough < len(thin), thin[np.minimum(enough, len(thin) - 1)], np.inf)
    starts = np.array([piece.searchsorted(least, "left") for piece in pieces])
    stops = np.array([piece.searchsorted(most, "right") for piece in pieces])
    found = np.empty(place.shape)
    for i, below in enumerate(starts.sum(axis=0).tolist()):
        near = [piece[a:b] for piece, a, b in zip(pieces, starts[:, i], stops[:, i], strict=True)]
        between = np.sort(np.concatenate(near))
        at = int(low[i]) - below
        above = between[min(at + 1, len(between) - 1)]
        found[i] = between[at] + (place[i] - low[i]) * (above - between[at])
    return found


def median(values: FloatArray, *, in_place: bool = False) -> float:
    """Median of at least one value without NaN; one partition is several times quicker than `numpy.median`.

    Parameters
    ----------
    in_place : bool
        Saves a copy, and leaves the values in another order.
    """
    middle = (len(values) - 1) // 2
    parted = values if in_place else values.copy()
    parted.partition(middle)
    if len(values) % 2:
        return float(parted[middle])
    return float(0.5 * (parted[middle] + parted[middle + 1 :].min()))


def quantile(values: FloatArray, share: float) -> float:
    """Quantile of at least one value without NaN in any order, as `numpy.quantile` and several times quicker."""
    place = share * (len(values) - 1)
    low = int(place)
    parted = np.partition(values, low)
    above = parted[low + 1 :].min() if low + 1 < len(values) else parted[low]
    return float(parted[low] + (place - low) * (above - parted[low]))


def _end_slope(step: float, next_step: float, secant: float, next_secant: float) -> float:
    """Slope at an end by a parabola through three points, kept from overshooting."""
    slope = ((2.0 * step + next_step) * secant - step * next_secant) / (step + next_step)
    if slope * secant <= 0.0:
        return 0.0
    return 3.0 * secant if secant * next_secant <= 0.0 and abs(slope) > 3.0 * abs(secant) else slope


def root(function: Callable[[float], float], low: float, high: float, *, within: float) -> float:
    """Where a function is 0 between two points at which its signs differ.

    Parameters
    ----------
    within : float
        Largest error.

    References
    ----------
    .. [1] T. R. Chandrupatla, Adv. Eng. Software 28(3), 145-149, 1997, doi:10.1016/S0965-9978(96)00051-8.
    """
    a, b = float(high), float(low)
    at_a, at_b = function(a), function(b)
    if at_a == 0.0 or at_b == 0.0:
        return a if at_a == 0.0 else b
    if at_a * at_b > 0.0 or not math.isfinite(at_a * at_b):
        raise ValueError(f"the function has one sign at both ends: {at_b:g} at {low:g}, {at_a:g} at {high:g}")
    share = 0.5
    while True:
        middle = a + share * (b - a)
        at_middle = function(middle)
        if (at_middle > 0.0) == (at_a > 0.0):
            c, at_c = a, at_a
        else:
            c, at_c, b, at_b = b, at_b, a, at_a
        a, at_a = middle, at_middle
        best, at_best = (a, at_a) if abs(at_a) < abs(at_b) else (b, at_b)
        least = (0.5 * within + 2.0 * abs(best) * np.finfo(float).eps) / abs(b - a)
        if least > 0.5 or at_best == 0.0:
            return best
        xi, phi = (a - b) / (c - b), (at_a - at_b) / (at_c - at_b)
        share = 0.5
        if phi**2 < xi and (1.0 - phi) ** 2 < 1.0 - xi:  # inverse parabola, where it is safe
            share = at_a / (at_b - at_a) * at_c / (at_b - at_c)
            share += (c - a) / (b - a) * at_a / (at_c - at_a) * at_b / (at_c - at_b)
        share = min(1.0 - least, max(least, share))


@lru_cache(maxsize=256)
def student_t(level: float, freedom: float) -> float:
    """Quantile of Student's t: below it lies a share ``level`` of the distribution.

    Parameters
    ----------
    level : float
        Between 0 and 1.
    freedom : float
        Degrees of freedom, above 0.

    References
    ----------
    .. [1] M. Abramowitz, I. A. Stegun, Handbook of Mathematical Functions, 1964, 26.5.8, 26.7.1 and 26.7.5.
    """
    tail = min(level, 1.0 - level)
    if tail == 0.5:
        return 0.0
    # Newton's method on the logarithms of tail and t, whose curve bends one way only, from the normal quantile
    normal = -NormalDist().inv_cdf(tail)
    log_t = math.log(normal + (normal**3 + normal) / (4.0 * freedom))
    log_scale = math.lgamma((freedom + 1.0) / 2.0) - math.lgamma(freedom / 2.0)
    log_scale -= 0.5 * math.log(freedom * math.pi)
    while True:
        t = math.exp(log_t)
        above = _student_tail(t, freedom)
        density = math.exp(log_scale - (freedom + 1.0) / 2.0 * math.log1p(t * t / freedom))
        step = math.log(above / tail) * above / (t * density)
        log_t += step
        if abs(step) < 1e-8:  # the next would be its square
            t = math.exp(log_t)
            return t if level > 0.5 else -t


def _student_tail(t: float, freedom: float) -> float:
    """Share of Student's t above ``t``, by the continued fraction of the incomplete beta function."""
    if t == 0.0:
        return 0.5
    a, b = freedom / 2.0, 0.5
    x = freedom / (freedom + t * t)
    rest = t * t / (freedom + t * t)
    log_front = a * math.log(x) + b * math.log(rest) + math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b)
    front = 0.5 * math.exp(log_front)
    if x < (a + 1.0) / (a + b + 2.0):
        return front * _beta_fraction(a, b, x) / a
    return 0.5 - front * _beta_fraction(b, a, rest) / b


def _beta_fraction(a: float, b: float, x: float) -> float:
    """Continued fraction of the incomplete beta function, evaluated as by Lentz."""
    c, d = 1.0, 1.0 / max(1.0 - (a + b) * x / (a + 1.0), _TINY)
    fraction = d
    for m in range(1, 10_000):
        for term in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1.0 / (1.0 + term * d or _TINY)
            c = 1.0 + term / c or _TINY
            fraction *= c * d
        if abs(c * d - 1.0) < 1e-15:
            break
    return fraction


def sums_between(
    edges: IntArray,
    columns: Callable[[slice], Sequence[FloatArray | BoolArray]],
    by: Sequence[np.ufunc] | None = None,
) -> FloatArray:
    """Sums of samples from each edge to before the next, computed block by block.

    Parameters
    ----------
    edges : ndarray of int, shape (n + 1,)
        Rising strictly.
    columns : callable
        What is to be summed, at a slice of the samples: arrays of its length.
    by : sequence of ufunc, optional
        What is found of each column instead of the sum: `numpy.minimum`, say.

    Returns
    -------
    ndarray of shape (n_columns, n)
    """
    cuts = np.union1d(edges, np.arange(edges[0], edges[-1], BLOCK))
    found: list[list[FloatArray]] = []
    for first in range(int(edges[0]), int(edges[-1]), BLOCK):
        stop = min(first + BLOCK, int(edges[-1]))
        here = cuts[slice(*cuts.searchsorted((first, stop)))] - first
        each = columns(slice(first, stop))
        by = [np.add] * len(each) if by is None else by
        found.append([one.reduceat(a, here, dtype=np.float64) for one, a in zip(by, each, strict=True)])
    starts = cuts.searchsorted(edges[:-1])
    parts = zip(by or (), np.concatenate(found, axis=1), strict=True)
    return np.array([one.reduceat(part, starts) for one, part in parts])


def block_means(values: "Sliceable", step: int) -> FloatArray:
    """Means of blocks of so many values, NaN where one of them is; a last block that is not full is left out."""
    means, weights = np.empty(len(values) // step), np.full(step, 1.0 / step)
    at_once = max(BLOCK // step, 1)
    for first in range(0, len(means), at_once):
        here = means[first : first + at_once]
        part = values[first * step : (first + len(here)) * step]
        np.matmul(part.reshape(-1, step), weights, out=here)
    return means


class Sliceable(Protocol):
    """Numbers of which a slice is an array."""

    def __len__(self) -> int: ...

    def __getitem__(self, rows: slice, /) -> FloatArray: ...


def correlated(values: FloatArray, weights: FloatArray) -> FloatArray:
    """Weighted sums of neighbours, as `numpy.correlate` in its mode "valid"; of long arrays two to three times quicker.

    Parameters
    ----------
    values, weights : ndarray of shape (n,), (n_weights,)
        As many values as weights or more.

    Returns
    -------
    ndarray of shape (n - n_weights + 1,)
    """
    width = len(weights) + SUMS - 1
    if len(weights) < LONG_WEIGHTS or len(values) < width:
        return np.correlate(values, weights, mode="valid")
    # so many sums at once are a product: the numbers from the first to the last they need, by weights moved on and on
    moved = np.zeros((width, SUMS))
    for i in range(SUMS):
        moved[i : i + len(weights), i] = weights
    rows, at_once = sliding_window_view(values, width)[::SUMS], BLOCK // SUMS
    found = np.empty(len(values) - len(weights) + 1)
    table = found[: len(rows) * SUMS].reshape(-1, SUMS)
    for first in range(0, len(rows), at_once):
        here = slice(first, first + at_once)
        np.matmul(np.ascontiguousarray(rows[here]), moved, out=table[here])
    found[-SUMS:] = values[-width:] @ moved
    return found


def all_of_blocks(mask: BoolArray, step: int) -> BoolArray:
    """Whether all of a block is True, for the blocks of `block_means`."""
    found = np.ones(len(mask) // step, dtype=bool)
    found[np.flatnonzero(~mask[: len(found) * step]) // step] = False
    return found


def finite(value: float) -> float | None:
    """A number as it is stored where it may be unknown: None for NaN or an infinity."""
    return float(value) if np.isfinite(value) else None
