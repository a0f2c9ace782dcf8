"""The statistics against published worked examples and against their own promise of few false alarms."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from telemetry.setup.evidence import (
    INDEPENDENT,
    LapCorrelation,
    Laps,
    Variance,
    added,
    between_outings,
    closed_test,
    holm,
    independent_share,
    lap_correlation,
    lap_variance,
    mean_factor,
    outing_spread,
    p_two_sided,
    spread_of_two,
    t_interval,
)
from telemetry.setup.rows import Expected, Row, compare_laps, lap_values
from telemetry.summary import Metric

# Efron & Tibshirani, An Introduction to the Bootstrap, 1993, table 2.1: survival of mice, days
TREATED = [94, 197, 16, 38, 99, 141, 23]
CONTROL = [52, 104, 146, 10, 51, 30, 40, 27, 46]


CORRELATED = LapCorrelation(np.array([0.5]), np.ones(1))


def _laps_of(values):
    return Laps(np.arange(1.0, len(values) + 1), np.asarray(values, dtype=float))


def _difference(a, b):
    """Variance of the difference of two means of independent laps, pooled."""
    one, other = _laps_of(a), _laps_of(b)
    factors = mean_factor(one.numbers, INDEPENDENT) + mean_factor(other.numbers, INDEPENDENT)
    pooled = lap_variance([one, other], INDEPENDENT)
    return Variance(pooled.value * factors, pooled.freedom)


def test_with_independent_laps_it_is_students_t():
    # Efron & Tibshirani 1993 table 2.1: difference 30.63; p and interval against SciPy's ttest_ind
    found = _difference(CONTROL, TREATED)
    difference = np.mean(TREATED) - np.mean(CONTROL)
    reference = stats.ttest_ind(TREATED, CONTROL)
    assert difference == pytest.approx(30.635, abs=5e-4)
    assert p_two_sided(difference, found) == pytest.approx(reference.pvalue, rel=1e-9)
    assert t_interval(difference, found) == pytest.approx(tuple(reference.confidence_interval()), rel=1e-9)


def test_variance_of_the_mean_of_correlated_laps_is_the_textbook_sum():
    # Box, Jenkins, Time Series Analysis, ch. 2: var(mean) = s^2 / n (1 + 2 sum (1 - k/n) rho^k) (from memory)
    n, rho = 6, 0.5
    k = np.arange(1, n)
    expected = (1 + 2 * np.sum((1 - k / n) * rho**k)) / n
    assert mean_factor(np.arange(1.0, n + 1), CORRELATED) == pytest.approx(expected)


def test_spread_of_correlated_laps_is_corrected_to_that_of_single_laps():
    # many short outings of an autoregression with standard deviation 1: their scatter about their own mean is too small
    rng = np.random.default_rng(5)
    outings = [_laps_of(_autoregression(rng, 4, 1, 0.5)[:, 0]) for _ in range(4000)]
    assert np.mean([np.var(laps.values, ddof=1) for laps in outings]) < 0.75
    assert lap_variance(outings, CORRELATED).value == pytest.approx(1.0, abs=0.03)


def test_correlation_is_read_from_long_outings_and_left_open_by_short_ones():
    rng = np.random.default_rng(6)

    def read(n, rho):
        table = [_autoregression(rng, n, 10, rho) for _ in range(2)]
        return lap_correlation([[_laps_of(one[:, k]) for one in table] for k in range(10)])

    assert read(40, 0.5).mean == pytest.approx(0.5, abs=0.1)
    assert read(40, 0.0).mean < 0.1
    short = read(4, 0.0)
    assert short.weight.max() < 0.5  # no single value stands out


def test_a_lap_left_out_counts_as_a_lap_apart():
    # laps 1 and 3 of an autoregression correlate by rho^2
    assert mean_factor(np.array([1.0, 3.0]), CORRELATED) == pytest.approx((1 + 0.25) / 2)


def test_satterthwaite_gives_welchs_degrees_of_freedom():
    # Welch-Satterthwaite, against SciPy's ttest_ind with unequal variances
    va, vb = np.var(TREATED, ddof=1) / 7, np.var(CONTROL, ddof=1) / 9
    reference = stats.ttest_ind(TREATED, CONTROL, equal_var=False)
    assert added(Variance(va, 6.0), Variance(vb, 8.0)).freedom == pytest.approx(reference.df)


def test_spread_between_outings_is_pooled_over_setups():
    # by hand: (1 - 2)^2 + (3 - 2)^2 + 2 (10 - 11)^2 ... over 1 + 1 degrees of freedom
    assert between_outings([[1.0, 3.0], [10.0, 12.0], [7.0]]) == Variance(2.0, 2.0)
    assert between_outings([[1.0], []]).freedom == 0


def test_closed_test_takes_the_largest_p_of_all_sets():
    p = {("a",): 0.01, ("b",): 0.20, ("a", "b"): 0.03}
    assert closed_test(("a", "b"), lambda keys: p[keys]) == {"a": 0.03, "b": 0.20}


def test_holm_steps_down():
    # Holm 1979, the rule applied by hand to .01 .04 .03 .005: 4 x .005, 3 x .01, 2 x .03, then not below it
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx((0.03, 0.06, 0.06, 0.02))
    assert holm([]) == ()
    assert holm([0.9, 0.8]) == (1.0, 1.0)


def _autoregression(rng, n, n_rows, rho):
    """n laps of a first-order autoregression with standard deviation 1."""
    laps = np.empty((n, n_rows))
    laps[0] = rng.normal(size=n_rows)
    for k in range(1, n):
        laps[k] = rho * laps[k - 1] + np.sqrt(1 - rho**2) * rng.normal(size=n_rows)
    return laps


def _rows(a, b, repeats=()):
    def values(laps, k):
        return lap_values(range(1, len(laps) + 1), laps[:, k])

    return [
        Row(
            Metric(f"k{k}", "k", "mm", (), lambda lap: None),
            values(a, k),
            values(b, k),
            tuple(tuple(values(one, k) for one in group) for group in repeats),
        )
        for k in range(a.shape[1])
    ]


def _called(judged):
    return [row.key for row in judged.rows if row.verdict in ("higher", "lower")]


@pytest.mark.parametrize(("n_a", "n_b", "rho"), [(3, 3, 0.0), (3, 8, 0.0), (4, 6, 0.5), (8, 8, 0.5)])
def test_false_alarms_over_the_whole_table_stay_below_one_in_twenty(n_a, n_b, rho):
    rng = np.random.default_rng(20260501)
    tables, alarms = 100, 0
    for _ in range(tables):
        a, b = (_autoregression(rng, n, 12, rho) for n in (n_a, n_b))
        alarms += bool(_called(compare_laps(_rows(a, b))))
    # 5 % promised; plus two standard errors of a share of 100
    assert alarms / tables <= 0.05 + 2 * np.sqrt(0.05 * 0.95 / tables)


def test_a_change_of_every_row_is_found_where_it_is_known_what_is_usual():
    # all rows 20 standard deviations of an outing apart, as softer springs at both ends do; and none
    rng = np.random.default_rng(11)
    for apart, found in ((20.0, 12), (0.0, 0)):
        runs = [_autoregression(rng, 5, 12, 0.3) + rng.normal(size=12) for _ in range(2)]
        rows = [
            replace(row, metric=replace(row.metric, outing_sd=1.0)) for row in _rows(runs[0], runs[1] + apart)
        ]
        assert len(_called(compare_laps(rows))) == found


def test_skewed_laps_do_not_raise_alarms():
    rng = np.random.default_rng(4)
    alarms = sum(
        bool(_called(compare_laps(_rows(*(np.exp(0.7 * rng.normal(size=(5, 10))) for _ in range(2))))))
        for _ in range(100)
    )
    assert alarms <= 9


@pytest.mark.parametrize("repeats", [0, 1, 3])
def test_intervals_hold_the_truth_with_lap_correlation_and_outing_effects(repeats):
    # laps with correlation 0.5 and an outing effect as large as their spread; 95 % promised
    rng = np.random.default_rng(20260502)
    held, alarms, tables = [], 0, 60
    for _ in range(tables):
        runs = [_autoregression(rng, 4, 14, 0.5) + rng.normal(size=14) for _ in range(2 + 2 * repeats)]
        groups = ((runs[0], *runs[2 : 2 + repeats]), (runs[1], *runs[2 + repeats :])) if repeats else ()
        judged = compare_laps(_rows(runs[0], runs[1], groups))
        held += [row.ci95[0] <= 0 <= row.ci95[1] for row in judged.rows]
        alarms += bool(_called(judged))
    assert 0.90 <= np.mean(held) <= 0.985
    assert alarms / tables <= 0.07 + np.sqrt(0.07 * 0.93 / tables)


def test_the_compared_outings_do_not_judge_their_own_difference():
    # one-way layout in matrices: residual sum of squares with the contrast of the two as a further regressor
    rng = np.random.default_rng(8)
    values, setups = rng.normal(size=7), np.array([0, 0, 0, 0, 1, 1, 1])
    signs = np.array([0, -1, 0, 0, 1, 0, 0])
    design = np.column_stack([setups == 0, setups == 1, signs]).astype(float)
    square = np.linalg.lstsq(design, values, rcond=None)[1][0]
    groups = [values[setups == k] for k in (0, 1)]
    found = between_outings(groups, [signs[setups == k] for k in (0, 1)])
    assert (found.freedom, found.value) == (4.0, pytest.approx(square / 4))
    assert between_outings([[1.0, 3.0]], [[-1, 0]]) == Variance(2.0, 1.0)  # nothing else would be left


@pytest.mark.parametrize("scale", [0.5, 4.0])
def test_repeats_show_by_what_outings_differ_more_than_expected(scale):
    # chi-square variances of 40 independent rows about `scale` times those expected (textbook)
    rng = np.random.default_rng(9)
    expected = [Variance(v, np.inf) for v in rng.uniform(0.5, 2.0, 40)]
    measured = [Variance(scale * prior.value * rng.chisquare(3) / 3, 3.0) for prior in expected]
    spread = outing_spread(expected, measured, 1.0)
    of_new_row = spread.applied(Variance(1.0, np.inf), Variance(0.0, 0.0))
    assert of_new_row.value == pytest.approx(scale, rel=0.35)
    assert of_new_row.freedom < 120  # never surer than those 40 rows of 3 degrees of freedom


def test_without_allowing_for_outings_the_intervals_would_be_too_narrow():
    # what the promise above is worth: Student's t on the same laps
    rng = np.random.default_rng(20260502)
    held = []
    for _ in range(200):
        a, b = (_autoregression(rng, 4, 1, 0.5)[:, 0] + rng.normal() for _ in range(2))
        interval = stats.ttest_ind(b, a).confidence_interval()
        held.append(interval.low <= 0 <= interval.high)
    assert np.mean(held) < 0.80


def test_a_change_of_several_spreads_is_found_among_the_rows():
    rng = np.random.default_rng(7)
    found = 0
    for _ in range(20):
        a, b = rng.normal(size=(5, 10)), rng.normal(size=(5, 10))
        b[:, 0] += 8.0
        found += "k0" in _called(compare_laps(_rows(a, b)))
    assert found >= 15


def test_rows_that_should_move_are_found_sooner_and_only_that_way():
    rng = np.random.default_rng(8)
    found = {1: 0, 0: 0, -1: 0}
    for _ in range(30):
        a, b = rng.normal(size=(4, 14)), rng.normal(size=(4, 14))
        b[:, :2] += 3.0
        for sign in found:
            expected = [Expected(f"k{k}", sign) for k in range(2)] if sign else []
            found[sign] += "k0" in _called(compare_laps(_rows(a, b), expected))
    assert found[1] > found[0] + 8
    assert found[-1] <= found[0] + 1


def test_laps_that_all_read_the_same_have_no_interval():
    row = compare_laps(_rows(np.full((4, 1), 5.0), np.full((4, 1), 6.0))).rows[0]
    assert (row.ci95, row.verdict) == (None, "no clear difference")


def test_spread_of_laps_is_the_sample_standard_deviation():
    # NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.6: s with n - 1; 2, 4, 4, 4, 5, 5, 7, 9 have s = 2.13809
    found = lap_values(range(1, 9), [2, 4, 4, 4, 5, 5, 7, 9])
    assert (found.mean, found.sd) == (5.0, pytest.approx(np.sqrt(32 / 7)))
    assert lap_values([1], [3.0]).sd is None


def _row_apart(difference, outing_sd=0.0):
    """Four laps a run, spread 1, means this far apart; laps that alternate do not resemble their neighbours."""
    spread = np.array([-1.0, 1.0, -1.0, 1.0]) * np.sqrt(0.75)
    sides = [lap_values(range(1, 5), (10.0 + at + spread).tolist()) for at in (0.0, difference)]
    return Row(Metric("k", "k", "mm", (), lambda lap: None, outing_sd=outing_sd), *sides)


def test_further_laps_are_those_with_which_students_t_excludes_zero():
    # the known power relation of a t test: the smallest n with |d| / (s sqrt(2 / n)) above t of 2 n - 2; laps here
    # are nearly independent, so it may ask for more than that, not for fewer
    difference = 1.2
    told = next(n for n in range(4, 40) if difference / np.sqrt(2 / n) > stats.t.ppf(0.975, 2 * n - 2))
    found = compare_laps([_row_apart(difference)]).rows[0]
    assert found.verdict == "no clear difference"
    assert told - 4 <= found.further_laps <= 2 * told


def test_further_laps_do_not_help_where_outings_differ_by_more():
    assert compare_laps([_row_apart(1.2, outing_sd=1.0)]).rows[0].further_laps is None


def test_a_clear_difference_needs_no_further_laps():
    found = compare_laps([_row_apart(8.0)]).rows[0]
    assert (found.verdict, found.further_laps) == ("higher", None)


@pytest.mark.parametrize("scale", [1.0, 4.0])
def test_rows_of_two_outings_show_by_what_they_lie_apart_whatever_a_change_moved(scale):
    # 60 independent normal differences about `scale` times the variance expected (textbook)
    rng = np.random.default_rng(4)
    expected = [Variance(v, np.inf) for v in rng.uniform(0.5, 2.0, 60)]
    apart = [float(np.sqrt(scale * each.value) * rng.normal()) for each in expected]
    assert spread_of_two(expected, apart, 1.0).factor == pytest.approx(scale, rel=0.35)
    moved = [10.0 * np.sqrt(scale) + value if k % 5 == 0 else value for k, value in enumerate(apart)]
    assert spread_of_two(expected, moved, 1.0).factor == pytest.approx(scale, rel=0.35)
    # few rows say less: nearer to the usual spread, and its estimate is worth fewer degrees of freedom
    few, all_ = (spread_of_two(expected, apart, share) for share in (0.05, 1.0))
    new_row = Variance(1.0, np.inf), Variance(0.0, 0.0)
    assert abs(np.log(few.factor)) <= abs(np.log(all_.factor)) + 0.2
    assert few.applied(*new_row).freedom < all_.applied(*new_row).freedom


def test_rows_that_move_as_one_count_as_one():
    # by hand: 1 / mean square of the correlations; squares of chance correlations are taken off
    rng = np.random.default_rng(11)
    laps = [Laps(np.arange(400.0), rng.normal(size=400)) for _ in range(4)]
    assert independent_share([[laps[0]]] * 4) == pytest.approx(1 / 4)
    assert independent_share([[laps[0]], [laps[0]], [laps[1]], [laps[1]]]) == pytest.approx(1 / 2, abs=0.01)
    assert independent_share([[one] for one in laps]) == pytest.approx(1.0, abs=0.02)
    opposed = Laps(laps[0].numbers, 5.0 - 3.0 * laps[0].values)
    assert independent_share([[laps[0]], [opposed]]) == pytest.approx(1 / 2)
    assert independent_share([[laps[0]]]) == 1.0
