"""Travel use on many simulated motorcycles, and what laps and motion of a long log cost.

    python -m tests.benchmarks.motion.run --outings 20 --jobs 2
    python -m tests.benchmarks.motion.run --minutes 120 --rounds 3

With ``--outings``: bottomed and topped out against the simulator's contacts (recall, precision, place), and packing
over rows of bumps with sound and with four times the rebound damping; every outing has a motorcycle, a circuit and a
road of its own, on seeds that tuned nothing. With ``--minutes``: processor seconds of every step of laps and motion
on a log of that length at 1 kHz, as ratios to pyarrow's bare parse of the same log. Nothing is asserted.
"""

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # one process per core is the faster way
HERE = Path(__file__).parent

from tests.benchmarks.motion.harsh import harsh_outing  # noqa: E402
from tests.benchmarks.motion.score import Packing, Stops, score_packing, score_stops, worst_m  # noqa: E402
from tests.benchmarks.motion.slow_rebound import rows_outing  # noqa: E402
from tests.benchmarks.reading.long_log import FIXTURES, write_long_log  # noqa: E402

# What was tuned was tuned on lower seeds.
TEST_SEEDS = 800_000
BARE = """
import json, sys, time
import pyarrow.csv as c
begin = time.process_time()
c.read_csv(sys.argv[1], read_options=c.ReadOptions(use_threads=False))
print(json.dumps({"bare parse": time.process_time() - begin}))
"""
BIKE = FIXTURES / "qb-6.toml"


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


def steps(log: str) -> dict[str, float]:
    """Processor seconds of every step on one log. [s]"""
    from time import process_time

    from telemetry.bike import load_bike
    from telemetry.laps import find_track, is_moving
    from telemetry.logs import read_log
    from telemetry.motion import find_packing, frequencies, strokes, to_motion
    from telemetry.review.steps import _lap_summary, _placed_stops, _places, channels, sensors
    from telemetry.signals import to_run
    from telemetry.summary import trends

    bike = load_bike(BIKE)
    run = to_run(
        read_log(log), sensors=sensors(bike), channels=channels(bike), time_channel=bike.channels.time
    )
    taken: dict[str, float] = {}
    begin = process_time()

    def lap(name: str) -> None:
        nonlocal begin
        taken[name] = process_time() - begin
        begin = process_time()

    motion = to_motion(run, bike)
    lap("travel and speed")
    track = find_track(run)
    moving = is_moving(track)
    lap("laps, track, phases")
    stops = _placed_stops(motion, track, moving)
    lap("stops")
    laps = tuple(_lap_summary(one, motion, track, moving, stops, None) for one in track.laps)
    lap("use, histograms, lap by lap")
    _places(motion, track, moving)
    lap("use by phase and corner")
    for end in motion.ends.values():
        strokes(end, moving)
    lap("strokes")
    find_packing(motion, moving, track.speed_m_s)
    lap("packing")
    frequencies(motion, moving, bike)
    lap("frequencies")
    trends(laps)
    lap("shift over the outing")
    return taken


def cost(minutes: float, rounds: int) -> None:
    """Print every step's ratio to the bare parse."""
    mine = [sys.executable, str(Path(__file__)), "--steps"]
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "long.csv"
        rows = write_long_log(log, minutes)
        print(f"{rows} rows of 10 columns, {log.stat().st_size / 1e6:.0f} MB, {rounds} rounds")
        found = []
        for _ in range(rounds):
            one: dict[str, float] = {}
            for command in ([sys.executable, "-c", BARE], mine):
                done = subprocess.run([*command, str(log)], capture_output=True, text=True, check=True)
                one |= json.loads(done.stdout.splitlines()[-1])
            found.append(one)
    bare = statistics.median(one["bare parse"] for one in found)
    print(f"{'bare parse':30s}{bare:8.2f} s CPU")
    names = [name for name in found[0] if name != "bare parse"]
    for name in names:
        print(f"{name:30s}{statistics.median(one[name] / one['bare parse'] for one in found):8.2f}")
    total = statistics.median(sum(one[name] for name in names) / one["bare parse"] for one in found)
    print(f"{'all of laps and motion':30s}{total:8.2f} of the bare parse")


def main() -> None:
    """Print what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--outings", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=os.cpu_count())
    parser.add_argument("--first-seed", type=int, default=TEST_SEEDS)
    parser.add_argument("--minutes", type=float, default=0.0)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--steps", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.steps:
        print(json.dumps(steps(asked.steps)))
        return
    if not asked.outings and not asked.minutes:
        parser.error("give --outings or --minutes")
    if asked.outings:
        accuracy(asked.outings, asked.jobs, asked.first_seed)
    if asked.minutes:
        cost(asked.minutes, asked.rounds)


if __name__ == "__main__":
    main()
