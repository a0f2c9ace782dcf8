"""The tables of a review as rows of text: the terminal and the debrief on paper print the same ones."""

from collections.abc import Callable, Mapping, Sequence

from telemetry.arrays import ENDS, End
from telemetry.balance.balance import Balance, Ratio
from telemetry.findings_balance import WIDEST
from telemetry.metrics import END_METRICS, EndAt, decimals_of, headed
from telemetry.motion.summary import EndSummary
from telemetry.report.rows_damping import damping_words, front_damping_words
from telemetry.report.words import stop_places
from telemetry.setup import Comparison, LapValues, MetricComparison
from telemetry.summary import LapSummary, Summary
from telemetry.wording import UNKNOWN, half_width, interval, lap_time, measured_time, number, plus_minus

Row = tuple[str, ...]
STOP_COLUMNS = ("what", "where", "laps", "times", "travel mm", "speed mm/s")
RESPONSE_COLUMNS = ("average response to a bump", "front", "rear", "rear over front")
RESPONSE_WORDS = {
    "depth_mm": ("depth [mm]", 1.0, 1),
    "time_to_peak_ms": ("time to the deepest point [ms]", 1.0, 0),
    "back_ms": ("from there back to ride height [ms]", 1.0, 0),
    "overshoot_share": ("overshoot [% of depth]", 100.0, 0),
    "cycles_to_settle": ("cycles to settle", 1.0, 1),
}
LAP_COLUMNS = (
    "lap", "time", "front used %", "rear used %", "compr. RMS", "reb. RMS", "hop damping", "masked %",
)  # fmt: skip
# A speed above 1 is a faster rear, a damping ratio above 1 a slower one: never in one table.
BALANCE_COLUMNS = ("speed, above 1: rear faster", "compression", "rebound")
DAMPING_COLUMNS = ("damping, above 1: rear slower", "compression", "rebound")
RUN_COLUMNS = ("log", "laps", "quickest", "used %", "bottomed", "balance", "rear damping")
RUN_WORDS = (
    "Used, of the stroke at the deepest point, and bottomed: front / rear. Balance: speed of the rear over the front "
    "on the same bump, compression / rebound."
)
DAMPER_COLUMNS = (
    "where on its curve", "front time %", "rear time %", "front work %", "rear work %", "front N", "rear N",
)  # fmt: skip
SHEET_COLUMNS = ("setup sheet", "")
CHANGE_COLUMNS = ("what", "before", "after", "kind")
CONDITION_COLUMNS = ("", "before", "after", "from")
COMPARISON_COLUMNS = ("", "before (SD)", "after (SD)", "change, ± 95 %", "verdict")


def end_rows(ends: Mapping[End, EndSummary]) -> list[Row]:
    """What, front, rear: travel and speed at the wheel."""
    return [
        (
            metric.heading,
            *(metric.text(EndAt(ends[end])) if ends[end].judged else UNKNOWN for end in ENDS),
        )
        for metric in END_METRICS
        if not metric.extra
    ]


def end_heads(ends: Mapping[End, EndSummary]) -> Row:
    """Both ends as headings, with what was not judged, or only for a part of the time."""

    def head(name: End) -> str:
        if not ends[name].judged:
            return f"{name}: not judged"
        partly = measured_time(ends[name])
        return f"{name}, {partly.partition(' of')[0]} of the time" if partly else name

    return "", *(head(name) for name in ENDS)


def balance_rows(balance: Balance) -> list[Row]:
    """What, compression, rebound: speed of the rear over the front at the wheel, the same bump first."""
    rows: list[Row] = []
    bump = balance.same_bump
    if bump is not None:
        ratios = (bump.compression, bump.rebound)
        rows.append(
            (
                f"same bump, {bump.pairs} clear",
                *(interval(ratio.value, ratio.ci95) for ratio in ratios),
            )
        )
        rows += [
            (
                f"  {group.name}, {group.pairs}",
                *(interval(ratio.value, ratio.ci95) for ratio in (group.compression, group.rebound)),
            )
            for group in bump.groups
            if group.kind in ("size", "grain", "disturbed")
        ]
    whole = balance.speed_ratio
    rows.append(("whole ride, RMS speed", number(whole.compression, 2), number(whole.rebound, 2)))
    speed = balance.speed
    if speed is not None:
        sides = (speed.compression, speed.rebound)
        rows.append(("10th to 90th percentile of speed", *(number(side.slope, 2) for side in sides)))
        split = f"{number(speed.split_mm_s)} mm/s"
        rows.append((f"below {split}", *(number(side.low, 2) for side in sides)))
        rows.append((f"above {split}", *(number(side.high, 2) for side in sides)))
    for phase in balance.per_phase:
        rows.append(
            (f"{phase.phase}, RMS speed", number(phase.compression_ratio, 2), number(phase.rebound_ratio, 2))
        )
    return rows


def damping_rows(balance: Balance) -> list[Row]:
    """The damping ratio of the wheels, rear over front, by direction; none where it cannot be told."""
    damping = balance.damping
    if damping is None or damping.compression.value is None:
        return []
    found = (damping.compression, damping.rebound)
    return [("damping ratio", *(interval(ratio.value, ratio.ci95) for ratio in found))]


def response_rows(balance: Balance) -> list[Row]:
    """The average response to a bump: what, front, rear, rear over front."""
    response = None if balance.same_bump is None else balance.same_bump.response
    if response is None:
        return []
    return [
        (
            label,
            number(None if measure.front is None else scale * measure.front, decimals),
            number(None if measure.rear is None else scale * measure.rear, decimals),
            _ratio_words(measure.ratio),
        )
        for measure in response.measures
        for label, scale, decimals in (RESPONSE_WORDS[measure.name],)
    ]


def _ratio_words(ratio: Ratio) -> str:
    """A ratio with its interval, or that the interval leaves nothing of it."""
    if ratio.ci95 is not None and ratio.ci95[1] > WIDEST * ratio.ci95[0]:
        return "cannot tell"
    return interval(ratio.value, ratio.ci95)


def damper_rows(summary: Summary) -> list[Row]:
    """Part of the curve, then time, work and mean force of front and rear; one row a part, then the heat."""
    ends = [summary.damper_work.get(end) for end in ENDS]
    parts = next((use.regions for use in ends if use), ())
    rows = [
        (
            f"{part.direction}, {part.speeds}",
            *(number(100 * use.regions[i].time_share) if use else UNKNOWN for use in ends),
            *(number(100 * use.regions[i].work_share) if use else UNKNOWN for use in ends),
            *(number(abs(use.regions[i].mean_force_n)) if use else UNKNOWN for use in ends),
        )
        for i, part in enumerate(parts)
    ]
    return sorted(rows, key=lambda row: row[0])


def damper_words(summary: Summary) -> str:
    """What acts where on the curve, and the heat of the dampers: mean power and joules a lap."""
    heat = "; ".join(
        f"{end}: {number(use.hydraulic_w)} W on average"
        + (f", {number(sum(use.lap_j) / len(use.lap_j) / 1000, 1)} kJ a lap" if use.lap_j else "")
        + f", split at {number(use.split_mm_s)} mm/s"
        for end, use in summary.damper_work.items()
    )
    return (
        "Low speed, below the split, is where the clicker (the bleed) acts; high speed is the high-speed adjuster's, "
        f"else the shim stack's. Heat in the oil, {heat}."
    )


def stop_rows(summary: Summary) -> list[Row]:
    """What, where, laps, times, travel, arrival speed; one row a place."""
    return [
        (
            f"{row.end} {row.kind}",
            row.place,
            row.laps,
            str(row.times),
            number(row.travel_mm, 1),
            number(row.speed_mm_s),
        )
        for row in stop_places(summary)
    ]


def lap_rows(summary: Summary) -> list[Row]:
    """Lap, time, front most, rear most, speed ratios, damping ratio, masked, remark."""
    damping = {row.lap: row for row in summary.oscillation.fade}

    def of_end(lap: LapSummary, end: End) -> str:
        return number(lap.ends[end].wheel.travel.used_pct)

    return [
        (
            str(lap.lap) if lap.complete else f"{lap.lap} {lap.kind or 'part'}",
            lap_time(lap.time_s) if lap.complete else f"({lap_time(lap.time_s)})",
            of_end(lap, "front"),
            of_end(lap, "rear"),
            number(lap.balance.speed_ratio.compression, 2),
            number(lap.balance.speed_ratio.rebound, 2),
            number(damping[lap.lap].damping_ratio, 2) if lap.lap in damping else UNKNOWN,
            number(100 * max(lap.masked_share.values(), default=0.0), 1),
        )
        for lap in summary.laps
    ]


def run_row(name: str, summary: Summary) -> Row:
    """A whole run in one line: complete laps, the quickest, travel used, bottomed front and rear, balance, damping."""
    complete = [lap.time_s for lap in summary.laps if lap.complete]
    bump = summary.balance.same_bump
    ratio = (None, None) if bump is None else (bump.compression_ratio, bump.rebound_ratio)

    def of_end(end: End, read: Callable[[EndSummary], float]) -> str:
        return number(read(summary.ends[end])) if summary.ends[end].judged else UNKNOWN

    return (
        name,
        str(len(complete)),
        lap_time(min(complete)) if complete else UNKNOWN,
        " / ".join(of_end(end, lambda e: e.wheel.travel.used_pct) for end in ENDS),
        " / ".join(of_end(end, lambda e: float(len(e.bottomed))) for end in ENDS),
        " / ".join(number(value, 2) for value in ratio),
        _damping_cell(summary),
    )


def _damping_cell(summary: Summary) -> str:
    """The verdict on the dampers, and on how much of the time it rests where that is not nearly all of it."""
    words, rear = damping_words(summary.oscillation), summary.ends["rear"]
    if not rear.judged:
        return "rear not judged" + front_damping_words(summary.oscillation)
    partly = summary.oscillation.verdict != "yes" and measured_time(rear) and "% of" not in words
    return f"{words} in {100 * rear.valid_share:.0f} % of the time" if partly else words


def change_rows(comparison: Comparison) -> list[Row]:
    """What, before, after, kind."""
    return [(change.what, change.before, change.after, change.kind) for change in comparison.changes]


def condition_rows(comparison: Comparison) -> list[Row]:
    """What, before, after; one row a condition."""
    return [
        (
            headed(each.what, each.unit),
            number(each.before, 1),
            number(each.after, 1),
            each.source,
        )
        for each in comparison.conditions
    ]


def comparison_rows(rows: Sequence[MetricComparison]) -> list[Row]:
    """What, mean and spread of a and of b, difference with interval, verdict; one row a number."""

    def spread(side: LapValues, places: int) -> str:
        return f"{number(side.mean, places)} ({number(side.sd, places)})"

    return [
        (
            headed(row.label, row.unit),
            spread(row.a, decimals_of(row.unit)),
            spread(row.b, decimals_of(row.unit)),
            plus_minus(row.difference, half_width(row.ci95), decimals_of(row.unit)),
            row.verdict,
        )
        for row in rows
    ]
