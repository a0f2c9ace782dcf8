"""Whatever the input: one line or none on standard error, no traceback, no warning, and a batch goes on."""

import csv
import os

import numpy as np
import pytest

from telemetry.logbook import Logbook
from tests.cli.cli_fixtures import *  # noqa: F403

ROWS = 4000


def _table(log):
    head, *rows = log.read_text().splitlines()[: ROWS + 1]
    return head, rows


def _every(step):
    return lambda head, rows: [head, *rows[::step]]


def _shuffled(head, rows):
    return [head, *(rows[i] for i in np.random.default_rng(3).permutation(len(rows)))]


def _cell(name, value, places=(2000,)):
    def change(head, rows):
        column = head.split(",").index(name)
        for place in places:
            cells = rows[place].split(",")
            cells[column] = value
            rows[place] = ",".join(cells)
        return [head, *rows]

    return change


def _milliseconds(head, rows):
    def in_ms(row):
        time, rest = row.split(",", 1)
        return f"{1000 * float(time):.0f},{rest}"

    return [head.replace("time", "time [s]", 1), *map(in_ms, rows)]


ODD_LOGS = {
    "1 Hz": _every(200),
    "0.7 Hz": _every(300),
    "5 Hz": _every(40),
    "rows shuffled": _shuffled,
    "milliseconds called seconds": _milliseconds,
    "one speed of 1e300": _cell("speed", "1e300"),
    "a hundred speeds of 1e18": _cell("speed", "1e18", range(1000, 1100)),
    "a fork of 1e300": _cell("fork", "1e300"),
    "a time of 1e300": _cell("time", "1e300"),
    "speed 0 throughout": _cell("speed", "0", range(ROWS)),
    "lap 1e300 throughout": _cell("lap", "1e300", range(ROWS)),
}


@pytest.mark.parametrize("what", ODD_LOGS)
def test_an_odd_log_is_reviewed_without_a_word_on_standard_error(run, files, tmp_path, what, recwarn):
    log = tmp_path / "log.csv"
    log.write_text("\n".join(ODD_LOGS[what](*_table(files[0]))) + "\n")
    page = tmp_path / "page.html"
    code, out, err = run("review", log, "--bike", files[1], "--html", page)
    assert (code, err) == (0, "")
    assert "log.csv" in out and page.stat().st_size > 1000
    assert [str(warning.message) for warning in recwarn] == []


def test_a_fault_of_ours_in_one_log_of_a_batch_costs_that_log(files):
    from telemetry.batch import Job, run_job
    from telemetry.bike import load_bike

    def faulty(_):
        return np.zeros(0).argmax()

    record = run_job(Job(str(files[0]), load_bike(files[1]), inputs="known"), faulty)
    assert record.error.startswith(
        f"{files[0]}: something went wrong inside the program (ValueError at test_any_input.py:"
    )
    assert "Please report this line" in record.error and "\n" not in record.error
    assert record.inputs == ""  # the next batch tries it again


def test_a_fault_of_ours_is_one_line_that_names_the_log(run, files, monkeypatch):
    monkeypatch.setattr("telemetry.cli.log.review_log", lambda *_, **__: 1 // 0)
    code, out, err = run("review", files[0], "--bike", files[1])
    assert (code, out, err.count("\n")) == (1, "", 1)
    assert str(files[0]) in err and "ZeroDivisionError at test_any_input.py:" in err


@pytest.mark.parametrize("name", [b"caf\xe9.csv", b"esc\x1b[31m.csv"])
def test_a_log_whose_name_is_none_to_print(run, files, tmp_path, name):
    log = tmp_path / os.fsdecode(name)
    log.write_bytes(files[0].read_bytes())
    page, data = tmp_path / "page.html", tmp_path / "review.json"
    code, out, err = run("review", log, "--bike", files[1], "--html", page, "--json", data)
    assert (code, err) == (0, "")
    assert "\x1b[31m" not in out + page.read_text() + data.read_text()
    assert run("check", log)[0] == 0
    log.write_text("nothing\n")
    code, out, err = run("review", log, "--bike", files[1])
    assert code == 1 and err.count("\n") == 1 and "\x1b" not in err


def test_a_word_that_is_not_utf8(run, files, tmp_path):
    code, _, err = run("add", files[0], "--bike", files[1], "--logbook", tmp_path, "--place", "Caf\udce9")
    assert code == 1 and "place" in err and "is not valid UTF-8" in err and err.count("\n") == 1
    assert Logbook(tmp_path).runs() == ()


def test_no_formula_of_a_file_name_reaches_a_spreadsheet(run, files, tmp_path, monkeypatch):
    (tmp_path / "=1+1.csv").write_bytes(files[0].read_bytes())
    monkeypatch.chdir(tmp_path)
    assert run("batch", "=1+1.csv", "--bike", files[1], "--csv", "laps.csv")[0] == 0
    rows = list(csv.DictReader((tmp_path / "laps.csv").open()))
    assert {row["log"] for row in rows} == {"'=1+1.csv"}


ODD_TOML = {
    "brackets": ("a = " + "[" * 3000, "hundreds deep"),
    "keys": ("[" + ".".join("a" * 3000) + "]\nb = 1", "hundreds deep"),
    "digits": ("wheelbase_mm = " + "1" * 5000, "is not valid TOML"),
    "large": ("[rear]\nrocker_pivot_mm = [1e308, -64]", "rear.rocker_pivot_mm: 1e+308 is beyond"),
    "escape": ('name = "\\u001b]0;x"', "name: holds the control character U\\+001B"),
    "key with an escape": ('"\\u001b" = 1', "a key in it holds the control character"),
}


@pytest.mark.parametrize("what", ODD_TOML)
@pytest.mark.parametrize("option", ["--bike", "--setup", "--circuit"])
def test_odd_toml_is_one_line(run, files, tmp_path, what, option):
    text, said = ODD_TOML[what]
    path = tmp_path / "odd.toml"
    path.write_text(text)
    bike = [] if option == "--bike" else ["--bike", files[1]]
    code, out, err = run("review", files[0], *bike, option, path)
    assert code == 1 and err.count("\n") == 1 and "odd.toml" in err and out == ""
    assert said.replace("\\+", "+") in err
