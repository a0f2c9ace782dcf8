# ruff: noqa: C408
"""Benchmark of the detector for lost rear damping on outings it was not tuned on.

    .venv/bin/python tests/benchmarks/detection/run.py --outings 48

Every outing has a bike, a circuit and a road of its own; every second bike file gives masses and tyre rate. Test
seeds start at `TEST_SEEDS`; what was tuned was tuned on lower ones.
"""

import argparse
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # one process per core is the faster way

from pathlib import Path  # noqa: E402

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[3]))

from inputs import bike_of, motion_of, track_of  # noqa: E402
from outings import ALIKE, CONFOUNDERS, Plan, make  # noqa: E402
from score import Card, report, score  # noqa: E402

from telemetry.damping import find_oscillation  # noqa: E402

TEST_SEEDS = 500_000
RATES_HZ = (200.0, 500.0, 1000.0, 100.0, 200.0, 500.0)
LOSSES = dict(
    loss_scales=(0.02, 0.05, 0.10, 0.15, 0.30),
    loss_seconds=(0.4, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5),
    losses_per_lap=2.5,
)
KINDS = {
    "healthy, clean": {},
    "healthy, confounders": dict(confounders=CONFOUNDERS + ALIKE),
    "losses": LOSSES,
    "losses, confounders": dict(confounders=CONFOUNDERS, **LOSSES),
}


def one(job: tuple[str, int]) -> Card:
    kind, seed = job
    outing = make(Plan(seed=seed, laps=5, rate_hz=RATES_HZ[seed % len(RATES_HZ)], **KINDS[kind]))
    bike = bike_of(outing, with_masses=seed % 2 == 0)
    return score(kind, outing, find_oscillation(motion_of(outing), track_of(outing), bike))


def fading(seed: int) -> tuple[float, tuple[float, float] | None, float]:
    """Ten laps fading to 40 %, or sound when the seed is even: what the trend says, in % per lap."""
    target = 1.0 if seed % 2 == 0 else 0.4
    outing = make(Plan(seed=seed, laps=10, rate_hz=200.0, fade_to=target))
    answer = find_oscillation(motion_of(outing), track_of(outing), bike_of(outing, with_masses=seed % 4 < 2))
    trend = answer.trend
    return (
        target,
        None if trend is None else trend.ci95_pct_per_lap,
        trend.change_pct_per_lap if trend else 0.0,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--outings", type=int, default=48, help="of each of the four kinds")
    parser.add_argument("--fades", type=int, default=0, help="outings of ten laps, half of them fading")
    parser.add_argument("--jobs", type=int, default=os.cpu_count())
    parser.add_argument("--first-seed", type=int, default=TEST_SEEDS)
    given = parser.parse_args()
    begin = time.perf_counter()
    jobs = [
        (kind, given.first_seed + 10_000 * k + i)
        for i in range(given.outings)
        for k, kind in enumerate(KINDS)
    ]
    with ProcessPoolExecutor(given.jobs) as pool:
        cards = list(pool.map(one, jobs))
        trends = list(
            pool.map(fading, range(given.first_seed + 90_000, given.first_seed + 90_000 + given.fades))
        )
    if cards:
        print(report(cards))
    for target in sorted({t[0] for t in trends}):
        own = [t for t in trends if t[0] == target]
        falling = sum(t[1] is not None and t[1][1] < 0 for t in own)
        middle = sorted(t[2] for t in own)[len(own) // 2]
        print(
            f"Fade to {target:.0%} over 10 laps: called falling {falling} of {len(own)}, median {middle:+.1f} % per lap"
        )
    print(f"\n{len(cards)} outings in {time.perf_counter() - begin:.0f} s")


if __name__ == "__main__":
    main()
