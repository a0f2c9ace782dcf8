"""Runs of samples: where they are, and short gaps bridged where that is safe."""

import numpy as np

from telemetry.arrays import BoolArray, FloatArray, IntArray

# A bridge spans at most this many missing samples and this much time between its two banks: 10 ms is a fifth of
# a wheel-hop period, where a cubic through the neighbours is still within a few percent of the motion.
BRIDGE_SAMPLES = 3
BRIDGE_S = 0.010


def runs(mask: BoolArray) -> tuple[IntArray, IntArray]:
    """Start and end (exclusive) of each run of true.

    Parameters
    ----------
    mask : ndarray of bool, shape (n_samples,)

    Examples
    --------
    >>> runs(np.array([True, False, True, True]))
    (array([0, 2]), array([1, 4]))
    """
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return edges[0::2].astype(np.int64), edges[1::2].astype(np.int64)


def block_range(values: FloatArray, length: int) -> FloatArray:
    """Highest less lowest of each whole block of samples; NaN if one of them is.

    Parameters
    ----------
    values : ndarray of shape (n_samples,)
    length : int
        Of a block.

    Returns
    -------
    ndarray of shape (n_samples // length,)
    """
    blocks = values[: len(values) // length * length].reshape(-1, length)
    return np.asarray(blocks.max(axis=1) - blocks.min(axis=1))


def longest_bridge(sample_rate_hz: float) -> int:
    """Missing samples in a row that may be bridged at this rate; 0 for a slow log."""
    return max(0, min(BRIDGE_SAMPLES, int(BRIDGE_S * sample_rate_hz * (1 + 1e-9)) - 1))


def bridge(
    values: FloatArray, longest: int, *, within_mm: tuple[float, float] = (-np.inf, np.inf)
) -> tuple[FloatArray, BoolArray]:
    """Fill short gaps with the cubic through two samples on either bank.

    Parameters
    ----------
    values : ndarray of shape (n_samples,)
        NaN where missing.
    longest : int
        Longer gaps stay as they are.
    within_mm : tuple of float
        Gaps whose banks or bridge leave this range stay as well.

    Returns
    -------
    filled : ndarray of shape (n_samples,)
    bridged : ndarray of bool, shape (n_samples,)
        The samples that were filled. A gap without two valid samples on both banks stays.
    """
    filled = values.copy()
    starts, ends = runs(np.isnan(values))
    for length in range(1, longest + 1):
        at = starts[(ends - starts == length) & (starts >= 2) & (ends <= len(values) - 2)]
        banks = values[at[:, None] + np.array([-2, -1, length, length + 1])]
        inside = np.stack([banks @ cubic_weights(length, k) for k in range(length)], axis=1)
        all_of_it = np.concatenate([banks, inside], axis=1)  # NaN is within no range
        whole = ((all_of_it >= within_mm[0]) & (all_of_it <= within_mm[1])).all(axis=1)
        for k in range(length):
            filled[at[whole] + k] = inside[whole, k]
    return filled, np.isnan(values) & ~np.isnan(filled)


def cubic_weights(length: int, k: int) -> FloatArray:
    """Lagrange weights at place k of a gap, of the samples at -2, -1, length and length + 1."""
    nodes = np.array([-2.0, -1.0, length, length + 1.0])
    weights = np.ones(4)
    for i, node in enumerate(nodes):
        others = np.delete(nodes, i)
        weights[i] = np.prod((k - others) / (node - others))
    return weights
