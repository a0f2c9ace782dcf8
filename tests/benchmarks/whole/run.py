"""Time of a whole review, as a ratio to the bare parse of the same log in the same run.

    python -m tests.benchmarks.whole.run [--minutes 20] [--rounds 5]

Both are fresh processes, imports included, run in turn; figures are medians of processor seconds, so that a busy
machine moves both alike. Trust the ratio, not the seconds. Nothing is asserted.
"""

import argparse
import resource
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

from telemetry.simulate import DEMO_BIKE_TOML, demo_bike, simulate_outing, write_log

BARE = "import sys, pyarrow.csv as c; c.read_csv(sys.argv[1], read_options=c.ReadOptions(use_threads=False))"


def cpu_s(command: list[str]) -> tuple[float, float]:
    """Processor seconds of a finished process, and its peak memory. [s, MiB]"""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, after.ru_maxrss / 1024


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=20.0)
    parser.add_argument("--rate", type=float, default=1000.0)
    parser.add_argument("--rounds", type=int, default=5)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        log, bike = Path(folder) / "log.csv", Path(folder) / "bike.toml"
        laps = max(round(asked.minutes * 60 / 83.0), 1)
        outing = simulate_outing(demo_bike(), seed=5, laps=laps, log_rate_hz=asked.rate)
        write_log(outing, log, units_row=False)
        bike.write_text(DEMO_BIKE_TOML, encoding="utf-8")
        tool = Path(sys.executable).parent / "bothends"
        review = [
            str(tool),
            "review",
            str(log),
            "--bike",
            str(bike),
            "--json",
            str(Path(folder) / "out.json"),
        ]
        bare = [sys.executable, "-c", BARE, str(log)]
        pairs = [(cpu_s(bare), cpu_s(review)) for _ in range(asked.rounds)]
        print(
            f"{laps} laps at {asked.rate:g} Hz, {log.stat().st_size / 1e6:.0f} MB of CSV, {asked.rounds} rounds"
        )
        print(f"bare parse  {statistics.median(b[0] for b, _ in pairs):6.2f} s")
        print(
            f"review      {statistics.median(r[0] for _, r in pairs):6.2f} s  peak {pairs[-1][1][1]:.0f} MiB"
        )
        print(f"ratio       {statistics.median(r[0] / b[0] for b, r in pairs):6.2f}")


if __name__ == "__main__":
    main()
