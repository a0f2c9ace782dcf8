"""Two runs against each other, with the spread over their laps.

A lap is the unit of evidence: samples inside a lap are not independent, so each number enters once a lap.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import comb
from typing import Literal

from pydantic import TypeAdapter

from telemetry.arrays import ENDS
from telemetry.damping.oscillation import dampers_in_doubt
from telemetry.findings_damping import front_suspected
from telemetry.metrics import METRICS, Metric
from telemetry.setup.changes import Change, bike_file_changes, changes
from telemetry.setup.evidence import difference_of_means, holm, permutation_p
from telemetry.setup.laps import ExcludedLap, LapValues, usable_laps, values_over
from telemetry.setup.sheet import SetupSheet
from telemetry.signals.zero import DRIFT_MM, drift_between_mm
from telemetry.summary import Summary
from telemetry.wording import limits_words

SCHEMA = "bothends.comparison/1"
# Fewer laps a side say nothing about their spread. Common practice, no source.
MIN_LAPS = 3
# Speeds are comparable when their bandwidths differ by no more than this share. A choice, no source.
SAME_BANDWIDTH = 0.10
SIGNIFICANCE = 0.05
METHOD = (
    "One value per complete lap. Difference of means with Welch's 95 % interval. The larger of Welch's and "
    "Student's p, adjusted for the number of rows (Holm), decides, so that a false alarm anywhere in the table "
    "stays rare; the exact permutation test must not contradict. An interval that only just leaves out zero is "
    "therefore not yet a clear difference."
)

# Of how the motorcycle is built; a set-up change leaves them as they are.
BUILD = ("wheelbase_mm", "front.stroke_mm", "front.rake_deg", "rear.shock_stroke_mm")

ComparisonVerdict = Literal[
    "higher", "lower", "no clear difference", "not enough laps to tell", "different bikes"
]


@dataclass(frozen=True)
class MetricComparison:
    """One number compared. ``difference`` is b minus a; ``reason`` explains the verdict where it needs it."""

    key: str
    label: str
    unit: str
    a: LapValues
    b: LapValues
    difference: float | None
    ci95: tuple[float, float] | None
    p_welch: float | None
    p_student: float | None
    p_permutation: float | None
    p_adjusted: float | None
    verdict: ComparisonVerdict
    reason: str = ""


@dataclass(frozen=True)
class Comparison:
    """Run b against run a: what was changed, what came of it, and how sure that is.

    ``first`` are the cautions that stand before the sentences; ``cautions`` come after them.
    """

    a_name: str
    b_name: str
    sentences: tuple[str, ...]
    changes: tuple[Change, ...]
    metrics: tuple[MetricComparison, ...]
    excluded: tuple[ExcludedLap, ...]
    cautions: tuple[str, ...]
    first: tuple[str, ...] = ()
    method: str = METHOD
    schema: str = SCHEMA


def _tested(metric: Metric, a: LapValues, b: LapValues) -> MetricComparison:
    """One row with its difference and p values, not yet judged."""
    row = MetricComparison(
        metric.key,
        metric.label,
        metric.unit,
        a,
        b,
        None,
        None,
        None,
        None,
        None,
        None,
        "not enough laps to tell",
    )
    if a.mean is None or b.mean is None:
        return row
    if min(len(a.values), len(b.values)) < MIN_LAPS:
        return replace(row, difference=b.mean - a.mean)
    result = difference_of_means(a.values, b.values)
    return replace(
        row,
        difference=result.value,
        ci95=result.ci95,
        p_welch=result.p_welch,
        p_student=result.p_student,
        p_permutation=permutation_p(a.values, b.values),
    )


def _larger_p(row: MetricComparison) -> float | None:
    if row.p_welch is None or row.p_student is None:
        return None
    return max(row.p_welch, row.p_student)


def _judged(row: MetricComparison, metric: Metric, p_adjusted: float | None, n_rows: int) -> MetricComparison:
    """The row with its verdict."""
    n_a, n_b = len(row.a.values), len(row.b.values)
    difference, p, p_permutation = row.difference, _larger_p(row), row.p_permutation
    if difference is None or p_permutation is None:
        needed = f"{n_a} against {n_b} laps; {MIN_LAPS} a side are needed"
        return replace(row, reason=needed if n_a or n_b else "not known on any lap")
    row = replace(row, p_adjusted=p_adjusted, verdict="no clear difference")
    if p is None or p_adjusted is None:
        return replace(row, reason="no spread between laps to judge it against")
    if p_adjusted >= SIGNIFICANCE:
        alone = f"clear on its own, but not as one of {n_rows} rows" if p < SIGNIFICANCE else ""
        return replace(row, reason=alone)
    smallest_p = 2 / comb(n_a + n_b, n_a)  # with few laps the permutation test cannot get below this
    if smallest_p < SIGNIFICANCE <= p_permutation:
        return replace(row, reason="the permutation test does not agree")
    if abs(difference) < metric.least + metric.least_share * abs(row.a.mean or 0.0):
        return replace(row, reason="steady, but smaller than two outings differ by without a change")
    few = "" if smallest_p < SIGNIFICANCE else f"{n_a} against {n_b} laps: take it as a hint"
    return replace(row, verdict="higher" if difference > 0 else "lower", reason=few)


def compare_laps(rows: Sequence[tuple[Metric, LapValues, LapValues]]) -> tuple[MetricComparison, ...]:
    """Compare many numbers at once; the p values are adjusted for how many.

    Parameters
    ----------
    rows : sequence of (Metric, LapValues, LapValues)
        What, and its values over the laps of run a and of run b.

    Returns
    -------
    tuple of MetricComparison
        In the same order.
    """
    tested = [_tested(*row) for row in rows]
    told = {k: p for k, row in enumerate(tested) if (p := _larger_p(row)) is not None}
    adjusted = dict(zip(told, holm(tuple(told.values())), strict=True))
    return tuple(
        _judged(row, metric, adjusted.get(k), len(told))
        for k, (row, (metric, _, _)) in enumerate(zip(tested, rows, strict=True))
    )


def compare(
    a: Summary, b: Summary, sheet_a: SetupSheet | None = None, sheet_b: SetupSheet | None = None
) -> Comparison:
    """Run b against run a, number by number over their complete laps.

    Parameters
    ----------
    a, b : Summary
        Before and after.
    sheet_a, sheet_b : SetupSheet, optional
        Their setup sheets; what was changed is not known without them.

    Returns
    -------
    Comparison
    """
    laps_a, excluded_a = usable_laps(a, "a")
    laps_b, excluded_b = usable_laps(b, "b")
    other_speeds = _other_bandwidth(a, b)
    rows = [
        (metric, values_over(laps_a, metric), values_over(laps_b, metric))
        for metric in METRICS
        if not (metric.speed and other_speeds)
    ]
    compared = compare_laps([row for row in rows if row[1].values or row[2].values])
    said = _sheet_changes(sheet_a, sheet_b)
    known = {(change.what, change.before, change.after) for change in said}
    of_file = bike_file_changes(a.bike_values, b.bike_values)
    changed = (*said, *(c for c in of_file if (c.what, c.before, c.after) not in known))
    two_bikes = _two_bikes(a, b)
    if two_bikes:
        compared = tuple(replace(row, verdict="different bikes", reason="") for row in compared)
    return Comparison(
        a_name=_name(a, sheet_a),
        b_name=_name(b, sheet_b),
        sentences=() if two_bikes else _sentences(compared),
        changes=changed,
        metrics=compared,
        excluded=(*excluded_a, *excluded_b),
        cautions=_cautions(a, b, changed, sheet_a is None or sheet_b is None, other_speeds),
        first=_first_cautions(a, b),
    )


def _name(summary: Summary, sheet: SetupSheet | None) -> str:
    """What to call a run: by its sheet as far as that says, and by its log."""
    said = [sheet.name, sheet.outing and f"outing {sheet.outing}"] if sheet else []
    called = ", ".join(part for part in said if part)
    return f"{called} ({summary.run.source})" if called else summary.run.source


def _sheet_changes(sheet_a: SetupSheet | None, sheet_b: SetupSheet | None) -> tuple[Change, ...]:
    return changes(sheet_a, sheet_b) if sheet_a and sheet_b else ()


def _other_bandwidth(a: Summary, b: Summary) -> bool:
    """Whether the speeds of the two runs were measured with different bandwidths."""
    for end in ENDS:
        if a.ends[end].judged and b.ends[end].judged:
            one, other = (run.ends[end].wheel.speed.bandwidth_hz for run in (a, b))
            if abs(one - other) > SAME_BANDWIDTH * max(one, other):
                return True
    return False


def decimals(unit: str) -> int:
    """Decimals that a person wants to read of a number in this unit."""
    return {"mm": 1, "mm/s": 1, "deg": 2, "s": 2}.get(unit, 3)


def _clear_words(row: MetricComparison) -> str:
    """One clear difference as a sentence."""
    assert row.difference is not None and row.ci95 is not None
    places = decimals(row.unit)
    half_width = (row.ci95[1] - row.ci95[0]) / 2
    amount = f"{abs(row.difference):.{places}f} ± {half_width:.{places}f} {row.unit}".strip()
    reason = f" ({row.reason})" if row.reason else ""
    return f"{row.label[0].upper()}{row.label[1:]}: {row.verdict} by {amount}{reason}."


def _sentences(rows: Sequence[MetricComparison]) -> tuple[str, ...]:
    """What an engineer would say: clear differences first, then what is not clear, then what is not known."""
    found = [row for row in rows if row.verdict in ("higher", "lower")]
    reasons = {row.reason for row in found}
    same = found[0].reason if len(found) > 1 and len(reasons) == 1 else ""  # said once, after them all
    clear = [_clear_words(replace(row, reason="") if same else row) for row in found]
    clear += [f"{same.replace('take it', 'take each of these')}."] if same else []
    unclear = [row.label for row in rows if row.verdict == "no clear difference"]
    untold = [row.label for row in rows if row.verdict == "not enough laps to tell"]
    if not rows:
        return ("There is nothing to compare: neither run has a complete lap with usable travel.",)
    if untold and len(untold) == len(rows):
        return (f"Not enough laps to tell: {rows[0].reason}.",)
    return (
        *clear,
        *((f"No clear difference: {'; '.join(unclear)}.",) if unclear else ()),
        *((f"Not enough laps to tell: {'; '.join(untold)}.",) if untold else ()),
    )


def _two_bikes(a: Summary, b: Summary) -> bool:
    """Whether the runs are of different motorcycles: by name, and not only another name for the same build."""
    if a.run.bike == b.run.bike:
        return False
    values = [[run.bike_values.get(key) for key in BUILD] for run in (a, b)]
    return values[0] != values[1] or None in values[0]


def _first_cautions(a: Summary, b: Summary) -> tuple[str, ...]:
    """What must be said before any difference."""
    found = []
    for name, run in (("before", a), ("after", b)):
        if run.oscillation.verdict == "yes" or front_suspected(run.oscillation):
            found.append(
                f"Lost damping is suspected in the run {name}. Have the damper inspected by a qualified technician "
                "before riding on or changing the set-up."
            )
        elif doubt := dampers_in_doubt(run.oscillation):
            found.append(
                f"In the run {name} the damping of the {' and the '.join(doubt)} is in doubt: have it inspected by a "
                "qualified technician before changing the set-up."
            )
        elif run.oscillation.verdict == "cannot_tell":
            found.append(f"Whether the rear damper was sound in the run {name} cannot be told.")
    if _two_bikes(a, b):
        found.append(
            f"Two bikes: {a.run.bike} and {b.run.bike}. Numbers of different bikes do not compare, so no difference "
            "is named."
        )
    return tuple(found)


def _cautions(
    a: Summary, b: Summary, changed: Sequence[Change], no_sheet: bool, other_speeds: bool
) -> tuple[str, ...]:
    cautions = [] if _two_bikes(a, b) else _cautions_of_changes(changed, no_sheet)
    cautions += [
        f"{name}: {words}" for name, run in (("Before", a), ("After", b)) for words in limits_words(run.ends)
    ]
    cautions += _moved_zeros(a, b)
    if other_speeds:
        cautions.append("Speeds are left out: the logs were sampled differently, so their bandwidths differ.")
    cautions.append(
        "Laps of one outing share tyres, fuel and weather. That the change did it is shown only by going "
        "back and finding the first result again."
    )
    return tuple(cautions)


def _cautions_of_changes(changed: Sequence[Change], no_sheet: bool) -> list[str]:
    """What the list of changes leaves open."""
    cautions = []
    if no_sheet:
        else_ = "else " if changed else ""
        cautions.append(f"There is not a setup sheet for both runs, so what {else_}was changed is not known.")
    if len(changed) > 1:
        cautions.append(
            f"{len(changed)} things differ, so no result belongs to one of them. Change one at a time."
        )
    elif not changed and not no_sheet:
        cautions.append("The setup sheets are the same: what differs is the rider, the day or chance.")
    if any(change.kind == "condition" for change in changed):
        cautions.append("The conditions differ, and act on every number here.")
    return cautions


def _moved_zeros(a: Summary, b: Summary) -> list[str]:
    """Ends whose full extension reads differently in the two runs: their travel does not compare as it is."""
    moved = []
    for end in ENDS:
        drift = drift_between_mm(a.history, b.history, end)
        if drift is not None and abs(drift) > DRIFT_MM:
            moved.append(
                f"{end.capitalize()}: full extension reads {abs(drift):.1f} mm {'higher' if drift > 0 else 'lower'} "
                "after than before, by where it tops out; travel differs by as much without any change. Check the "
                "sensor's mount and zero."
            )
    return moved


def comparison_to_json(comparison: Comparison) -> str:
    """The comparison as indented JSON text, schema ``bothends.comparison/1``."""
    return TypeAdapter(Comparison).dump_json(comparison, indent=1).decode()
