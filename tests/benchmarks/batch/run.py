"""A batch on the cores of this machine and on a Dask cluster.

    python -m tests.benchmarks.batch.run [--logs 16] [--minutes 10] [--cluster 200]

Wall time of ``bothends batch`` on two processes against one, fresh processes in turn; a batch that is killed and
started again: logs reviewed twice, logs missing. With ``--cluster N``: N small logs on a local Dask cluster of two
processes, one of them killed in the middle, against the same jobs one after the other. Nothing is asserted.
"""

import argparse
import os
import resource
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from telemetry.batch import Job, run_job, run_on_cluster
from telemetry.bike import load_bike
from telemetry.season import Dataset
from telemetry.simulate import DEMO_BIKE_TOML, demo_bike, simulate_outing, write_log
from tests.batch.day import BIKE, small_logs

FIRST_SEED = 1_600_000


def logs_of_a_day(place: Path, n: int, minutes: float) -> list[Path]:
    """Simulated outings at 200 Hz."""
    place.mkdir()
    (place / "bike.toml").write_text(DEMO_BIKE_TOML, encoding="utf-8")
    logs = [place / f"2026-05-01 outing {k + 1:02d}.csv" for k in range(n)]
    laps = max(round(minutes * 60 / 83.0), 1)
    write_log(simulate_outing(demo_bike(), seed=FIRST_SEED, laps=laps, log_rate_hz=200.0), logs[0])
    header, *rows = logs[0].read_text().splitlines(keepends=True)
    for k, log in enumerate(logs[1:], start=1):  # the same ride from another sample on: other bytes
        log.write_text("".join([header, rows[0], *rows[1 + k :]]))
    return logs


def command(logs: list[Path], out: Path, workers: int) -> list[str]:
    """The batch command."""
    tool = [sys.executable, "-c", "import sys; from telemetry.cli import main; sys.exit(main())"]
    bike = logs[0].parent / "bike.toml"
    return [
        *tool,
        "batch",
        *map(str, logs),
        "--bike",
        str(bike),
        "--workers",
        str(workers),
        "--out",
        str(out),
    ]


def timed(folder: Path, logs: list[Path], rounds: int) -> None:
    """Wall and processor time on one and on two processes, in turn. On a busy machine only the latter means much."""
    walls: dict[int, list[float]] = {1: [], 2: []}
    spent: dict[int, list[float]] = {1: [], 2: []}
    for round_ in range(rounds):
        for workers, found in walls.items():
            start, before = time.perf_counter(), cpu_of_children_s()
            out = folder / f"out-{round_}-{workers}"
            subprocess.run(command(logs, out, workers), check=True, stdout=subprocess.DEVNULL)
            found.append(time.perf_counter() - start)
            spent[workers].append(cpu_of_children_s() - before)
            print(f"  {workers} process(es): {found[-1]:.1f} s wall, {spent[workers][-1]:.1f} s of processors; "
                  f"load {os.getloadavg()[0]:.1f}", flush=True)  # fmt: skip
    wall, cpu = (
        statistics.median(two / one for one, two in zip(found[1], found[2], strict=True))
        for found in (walls, spent)
    )
    print(f"{len(logs)} logs on two processes over one, median: wall {wall:.2f}, processors {cpu:.2f}; "
          f"wall on two free cores would be near {cpu / 2:.2f}")  # fmt: skip


def cpu_of_children_s() -> float:
    """Processor seconds of all finished processes below this one. [s]"""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def killed(folder: Path, logs: list[Path]) -> None:
    """A batch killed after a third of its logs, and started again."""
    out = folder / "killed"
    process = subprocess.Popen(command(logs, out, 2), stdout=subprocess.DEVNULL)
    while len(list(out.glob("*/[!.]*.parquet"))) < len(logs) // 3:
        time.sleep(0.02)
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    before = {path: path.stat().st_mtime_ns for path in out.glob("*/[!.]*.parquet")}
    subprocess.run(command(logs, out, 2), check=True, stdout=subprocess.DEVNULL)
    twice = sum(path.stat().st_mtime_ns != written for path, written in before.items())
    records = Dataset(out).records()
    missing = len(logs) - len({record.log for record in records if record.rows})
    print(f"killed after {len(before)} of {len(logs)}, started again: {twice} reviewed twice, {missing} missing, "
          f"{len(records) - len(logs)} more than once")  # fmt: skip


def clustered(folder: Path, n: int) -> None:
    """Small logs on a Dask cluster with a worker killed in the middle, against the same jobs in turn."""
    from distributed import LocalCluster

    bike = load_bike(BIKE)
    jobs = [Job(str(log), bike) for log in small_logs(folder / "day", n)]
    dataset = Dataset(folder / "season")
    start = time.perf_counter()
    with LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as cluster:
        running = run_on_cluster(jobs, run_job, run_job, address=cluster.scheduler_address)
        for done, (_, record) in enumerate(running, start=1):
            dataset.add(record)
            if done == n // 2:
                os.kill(next(iter(cluster.workers.values())).pid, signal.SIGKILL)
    wall = time.perf_counter() - start
    serial = sorted((run_job(job) for job in jobs), key=lambda record: record.log)
    found = dataset.records()
    unlike = sum(a != b for a, b in zip(found, serial, strict=True))
    failed = sum(not record.rows for record in found)
    print(f"cluster: {len(found)} of {n} runs in {wall:.0f} s with one worker killed; {unlike} unlike the serial ones, "
          f"{failed} failed")  # fmt: skip


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--logs", type=int, default=16, help="0 leaves the part on this machine out")
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--cluster", type=int, default=0, metavar="N")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if asked.logs:
            logs = logs_of_a_day(folder / "logs", asked.logs, asked.minutes)
            timed(folder, logs, asked.rounds)
            killed(folder, logs)
        if asked.cluster:
            clustered(folder, asked.cluster)


if __name__ == "__main__":
    main()
