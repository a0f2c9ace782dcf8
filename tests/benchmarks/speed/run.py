"""Cost of reviews, of the store and of a zoom, as ratios in one run; of two versions of the program side by side.

    python -m tests.benchmarks.speed.run [--before TREE] [--parts start review growth store zoom serve] [--rounds 3]

``--before`` names a checkout of another commit: its figures stand beside those of this one. Every figure is of a fresh
process, imports and all: CPU seconds (user and system) and peak memory; rounds take turns, so that a busy machine
slows all alike. B is a bare parse of the same CSV on one thread, N the notebook peer (`peer.py`). Trust ratios, not
seconds. Nothing is asserted.
"""

import argparse
import json
import os
import platform
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

from tests.benchmarks.reading.long_log import FIXTURES

HERE = Path(__file__).parents[3]
BIKE = FIXTURES / "qb-6.toml"
BARE = """
import sys, pyarrow as pa, pyarrow.csv as c
c.read_csv(sys.argv[1], read_options=c.ReadOptions(use_threads=False))
"""
WRITE = """
import sys
from pathlib import Path
from tests.benchmarks.reading.long_log import write_long_log
print(write_long_log(Path(sys.argv[1]), float(sys.argv[2]), float(sys.argv[3])))
"""
# What a review has done when nothing is computed yet that the peer does not compute as well.
FIRST_STEPS = {
    "imports": "import gc, telemetry.cli.log, telemetry.report, scipy.linalg; gc.freeze()",  # as the command does
    "and read": "log = telemetry.logs.read_log(sys.argv[1])",
    "and travel": "run, motion = telemetry.review.steps.motion_of(log, telemetry.bike.load_bike(sys.argv[2]))",
    "and laps": "track = telemetry.laps.find_track(run)",
}
COMMAND = "import sys; from telemetry.cli import main; sys.exit(main(sys.argv[1:]))"
LOGS = {"20 min, 1 kHz": (20, 1000.0), "2 h, 1 kHz": (120, 1000.0), "2 h, 200 Hz": (120, 200.0)}
GROWTH_MIN = (5, 20, 60, 120, 240)


@dataclass(frozen=True)
class Cost:
    """Of one finished process. [s, s, MiB]"""

    user_s: float
    system_s: float
    peak_mib: float
    said: str = ""

    @property
    def cpu_s(self) -> float:
        """User and system. [s]"""
        return self.user_s + self.system_s


def cost(arguments: Sequence[str], tree: Path | None = None) -> Cost:
    """Run Python with arguments, on the code of a checkout."""
    environment = {**os.environ, "PYTHONPATH": str(tree or "")}
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "PYTHONDONTWRITEBYTECODE"):
        environment.pop(name, None)  # as a person's shell has it
    with tempfile.TemporaryFile("w+") as said:
        child = subprocess.Popen([sys.executable, *arguments], env=environment, stdout=said, cwd="/")
        _, status, used = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
        if child.returncode:
            raise SystemExit(f"{' '.join(arguments)[:200]} failed with {child.returncode}")
        said.seek(0)
        return Cost(used.ru_utime, used.ru_stime, used.ru_maxrss / 1024, said.read())


def write_log(path: Path, minutes: float, rate_hz: float = 1000.0) -> int:
    """Write a long log and return its rows: in another process, as a child's peak counts what its parent ever held."""
    return int(cost(["-c", WRITE, str(path), str(minutes), str(rate_hz)], HERE).said)


def middle(costs: Sequence[Cost]) -> Cost:
    """Medians."""
    return Cost(
        *(
            statistics.median(getattr(one, name) for one in costs)
            for name in ("user_s", "system_s", "peak_mib")
        )
    )


def machine(trees: dict[str, Path]) -> None:
    """What it ran on."""
    model = next(
        (line.partition(":")[2].strip() for line in _lines("/proc/cpuinfo") if "model name" in line), ""
    )
    memory = next(
        (int(line.split()[1]) / 2**20 for line in _lines("/proc/meminfo") if "MemTotal" in line), 0.0
    )
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
    libraries = ", ".join(
        f"{name} {version(name)}" for name in ("numpy", "scipy", "pyarrow", "pandas", "numba")
    )
    print(f"{model or platform.processor()}, {os.cpu_count()} cores, {memory:.0f} GiB, load {load:.1f}")
    print(f"{platform.platform()}, Python {platform.python_version()}, {libraries}")
    for name, tree in trees.items():
        said = subprocess.run(
            ["git", "-C", tree, "log", "-1", "--format=%h %s"], capture_output=True, text=True
        )
        print(f"{name}: {said.stdout.strip()}")


def _lines(path: str) -> list[str]:
    return Path(path).read_text().splitlines() if Path(path).exists() else []


def review_arguments(log: Path, folder: Path) -> list[str]:
    """``bothends review`` with its result as JSON."""
    return ["-c", COMMAND, "review", str(log), "--bike", str(BIKE), "--json", str(folder / "out.json")]


def reviews(trees: dict[str, Path], folder: Path, rounds: int, logs: Sequence[str]) -> None:
    """Table of reviews against bare parse and peer; and of the first steps of a review, each with those before it."""
    for name in logs:
        log = folder / "log.csv"
        rows = write_log(log, *LOGS[name])
        print(f"\n{name}: {rows} rows, {log.stat().st_size / 1e6:.0f} MB of CSV")
        print(f"{'':12}{'user':>8}{'system':>8}{'CPU [s]':>9}{'/B':>7}{'/N':>7}{'peak MiB':>10}{'/N':>7}")
        found: dict[str, list[Cost]] = {row: [] for row in ("B", "N", *FIRST_STEPS, *trees)}
        for _ in range(rounds):
            found["B"].append(cost(["-c", BARE, str(log)]))
            found["N"].append(
                cost([str(Path(__file__).with_name("peer.py")), str(log), str(folder / "n.json")])
            )
            for count, step in enumerate(FIRST_STEPS, 1):
                code = "; ".join(["import sys", *list(FIRST_STEPS.values())[:count]])
                found[step].append(cost(["-c", code, str(log), str(BIKE)], HERE))
            for tree, path in trees.items():
                found[tree].append(cost(review_arguments(log, folder), path))
        for tree, costs in found.items():
            one = middle(costs)
            by_b, by_n = (
                statistics.median(a.cpu_s / b.cpu_s for a, b in zip(costs, found[peer], strict=True))
                for peer in "BN"
            )
            memory = one.peak_mib / middle(found["N"]).peak_mib
            print(f"{tree:12}{one.user_s:8.2f}{one.system_s:8.2f}{one.cpu_s:9.2f}{by_b:7.2f}{by_n:7.2f}"
                  f"{one.peak_mib:10.0f}{memory:7.2f}")  # fmt: skip


def growth(trees: dict[str, Path], folder: Path) -> None:
    """CPU and peak memory of a review by length, and how far from a straight line through the ends."""
    print(f"\nGrowth at 1 kHz\n{'':12}{'minutes':>8}{'user':>8}{'system':>8}{'CPU [s]':>9}{'s/min':>8}{'peak MiB':>10}"
          f"{'MiB/min':>9}")  # fmt: skip
    log, last = folder / "log.csv", {tree: (0.0, Cost(0.0, 0.0, 0.0)) for tree in trees}
    for minutes in GROWTH_MIN:
        write_log(log, minutes)
        for tree, path in trees.items():
            one = cost(review_arguments(log, folder), path)
            before_min, before = last[tree]
            more = minutes - before_min
            print(f"{tree:12}{minutes:8d}{one.user_s:8.2f}{one.system_s:8.2f}{one.cpu_s:9.2f}"
                  f"{(one.cpu_s - before.cpu_s) / more:8.3f}{one.peak_mib:10.0f}"
                  f"{(one.peak_mib - before.peak_mib) / more:9.1f}")  # fmt: skip
            last[tree] = minutes, one


ADD = """
import sys
from telemetry.logbook import Logbook
Logbook(sys.argv[1]).add(sys.argv[2], sys.argv[3])
"""
REOPEN = """
import sys, time
from telemetry.logbook import Logbook
began = time.process_time()
book = Logbook(sys.argv[1])
run_id = book.runs()[0].run_id
summary, log = book.summary(run_id), book.log(run_id)
print(time.process_time() - began)
"""


def store(trees: dict[str, Path], folder: Path, rounds: int, minutes: Sequence[float]) -> None:
    """Size of a stored run, and what adding and opening one cost."""
    print(f"\nStore\n{'':12}{'minutes':>8}{'add/B':>8}{'peak MiB':>10}{'reopen/B':>10}{'process/B':>10}"
          f"{'beside':>9}{'original':>9}   (bytes over CSV)")  # fmt: skip
    for length in minutes:
        log = folder / "log.csv"
        write_log(log, length)
        for tree, path in trees.items():
            book = folder / f"book {tree} {length:g}"
            added = cost(["-c", ADD, str(book), str(log), str(BIKE)], path)
            bare, opened, whole = [], [], []
            for _ in range(rounds):
                bare.append(cost(["-c", BARE, str(log)]).cpu_s)
                whole.append(cost(["-c", REOPEN, str(book)], path))
                opened.append(float(whole[-1].said))
            sizes = {file: file.stat().st_size for file in book.rglob("*") if file.is_file()}
            original = sum(size for file, size in sizes.items() if file.parent.name == "original")
            csv = log.stat().st_size
            ratio, of_all = (
                statistics.median(a / b for a, b in zip(each, bare, strict=True))
                for each in (opened, [one.cpu_s for one in whole])
            )
            print(f"{tree:12}{length:8g}{added.cpu_s / statistics.median(bare):8.2f}{added.peak_mib:10.0f}{ratio:10.2f}"
                  f"{of_all:10.2f}{(sum(sizes.values()) - original) / csv:9.3f}{original / csv:9.3f}")  # fmt: skip


def start(trees: dict[str, Path], rounds: int) -> None:
    """CPU of short commands against a bare interpreter and against the import of NumPy."""
    print(f"\nStart-up\n{'':12}{'command':>10}{'CPU [s]':>9}{'/python':>9}{'/numpy':>9}")
    log = FIXTURES / "qb3-semicolon.csv"
    asked = {
        "--help": ["--help"],
        **{name: [name, str(log), "--bike", str(FIXTURES / "qb-3.toml")] for name in ("check", "review")},
    }
    for tree, path in trees.items():
        for name, arguments in asked.items():
            rows = [
                [cost(["-c", code]).cpu_s for code in ("pass", "import numpy")]
                + [cost(["-c", COMMAND, *arguments], path).cpu_s]
                for _ in range(rounds)
            ]
            python, numpy, own = (statistics.median(column) for column in zip(*rows, strict=True))
            print(f"{tree:12}{name:>10}{own:9.3f}{own / python:9.1f}{own / numpy:9.1f}")


def screen(trees: dict[str, Path], folder: Path, part: str) -> None:
    """Zooms and page views on the server, over a run of 2 h at 1 kHz."""
    log = folder / "log.csv"
    books = {tree: folder / f"book {tree} 120" for tree in trees}
    for tree, path in trees.items():
        if not books[tree].exists():
            write_log(log, 120)
            cost(["-c", ADD, str(books[tree]), str(log), str(BIKE)], path)
    print(f"\n{part}: on the server, 2 h at 1 kHz")
    for tree, path in trees.items():
        said = cost([str(Path(__file__).with_name("views.py")), part, str(books[tree])], path).said
        figures = json.loads(said.splitlines()[-1])
        print(f"{tree:12}" + ", ".join(f"{name} {value:.4g}" for name, value in figures.items()))


def main() -> None:
    """Print the tables asked for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parts = ("start", "review", "growth", "store", "zoom", "serve")
    parser.add_argument("--before", type=Path, help="a checkout of another commit")
    parser.add_argument("--parts", nargs="+", choices=parts, default=parts)
    parser.add_argument("--logs", nargs="+", choices=tuple(LOGS), default=tuple(LOGS), metavar="NAME")
    parser.add_argument("--minutes", nargs="+", type=float, default=(20, 120), help="of the stored runs")
    parser.add_argument("--rounds", type=int, default=3)
    asked = parser.parse_args()
    trees = ({"before": asked.before.resolve()} if asked.before else {}) | {"now": HERE}
    machine(trees)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for part in asked.parts:
            if part == "review":
                reviews(trees, folder, asked.rounds, asked.logs)
            elif part == "start":
                start(trees, asked.rounds)
            elif part == "growth":
                growth(trees, folder)
            elif part == "store":
                store(trees, folder, asked.rounds, asked.minutes)
            else:
                screen(trees, folder, part)


if __name__ == "__main__":
    main()
