"""The statistics against published worked examples and against their own promise of few false alarms."""

import numpy as np
import pytest
from scipy import stats

from telemetry.metrics import Metric
from telemetry.setup.compare import compare_laps
from telemetry.setup.evidence import difference_of_means, holm, permutation_p
from telemetry.setup.laps import lap_values

# Efron & Tibshirani, An Introduction to the Bootstrap, 1993, table 2.1: survival of mice, days
TREATED = [94, 197, 16, 38, 99, 141, 23]
CONTROL = [52, 104, 146, 10, 51, 30, 40, 27, 46]


def test_difference_and_its_standard_error_are_the_published_ones():
    # Efron & Tibshirani 1993 table 2.1: difference 30.63, standard error of it 28.93
    result = difference_of_means(CONTROL, TREATED)
    assert result.value == pytest.approx(30.635, abs=5e-4)
    # half width = t quantile x se; degrees of freedom by Welch-Satterthwaite from the published 25.24, 14.14
    dof = (25.24**2 + 14.14**2) ** 2 / (25.24**4 / 6 + 14.14**4 / 8)
    half_width = (result.ci95[1] - result.ci95[0]) / 2
    assert half_width / stats.t.ppf(0.975, dof) == pytest.approx(28.93, abs=0.03)


def test_permutation_of_the_mouse_data():
    # same data; all 11440 splits counted: one-sided p .1409965
    assert permutation_p(CONTROL, TREATED, alternative="greater") == pytest.approx(0.1409965, abs=5e-8)


def test_permutation_of_ranks_is_the_exact_mann_whitney():
    # SciPy documentation of mannwhitneyu: 19 22 16 29 24 against 20 11 17 12 has U = 17, exact p = .1111111
    ranks = stats.rankdata([19, 22, 16, 29, 24, 20, 11, 17, 12])
    assert ranks[:5].sum() - 5 * 6 / 2 == 17
    assert permutation_p(ranks[5:], ranks[:5]) == pytest.approx(0.1111111, abs=5e-8)


def test_welch_agrees_with_the_one_sample_t_of_darwins_maize_when_one_side_hardly_varies():
    # Fisher, The Design of Experiments, 1935 (Darwin's maize): 15 differences, t 2.148, two-sided p .0497.
    # Against a side that is 0 with no spread to speak of, Welch's test is the one-sample test.
    differences = [49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]
    result = difference_of_means([1e-9, -1e-9] * 200, differences)
    assert result.p_welch == pytest.approx(0.0497, abs=5e-5)
    assert result.ci95[0] > 0


def test_holm_steps_down():
    # Holm 1979, the rule applied by hand to .01 .04 .03 .005: 4 x .005, 3 x .01, 2 x .03, then not below it
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx((0.03, 0.06, 0.06, 0.02))
    assert holm([]) == ()
    assert holm([0.9, 0.8]) == (1.0, 1.0)


def test_laps_that_all_read_the_same_have_no_interval():
    assert difference_of_means([5.0] * 4, [6.0] * 4).ci95 is None


def _row(a, b):
    metric = Metric("k", "k", "mm", (), lambda lap: None)
    return metric, lap_values(range(len(a)), a), lap_values(range(len(b)), b)


def _laps(rng, shape, n, n_rows):
    """n laps of n_rows numbers that move together, as travel and speed do when a lap is ridden harder."""
    pace = rng.normal(size=(n, 1))
    own = rng.normal(size=(n, n_rows)) if shape == "normal" else np.exp(0.7 * rng.normal(size=(n, n_rows)))
    return 0.6 * pace + own


@pytest.mark.parametrize(
    ("shape", "n_a", "n_b"), [("normal", 3, 3), ("normal", 3, 8), ("normal", 4, 6), ("skewed", 5, 5)]
)
def test_false_alarms_over_the_whole_table_stay_below_one_in_twenty(shape, n_a, n_b):
    rng = np.random.default_rng(20260501)
    tables, n_rows, alarms = 120, 5, 0
    for _ in range(tables):
        a, b = _laps(rng, shape, n_a, n_rows), _laps(rng, shape, n_b, n_rows)
        rows = compare_laps([_row(a[:, k], b[:, k]) for k in range(n_rows)])
        alarms += any(row.verdict in ("higher", "lower") for row in rows)
    # 5 % promised; plus two standard errors of a share of 120
    assert alarms / tables <= 0.05 + 2 * np.sqrt(0.05 * 0.95 / tables)


def test_many_tables_would_alarm_if_rows_were_judged_alone():
    # the same laps without the adjustment: what the promise above is worth
    rng = np.random.default_rng(20260501)
    alarms = 0
    for _ in range(60):
        a, b = _laps(rng, "normal", 5, 10), _laps(rng, "normal", 5, 10)
        alarms += any(difference_of_means(a[:, k], b[:, k]).p_welch < 0.05 for k in range(10))
    assert alarms / 60 > 0.15


def test_a_change_of_several_spreads_is_found_among_the_rows():
    rng = np.random.default_rng(7)
    found = 0
    for _ in range(20):
        a, b = _laps(rng, "normal", 5, 10), _laps(rng, "normal", 5, 10)
        b[:, 0] += 6.0 * np.std(b[:, 0], ddof=1)
        rows = compare_laps([_row(a[:, k], b[:, k]) for k in range(10)])
        found += rows[0].verdict == "higher"
    assert found >= 15


def test_interval_holds_the_true_difference_19_times_in_20():
    rng = np.random.default_rng(3)
    inside = [
        low <= 1.0 <= high
        for low, high in (
            difference_of_means(
                rng.normal(0, 1, 4), rng.normal(1.0, 3, 6)
            ).ci95  # unequal spread, unequal number
            for _ in range(600)
        )
    ]
    # Welch's interval is approximate at such small numbers; 3 standard errors of a share of 600 are 2.7 %
    assert np.mean(inside) == pytest.approx(0.95, abs=0.03)
