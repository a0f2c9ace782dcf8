"""Lost damping on outings whose dampers fail as physics says: log in, verdict out, against work and hop amplitude.

    .venv/bin/python -m tests.benchmarks.detection.physical --outings 10

Outings are `telemetry.simulate.random_outing`'s: each with a bike (hop 12 to 21 Hz), a circuit, a road, a fault and
sensors of its own, at 100 to 1000 Hz; the whole way from the log's columns through `measure`. Half of each kind has
kerbs, tones, imbalance, used sensors, compliant dampers and stick-slip with it. Each is read with the full and with
the minimum bike file. A loss is clear when the wheel hops at least twice as much as over a sound twin's ride.
"""

import argparse
import os
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from telemetry.damping import find_oscillation
from telemetry.logs import RawLog
from telemetry.review import measure
from tests.randomised.outings import CROWD, FAULT_KINDS, SLOW, random_outing

FIRST_SEED = 40_000
RATES_HZ = (100.0, 200.0, 500.0, 1000.0)
OVER_LAPS = (*SLOW, "recovering")
FOUND_SHARE, MARGIN_S = 0.3, 0.25  # as in score.py


@dataclass(frozen=True)
class Row:
    """A loss, or an outing (``seconds`` NaN): what it was and what was said."""

    kind: str
    bike: str
    rate_hz: float
    hop_hz: float
    crowded: bool
    seconds: float
    left: float
    hop_ratio: float
    found: bool
    verdict: str
    course: str
    false_events: int
    hours: float


def one(job: tuple[str, int]) -> list[Row]:
    """An outing of this kind and seed, with both bike files."""
    kind, seed = job
    crowd = CROWD if seed % 2 else ()
    rate = RATES_HZ[seed // 2 % 4] if kind not in OVER_LAPS else 200.0
    ridden = random_outing(seed, fault=kind, rate_hz=rate, laps=6 if kind in OVER_LAPS else 2, crowd=crowd)
    log, rows = RawLog("simulated", ridden.outing.log_columns, ridden.outing.units), []
    hours = float(np.mean(ridden.outing.truth.speed_m_s > 10.0) * ridden.outing.truth.t_s[-1] / 3600.0)
    for name, bike in (("full", ridden.full), ("minimum", ridden.minimum)):
        measured = measure(log, bike)
        answer = find_oscillation(measured.motion, measured.track, bike)
        course = answer.course["rear"].state if "rear" in answer.course else "-"
        false = sum(
            not any(
                e.start_s < loss.end_s + MARGIN_S and e.end_s > loss.start_s - MARGIN_S
                for loss in ridden.losses
            )
            for e in answer.events
        )
        same = (kind, name, rate, ridden.hop_hz, bool(crowd))
        left = float(ridden.left_by_lap["rear"][-1])
        rows.append(
            Row(
                *same,
                np.nan,
                left,
                float(ridden.hop_ratio_by_lap[-1]),
                False,
                answer.verdict,
                course,
                false,
                hours,
            )
        )
        for loss in ridden.losses:
            seconds = loss.end_s - loss.start_s
            over = [min(e.end_s, loss.end_s) - max(e.start_s, loss.start_s) for e in answer.events]
            found = max(over, default=0.0) > FOUND_SHARE * min(seconds, 10.0)
            rows.append(
                Row(*same, seconds, loss.damping_left, loss.hop_ratio, found, answer.verdict, course, 0, 0.0)
            )
    return rows


def share(rows: list[Row], told) -> str:
    """How many of these rows it is told of, and how many they are."""
    return f"{np.mean([told(row) for row in rows]):.2f} ({len(rows)})" if rows else "-"


def report(rows: list[Row]) -> str:
    """The tables."""
    text = [
        "Clear losses found",
        "",
        "| kind | bike file | 1 s and longer | 0.6 to 1 s |",
        "|---|---|---|---|",
    ]
    losses = [row for row in rows if np.isfinite(row.seconds) and row.hop_ratio >= 2.0]
    outings = [row for row in rows if not np.isfinite(row.seconds)]
    groups: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for row in losses:
        groups[row.kind, row.bike].append(row)
    for (kind, bike), of in sorted(groups.items()):
        long, short = [r for r in of if r.seconds >= 1.0], [r for r in of if r.seconds < 1.0]
        text.append(f"| {kind} | {bike} | {share(long, _found)} | {share(short, _found)} |")
    text += [
        "",
        "Clear losses of 1 s and longer, any kind, by hop and by log rate",
        "",
        "| | found |",
        "|---|---|",
    ]
    long = [row for row in losses if row.seconds >= 1.0]
    for low in range(12, 21, 3):
        text.append(
            f"| {low} to {low + 3} Hz | {share([r for r in long if low <= r.hop_hz < low + 3], _found)} |"
        )
    for rate in RATES_HZ:
        text.append(f"| log of {rate:g} Hz | {share([r for r in long if r.rate_hz == rate], _found)} |")
    text += ["", "Outings", "", "| kind | bike file | verdicts | course of the rear | false events an hour |"]
    text.append("|---|---|---|---|---|")
    by_kind: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for row in outings:
        by_kind[row.kind, row.bike].append(row)
    for (kind, bike), of in sorted(by_kind.items()):
        hours = sum(row.hours for row in of)
        verdicts = ", ".join(f"{v} {sum(r.verdict == v for r in of)}" for v in ("yes", "no", "cannot_tell"))
        states = sorted({row.course for row in of})
        course = ", ".join(f"{state} {sum(r.course == state for r in of)}" for state in states)
        false = sum(row.false_events for row in of) / hours
        # where the damper changes over laps an event is the damper's own
        text.append(
            f"| {kind} | {bike} | {verdicts} | {course} | {'-' if kind in OVER_LAPS else f'{false:.1f}'} |"
        )
    return "\n".join(text)


def _found(row: Row) -> bool:
    return row.found


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--outings", type=int, default=4, help="of each kind")
    parser.add_argument("--kinds", nargs="+", default=list(FAULT_KINDS), choices=FAULT_KINDS)
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED)
    parser.add_argument("--jobs", type=int, default=os.cpu_count())
    given = parser.parse_args()
    jobs = [(kind, given.first_seed + i) for i in range(given.outings) for kind in given.kinds]
    with ProcessPoolExecutor(given.jobs) as pool:
        rows = [row for some in pool.map(one, jobs) for row in some]
    print(report(rows))


if __name__ == "__main__":
    main()
