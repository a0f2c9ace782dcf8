"""``bothends batch`` on a real Dask scheduler whose workers are processes, one of them killed in the middle."""

import json
import os
import signal
from pathlib import Path

import duckdb
import pytest
from distributed import LocalCluster

from telemetry.batch import Job, run_job, run_on_cluster
from telemetry.bike import load_bike
from telemetry.cli import main
from telemetry.errors import BothEndsError
from telemetry.season import Dataset
from tests.batch.day import BIKE, small_logs


@pytest.fixture(scope="module")
def cluster():
    with LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50
    ) as found:  # fmt: skip
        yield found


def _own(pid_and_more):
    return os.getpid()


def test_the_result_is_the_serial_one_though_a_worker_is_killed(cluster, tmp_path):
    bike = load_bike(BIKE)
    logs = small_logs(tmp_path / "day", 12)
    (tmp_path / "day" / "bad.csv").write_text("time,fork\n0,one\n")
    jobs = [Job(str(log), bike, inputs=str(k)) for k, log in enumerate([*logs, tmp_path / "day" / "bad.csv"])]
    dataset, killed = Dataset(tmp_path / "season"), []
    running = run_on_cluster(jobs, run_job, lambda _: None, address=cluster.scheduler_address)
    for done, (_, record) in enumerate(running, start=1):
        dataset.add(record)
        if done == 3:
            killed.append(next(iter(cluster.workers.values())).pid)
            os.kill(killed[0], signal.SIGKILL)
    assert killed
    serial = sorted((run_job(job) for job in jobs), key=lambda record: record.log)
    assert list(dataset.records()) == serial
    assert [bool(record.error) for record in serial].count(True) == 1
    rows = duckdb.sql(
        f"SELECT count(DISTINCT log), count(*) FILTER (error = '') FROM '{dataset.path}/*/*.parquet' WHERE lap IS NULL"
    )
    assert rows.fetchall() == [(13, 12)]


def test_the_command_reads_addresses_and_goes_on_where_it_stood(cluster, tmp_path, capsys):
    logs = small_logs(tmp_path / "day", 3)
    command = [
        "batch", f"{(tmp_path / 'day').as_uri()}/*.csv".replace("%20", " "), "--bike", str(BIKE),
        "--out", str(tmp_path / "season"), "--scheduler", cluster.scheduler_address, "--json", str(tmp_path / "r.json"),
    ]  # fmt: skip
    assert main(command) == 0
    first = Dataset(tmp_path / "season").records()
    assert [Path(record.log).name for record in first] == [log.name for log in logs]
    assert capsys.readouterr().err == ""
    told = json.loads((tmp_path / "r.json").read_text())
    assert main(command) == 0
    assert "3 of 3 logs are in" in capsys.readouterr().err
    assert Dataset(tmp_path / "season").records() == first
    assert json.loads((tmp_path / "r.json").read_text()) == told


def test_settings_of_the_person_travel_with_the_job(cluster, tmp_path, monkeypatch):
    """A circuit kept on this machine serves on a worker that has none of its own."""
    (log,) = small_logs(tmp_path, 1, step=10)
    lines = log.read_text().splitlines()
    log.write_text("\n".join(line.rsplit(",", 1)[0] for line in lines))  # without lap numbers
    monkeypatch.setenv("BOTHENDS_CONFIG", str(tmp_path / "config"))
    assert main(["batch", str(log), "--bike", str(BIKE), "--line", "47.0,-30.0"]) == 0
    assert len(list((tmp_path / "config" / "circuits").glob("*.toml"))) == 1
    command = ["batch", str(log), "--bike", str(BIKE), "--out"]
    assert main([*command, str(tmp_path / "a"), "--scheduler", cluster.scheduler_address]) == 0
    assert main([*command, str(tmp_path / "b")]) == 0
    assert Dataset(tmp_path / "a").records() == Dataset(tmp_path / "b").records()


def test_no_scheduler_is_said(monkeypatch):
    monkeypatch.setattr("telemetry.batch.workers.CONNECT_S", 1)
    with pytest.raises(BothEndsError, match="no scheduler answers"):
        next(run_on_cluster([1], _own, _own, address="tcp://127.0.0.1:9"))
