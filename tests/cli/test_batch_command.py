"""``bothends batch``: many logs, a line each; one that cannot be used does not stop the others."""

import csv
import json
import re

import pytest

from telemetry.logbook import Logbook
from tests.cli.cli_fixtures import *  # noqa: F403


def test_a_day_of_logs_with_a_bad_one_in_it(run, files, tmp_path):
    log, bike = files
    again = tmp_path / "again.csv"
    again.write_bytes(log.read_bytes())
    bad = tmp_path / "bad.csv"
    bad.write_text("time,fork\n0,one\n")
    code, out, err = run(
        "batch", log, bad, again, "--bike", bike, "--csv", tmp_path / "laps.csv", "--json", tmp_path / "day.json",
        "--logbook", tmp_path / "book",
    )  # fmt: skip
    assert code == 1
    assert str(bad) in err and "1 of 3 logs could not be used" in err and err.count("\n") == 2
    assert "again.csv" in out and "Traceback" not in out + err
    runs = json.loads((tmp_path / "day.json").read_text())["runs"]
    assert [bool(one["error"]) for one in runs] == [False, True, False]
    rows = list(csv.DictReader((tmp_path / "laps.csv").open()))
    laps = [lap for one in runs for lap in one["laps"]]
    assert len(rows) == len(laps) > 2
    for row, lap in zip(rows, laps, strict=True):
        assert int(row["lap"]) == lap["lap"]
        assert float(row["lap.time_s"]) == pytest.approx(lap["lap.time_s"])
    kept = Logbook(tmp_path / "book", create=False)
    assert len(kept.runs()) == 1  # the same bytes are one run
    summary = kept.summary(kept.runs()[0].run_id)
    used = [f"{summary.ends[end].wheel.travel.used_pct:.0f}" for end in ("front", "rear")]
    assert f" {' / '.join(used)} " in out


def test_all_of_them_sound(run, files):
    log, bike = files
    code, out, err = run("batch", log, "--bike", bike)
    assert (code, err) == (0, "")
    assert (
        len(re.findall(r" 1 +1:\d\d\.\d\d +\d+ / \d+ ", out)) == 1
    )  # one lap, its time, travel used front and rear
