"""Cubics, roots and t quantiles against SciPy, which the program does not import for them; quantiles against NumPy."""

import subprocess
import sys

import numpy as np
import pytest
from scipy.interpolate import CubicHermiteSpline, PchipInterpolator
from scipy.optimize import brentq
from scipy.special import stdtrit

from telemetry.numeric import (
    BLOCK,
    Cubic,
    all_of_blocks,
    block_means,
    correlated,
    median,
    quantile,
    quantiles,
    quantiles_of,
    root,
    shape_preserving,
    student_t,
    sums_between,
)


@pytest.mark.parametrize("points", [2, 3, 4, 9])
def test_shape_preserving_is_scipys_pchip(points):
    chance = np.random.default_rng(points)
    x = np.sort(chance.uniform(0.0, 70.0, points))
    y = np.cumsum(chance.uniform(-10.0, 20.0, points))
    at = chance.uniform(x[0], x[-1], BLOCK + 7)
    ours, theirs = shape_preserving(x, y), PchipInterpolator(x, y)
    np.testing.assert_allclose(ours(at), theirs(at), rtol=1e-10, atol=1e-10)
    np.testing.assert_allclose(ours.slope(at), theirs(at, 1), rtol=1e-9, atol=1e-9)


def test_a_cubic_through_given_slopes_is_scipys():
    x, y, slope = [0.0, 1.0, 3.0], [2.0, 1.0, 4.0], [0.5, -2.0, 3.0]
    at = np.array([[0.0, 0.3], [1.0, np.nan], [2.9, 3.0]])
    theirs = CubicHermiteSpline(x, y, slope)
    np.testing.assert_allclose(Cubic(x, y, slope)(at), theirs(at), atol=1e-12)
    np.testing.assert_allclose(Cubic(x, y, slope).slope(at), theirs(at, 1), atol=1e-12)


@pytest.mark.parametrize("target", [1e-9, 0.2, 17.0, 69.999, 70.0])
def test_root_is_scipys(target):
    def function(s):
        return s**1.7 + 5 * s - (target**1.7 + 5 * target)

    assert root(function, 0.0, 70.0, within=1e-10) == pytest.approx(
        brentq(function, 0.0, 70.0, xtol=1e-12), abs=2e-10
    )


def test_root_refuses_what_has_none():
    with pytest.raises(ValueError, match="one sign at both ends"):
        root(lambda x: x + 1.0, 0.0, 1.0, within=1e-9)


@pytest.mark.parametrize("n", [1, 2, 3, 10, 101, 5000])
def test_median_and_quantiles_are_numpys(n):
    values = np.random.default_rng(n).normal(size=n).round(1)  # with equal values
    before = values.copy()
    assert median(values) == np.median(values)
    for share in (0.0, 0.005, 0.25, 0.5, 0.95, 1.0):
        assert quantile(values, share) == pytest.approx(np.quantile(values, share), rel=1e-13, abs=1e-13)
        assert quantiles(np.sort(values), [share])[0] == pytest.approx(quantile(values, share), abs=1e-13)
    np.testing.assert_array_equal(values, before)


@pytest.mark.parametrize("digits", [0, 1, 9])
@pytest.mark.parametrize("longest", [1, 70, 3000])
def test_quantiles_of_pieces_are_those_of_all_their_values(digits, longest):
    chance = np.random.default_rng(longest)
    levels = [0.0, 0.01, 0.5, 0.95, 1.0, *chance.uniform(size=5)]
    for count in (1, 2, 9, 40):
        lengths = [1, *chance.integers(0, longest + 1, count)]
        pieces = [np.sort(np.round(chance.normal(chance.normal(), 1.0, n), digits)) for n in lengths]
        wanted = np.quantile(np.concatenate(pieces), levels)
        np.testing.assert_allclose(quantiles_of(pieces, levels), wanted, rtol=1e-12, atol=1e-12)


def test_blocks_are_averaged_where_all_of_one_is_known():
    values = np.arange(11.0)
    values[4] = np.nan
    np.testing.assert_allclose(block_means(values, 3), [1.0, np.nan, 7.0])
    np.testing.assert_array_equal(all_of_blocks(np.isfinite(values), 3), [True, False, True])
    np.testing.assert_array_equal(all_of_blocks(np.isfinite(values), 1), np.isfinite(values))


@pytest.mark.parametrize("n_weights", [1, 11, 12, 25, 96])
def test_correlation_is_numpys(n_weights):
    chance = np.random.default_rng(n_weights)
    weights = chance.normal(size=n_weights)
    for n in (
        n_weights,
        n_weights + 1,
        n_weights + 14,
        n_weights + 15,
        n_weights + 16,
        2 * BLOCK + n_weights + 9,
    ):
        values = chance.normal(size=2 * n)[::2]
        wanted = np.correlate(values, weights, mode="valid")
        np.testing.assert_allclose(correlated(values, weights), wanted, rtol=1e-12, atol=1e-12)


def test_sums_between_edges_are_those_of_each_stretch():
    chance = np.random.default_rng(4)
    values = chance.normal(size=3 * BLOCK)
    edges = np.unique([7, 8, BLOCK, *chance.integers(9, 3 * BLOCK, 20), 3 * BLOCK - 5])
    found = sums_between(edges, lambda here: [values[here], values[here] > 0])
    stretches = [values[a:b] for a, b in zip(edges[:-1], edges[1:], strict=True)]
    np.testing.assert_allclose(found[0], [one.sum() for one in stretches], atol=1e-10)
    np.testing.assert_array_equal(found[1], [np.count_nonzero(one > 0) for one in stretches])
    limits = sums_between(edges, lambda here: [values[here]] * 2, (np.minimum, np.maximum))
    np.testing.assert_array_equal(
        limits, [[one.min() for one in stretches], [one.max() for one in stretches]]
    )


@pytest.mark.parametrize("freedom", [0.7, 1, 2.5, 4, 13, 120, 4000])
@pytest.mark.parametrize("level", [0.001, 0.05, 0.5, 0.9, 0.975, 0.9999])
def test_student_t_is_scipys(level, freedom):
    assert student_t(level, freedom) == pytest.approx(stdtrit(freedom, level), rel=1e-11, abs=1e-12)


def test_a_review_from_the_terminal_starts_without_what_it_does_not_need():
    """Each of these costs as much CPU to import as reading minutes of log."""
    done = subprocess.run(
        [sys.executable, "-c", "import sys, telemetry.cli.log as r; print(*sorted(sys.modules))"],
        capture_output=True, text=True, timeout=60, check=True,
    )  # fmt: skip
    assert {"numba", "pandas", "plotly", "jinja2", "scipy", "pyarrow.parquet"}.isdisjoint(done.stdout.split())
