"""Benchmark of slow losses: a damper that fades, foams, leaks or overheats over the laps of an outing.

    .venv/bin/python -m tests.benchmarks.detection.slow --outings 20 --first-seed 900000

Whole reviews of `telemetry.simulate.random_outing`, whose truth is the work of the damper over that of a sound twin. A
slow loss counts when the last lap has 0.7 of the damping or less. "Right end named": that damper falls over the laps;
"wrong end named": the other does. One that had lost damping when the outing began and recovers is to be in doubt, and
its reason is to say that it recovers. Who reads only the first sentence of the review must meet the slow loss there.
"""

import argparse
import os
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from telemetry.damping.verdict import FALLING, dampers_in_doubt
from telemetry.logs import RawLog
from telemetry.review import review
from telemetry.summary import CHANGE_CAUTION
from tests.randomised.outings import CROWD, random_outing

REAR = ("scaled fade", "heat", "foam", "leak", "recovering", "void for good")
FRONT = ("front scaled fade", "front heat", "front foam", "front leak", "front recovering")
KINDS = (*REAR, *FRONT, "sound", "sound, crowded")
TEST_SEEDS = 900_000
SLOW_LOSS_LEFT = 0.7


@dataclass(frozen=True)
class Outcome:
    """What one review said: states of the courses, verdict, whether set-up was advised, and the truth."""

    kind: str
    seed: int
    states: dict[str, str]
    end: str
    verdict: str
    levels: tuple[str, ...]
    advised: bool
    first: str
    recovers: bool
    left: tuple[float, ...]
    ratios: tuple[float | None, ...]
    hours: float


def one(job: tuple[str, int, int]) -> Outcome:
    """Ride and review an outing of this kind."""
    kind, seed, laps = job
    crowd = tuple(CROWD) if kind == "sound, crowded" else (("kerbs",) if seed % 2 else ())
    end = "front" if kind in FRONT else "rear"
    fault = "sound" if kind.startswith("sound") else kind.removeprefix("front ")
    rate_hz = (100.0, 200.0, 500.0)[seed % 3]
    ridden = random_outing(seed, fault=fault, laps=laps, crowd=crowd, rate_hz=rate_hz, slow_end=end)
    log = RawLog("simulated", ridden.outing.log_columns, ridden.outing.units)
    summary = review(log, ridden.full if seed // 2 % 2 else ridden.minimum).summary
    found = summary.oscillation
    state = {name: course.state for name, course in found.course.items()}
    laps = found.course[end].laps if end in found.course else ()
    advised = any(CHANGE_CAUTION in finding.caution for finding in summary.findings)
    assert not (advised and dampers_in_doubt(found)), "set-up is advised beside a damper in doubt"
    return Outcome(
        kind, seed, state, end, found.verdict,
        tuple(event.level for event in found.events), advised, summary.verdicts[0],
        end in found.course and "recover" in found.course[end].reason,
        tuple(float(x) for x in ridden.left_by_lap[end]), tuple(lap.damping_ratio for lap in laps),
        float(ridden.outing.truth.t_s[-1]) / 3600.0,
    )  # fmt: skip


def _named(outcome: Outcome, *, right: bool) -> bool:
    return any(state in FALLING for end, state in outcome.states.items() if (end == outcome.end) == right)


def table(outcomes: list[Outcome]) -> str:
    """A line a kind: right end named, wrong end named, full alarms of the rear, set-up advised, events."""
    heads = (
        "outing",
        "number",
        "right end named",
        "in the first sentence",
        "said to recover",
        "wrong end named",
        "yes",
        "set-up advised",
        "events an hour",
    )
    rows = ["| " + " | ".join(heads) + " |", "|---" * len(heads) + "|"]
    groups = defaultdict(list)
    for outcome in outcomes:
        slow = not outcome.kind.startswith("sound") and outcome.left[-1] > SLOW_LOSS_LEFT
        weak = "recovering" not in outcome.kind and slow
        groups[f"{outcome.kind}, more than {SLOW_LOSS_LEFT} left" if weak else outcome.kind].append(outcome)
    for kind, here in groups.items():
        shares = (
            sum(_named(o, right=True) for o in here),
            sum(_named(o, right=True) and "From lap" in o.first for o in here),
            sum(o.recovers for o in here),
            sum(_named(o, right=False) for o in here),
            sum(o.verdict == "yes" for o in here),
            sum(o.advised for o in here),
        )
        an_hour = sum(len(o.levels) for o in here) / sum(o.hours for o in here)
        told = [*(f"{n / len(here):.2f}" for n in shares), f"{an_hour:.1f}"]
        rows.append(f"| {kind} | {len(here)} | " + " | ".join(told) + " |")
    return "\n".join(rows)


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--outings", type=int, default=4, help="of each kind")
    parser.add_argument("--laps", type=int, default=5)
    parser.add_argument("--jobs", type=int, default=os.cpu_count())
    parser.add_argument("--first-seed", type=int, default=TEST_SEEDS)
    parser.add_argument("--kinds", nargs="+", default=KINDS, choices=KINDS)
    parser.add_argument("--each", action="store_true", help="a line an outing as well")
    given = parser.parse_args()
    jobs = [(kind, given.first_seed + i, given.laps) for i in range(given.outings) for kind in given.kinds]
    with ProcessPoolExecutor(given.jobs) as pool:
        outcomes = []
        for outcome in pool.map(one, jobs):
            outcomes.append(outcome)
            if given.each:
                ratios = " ".join("-" if r is None else f"{r:.2f}" for r in outcome.ratios)
                left = " ".join(f"{x:.2f}" for x in outcome.left)
                said = (
                    ", ".join(f"{end} {state}" for end, state in outcome.states.items())
                    + f", {outcome.verdict}, {len(outcome.levels)} events"
                )
                print(f"{outcome.kind} {outcome.seed}: {said}; ratio {ratios}; left {left}", flush=True)
    print(table(outcomes))


if __name__ == "__main__":
    main()
