"""The rows of a comparison: the laps that count, one number over them in two runs, its difference and verdict."""

from bisect import bisect_left
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from telemetry.arrays import End
from telemetry.laps import SLOW_LAP, slowest_s
from telemetry.setup.evidence import (
    LapCorrelation,
    Laps,
    OutingSpread,
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
    p_above,
    p_two_sided,
    spread_of_two,
    t_interval,
)
from telemetry.summary import MAX_MASKED_SHARE, LapSummary, Metric, Summary, values_by_lap

Side = Literal["a", "b"]


@dataclass(frozen=True)
class LapValues:
    """One number over the laps of one run. ``sd`` is the spread between laps, None below two laps."""

    laps: tuple[int, ...]
    values: tuple[float, ...]
    mean: float | None
    sd: float | None


@dataclass(frozen=True)
class ExcludedLap:
    """A lap that is no evidence, and why; ``end`` when it is left out for that end only."""

    run: Side
    lap: int
    reason: str
    end: End | None = None


def lap_values(laps: Sequence[int], values: Sequence[float]) -> LapValues:
    """Mean and spread of one number over laps."""
    return LapValues(
        tuple(laps),
        tuple(float(value) for value in values),
        float(np.mean(values)) if len(values) else None,
        float(np.std(values, ddof=1)) if len(values) > 1 else None,
    )


def usable_laps(summary: Summary, run: Side) -> tuple[tuple[LapSummary, ...], tuple[ExcludedLap, ...]]:
    """Complete laps at pace of run "a" or "b", and what is left out with the reason.

    They may still be too masked at one end: `values_over` leaves them out for that end.
    """
    longest_s = slowest_s(summary.laps)
    used: list[LapSummary] = []
    excluded: list[ExcludedLap] = []
    for lap in summary.laps:
        if not lap.complete:
            why = "left out, as asked" if lap.kind == "left out" else "not a complete lap (out or in lap)"
            excluded.append(ExcludedLap(run, lap.lap, why))
        elif lap.time_s > longest_s:
            more = f"{lap.time_s:.1f} s, over {100 * (SLOW_LAP - 1):.0f} % slower than the quickest lap"
            excluded.append(ExcludedLap(run, lap.lap, more))
        else:
            used.append(lap)
            excluded += [
                ExcludedLap(run, lap.lap, f"{100 * masked:.0f} % of the {end} travel is masked", end)
                for end, masked in lap.masked_share.items()
                if masked > MAX_MASKED_SHARE
            ]
    return tuple(used), tuple(excluded)


def values_over(laps: Sequence[LapSummary], metric: Metric) -> LapValues:
    """One number over laps, without the laps where its ends are masked or it cannot be told."""
    return lap_values(*values_by_lap(laps, metric))


# Fewer laps a side say nothing about their spread. Common practice, no source.
MIN_LAPS = 3
SIGNIFICANCE = 0.05
# This share of the permitted false alarms goes to the rows that a known change should move, the rest to all rows. A
# choice of ours.
FIRST_SHARE = 0.8
# More further laps than this are no advice: it is the outings that differ. A choice, no source.
MOST_FURTHER_LAPS = 30

ComparisonVerdict = Literal[
    "higher", "lower", "no clear difference", "not enough laps to tell", "different bikes", "other circuit"
]


@dataclass(frozen=True)
class Expected:
    """A row that a known change should move: ``sign`` is 1 when it should rise, -1 when it should fall."""

    key: str
    sign: int


@dataclass(frozen=True)
class MetricComparison:
    """One number compared before (a) and after (b), as in `telemetry.summary`.

    ``ci95`` is of the difference between two outings: laps that resemble their neighbours and the spread between
    outings are in it. ``further_laps`` of each run would make the difference clear if it stays as it is; None where it
    is clear or not judged, and where `MOST_FURTHER_LAPS` would not do: then only repeats of the set-ups tell.
    """

    key: str
    label: str
    unit: str
    a: LapValues
    b: LapValues
    difference: float | None  # b minus a
    ci95: tuple[float, float] | None
    p: float | None  # two-sided, of this row alone
    p_adjusted: float | None  # for the rows of the table
    verdict: ComparisonVerdict
    reason: str = ""  # explains the verdict where it needs it
    expected: int = 0  # 1 or -1 when the known change should raise or lower it
    further_laps: int | None = None


@dataclass(frozen=True)
class Row:
    """One number over the laps of all outings: before, after, and by set-up those ridden more than once.

    ``given`` is the variance of the difference of a number that a whole run has and a lap has not.
    """

    metric: Metric
    a: LapValues
    b: LapValues
    repeats: tuple[tuple[LapValues, ...], ...] = ()
    given: Variance | None = None

    @property
    def told(self) -> bool:
        """Whether both sides have the laps for an interval, and some spread."""
        if self.given is not None:
            return self.difference is not None
        enough = min(len(self.a.values), len(self.b.values)) >= MIN_LAPS
        return enough and any(np.ptp(side.values) > 0 for side in (self.a, self.b))

    @property
    def difference(self) -> float | None:
        """After minus before."""
        return None if self.a.mean is None or self.b.mean is None else self.b.mean - self.a.mean


@dataclass(frozen=True)
class Judged:
    """The rows, and what their intervals rest on."""

    rows: tuple[MetricComparison, ...]
    correlation: LapCorrelation | None  # of neighbouring laps; None where no row has enough laps
    outing_freedom: int  # of the spread between outings: outings less set-ups; 0 without repeats
    spread: OutingSpread  # of outings with one set-up, against what is expected


def _laps(values: LapValues) -> Laps:
    return Laps(np.array(values.laps, dtype=np.float64), np.array(values.values, dtype=np.float64))


def _outings(row: Row) -> list[Laps]:
    if row.given is not None:
        return []
    return [_laps(each) for each in (row.a, row.b, *(one for group in row.repeats for one in group))]


def compare_laps(
    rows: Sequence[tuple[Metric, LapValues, LapValues]] | Sequence[Row],
    expected: Sequence[Expected] = (),
    apart: Callable[[str], bool] = lambda key: True,
) -> Judged:
    """Compare many numbers at once; rows stay in order, those ``expected`` of a known change are tested first.

    ``apart`` says whether the known change leaves a row's key alone, except through the chassis; all rows without one.
    """
    given = [row if isinstance(row, Row) else Row(*row) for row in rows]
    told = {row.metric.key: row for row in given if row.told}
    table = [_outings(row) for row in told.values()]
    correlation = lap_correlation(table)
    between = {key: _between(row) for key, row in told.items()}
    repeated = max((int(each.freedom) for each in between.values()), default=0)
    usual = {key: _expected_variance(row, correlation, _outing_sd(row)) for key, row in told.items()}
    keys = [key for key in told if apart(key) and key not in {each.key for each in expected}]
    spread = (
        outing_spread([*usual.values()], [*between.values()], independent_share(table))
        if repeated
        else spread_of_two(
            [usual[key] for key in keys],
            [told[key].difference or 0.0 for key in keys],
            independent_share([_outings(told[key]) for key in keys]),
        )
    )
    variances = {
        # that the outings lie closer than usual does not make an estimate of a whole run surer
        key: usual[key]
        if row.given and (repeated or spread.factor < 1.0)
        else spread.applied(usual[key], between[key])
        for key, row in told.items()
    }
    first = [each for each in expected if each.key in told]
    adjusted = _adjusted(told, variances, first, correlation, spread)
    signs = {each.key: each.sign for each in first}

    def further(row: MetricComparison) -> MetricComparison:
        asked = told.get(row.key)
        if row.verdict != "no clear difference" or asked is None or asked.given is not None:
            return row
        share = FIRST_SHARE / len(first) if row.expected else 1.0 / len(told)
        return replace(row, further_laps=_further_laps(asked, correlation, spread, share * SIGNIFICANCE))

    judged = tuple(
        _judged(
            row,
            variances.get(row.metric.key),
            adjusted.get(row.metric.key),
            signs.get(row.metric.key, 0),
            len(told),
        )
        for row in given
    )
    return Judged(tuple(map(further, judged)), correlation if told else None, repeated, spread)


def compare_parts(
    parts: Sequence[tuple[Row, str]], whole: Judged, *, refused: bool = False
) -> tuple[MetricComparison, ...]:
    """Compare rows by place where the row over whole laps, whose key is given with each, is clear.

    p is adjusted for the places of that row (Bonferroni) and at least the row's own, which keeps the rate of false
    alarms (N. Meinshausen, Biometrika 95, 265-278, 2008, doi:10.1093/biomet/asn007: hierarchical testing).
    """
    if whole.correlation is None or refused:
        return ()
    over_laps = {row.key: row.p_adjusted for row in whole.rows}
    found = []
    for row, parent in parts:
        variance = p_adjusted = None
        if row.told:
            usual = _expected_variance(row, whole.correlation, _outing_sd(row))
            variance = whole.spread.applied(usual, UNMEASURED)
            siblings = sum(other.told and of == parent for other, of in parts)
            above = over_laps.get(parent)
            p = siblings * p_two_sided(row.difference or 0.0, variance)
            p_adjusted = min(1.0, max(p, 1.0 if above is None else above))
        found.append(_judged(row, variance, p_adjusted, 0, len(parts)))
    return tuple(found)


def _between(row: Row) -> Variance:
    """Variance of the difference of two outings with one set-up, from its repeats."""
    known = [[one for one in group if one.mean is not None] for group in row.repeats]
    means = [[one.mean or 0.0 for one in group] for group in known]
    signs = [[int(one == row.b) - int(one == row.a) for one in group] for group in known]
    of_one = between_outings(means, signs)
    return Variance(2.0 * of_one.value, of_one.freedom)


def _outing_sd(row: Row) -> float:
    """What outings with one set-up are expected to differ by, over and above their laps."""
    level = 0.5 * abs((row.a.mean or 0.0) + (row.b.mean or 0.0))
    return float(np.hypot(row.metric.outing_sd, row.metric.outing_share * level))


def _expected_variance(
    row: Row, correlation: LapCorrelation, outing_sd: float, further_laps: int = 0
) -> Variance:
    """Variance of the difference of the two means, before any repeat is looked at; with so many more laps of each."""
    if row.given is not None:
        return row.given
    laps = lap_variance(_outings(row), correlation)
    numbers = [_laps(side).numbers for side in (row.a, row.b)]
    ridden = [np.append(each, each[-1:] + np.arange(1, further_laps + 1)) for each in numbers]
    factors = sum(mean_factor(each, correlation) for each in ridden)
    free = sum(map(len, numbers)) - 2
    freedom = laps.freedom * (1.0 + 2.0 * further_laps / free) if further_laps else laps.freedom
    return added(Variance(laps.value * factors, freedom), Variance(2.0 * outing_sd**2, float("inf")))


def _further_laps(row: Row, correlation: LapCorrelation, spread: OutingSpread, p_needed: float) -> int | None:
    """The fewest further laps of each run with which the difference as it is would have this p."""
    outing_sd, between = _outing_sd(row), _between(row)

    def clear(laps: int) -> bool:
        usual = _expected_variance(row, correlation, outing_sd, laps)
        return p_two_sided(row.difference or 0.0, spread.applied(usual, between)) < p_needed

    needed = 1 + bisect_left(range(1, MOST_FURTHER_LAPS + 1), True, key=clear)
    return needed if needed <= MOST_FURTHER_LAPS else None


UNMEASURED = Variance(0.0, 0.0)


def _adjusted(
    told: Mapping[str, Row],
    variances: Mapping[str, Variance],
    first: Sequence[Expected],
    correlation: LapCorrelation,
    spread: OutingSpread,
) -> dict[str, float]:
    """Adjusted p of every row: those that should move have `FIRST_SHARE` of the false alarms permitted.

    When all of them moved, their share passes on to the other rows (gatekeeping).
    """
    p = {key: p_two_sided(row.difference or 0.0, variances[key]) for key, row in told.items()}
    signs = {each.key: each.sign for each in first}

    def p_of(keys: tuple[str, ...]) -> float:
        return _p_together([told[key] for key in keys], [signs[key] for key in keys],
                           [variances[key] for key in keys], correlation, spread)  # fmt: skip

    of_first = {key: min(1.0, q / FIRST_SHARE) for key, q in closed_test(tuple(signs), p_of).items()}
    clear = all(q < SIGNIFICANCE for q in of_first.values())  # also when nothing is expected
    share = 1.0 if clear else 1.0 - FIRST_SHARE
    of_all = dict(zip(p, holm(tuple(p.values())), strict=True))
    return {key: min(1.0, of_first.get(key, 1.0), of_all[key] / share) for key in told}


def _p_together(
    rows: Sequence[Row],
    signs: Sequence[int],
    variances: Sequence[Variance],
    correlation: LapCorrelation,
    spread: OutingSpread,
) -> float:
    """One-sided p that none of the rows moves the way it should.

    Rows of laps are summed, each standardised (P. C. O'Brien, Biometrics 40, 1079-1087, 1984, doi:10.2307/2531158:
    ordinary least squares); with rows of whole runs the smallest p times their number (Bonferroni).
    """
    if len(rows) == 1:
        return p_above(signs[0] * (rows[0].difference or 0.0), variances[0])
    of_runs = [k for k, row in enumerate(rows) if row.given is not None]
    if of_runs:
        of_laps = [k for k in range(len(rows)) if k not in of_runs]
        parts = [[k] for k in of_runs] + ([of_laps] if of_laps else [])
        p = [
            _p_together([rows[k] for k in part], [signs[k] for k in part], [variances[k] for k in part],
                        correlation, spread)
            for part in parts
        ]  # fmt: skip
        return min(1.0, len(parts) * min(p))
    weights = np.array([sign / np.sqrt(v.value) for sign, v in zip(signs, variances, strict=True)])

    def summed(sides: Sequence[LapValues]) -> LapValues:
        by_lap = [dict(zip(side.laps, side.values, strict=True)) for side in sides]
        common = sorted(set.intersection(*(set(each) for each in by_lap)))
        table = np.array([[each[lap] for lap in common] for each in by_lap])
        return lap_values(common, (weights @ table).tolist())

    a, b = summed([row.a for row in rows]), summed([row.b for row in rows])
    if min(len(a.laps), len(b.laps)) < MIN_LAPS:
        return 1.0
    groups = tuple(
        tuple(summed(member) for member in zip(*group, strict=True))
        for group in zip(*(row.repeats for row in rows), strict=True)
    )
    together = Row(Metric("", "", "", (), lambda lap: None), a, b, groups)
    outing = [_outing_sd(row) for row in rows]
    usual = _expected_variance(together, correlation, float(np.linalg.norm(weights * np.array(outing))))
    return p_above(together.difference or 0.0, spread.applied(usual, _between(together)))


def _judged(
    row: Row, variance: Variance | None, p_adjusted: float | None, expected: int, n_rows: int
) -> MetricComparison:
    """The row with its verdict."""
    judged = MetricComparison(
        row.metric.key, row.metric.label, row.metric.unit, row.a, row.b, row.difference,
        None, None, None, "not enough laps to tell", expected=expected,
    )  # fmt: skip
    n_a, n_b = len(row.a.values), len(row.b.values)
    if row.given is None and min(n_a, n_b) < MIN_LAPS:
        needed = f"{n_a} against {n_b} laps; {MIN_LAPS} a side are needed"
        return replace(judged, reason=needed if n_a or n_b else "not known on any lap")
    if variance is None or row.difference is None or p_adjusted is None:
        return replace(
            judged, verdict="no clear difference", reason="no spread between laps to judge it against"
        )
    p = p_two_sided(row.difference, variance)
    judged = replace(
        judged,
        ci95=t_interval(row.difference, variance),
        p=p,
        p_adjusted=p_adjusted,
        verdict="no clear difference",
    )
    if p_adjusted >= SIGNIFICANCE:
        return replace(judged, reason=f"clear alone, not as one of {n_rows} rows" if p < SIGNIFICANCE else "")
    return replace(judged, verdict="higher" if row.difference > 0 else "lower")
