"""Benchmark of balance on rides whose truth is known, over bikes it was not tuned on.

    .venv/bin/python -m tests.benchmarks.balance.run --bikes 200 --jobs 2

Prints: is the end that is damped more named, and "even" where both are alike; do the intervals of the same-bump
ratio cover the truth; are the right halves paired; is the delay read; are swapped ends, a wrong speed channel and a
late one named; and what balance costs against a bare parse. Half an hour of one free core. Seeds start at
`TEST_SEEDS`; what was tuned was tuned on lower.
"""

import argparse
import os
import time
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from tests.benchmarks.balance.judge import Bumps, Coverage, Order, bumps, coverage, faults, order

TEST_SEEDS = 700_000


def share(hits: Iterable[bool]) -> str:
    found = list(hits)
    return f"{sum(found)}/{len(found)} = {100 * np.mean(found):.1f} %" if found else "none"


def print_order(found: list[Order]) -> None:
    print("Damping ratio, rear over front, two directions a bike (verdict against the factor put in)")
    for side in ("compression", "rebound"):
        rows = [(getattr(o, side), o) for o in found]
        for name, keep in (("differs by 15 % or more", lambda f: abs(np.log(f)) >= np.log(1.15) - 1e-9),
                           ("alike", lambda f: f == 1.0)):  # fmt: skip
            here = [row for row, _ in rows if keep(row.factor)]
            print(f"  {side:12s} {name:24s} right {share(row.right for row in here)}")
        errors = np.array([np.log(row.value / row.factor) for row, _ in rows if row.value is not None])
        print(
            f"  {side:12s} error of the ratio: mean {100 * errors.mean():+.1f} %, sd {100 * errors.std():.1f} %"
        )
    print(f"  cannot tell: {share(o.reason != '' for o in found)}")
    late = [abs(o.delay_error_ms) < 2.0 for o in found if o.delay_error_ms is not None]
    print(f"Residual delay within one sample at 500 Hz (2 ms), speed channel off by up to 4 %: {share(late)}")


def print_coverage(found: list[Coverage]) -> None:
    print("Same-bump ratio: 95 % intervals over noise-free rides")
    for side in ("compression", "rebound"):
        here = [getattr(c, side) for c in found]
        for name, width, kind, truth in (
            ("ci95", "half", "such", "of such bumps"),
            ("noise_ci95", "noise_half", "same", "of the same bumps"),
        ):
            off = np.array([getattr(c, kind) for c in here])
            half = 100 * np.median([getattr(c, width) for c in here])
            print(
                f"  {side:12s}{name:11s} (+-{half:.2f} %) holds that {truth:18s}{share(np.abs(off) <= 1)};"
                f" off by {1.96 * off.mean():+.2f}, spread {1.96 * off.std():.2f} standard errors"
            )


def print_bumps(found: list[Bumps]) -> None:
    print(
        "Pairing, bumps of 4 to 12 mm and 0.5 to 3 m, 15 to 75 m/s, by roughness (Gd; ISO 8608 class A: to 32e-6 m3)"
    )
    for psd in sorted({b.psd_m3 for b in found}):
        here = [b for b in found if b.psd_m3 == psd]
        sums = {name: sum(getattr(b, name) for b in here) for name in vars(here[0])}
        print(
            f"  {1e6 * psd:5.1f}e-6 m3: precision {sums['right'] / sums['pairs']:.3f} of {sums['pairs']}, "
            f"recall {sums['met'] / sums['bumps']:.3f} of {sums['bumps']} "
            f"(by chance {sums['by_chance'] / sums['bumps']:.2f}); "
            f"of those that stand out of the road {sums['clear_met'] / sums['clear']:.3f} of {sums['clear']}"
        )


def print_cost() -> None:
    from tests.benchmarks.balance.cost import balance_against_parse

    ratio, seconds = balance_against_parse()
    print(f"Balance of 2 h at 1 kHz: {ratio:.2f} of one bare parse of the log ({seconds:.2f} s CPU here)")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--bikes", type=int, default=200)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--first", type=int, default=TEST_SEEDS, help="first seed")
    parser.add_argument("--only", choices=("order", "coverage", "bumps", "faults", "cost"))
    arguments = parser.parse_args()
    seeds = range(arguments.first, arguments.first + arguments.bikes)
    start = time.time()

    def wanted(name: str) -> bool:
        return arguments.only in (None, name)

    with ProcessPoolExecutor(arguments.jobs) as pool:

        def each(work: Callable[[int], object], over: Iterable[int]) -> list:
            return list(pool.map(work, over, chunksize=2))

        if wanted("order"):
            print_order(each(order, seeds))
        if wanted("coverage"):
            print_coverage(each(coverage, seeds))
        if wanted("bumps"):
            print_bumps(each(bumps, seeds[: max(9, arguments.bikes // 3)]))
        if wanted("faults"):
            named = [pair for row in each(faults, seeds[: max(10, arguments.bikes // 4)]) for pair in row]
            for fault in ("none", "ends_swapped", "speed_scale", "channel_late"):
                print(
                    f"Fault {fault:13s} named as it should be: {share(ok for name, ok in named if name == fault)}"
                )
    if wanted("cost"):
        print_cost()
    print(f"{time.time() - start:.0f} s")


if __name__ == "__main__":
    main()
