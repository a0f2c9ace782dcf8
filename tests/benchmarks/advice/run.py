"""Does advice agree with itself? Whole reviews of many set-ups, and the same reviews with other numbers.

    python -m tests.benchmarks.advice.run --outings 60 --others 4 --jobs 2

Every outing has a motorcycle, a road and a set-up of its own on a small circuit: springs, bump stops and both sides
of both dampers far from right, hollows and rows of bumps, sometimes a damper that fails, with the full or the least
bike file. ``--others`` findings more are made from each review with bottoming, travel left, packing and ratios drawn
anew. Printed are what was found and how often a pair of findings pulls one adjuster both ways, an end is to use travel
that is not there, or a sentence is not in the table of rules. Nothing is asserted.
"""

import argparse
import os
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # one process per core is the faster way
HERE = Path(__file__).parent

import numpy as np  # noqa: E402

from telemetry.bike import Bike  # noqa: E402
from telemetry.damping.verdict import Oscillation  # noqa: E402
from telemetry.findings import findings, nothing_asks  # noqa: E402
from telemetry.laps import by_place, lap_length_m  # noqa: E402
from telemetry.logs import RawLog  # noqa: E402
from telemetry.review import review  # noqa: E402
from telemetry.simulate import Bump, Fade, Road, simulate_outing  # noqa: E402
from telemetry.summary import Finding, Summary  # noqa: E402
from tests.randomised.bikes import random_bike  # noqa: E402
from tests.randomised.circuits import random_road, small_circuit  # noqa: E402
from tests.randomised.outings import minimum_bike  # noqa: E402
from tests.review.advice_judge import ENDS, both_ways, told_turns, traced, uses_travel_that_is_not_there  # noqa: E402

# What was tuned was tuned on lower seeds.
TEST_SEEDS = 600_000
DAMPER_AT_WORST, SPRING_AT_WORST = 3.0, 1.35


@dataclass(frozen=True)
class Judged:
    """The findings of one review: under which rules, with which faults of the advice; ``quiet`` is what none says."""

    rules: tuple[str, ...]
    faults: tuple[str, ...]
    quiet: str


def wrong_set_up(bike: Bike, rng: np.random.Generator) -> Bike:
    """The bike with springs, bump stops and dampers away from where they should be."""

    def away(most: float) -> float:
        return float(np.exp(rng.uniform(-np.log(most), np.log(most))))

    ends = {}
    for name in ENDS:
        end = getattr(bike, name)
        stop = end.spring.bump_stop
        sides = {}
        for side in ("compression", "rebound"):
            curve, times = getattr(end.damper, side), away(DAMPER_AT_WORST)
            sides[side] = curve.model_copy(
                update={
                    "low_n_s_per_mm": times * curve.low_n_s_per_mm,
                    "high_n_s_per_mm": times * curve.high_n_s_per_mm,
                }
            )
        soft = stop.model_copy(update={"force_n": stop.force_n * float(rng.uniform(0.15, 1.0))})
        ends[name] = end.model_copy(
            update={
                "spring_rate_n_per_mm": end.spring_rate_n_per_mm * away(SPRING_AT_WORST),
                "spring": end.spring.model_copy(update={"bump_stop": soft}),
                "damper": end.damper.model_copy(update=sides),
            }
        )
    return bike.model_copy(update=ends)


def hard_road(rng: np.random.Generator, seed: int) -> Road:
    """A road with hollows that take much travel, and a row of bumps on one straight."""
    circuit = small_circuit()
    plain = random_road(circuit, seed)
    hollows = [
        Bump(
            float(at), float(rng.choice([-1.0, 1.0]) * rng.uniform(10.0, 40.0)), float(rng.uniform(2.0, 8.0))
        )
        for at in rng.uniform(0.0, circuit.length_m, int(rng.integers(0, 7)))
    ]
    first, spacing = float(rng.uniform(0.0, circuit.length_m)), float(rng.uniform(4.0, 7.0))
    height = float(rng.uniform(14.0, 24.0)) * float(rng.choice([0.0, 1.0]))
    row = [Bump((first + k * spacing) % circuit.length_m, height, 2.2) for k in range(8) if height]
    return Road(psd_m3=plain.psd_m3, features=(*plain.features, *hollows, *row))


def reviewed(seed: int) -> Summary:
    """One outing and its review."""
    rng = np.random.default_rng([seed, 0xAD])
    bike = wrong_set_up(random_bike(seed), rng)
    faults = (Fade(float(rng.uniform(0.2, 0.6))),) if rng.random() < 0.1 else ()
    outing = simulate_outing(
        bike, circuit=small_circuit(), road=hard_road(rng, seed), seed=seed, laps=4, log_rate_hz=200.0,
        faults=faults, step_s=1 / 2000,
    )  # fmt: skip
    log = RawLog(f"simulated {seed}", dict(outing.log_columns), dict(outing.units))
    return review(log, bike if rng.random() < 0.5 else minimum_bike(bike)).summary


def other_numbers(summary: Summary, rng: np.random.Generator) -> Summary:
    """The same review with bottoming, travel left, packing and ratios drawn anew."""
    ends = dict(summary.ends)
    for name in ENDS:
        other = "rear" if name == "front" else "front"
        stops = tuple(
            replace(stop, end=name) for stop in (*ends[name].bottomed, *summary.ends[other].bottomed)
            if rng.random() < 0.6
        )  # fmt: skip
        used = 100.0 if stops else float(rng.uniform(50.0, 100.0))
        planes = {
            plane: replace(
                getattr(ends[name], plane),
                travel=replace(
                    getattr(ends[name], plane).travel, used_pct=used,
                    margin_mm=(1.0 - used / 100.0) * ends[name].wheel_stroke_mm,
                ),
            )
            for plane in ("shaft", "wheel")
        }  # fmt: skip
        ends[name] = replace(ends[name], bottomed=stops, **planes)
    balance, bump = summary.balance, summary.balance.same_bump
    if bump is not None:
        down, up = (float(np.exp(rng.normal(0.0, 0.25))) for _ in range(2))
        wide = float(np.exp(rng.uniform(0.02, 0.2)))
        bump = replace(
            bump, compression_ratio=down, compression_ratio_ci95=(down / wide, down * wide),
            rebound_ratio=up, rebound_ratio_ci95=(up / wide, up * wide),
        )  # fmt: skip
        balance = replace(balance, same_bump=bump)
    packing = tuple(replace(event, end=str(rng.choice(ENDS))) for event in summary.packing)
    drawn = replace(summary, ends=ends, balance=balance, packing=packing)
    sound = Oscillation("no", "Drawn as sound.")
    found = findings(
        drawn.laps, ends, balance, sound, packing=packing, trends=drawn.trends, clicks=drawn.bike_values
    )
    return replace(drawn, findings=found, oscillation=sound)


def faults_of(found: tuple[Finding, ...], summary: Summary) -> list[str]:
    """What is wrong with the advice of one review."""
    wrong = [f"{end} {adjuster} both ways" for end, adjuster in both_ways(found)]
    wrong += [
        f"travel that is not there: {turn}" for turn in uses_travel_that_is_not_there(found, summary.ends)
    ]
    for one in found:
        if not traced(one):
            wrong.append(f"not in the table: {one.suggestion}")
        if told_turns(one.suggestion) != {(turn.end, turn.adjuster, turn.direction) for turn in one.turns}:
            wrong.append(f"words and steps part: {one.suggestion}")
    told = {turn for one in found for turn in told_turns(one.suggestion)}
    wrong += [
        f"told both ways: {end} {adjuster}"
        for end, adjuster, way in told
        if way == "more" and (end, adjuster, "less") in told
    ]
    places = [len(by_place(end.bottomed, lap_length_m(summary.laps))) for end in summary.ends.values()]
    if sum(one.rule == "bottoms" for one in found) > sum(places):
        wrong.append("more places of bottoming than there are")
    return wrong


def judge(job: tuple[int, int]) -> list[Judged]:
    """One outing, and so many with other numbers."""
    seed, others = job
    rng = np.random.default_rng([seed, 0xADC])
    first = reviewed(seed)
    return [
        Judged(
            tuple(one.rule for one in summary.findings),
            tuple(faults_of(summary.findings, summary)),
            (nothing_asks(summary) or ("",))[0],
        )
        for summary in (first, *(other_numbers(first, rng) for _ in range(others)))
    ]


def printed(title: str, judged: list[Judged]) -> None:
    """The table of some reviews."""
    rules = Counter(rule for one in judged for rule in set(one.rules))
    faults = Counter(fault.split(":")[0] for one in judged for fault in one.faults)
    print(f"{title}: {len(judged)} reviews, {sum(bool(one.quiet) for one in judged)} ask for no change")
    for rule, times in rules.most_common():
        print(f"  {times:5d}  {rule}")
    print(f"  faults of the advice: {dict(faults) or 'none'}\n")


def main() -> None:
    """Ride, review, judge, print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--outings", type=int, default=60, help="whole reviews")
    parser.add_argument("--others", type=int, default=4, help="reviews with other numbers from each")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--first-seed", type=int, default=TEST_SEEDS)
    arguments = parser.parse_args()
    jobs = [(arguments.first_seed + i, arguments.others) for i in range(arguments.outings)]
    with ProcessPoolExecutor(arguments.jobs) as pool:
        found = list(pool.map(judge, jobs))
    printed("Whole reviews", [one[0] for one in found])
    printed("With other numbers", [one for few in found for one in few[1:]])


if __name__ == "__main__":
    main()
