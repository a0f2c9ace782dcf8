"""One damper over two outings, before and after a service: whether its damping is back, by shaft speed."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from pydantic import TypeAdapter

from telemetry.arrays import ENDS, End, FloatArray
from telemetry.balance import BounceTest
from telemetry.damping import LapDamping, Oscillation
from telemetry.findings import DOUBTFUL, LOST, NO_SIGN, damper_answer
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
    """Hop damping ratio in a range of shaft speed, None for all; geometric means over laps. [mm/s]

    ``ratio`` is after over before, with its 95 % interval.
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
    """Compare one damper over two outings of one motorcycle."""
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
    means, ratio, ci95 = _means_and_ratio(a, b, LEAST_LAPS, OUTING_SD)
    return DamperRow(low, high, len(a), len(b), *means, ratio, ci95, verdict_of(ci95))


def _means_and_ratio(
    a: FloatArray, b: FloatArray, least: int, between_sd: float
) -> tuple[tuple[float | None, float | None], float | None, tuple[float, float] | None]:
    """Geometric means of two samples of logarithms; the ratio of the second over the first with its interval."""
    before, after = (float(np.exp(side.mean())) if len(side) else None for side in (a, b))
    if min(len(a), len(b)) < least:
        return (before, after), None, None
    middle, half = log_ratio_interval(a, b, between_sd)
    ratio, low, high = (float(np.exp(middle + step)) for step in (0.0, -half, half))
    return (before, after), ratio, (low, high)


def log_ratio_interval(a: np.ndarray, b: np.ndarray, between_sd: float = OUTING_SD) -> tuple[float, float]:
    """Difference of two means of ln(damping ratio) over laps or pushes, and the half width of its 95 % interval.

    Welch's interval, widened by ``between_sd``: what two outings of one sound damper differ by, in ln. Two values each
    at least.
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


def verdict_of(ci95: tuple[float, float] | None) -> DamperVerdict:
    """Better, worse, same or cannot tell, by the interval of a damping ratio after over before."""
    if ci95 is None:
        return "cannot tell"
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
        words = {
            "better": "is better damped than before",
            "worse": "is worse damped than before",
            "same": "is damped as before",
            "cannot tell": "may be damped as before or not: it cannot be told",
        }[row.verdict]
        said.append(
            f"The {end} wheel {words}: damping ratio of its hop {row.before:.2f} before and {row.after:.2f} after."
        )
    if before.damper and after.damper and before.damper != after.damper:
        said.append(f"These are two dampers: {before.damper} before, {after.damper} after.")
    return said


# Fewer pushes say nothing about their scatter. Common practice, no source.
LEAST_PUSHES = 3
# The ratio of one damper differs from test to test by this, in ln: a choice of ours, a little above the 0.07 by which
# simulated tests of one bike differ that were pushed elsewhere and less deep. Twelve clicks at the other end moved it
# by 15 to 20 %.
TEST_SD = 0.09
DAMPED_MOST = 4.0
CAUTION = (
    "By hand only low-speed damping, spring and friction are felt: what a damper does at speed is told by two outings. "
    "Push both times with the same preload, tyre pressures, load and clicks at the other end, which are in the reading "
    "as well. " + SAFETY
)


@dataclass(frozen=True)
class BounceRow:
    """One measure of the return after a push; ``ratio`` is after over before, with 95 % interval.

    ``unit`` is "" for the damping ratio, 1/s for the speed by depth.
    """

    what: str
    unit: str
    pushes_before: int
    pushes_after: int
    before: float | None
    after: float | None
    ratio: float | None
    ci95: tuple[float, float] | None
    verdict: DamperVerdict


@dataclass(frozen=True)
class BounceComparison:
    """Whether an end returns as damped as before, in sentences and rows."""

    end: End
    before: str
    after: str
    rows: tuple[BounceRow, ...]
    verdict: DamperVerdict
    sentences: tuple[str, ...]
    caution: str = CAUTION
    schema: str = "bothends.damper-bounce/1"


def compare_bounce(before: BounceTest, after: BounceTest, end: End) -> BounceComparison:
    """Compare one end of one motorcycle in two bounce tests.

    The damping ratio decides; where no push of either test swings past, only the speeds are told.
    """
    tests = before, after
    speeds = tuple(_speed_by_depth(test, end) for test in tests)
    omega = _natural_rad_s(tests, end)
    ratios = tuple(
        np.array([]) if omega is None else damping_ratio_of_return(speed / omega) for speed in speeds
    )
    rows = (
        _bounce_row("damping ratio of the return", "", ratios[0], ratios[1]),
        _bounce_row("return speed by depth", "1/s", speeds[0], speeds[1]),
    )
    said = _bounce_sentences(tests, end, rows, omega)
    return BounceComparison(end, before.source, after.source, rows, rows[0].verdict, said)


def bounce_comparison_to_json(comparison: BounceComparison) -> str:
    """The comparison as indented JSON text; numbers that are not known are null."""
    return TypeAdapter(BounceComparison).dump_json(comparison, indent=1).decode()


def return_speed(damping_ratio: FloatArray) -> FloatArray:
    """Fastest return of a mass let go from rest, over depth and natural angular frequency; damping ratio z above 0.

    exp(-z arccos(z) / sqrt(1 - z^2)) below 1, with arccosh above: the free decay's largest derivative (S. S. Rao,
    Mechanical Vibrations, 5th ed., section 2.6).
    """
    z = np.asarray(damping_ratio, dtype=np.float64)
    apart = np.sqrt(np.abs(1.0 - z**2))
    angle = np.where(z < 1.0, np.arccos(np.minimum(z, 1.0)), np.arccosh(np.maximum(z, 1.0)))
    critical = apart < 1e-6
    return np.exp(-z * np.where(critical, 1.0, angle / np.where(critical, 1.0, apart)))


def damping_ratio_of_return(speed: FloatArray) -> FloatArray:
    """The inverse of `return_speed`, from nothing to `DAMPED_MOST`."""
    z = np.linspace(1e-3, DAMPED_MOST, 4000)
    return np.interp(-np.asarray(speed), -return_speed(z), z)


def _speed_by_depth(test: BounceTest, end: End) -> FloatArray:
    good = [push.ends[end] for push in test.pushes if not push.bad]
    return np.array([push.up_mm_s / push.depth_mm for push in good]) if not test.reason else np.array([])


def _natural_rad_s(tests: tuple[BounceTest, BounceTest], end: End) -> float | None:
    """Natural angular frequency by the pushes that swing past: the springs are those of both tests. [rad/s]"""
    found = [
        push.ends[end].up_mm_s / push.ends[end].depth_mm / float(return_speed(np.array(ratio)))
        for test in tests
        if not test.reason
        for push in test.pushes
        if not push.bad and (ratio := push.ends[end].damping_ratio) is not None
    ]
    return float(np.median(found)) if len(found) >= LEAST_PUSHES else None


def _bounce_row(what: str, unit: str, a: FloatArray, b: FloatArray) -> BounceRow:
    means, ratio, ci95 = _means_and_ratio(np.log(a), np.log(b), LEAST_PUSHES, TEST_SD)
    # the return of a well damped end hardly slows with more damping, so speeds decide nothing
    found = verdict_of(None if unit else ci95)
    return BounceRow(what, unit, len(a), len(b), *means, ratio, ci95, found)


def _bounce_sentences(
    tests: tuple[BounceTest, BounceTest], end: End, rows: tuple[BounceRow, ...], omega: float | None
) -> tuple[str, ...]:
    ratio = rows[0]
    if ratio.ratio is not None and ratio.ci95 is not None:
        words = {
            "better": "returns more damped than before",
            "worse": "returns less damped than before",
            "same": f"returns as damped as before, within {100 * (SAME_WITHIN - 1):.0f} %",
            "cannot tell": "may return as damped as before or not: it cannot be told",
        }[ratio.verdict]
        return (
            f"Pushed by hand the {end} {words}: damping ratio {ratio.before:.2f} before and {ratio.after:.2f} after.",
        )
    why = [
        f"{name}: {test.reason}" for name, test in zip(("before", "after"), tests, strict=True) if test.reason
    ]
    if not why and omega is None:
        why = ["in neither test did it swing past where it rests, so how strongly it is damped is not known"]
    return (
        f"Cannot tell whether the damping of the {end} is back: {'; '.join(why) or 'too few usable pushes'}.",
    )


@dataclass(frozen=True)
class DamperRun:
    """One outing of a damper.

    ``damping_ratio`` is the geometric mean over the laps with its 95 % interval; ``heat_kj`` the work of its oil, None
    where the bike file has no curve of it; ``since_service_*`` are sums with the outings before, from the last service
    on. Texts are "" where not known. [km, kJ]
    """

    run_id: str
    name: str
    date: str
    end: End
    serviced: str
    laps: int
    damping_ratio: float | None
    ci95: tuple[float, float] | None
    distance_km: float | None
    heat_kj: float | None
    since_service_km: float
    since_service_kj: float
    doubt: str


def damper_history(damper: str, outings: Iterable[tuple[str, str, str, Summary]]) -> tuple[DamperRun, ...]:
    """The outings of one damper (``id`` of the bike file), oldest first.

    ``outings`` are (run id, name, date, Summary), in the order they were ridden.
    """
    found: list[DamperRun] = []
    for run_id, name, date, summary in outings:
        for end in ENDS:
            fitted = summary.dampers.get(end)
            if fitted is None or fitted.id != damper:
                continue
            before = found[-1] if found and found[-1].serviced == fitted.serviced else None
            work = summary.damper_work.get(end)
            heat_kj = None if work is None or not np.isfinite(work.work_j) else work.work_j / 1e3
            distance_km = None if summary.run.distance_m is None else summary.run.distance_m / 1e3
            course = summary.oscillation.course.get(end)
            ratio, ci95 = _mean(() if course is None else course.laps)
            found.append(
                DamperRun(
                    run_id,
                    name,
                    date,
                    end,
                    fitted.serviced,
                    0 if course is None else sum(lap.damping_ratio is not None for lap in course.laps),
                    ratio,
                    ci95,
                    distance_km,
                    heat_kj,
                    (before.since_service_km if before else 0.0) + (distance_km or 0.0),
                    (before.since_service_kj if before else 0.0) + (heat_kj or 0.0),
                    doubt_words(summary.oscillation, end),
                )
            )
    return tuple(found)


def _mean(laps: tuple[LapDamping, ...]) -> tuple[float | None, tuple[float, float] | None]:
    """Geometric mean over laps and its 95 % interval by Student's t; None with too few laps."""
    from scipy.special import stdtrit

    logs = np.log([lap.damping_ratio for lap in laps if lap.damping_ratio])
    if not len(logs):
        return None, None
    mean = float(logs.mean())
    if len(logs) < LEAST_LAPS:
        return float(np.exp(mean)), None
    half = float(stdtrit(len(logs) - 1, 0.975)) * float(logs.std(ddof=1)) / np.sqrt(len(logs))
    return float(np.exp(mean)), (float(np.exp(mean - half)), float(np.exp(mean + half)))
