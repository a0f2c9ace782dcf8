"""What finding the track costs, as a ratio to the bare parse of the same log in the same process."""

import statistics
import tempfile
import time
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as csv

from telemetry.laps import find_track
from tests.benchmarks.laps.outings import LINE, run_and_columns

DECIMALS = {"latitude": 7, "longitude": 7}


def print_cost(minutes: float, rate_hz: float = 1000.0, rounds: int = 5) -> None:
    """Print processor seconds of both, and their ratio; medians of rounds in turn."""
    laps = max(round(minutes * 60 / 85.0), 1)
    run, columns = run_and_columns(5, laps=laps, log_rate_hz=rate_hz)
    table = pa.table({name: np.round(values, DECIMALS.get(name, 4)) for name, values in columns.items()})
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        csv.write_csv(table, path)
        size = path.stat().st_size / 1e6
        del table, columns

        def bare() -> None:
            csv.read_csv(path, read_options=csv.ReadOptions(use_threads=False))

        works = {"bare parse": bare, "find_track": lambda: find_track(run, start_line=LINE)}
        spent: dict[str, list[float]] = {name: [] for name in works}
        for _ in range(rounds):
            for name, work in works.items():
                start = time.process_time()
                work()
                spent[name].append(time.process_time() - start)
    print(f"{run.duration_s / 60:.0f} min at {rate_hz:g} Hz, {size:.0f} MB of CSV, {rounds} rounds")
    for name, seconds in spent.items():
        print(f"{name:<12}{statistics.median(seconds):8.2f} s")
    ratios = [b / a for a, b in zip(spent["bare parse"], spent["find_track"], strict=True)]
    print(f"{'ratio':<12}{statistics.median(ratios):8.2f}")
