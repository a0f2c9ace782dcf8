"""Speed balance: slopes on distributions made to measure."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.balance.measure import deming_slope, quantile_slope


def test_deming_slope_is_that_of_the_first_principal_axis():
    # orthogonal regression is the first principal axis of the points (K. Pearson, Phil. Mag. 2(11), 559-572, 1901)
    rng = np.random.default_rng(1)
    x = np.linspace(0, 10, 60)
    a, b = x + rng.normal(0, 0.5, 60), 0.7 + 1.4 * x + rng.normal(0, 0.5, 60)
    _, _, axes = np.linalg.svd(np.column_stack([a - a.mean(), b - b.mean()]), full_matrices=False)
    assert deming_slope(a, b) == pytest.approx(axes[0, 1] / axes[0, 0], rel=1e-9)


def test_deming_slope_is_not_flattened_by_errors_in_x_as_least_squares_is():
    rng = np.random.default_rng(2)
    x = rng.normal(0, 1, 20_000)
    a, b = x + rng.normal(0, 0.7, len(x)), 1.3 * x + rng.normal(0, 0.7, len(x))
    assert deming_slope(a, b) == pytest.approx(1.3, abs=0.03)
    assert np.polyfit(a, b, 1)[0] < 0.95  # attenuated by 1 / (1 + 0.49)


@given(width=st.floats(0.3, 3.0), seed=st.integers(0, 1000))
def test_a_distribution_so_many_times_as_wide_has_that_slope(width, seed):
    rng = np.random.default_rng(seed)
    front = np.abs(rng.laplace(0, 120, 4000))
    # the same distribution scaled, in another order: exact
    assert quantile_slope(front, width * rng.permutation(front)) == pytest.approx(width, rel=1e-9)


def test_a_handful_of_fast_samples_does_not_move_the_body():
    rng = np.random.default_rng(3)
    front = np.abs(rng.laplace(0, 120, 20_000))
    rear = front.copy()
    rear[:100] *= 8.0  # half a per cent of the time, as over kerbs
    assert quantile_slope(front, rear) == pytest.approx(1.0, abs=0.03)
    assert np.sqrt(np.mean(rear**2) / np.mean(front**2)) > 1.1


def test_swapping_the_ends_inverts_the_slope_and_too_few_have_none():
    rng = np.random.default_rng(4)
    front, rear = np.abs(rng.normal(0, 150, 900)), np.abs(rng.normal(0, 190, 700))
    assert quantile_slope(front, rear) * quantile_slope(rear, front) == pytest.approx(1.0)
    assert quantile_slope(front[:50], rear) is None
