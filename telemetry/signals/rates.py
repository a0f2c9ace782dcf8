"""Logs whose rate changes on the way: where, and to which clock they go."""

from dataclasses import dataclass

import numpy as np

from telemetry.arrays import FloatArray

# Steps are looked at in blocks of this many; a rate is another one when it differs by this factor.
BLOCK = 50
OTHER_RATE = 1.25
# A rate that holds for less is a slip of the logger.
SHORTEST_S = 1.0
# The clock is that of the slowest rate that holds for this share of the time; what is slower still is left out.
LEAST_SHARE = 0.10


@dataclass(frozen=True)
class Stretch:
    """Stamps ``start`` to ``end`` (exclusive) at one rate."""

    start: int
    end: int
    rate_hz: float


def find_stretches(stamps_s: FloatArray) -> tuple[Stretch, ...]:
    """Stretches of different rates; empty for a log that keeps one.

    Parameters
    ----------
    stamps_s : ndarray of shape (n_stamps,)
        Strictly rising. [s]

    Returns
    -------
    tuple of Stretch
        One after the other, all stamps in one of them.
    """
    n_blocks = (len(stamps_s) - 1) // BLOCK
    if n_blocks < 6:
        return ()
    mean = np.diff(stamps_s[: n_blocks * BLOCK + 1 : BLOCK])
    usual = float(np.median(mean))
    if np.count_nonzero((mean > OTHER_RATE * usual) | (mean < usual / OTHER_RATE)) < 3:
        return ()
    steps = np.diff(stamps_s)
    # few digits and jitter move single steps; half of the block's are above, half below the true one
    trimmed = np.sort(steps[: n_blocks * BLOCK].reshape(n_blocks, BLOCK), axis=1)[:, BLOCK // 5 : -BLOCK // 5]
    interval = trimmed.mean(axis=1)
    edges = _edges(interval, steps)
    found = [
        Stretch(a, b, 1 / _interval_s(steps[a : max(a + 1, b - 1)]))
        for a, b in zip(edges[:-1], edges[1:], strict=True)
    ]
    return tuple(found) if len(found) > 1 else ()


def common_rate_hz(stretches: tuple[Stretch, ...], stamps_s: FloatArray) -> float:
    """The rate that all stretches worth keeping can be brought to.

    Parameters
    ----------
    stamps_s : ndarray of shape (n_stamps,)
        [s]

    Returns
    -------
    float
        [Hz]
    """
    rates = np.array([part.rate_hz for part in stretches])
    lasts = np.array([stamps_s[part.end - 1] - stamps_s[part.start] for part in stretches])
    return min(
        float(rate)
        for rate in rates
        if lasts[(rates < OTHER_RATE * rate) & (rates > rate / OTHER_RATE)].sum() >= LEAST_SHARE * lasts.sum()
    )


def _interval_s(steps: FloatArray) -> float:
    """Mean of the steps that are one sample: lost rows and pauses left out. [s]"""
    return float(np.mean(steps[steps < 1.5 * np.median(steps)]))


def _edges(interval: FloatArray, steps: FloatArray) -> list[int]:
    """Stamps at which another rate begins, with 0 and the number of stamps at the two ends."""
    edges, level = [0], interval[0]
    block = 1
    while block < len(interval):
        after = interval[block : block + 3]
        other = (after > OTHER_RATE * level) | (after < level / OTHER_RATE)
        lasts_s = float(after.mean()) * BLOCK * 3
        if other.all() and len(after) == 3 and np.ptp(after[1:]) < 0.2 * after[2]:
            edges.append(_exactly(steps, block, level, float(after[2])))
            level = after[2]
            block += max(3, int(SHORTEST_S / max(lasts_s / 3, 1e-9)))
        else:
            block += 1
    return [*edges, len(steps) + 1]


def _exactly(steps: FloatArray, block: int, before: float, after: float) -> int:
    """The stamp of the change, which lies in the block before the first that is all at the new rate."""
    start = max(0, (block - 1) * BLOCK)
    near = steps[start : (block + 1) * BLOCK]
    new = np.abs(near - after) < np.abs(near - before)
    # best split: most old steps before it, most new ones after
    score = np.cumsum(np.where(new, -1, 1))
    return start + int(np.argmax(score)) + 1
