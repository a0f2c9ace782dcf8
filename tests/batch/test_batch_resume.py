"""``bothends batch --out`` killed in the middle and run again: no log twice, none missing."""

import os
import signal
import subprocess
import sys
import time

from telemetry.cli import main
from telemetry.season import Dataset
from tests.batch.day import BIKE, small_logs

COMMAND = "import sys; from telemetry.cli import main; sys.exit(main())"


def test_a_killed_batch_goes_on_where_it_stood(tmp_path, capsys):
    logs, out = small_logs(tmp_path / "day", 6), tmp_path / "season"
    command = ["batch", *map(str, logs), "--bike", str(BIKE), "--workers", "2", "--out", str(out)]
    process = subprocess.Popen([sys.executable, "-c", COMMAND, *command], stdout=subprocess.DEVNULL)
    limit = time.monotonic() + 120
    while len(before := sorted(out.glob("*/[!.]*.parquet"))) < 2 and time.monotonic() < limit:
        time.sleep(0.01)
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    done = {path: path.stat().st_mtime_ns for path in sorted(out.glob("*/[!.]*.parquet"))}
    assert 2 <= len(before) <= len(done) < 6
    assert main(command) == 0
    assert f"{len(done)} of 6 logs are in" in capsys.readouterr().err
    assert {path: path.stat().st_mtime_ns for path in done} == done  # none of them was reviewed again
    records = Dataset(out).records()
    assert [record.log for record in records] == [str(log) for log in logs]
    assert all(record.rows and not record.error for record in records)


def test_another_bike_file_is_another_result(tmp_path, capsys):
    (log,) = small_logs(tmp_path, 1, step=10)
    other = tmp_path / "bike.toml"
    other.write_text(BIKE.read_text().replace("stroke_mm = 125", "stroke_mm = 130"))
    assert main(["batch", str(log), "--bike", str(BIKE), "--out", str(tmp_path / "season")]) == 0
    assert main(["batch", str(log), "--bike", str(other), "--out", str(tmp_path / "season")]) == 0
    assert "already" not in capsys.readouterr().err
    (record,) = Dataset(tmp_path / "season").records()
    assert record.rows[0].values["front.travel.stroke_mm"] > 115.0  # 130 mm of fork, vertical
