"""``bothends check`` and reading against pyarrow's bare parse of the same long CSV, in one run.

Run ``python -m tests.benchmarks.reading.run`` (2 hours at 1 kHz, 10 columns), or with ``--minutes 5``. Each is a fresh
process, imports counted; rounds take turns, so that a busy machine slows all alike. Prints the medians of CPU seconds,
of the ratios to the bare parse of the same round, and of the peak memory. Nothing is asserted.
"""

import argparse
import json
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.benchmarks.reading.long_log import FIXTURES, write_long_log

BARE = """
import pyarrow as pa, pyarrow.csv as c
names = open(sys.argv[1]).readline().strip().split(",")
c.read_csv(sys.argv[1], convert_options=c.ConvertOptions(column_types=dict.fromkeys(names, pa.float64())))
"""
READ = "from telemetry.logs import read_log\nlog = read_log(sys.argv[1])\n"
COMMAND = "from telemetry.cli import main\nmain([{}])\n"
MEASURE = """
import json, resource
used = resource.getrusage(resource.RUSAGE_SELF)
print(json.dumps([used.ru_utime + used.ru_stime, used.ru_maxrss / 1024]), file=sys.stderr)
"""
BIKE = str(FIXTURES / "qb-6.toml")
WORKS = {
    "pyarrow read_csv (B)": BARE,
    "read_log": READ,
    "check": COMMAND.format("'check', sys.argv[1]"),
    "check --bike": COMMAND.format(f"'check', sys.argv[1], '--bike', {BIKE!r}"),
    "review": COMMAND.format(f"'review', sys.argv[1], '--bike', {BIKE!r}"),
}


def measure(code: str, log: Path) -> tuple[float, float]:
    """CPU seconds and peak memory [MiB] of one fresh process."""
    command = [sys.executable, "-c", f"import sys\n{code}{MEASURE}", str(log)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    cpu_s, peak_mib = json.loads(done.stderr.splitlines()[-1])
    return cpu_s, peak_mib


def main() -> None:
    """Write the log, take turns, print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=120)
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--only", nargs="*", choices=WORKS, default=list(WORKS))
    arguments = parser.parse_args()
    names = [name for name in WORKS if name in arguments.only or name == next(iter(WORKS))]
    with tempfile.TemporaryDirectory() as directory:
        log = Path(directory) / "long.csv"
        rows = write_long_log(log, arguments.minutes)
        decoded_mib = rows * 10 * 8 / 2**20
        print(f"{rows} rows of 10 columns, {log.stat().st_size / 1e6:.0f} MB, decoded {decoded_mib:.0f} MiB")
        rounds = [{name: measure(WORKS[name], log) for name in names} for _ in range(arguments.rounds)]
    print(f"{'':22s}{'CPU s':>8s}{'of B':>8s}{'peak MiB':>10s}{'of decoded':>12s}")
    for name in names:
        cpu_s = statistics.median(r[name][0] for r in rounds)
        ratio = statistics.median(r[name][0] / r[names[0]][0] for r in rounds)
        peak = statistics.median(r[name][1] for r in rounds)
        print(f"{name:22s}{cpu_s:8.2f}{ratio:8.2f}{peak:10.0f}{peak / decoded_mib:12.2f}")


if __name__ == "__main__":
    main()
