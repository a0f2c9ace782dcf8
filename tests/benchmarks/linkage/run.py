"""Solve a linkage at 1,001 positions and evaluate leverage on 10 million samples; times against np.interp.

``python -m tests.benchmarks.linkage.run [SAMPLES]`` prints ratios; the best of a few rounds of each, in turn, so that
a busy machine slows both.
"""

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from telemetry.bike import leverage_curve, load_bike, solve_linkage
from telemetry.bike.ends import mechanism_of

BIKE = Path(__file__).parents[3] / "fixtures" / "qb-6-stand.toml"
ROUNDS = 5


def best_s(works: dict[str, Callable[[], object]], rounds: int = ROUNDS) -> dict[str, float]:
    """Shortest time of each piece of work, taken in turn."""
    best = dict.fromkeys(works, float("inf"))
    for _ in range(rounds):
        for name, work in works.items():
            start = time.perf_counter()
            work()
            best[name] = min(best[name], time.perf_counter() - start)
    return best


def main() -> None:
    samples = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000_000
    bike = load_bike(BIKE)
    mechanism, length = mechanism_of(bike.rear, bike.measured_at)
    shock = np.linspace(0.0, bike.rear.shock_stroke_mm, 1001)
    solved = solve_linkage(mechanism, bike.rear.shock_stroke_mm, shock_length_mm=length, positions=shock)
    # A rider's shock travel: slow and fast motion, as a log has it, so that neighbours are near each other.
    t = np.arange(samples) / 1000.0
    travel = (
        25.0
        + 14.0 * np.sin(2 * np.pi * 0.31 * t)
        + 8.0 * np.sin(2 * np.pi * 2.3 * t)
        + 1.5 * np.sin(2 * np.pi * 15.1 * t)
    )
    curve = leverage_curve(bike, "rear")
    times = best_s(
        {
            "solve": lambda: solve_linkage(
                mechanism, bike.rear.shock_stroke_mm, shock_length_mm=length, positions=shock
            ),
            "interp": lambda: np.interp(travel, solved.shaft_mm, solved.ratio),
            "ratio": lambda: curve.ratio(travel),
            "wheel": lambda: curve.wheel_travel_mm(travel),
        }
    )
    by_interp = np.interp(travel[:100_000], solved.shaft_mm, solved.ratio)
    apart = float(np.max(np.abs(by_interp - curve.ratio(travel[:100_000]))))
    print(
        f"{samples:,} samples; np.interp on the same samples, 1,001 knots: {times['interp'] * 1e3:.0f} ms = 1"
    )
    print(
        f"leverage ratio    {times['ratio'] / times['interp']:.2f} of np.interp; apart by {apart:.1e} at most"
    )
    print(f"wheel travel      {times['wheel'] / times['interp']:.2f} of np.interp")
    print(
        f"linkage, 1,001 positions solved, branch scan included: {times['solve'] / times['interp']:.5f} of np.interp "
        f"({times['solve'] * 1e3:.2f} ms)"
    )


if __name__ == "__main__":
    main()
