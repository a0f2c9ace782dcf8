"""Is the damping back? One damper over two outings, before and after a service, by shaft speed."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from pydantic import TypeAdapter

from telemetry.arrays import End
from telemetry.damping.oscillation import LapDamping, Oscillation
from telemetry.findings_damping import DOUBTFUL, LOST, NO_SIGN, damper_answer
from telemetry.summary import Summary

DamperVerdict = Literal["better", "worse", "same", "cannot tell"]

LEAST_LAPS = 3
# The ratio of one sound damper differs from outing to outing by this, in ln: it is told with the other end's help, and
# a fork setting alone moved it by 16 % between simulated outings of one shock.
OUTING_SD = 0.08
# Within a third of each other, the whole interval, two outings are called the same. A choice of ours.
SAME_WITHIN = 4.0 / 3.0
SAFETY = (
    "Better is not sound: a damper in doubt is inspected by a qualified technician before riding on, and gas-charged "
    "dampers are opened only by people equipped for it. Try it at reduced pace first."
)


@dataclass(frozen=True)
class DamperOuting:
    """One outing of the damper: the log, its name and service day, and what was suspected of it.

    ``serviced`` is ISO 8601; texts are "" where not known.
    """

    source: str
    damper: str
    serviced: str
    doubt: str


@dataclass(frozen=True)
class DamperRow:
    """Damping ratio of the wheel hop in a range of shaft speed; means over laps, geometric. [mm/s]

    ``ratio`` is after over before, with its 95 % interval. Without a range it is over all speeds.
    """

    low_mm_s: float | None
    high_mm_s: float | None
    laps_before: int
    laps_after: int
    before: float | None
    after: float | None
    ratio: float | None
    ci95: tuple[float, float] | None
    verdict: DamperVerdict


@dataclass(frozen=True)
class DamperComparison:
    """Whether the damping is back, in a sentence and by shaft speed."""

    end: End
    before: DamperOuting
    after: DamperOuting
    rows: tuple[DamperRow, ...]
    verdict: DamperVerdict
    sentences: tuple[str, ...]
    caution: str = SAFETY
    schema: str = "bothends.damper/1"


def compare_damper(before: Summary, after: Summary, end: End) -> DamperComparison:
    """Compare one damper over two outings of one motorcycle.

    Parameters
    ----------
    end : {"front", "rear"}
    """
    rows = _rows(before, after, end)
    verdict = rows[0].verdict
    outings = _outing(before, end), _outing(after, end)
    return DamperComparison(end, *outings, rows, verdict, tuple(_sentences(end, rows[0], *outings)))


def damper_comparison_to_json(comparison: DamperComparison) -> str:
    """The comparison as indented JSON text; numbers that are not known are null."""
    return TypeAdapter(DamperComparison).dump_json(comparison, indent=1).decode()


def _rows(before: Summary, after: Summary, end: End) -> tuple[DamperRow, ...]:
    courses = [run.oscillation.course.get(end) for run in (before, after)]
    a, b = ((() if course is None else course.laps) for course in courses)
    rows = [_row(None, None, a, b)]
    speeds = [
        {} if course is None else {(s.low_mm_s, s.high_mm_s): s.laps for s in course.by_speed}
        for course in courses
    ]
    for low, high in sorted(set(speeds[0]) | set(speeds[1])):
        rows.append(_row(low, high, *(side.get((low, high), ()) for side in speeds)))
    return tuple(rows)


def _row(
    low: float | None, high: float | None, before: Sequence[LapDamping], after: Sequence[LapDamping]
) -> DamperRow:
    a, b = (np.log([lap.damping_ratio for lap in laps if lap.damping_ratio]) for laps in (before, after))
    means = [float(np.exp(side.mean())) if len(side) else None for side in (a, b)]
    told = log_ratio_interval(a, b) if min(len(a), len(b)) >= LEAST_LAPS else None
    if told is None:
        return DamperRow(low, high, len(a), len(b), means[0], means[1], None, None, "cannot tell")
    ratio, half = told
    interval = float(np.exp(ratio - half)), float(np.exp(ratio + half))
    return DamperRow(
        low, high, len(a), len(b), means[0], means[1], float(np.exp(ratio)), interval, verdict_of(interval)
    )  # fmt: skip


def log_ratio_interval(a: np.ndarray, b: np.ndarray, between_sd: float = OUTING_SD) -> tuple[float, float]:
    """Difference of two means over laps with the half width of its 95 % interval, the outings' own scatter in it.

    Parameters
    ----------
    a, b : ndarray of shape (n_laps,)
        ln of the damping ratio of each lap (or push), at least two each.
    between_sd : float
        What two outings (or tests) of one sound damper differ by, in ln.

    Returns
    -------
    float, float
        Welch's interval, widened by ``between_sd`` of both outings, which laps cannot tell.
    """
    from scipy.special import stdtrit

    parts = [float(side.var(ddof=1)) / len(side) for side in (a, b)]
    total = sum(parts)
    freedom = (
        total**2 / sum(part**2 / (len(s) - 1) for part, s in zip(parts, (a, b), strict=True))
        if total
        else 1.0
    )
    laps = float(stdtrit(freedom, 0.975)) * np.sqrt(total)
    outings = 1.96 * between_sd * np.sqrt(2.0)
    return float(b.mean() - a.mean()), float(np.hypot(laps, outings))


def verdict_of(ci95: tuple[float, float]) -> DamperVerdict:
    """Better, worse, same or not told, by the interval of a damping ratio after over before."""
    low, high = ci95
    if low > 1.0:
        return "better"
    if high < 1.0:
        return "worse"
    if low > 1.0 / SAME_WITHIN and high < SAME_WITHIN:
        return "same"
    return "cannot tell"


def doubt_words(found: Oscillation, end: End) -> str:
    """What is suspected of the damper of an end in its own outing; "" where it was judged and nothing is."""
    answer = damper_answer(found, end)
    return "" if answer == NO_SIGN else answer


def _outing(run: Summary, end: End) -> DamperOuting:
    fitted = run.dampers.get(end)
    name, serviced = ("", "") if fitted is None else (fitted.id, fitted.serviced)
    return DamperOuting(run.run.source, name, serviced, doubt_words(run.oscillation, end))


def _sentences(end: End, row: DamperRow, before: DamperOuting, after: DamperOuting) -> list[str]:
    said = []
    if after.doubt in (LOST, DOUBTFUL):
        doubt = "suspected of lost damping" if after.doubt == LOST else "in doubt"
        said.append(
            f"After: the {end} damper is {doubt} in its own outing. Do not ride on before it has been inspected."
        )
    if row.ratio is None or row.ci95 is None:
        said.append(
            f"Cannot tell whether the damping of the {end} is back: {row.laps_before} laps before and "
            f"{row.laps_after} after could be judged, {LEAST_LAPS} each are needed."
        )
    else:
        low, high = row.ci95
        words = {
            "better": "is better damped than before",
            "worse": "is worse damped than before",
            "same": "is damped as before",
            "cannot tell": "may be damped as before or not: it cannot be told",
        }[row.verdict]
        said.append(
            f"The {end} wheel {words}: damping ratio of its hop {row.before:.2f} before and {row.after:.2f} after, "
            f"{row.ratio:.2f} times (95 % {low:.2f} to {high:.2f})."
        )
    if before.damper and after.damper and before.damper != after.damper:
        said.append(f"These are two dampers: {before.damper} before, {after.damper} after.")
    return said
