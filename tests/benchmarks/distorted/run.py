"""Logs with several faults at once through the whole review: no traceback, no warning, no needless refusal.

    python -m tests.benchmarks.distorted.run --logs 1000 --seed 1

Takes simulated outings of two short laps (100 to 1000 Hz; ridden once, then kept in ``--cache``), does what happens on
a weekend to a copy of each, several kinds at once at random (`distort.py`), writes it as a file and reviews that file:
review, JSON, printed debrief and page, in process, with every Python warning an error; one in fifty through the command
as well. A refusal is wrong where an end stayed untouched for a lap. Prints the counts and every log that went wrong,
which ``--only NUMBER`` makes again and ``--keep DIR`` keeps; exit code 1 if there was any.
"""

import argparse
import io
import os
import pickle
import random
import subprocess
import sys
import tempfile
import traceback
import warnings
from collections import Counter
from contextlib import redirect_stderr
from dataclasses import dataclass
from functools import cache as cache_result
from hashlib import sha256
from itertools import pairwise
from pathlib import Path

from rich.console import Console

import telemetry.simulate
from telemetry.bike import load_bike
from telemetry.cli.inputs import with_channels
from telemetry.errors import BothEndsError
from telemetry.logs import read_log
from telemetry.report import debrief_html, print_review
from telemetry.review import review
from telemetry.simulate import DEMO_BIKE_TOML, Riding, Road, Sensors, demo_bike, simulate_outing
from telemetry.summary import summary_to_json
from tests.benchmarks.distorted.distort import Distorted, distorted
from tests.randomised.circuits import small_circuit

# Rates, what the logger says of laps, and how slow channels are written.
OUTINGS: tuple[tuple[float, Sensors], ...] = (
    (200.0, Sensors()),
    (100.0, Sensors(slow_cells="hold", bits=10)),
    (500.0, Sensors(lap_signal="beacon", noise_mm=0.1)),
    (200.0, Sensors(lap_signal="none", slow_cells="hold")),
    (200.0, Sensors(lap_signal="beacon", gps=False)),
    (1000.0, Sensors(lap_signal="lap")),
)
THROUGH_THE_COMMAND = 50


@dataclass(frozen=True)
class Outcome:
    """What came of one log: "reviewed", "refused", "REFUSED" (though an end was untouched for a lap) or "CRASHED"."""

    number: int
    kind: str
    words: str = ""
    log: Distorted | None = None


def ridden(number: int, seed: int, cache: Path | None) -> Distorted:
    """One of the outings as its log, nothing wrong with it; ridden when it is not kept yet."""
    which = number % len(OUTINGS)
    kept = cache / f"{_simulator()}-{seed}-{which}.pickle" if cache else None
    if kept is not None and kept.is_file():
        return Distorted.of(*pickle.loads(kept.read_bytes()))
    rate_hz, sensors = OUTINGS[which]
    outing = simulate_outing(
        demo_bike(), circuit=small_circuit(), laps=2, log_rate_hz=rate_hz, riding=Riding(out_lap_m=60.0, in_lap_m=40.0),
        step_s=1 / 2000, road=Road(), sensors=sensors, seed=seed + which,
    )  # fmt: skip
    lap_s = float(max(b - a for a, b in pairwise(outing.truth.lap_start_s)))
    parts = (dict(outing.log_columns), dict(outing.units), lap_s)
    if kept is not None:
        kept.write_bytes(pickle.dumps(parts))
    return Distorted.of(*parts)


@cache_result
def _simulator() -> str:
    """A name of this very simulator: what was ridden with another is not taken."""
    files = sorted(Path(telemetry.simulate.__file__).parent.glob("*.py"))
    return sha256(b"".join(file.read_bytes() for file in files)).hexdigest()[:12]


def made(number: int, seed: int, cache: Path | None) -> Distorted:
    """The log of a number; the same number and seed give the same log."""
    return distorted(ridden(number, seed, cache), random.Random(f"{seed} {number}"))


def review_one(number: int, log: Distorted, path: Path, bike: Path) -> Outcome:
    """Review one log as the command does."""
    log.write(path)
    try:
        with warnings.catch_warnings(), redirect_stderr(io.StringIO()):
            warnings.simplefilter("error")
            raw = read_log(path)
            given = {key: name for key, name in log.given.items() if raw.called(name) is not None}
            found = review(raw, with_channels(load_bike(bike), raw, given))
            summary_to_json(found.summary)
            debrief_html(found.summary, found.traces, appendix=True)
            print_review(found.summary, Console(file=io.StringIO(), width=100))
    except BothEndsError as error:
        needless = log.untouched_s() >= log.lap_s
        return Outcome(number, "REFUSED" if needless else "refused", str(error), log)
    except Exception as error:  # what this looks for
        ours = [f for f in traceback.extract_tb(error.__traceback__) if "/telemetry/" in f.filename]
        place = f"{Path(ours[-1].filename).name}:{ours[-1].lineno}" if ours else "?"
        return Outcome(number, "CRASHED", f"{type(error).__name__} at {place}: {error}", log)
    return Outcome(number, "reviewed", "", log)


def by_command(number: int, log: Distorted, path: Path, bike: Path) -> Outcome:
    """The same log through the command: it says one line or nothing on standard error, and exits with 0 or 1."""
    log.write(path)
    start = "import sys; from telemetry.cli import main; sys.exit(main())"
    command = [sys.executable, "-c", start, "review", str(path), "--bike", str(bike)]
    given = ",".join(f"{key}={name}" for key, name in log.given.items())
    command += ["--channels", given] if given else []
    with tempfile.TemporaryDirectory() as settings:
        done = subprocess.run(
            command,
            capture_output=True,
            text=True,
            check=False,
            env={**os.environ, "BOTHENDS_CONFIG": settings},
        )
    said = [line for line in done.stderr.splitlines() if not line.startswith(("Kept for", "Columns as"))]
    fine = (
        done.returncode in (0, 1) and len(said) == done.returncode and "inside the program" not in done.stderr
    )
    return Outcome(
        number, "by command" if fine else "CRASHED", "" if fine else f"{done.returncode}: {said[-1:]}", log
    )


def outcomes(numbers: list[int], seed: int, cache: Path | None, keep: Path | None = None) -> list[Outcome]:
    """Make and review the logs of these numbers."""
    found = []
    with tempfile.TemporaryDirectory(prefix="bothends-distorted-") as place:
        bike = Path(place) / "bike.toml"
        bike.write_text(DEMO_BIKE_TOML, encoding="utf-8")
        for number in numbers:
            log = made(number, seed, cache)
            path = (keep or Path(place)) / f"{number}.csv"
            found.append(review_one(number, log, path, bike))
            if number % THROUGH_THE_COMMAND == THROUGH_THE_COMMAND - 1:
                found.append(by_command(number, log, path, bike))
            if keep is None:
                path.unlink()
    return found


def main() -> int:
    """Run, print the counts and what went wrong; the exit code says whether anything did."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--logs", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", type=int, nargs="+", help="numbers of the logs to make, instead of all")
    parser.add_argument("--keep", type=Path, help="directory to leave the logs in")
    parser.add_argument(
        "--cache", type=Path, default=Path(tempfile.gettempdir()) / "bothends-distorted-outings"
    )
    parser.add_argument("--refusals", action="store_true", help="print the right refusals as well")
    arguments = parser.parse_args()
    arguments.cache.mkdir(parents=True, exist_ok=True)
    if arguments.keep:
        arguments.keep.mkdir(parents=True, exist_ok=True)
    counts: Counter[str] = Counter()
    kinds: Counter[str] = Counter()
    for number in arguments.only or range(arguments.logs):
        for one in outcomes([number], arguments.seed, arguments.cache, arguments.keep):
            counts[one.kind] += 1
            assert one.log is not None
            if one.kind.isupper() or (arguments.refusals and one.kind == "refused"):
                kinds.update(one.log.kinds)
                print(f"{one.kind} {number} ({', '.join(one.log.kinds)}): {one.words}", flush=True)
    print(", ".join(f"{kind} {count}" for kind, count in sorted(counts.items())))
    if kinds:
        print("kinds among those above:", ", ".join(f"{kind} {count}" for kind, count in kinds.most_common()))
    return int(counts["CRASHED"] + counts["REFUSED"] > 0)


if __name__ == "__main__":
    raise SystemExit(main())
