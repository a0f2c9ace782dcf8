"""Data that cannot be used: exit code 1 and one line that says what, where, and what to do."""

import re

import pytest

from tests.cli.cli_fixtures import *  # noqa: F403


def _bike(folder, text):
    path = folder / "bike.toml"
    path.write_text(text)
    return path


def _one_point(text):
    return re.sub(r'(channel = "fork"\n)points = .*', r"\1points = [[0.312, 0.0]]", text)


def _not_rising(text):
    return text.replace("[20.0, 38.776]", "[20.0, 19.0]")


def _column(log_text, name, change):
    """The log with one column changed."""
    head, *rows = log_text.splitlines()
    place = head.split(",").index(name)
    changed = []
    for row in rows:
        cells = row.split(",")
        cells[place] = change(cells[place])
        changed.append(",".join(cells))
    return "\n".join([head, *changed]) + "\n"


BAD_LOGS = {
    "missing": (None, "no such file"),
    "empty": (b"", "is empty"),
    "binary": (bytes(range(256)) * 40, "binary file"),
    "header only": (b"time,fork,shock\n", "no rows of data"),
    "prose": (b"Dear all,\nthe log is attached.\nRegards\n", "is this the log"),
}


@pytest.mark.parametrize("what", BAD_LOGS)
def test_logs_that_cannot_be_read(run, files, tmp_path, what):
    data, said = BAD_LOGS[what]
    log = tmp_path / "log.csv"
    if data is not None:
        log.write_bytes(data)
    _refused(run("review", log, "--bike", files[1]), "log.csv", said)
    _refused(run("check", log), "log.csv", said)
    _refused(run("add", log, "--bike", files[1], "--logbook", tmp_path / "book"), "log.csv", said)


BAD_BIKES = {
    "one calibration point": (_one_point, "front.sensor.points"),
    "leverage that does not rise": (_not_rising, "leverage_table_mm row 3"),
    "misspelt key": (lambda text: text.replace("preload_mm", "prelaod_mm", 1), "prelaod_mm"),
    "no sensors": (lambda text: re.sub(r"\[(front|rear)\.sensor\].*?\n\n", "", text, flags=re.DOTALL), "sensor"),
    "not TOML": (lambda text: "name = ", "not valid TOML"),
}  # fmt: skip


@pytest.mark.parametrize("what", BAD_BIKES)
def test_bike_files_that_cannot_be_used(run, files, tmp_path, what):
    change, said = BAD_BIKES[what]
    log, bike = files
    changed = change(bike.read_text())
    assert changed != bike.read_text()
    _refused(run("review", log, "--bike", _bike(tmp_path, changed)), said)


def test_nothing_but_blanks(run, files, tmp_path):
    log, bike = files
    text = log.read_text()
    for name in ("fork", "shock"):
        text = _column(text, name, lambda _: "NaN")
    (tmp_path / "blank.csv").write_text(text)
    _refused(run("review", tmp_path / "blank.csv", "--bike", bike), "blank.csv", "no numbers")


def test_blanks_at_one_end_leave_the_other(run, files, tmp_path):
    log, bike = files
    (tmp_path / "half.csv").write_text(_column(log.read_text(), "fork", lambda _: ""))
    code, out, err = run("review", tmp_path / "half.csv", "--bike", bike)
    assert (code, err) == (0, "")
    assert "the front cannot be judged" in " ".join(out.split())


def test_missing_bike_and_sheet(run, files, tmp_path):
    log, bike = files
    _refused(run("review", log, "--bike", tmp_path / "none.toml"), "none.toml", "no such bike file")
    _refused(
        run("review", log, "--bike", bike, "--setup", tmp_path / "no.toml"), "no.toml", "no such setup sheet"
    )


@pytest.mark.parametrize("option", ["--json", "--traces", "--html"])
def test_output_that_cannot_be_written(run, files, tmp_path, option):
    log, bike = files
    (tmp_path / "file").write_text("x")
    _refused(
        run("review", log, "--bike", bike, option, tmp_path / "none" / "r.out"), "r.out", "cannot be written"
    )
    _refused(
        run("review", log, "--bike", bike, option, tmp_path / "file" / "r.out"), "r.out", "cannot be written"
    )
    _refused(run("review", log, "--bike", bike, option, tmp_path), "is a directory")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["file"]


@pytest.mark.parametrize("option", ["--json", "--traces", "--html"])
def test_what_was_read_is_never_written_over(run, files, option):
    log, bike = files
    before = log.read_bytes(), bike.read_bytes()
    _refused(run("review", log, "--bike", bike, option, log), "not written over")
    _refused(run("review", log, "--bike", bike, option, bike), "not written over")
    assert (log.read_bytes(), bike.read_bytes()) == before


def test_simulate_writes_csv_only(run, tmp_path):
    _refused(run("simulate", tmp_path / "log.xlsx"), "log.xlsx", "ends in .csv or .csv.gz")


def test_logbooks_that_are_none(run, files, tmp_path):
    log, bike = files
    (tmp_path / "papers").mkdir()
    (tmp_path / "papers" / "a.txt").write_text("a")
    _refused(run("add", log, "--bike", bike, "--logbook", tmp_path / "papers"), "not a logbook")
    _refused(run("serve", tmp_path / "none"), "there is no logbook")
    _refused(run("compare", "a", "b", "--logbook", tmp_path / "none"), "there is no logbook")


@pytest.mark.parametrize("what", ["missing log", "one calibration point"])
def test_as_a_process_too(shell, files, tmp_path, what):
    log, bike = files
    if what == "missing log":
        done = shell("review", "none.csv", "--bike", bike)
    else:
        done = shell("review", log, "--bike", _bike(tmp_path, _one_point(bike.read_text())))
    _refused((done.returncode, done.stdout, done.stderr))


def _refused(result, *said):
    code, out, err = result
    assert code == 1, err
    assert err.startswith("bothends: ") and err.count("\n") == 1 and "Traceback" not in err + out
    for words in said:
        assert words in err
