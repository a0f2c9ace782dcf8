"""Travel use on many simulated motorcycles.

    python -m tests.benchmarks.motion.run --outings 20 --jobs 2

Prints bottomed and topped out against the simulator's contacts (recall, precision, place), and packing
over rows of bumps with sound and with four times the rebound damping; every outing has a motorcycle, a circuit and a
road of its own, on seeds that tuned nothing. Nothing is asserted.
"""

import argparse
import os
from concurrent.futures import ProcessPoolExecutor

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # one process per core is the faster way

from tests.benchmarks.motion.harsh import harsh_outing  # noqa: E402
from tests.benchmarks.motion.score import Packing, Stops, score_packing, score_stops, worst_m  # noqa: E402
from tests.benchmarks.motion.slow_rebound import rows_outing  # noqa: E402

# What was tuned was tuned on lower seeds.
TEST_SEEDS = 800_000


def stops_of(seed: int) -> dict[str, Stops]:
    """One outing that runs out of travel."""
    return score_stops(harsh_outing(seed))


def packing_of(job: tuple[int, float]) -> Packing:
    """One outing over rows of bumps."""
    return score_packing(rows_outing(*job))


def accuracy(outings: int, jobs: int, first_seed: int) -> None:
    """Print the tables of what was found."""
    seeds = range(first_seed, first_seed + outings)
    with ProcessPoolExecutor(jobs) as pool:
        scores = list(pool.map(stops_of, seeds))
        slow = {
            times: list(pool.map(packing_of, [(seed, times) for seed in seeds])) for times in (1.0, 2.0, 4.0)
        }
    print(f"{outings} outings of two laps, each of its own motorcycle, circuit and road")
    print(
        f"{'':12s}{'contacts':>9s}{'recall':>8s}{'events':>8s}{'precision':>10s}{'place, 95 % and most, m':>26s}"
    )
    for kind in ("bottomed", "topped_out"):
        total = sum((score[kind] for score in scores), Stops())
        below, most = worst_m(total.away_m)
        print(
            f"{kind:12s}{total.contacts:9d}{total.recall:8.3f}{total.events:8d}{total.precision:10.3f}"
            f"{below:19.1f}{most:7.1f}"
        )
    print(f"\n{'rebound':12s}{'bump rows':>10s}{'packing':>9s}{'elsewhere':>11s}{'laps':>6s}")
    for times, found in slow.items():
        whole = sum(found, Packing())
        print(f"{f'x {times:g}':12s}{whole.passes:10d}{whole.found:9d}{whole.elsewhere:11d}{whole.laps:6d}")


def main() -> None:
    """Print what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--outings", type=int, default=20)
    parser.add_argument("--jobs", type=int, default=os.cpu_count())
    parser.add_argument("--first-seed", type=int, default=TEST_SEEDS)
    asked = parser.parse_args()
    accuracy(asked.outings, asked.jobs, asked.first_seed)


if __name__ == "__main__":
    main()
