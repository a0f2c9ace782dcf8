"""Benchmark of the statistics of a comparison, on laps and outings of known correlation and spread.

    .venv/bin/python -m tests.benchmarks.comparison.run --pairs 1000

Laps are a first-order autoregression, rows move together, and every outing is moved by an effect of its own. Prints
for pairs without a change how many 95 % intervals hold the truth and how many pairs have any false difference; for
pairs with a change of known size in two rows how often it is found. A minute of one core.
"""

import argparse
import os
from collections.abc import Sequence

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.setup.rows import (
    Expected,
    Judged,
    Row,
    compare_laps,
    lap_values,
)
from telemetry.summary import COMPARED, Metric

TEST_SEED = 700_000
ROWS = len(COMPARED)
# Share of the variance that all rows have in common: a lap ridden harder moves many of them.
COMMON = 0.3
CALLED = ("higher", "lower")


def noise(rng: np.random.Generator, n: int) -> FloatArray:
    """n draws of all rows, unit variance, `COMMON` of it shared between rows."""
    shared, own = rng.normal(size=(n, 1)), rng.normal(size=(n, ROWS))
    return np.sqrt(COMMON) * shared + np.sqrt(1 - COMMON) * own


def outing(rng: np.random.Generator, laps: int, correlation: float, effect: float) -> FloatArray:
    """Laps of one outing, shape (laps, rows): lap spread 1, outing effect as a share of it."""
    step = noise(rng, laps)
    values = np.empty_like(step)
    values[0] = step[0]
    for k in range(1, laps):
        values[k] = correlation * values[k - 1] + np.sqrt(1 - correlation**2) * step[k]
    return values + effect * noise(rng, 1)


def judged(
    a: FloatArray, b: FloatArray, groups: Sequence[Sequence[FloatArray]], expected: Sequence[Expected] = ()
) -> Judged:
    """The comparison of two outings; of rows that stand for nothing the usual spread between outings is not known."""

    def row(k: int) -> Row:
        metric = Metric(f"k{k}", f"k{k}", "", (), lambda lap: None)
        one, other, *rest = (
            lap_values(range(1, len(laps) + 1), laps[:, k].tolist())
            for laps in (a, b, *(each for group in groups for each in group))
        )
        left = iter(rest)
        return Row(metric, one, other, tuple(tuple(next(left) for _ in group) for group in groups))

    changed = {each.key for each in expected}
    return compare_laps([row(k) for k in range(ROWS)], expected, lambda key: key not in changed)


def nulls(pairs: int, laps: int, correlation: float, effect: float, repeats: int) -> str:
    """Coverage and false differences of pairs without a change."""
    rng = np.random.default_rng([TEST_SEED, laps, repeats])
    held, false = [], 0
    for _ in range(pairs):
        runs = [outing(rng, laps, correlation, effect) for _ in range(2 + 2 * repeats)]
        groups = [[runs[0], *runs[2 : 2 + repeats]], [runs[1], *runs[2 + repeats :]]] if repeats else []
        found = judged(runs[0], runs[1], groups)
        held += [row.ci95[0] <= 0 <= row.ci95[1] for row in found.rows if row.ci95]
        false += any(row.verdict in CALLED for row in found.rows)
    return (
        f"coverage {100 * np.mean(held):5.1f} %, pairs with a false difference {100 * false / pairs:4.1f} %"
    )


def power(pairs: int, laps: int, correlation: float, effect: float, repeats: int, size: float) -> str:
    """How often a change of two rows, each by ``size`` lap spreads, is found in one of them."""
    rng = np.random.default_rng([TEST_SEED, laps, repeats, 1])
    found = dict.fromkeys((True, False), 0)
    expected = (Expected("k0", 1), Expected("k1", -1))
    for _ in range(pairs):
        runs = [outing(rng, laps, correlation, effect) for _ in range(2 + repeats)]
        runs[1][:, :2] += [size, -size]
        groups = [[runs[0], *runs[2:]]] if repeats else []
        for known in found:
            rows = judged(runs[0], runs[1], groups, expected if known else ()).rows
            found[known] += rows[0].verdict == "higher" or rows[1].verdict == "lower"
    return (
        f"found {100 * found[True] / pairs:5.1f} % with sheets, {100 * found[False] / pairs:5.1f} % without"
    )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--pairs", type=int, default=1000)
    pairs = parser.parse_args().pairs
    print("No change. Outing effects as a share of the lap spread.")
    for laps in (4, 8):
        for correlation, effect in ((0.0, 0.0), (0.5, 0.0), (0.5, 0.5), (0.5, 1.0), (0.5, 2.0)):
            for repeats in (0, 1, 3):
                print(
                    f"  {laps} laps, correlation {correlation}, effect {effect}, {repeats} repeats a side: "
                    + nulls(pairs, laps, correlation, effect, repeats)
                )
    print("A change of two rows, 4 laps. Size in lap spreads.")
    for correlation, effect in ((0.0, 0.0), (0.5, 0.5), (0.5, 1.0)):
        for repeats in (0, 3):
            for size in (2.0, 4.0, 6.0):
                print(
                    f"  correlation {correlation}, effect {effect}, {repeats} repeats, size {size:.0f}: "
                    + power(pairs // 4, 4, correlation, effect, repeats, size)
                )


if __name__ == "__main__":
    main()
