"""Benchmark of slow losses: a rear damper that fades, foams, leaks or overheats over the laps of an outing.

    .venv/bin/python tests/benchmarks/detection/slow.py --outings 20 --first-seed 900000

Whole reviews of `telemetry.simulate.random_outing`, whose truth is the work of the damper over that of a sound twin. A
slow loss counts when the last lap has 0.7 of the damping or less. "Named" is: a fall of the rear in the verdict.
"""

import argparse
import os
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from telemetry.damping.oscillation import FALLING, dampers_in_doubt
from telemetry.logs import RawLog
from telemetry.review import review
from telemetry.simulate import CROWD, random_outing
from telemetry.wording import CHANGE_CAUTION

KINDS = ("scaled fade", "heat", "foam", "leak", "recovering", "void for good", "sound", "sound, crowded")
TEST_SEEDS = 900_000
SLOW_LOSS_LEFT = 0.7


@dataclass(frozen=True)
class Outcome:
    """What one review said: states of the courses, verdict, whether set-up was advised, and the truth."""

    kind: str
    seed: int
    rear: str
    front: str
    verdict: str
    levels: tuple[str, ...]
    advised: bool
    first: str
    left: tuple[float, ...]
    ratios: tuple[float | None, ...]


def one(job: tuple[str, int, int]) -> Outcome:
    """Ride and review an outing of this kind."""
    kind, seed, laps = job
    crowd = tuple(CROWD) if kind == "sound, crowded" else (("kerbs",) if seed % 2 else ())
    fault = "sound" if kind.startswith("sound") else kind
    ridden = random_outing(seed, fault=fault, laps=laps, crowd=crowd, rate_hz=(100.0, 200.0, 500.0)[seed % 3])
    log = RawLog("simulated", ridden.outing.log_columns, ridden.outing.units)
    summary = review(log, ridden.full if seed % 2 else ridden.minimum).summary
    found = summary.oscillation
    state = {end: course.state for end, course in found.course.items()}
    advised = any(CHANGE_CAUTION in finding.caution for finding in summary.findings)
    assert not (advised and dampers_in_doubt(found)), "set-up is advised beside a damper in doubt"
    return Outcome(
        kind, seed, state.get("rear", "-"), state.get("front", "-"), found.verdict,
        tuple(event.level for event in found.events), advised, summary.verdicts[0],
        tuple(float(x) for x in ridden.left_by_lap["rear"]), tuple(lap.damping_ratio for lap in found.fade),
    )  # fmt: skip


def table(outcomes: list[Outcome]) -> str:
    """A line a kind: named, recovered, the front named, full alarms, set-up advised."""
    rows = ["| outing | number | rear named | said to recover | front named | verdict yes | set-up advised |",
            "|---|---|---|---|---|---|---|"]  # fmt: skip
    groups = defaultdict(list)
    for outcome in outcomes:
        slow = not outcome.kind.startswith("sound") and outcome.left[-1] > SLOW_LOSS_LEFT
        weak = outcome.kind != "recovering" and slow
        groups[f"{outcome.kind}, more than {SLOW_LOSS_LEFT} left" if weak else outcome.kind].append(outcome)
    for kind, here in groups.items():
        shares = (
            sum(o.rear in FALLING for o in here),
            sum(o.rear == "lost damping and recovered" for o in here),
            sum(o.front in FALLING for o in here),
            sum(o.verdict == "yes" for o in here),
            sum(o.advised for o in here),
        )
        rows.append(f"| {kind} | {len(here)} | " + " | ".join(f"{n / len(here):.2f}" for n in shares) + " |")
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
                said = f"{outcome.rear}, front {outcome.front}, {outcome.verdict}"
                print(f"{outcome.kind} {outcome.seed}: {said}; ratio {ratios}; left {left}", flush=True)
    print(table(outcomes))


if __name__ == "__main__":
    main()
