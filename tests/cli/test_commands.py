"""The command does what it says, with real files, and in real processes where that matters."""

import argparse
import json
import os
import re
import signal
import subprocess
import time
import urllib.request
from types import SimpleNamespace

import numpy as np
import pyarrow.parquet as pq
import pytest

from telemetry import cli
from telemetry.cli.parser import SCENARIOS, build_parser
from telemetry.summary import TRACE_COLUMNS, summary_from_json
from tests.cli.cli_fixtures import *  # noqa: F403
from tests.cli.cli_fixtures import BOTHENDS


def test_review_as_a_person_runs_it(shell, files, tmp_path):
    log, bike = files
    done = shell(
        "review", log, "--bike", bike, "--json", "r.json", "--traces", "t.parquet", "--html", "d.html"
    )
    assert (done.returncode, done.stderr) == (0, "")
    summary = summary_from_json((tmp_path / "r.json").read_bytes())
    text = " ".join(done.stdout.split())
    assert all(" ".join(sentence.split()) in text for sentence in summary.verdicts)
    table = pq.read_table(tmp_path / "t.parquet")
    assert set(TRACE_COLUMNS) >= set(table.column_names)
    deepest = float(np.nanmax(table["rear_wheel_mm"].to_numpy()))
    assert deepest == pytest.approx(summary.ends["rear"].wheel.travel.max_mm, abs=0.5)
    assert (tmp_path / "d.html").read_text().startswith("<!DOCTYPE html>")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["d.html", "r.json", "t.parquet"]


def test_review_with_a_sheet_and_a_start_line(run, files, tmp_path):
    log, bike = files
    sheet = tmp_path / "sheet.toml"
    sheet.write_text("[rear]\nshock_length_mm = 315\n")
    code, out, _ = run("review", log, "--bike", bike, "--setup", sheet, "--line", "-33.5,151.2")
    assert code == 0
    assert "rear shock length" in out
    assert "laps from: lap channel" not in out and "start line given is" in " ".join(out.split())


def test_check_with_and_without_a_bike(run, files, tmp_path):
    log, bike = files
    code, out, _ = run("check", log, "--json", tmp_path / "c.json")
    assert code == 0 and "fork" in out and "--bike" in out
    data = json.loads((tmp_path / "c.json").read_text())
    assert data["schema"] == "bothends.check/1" and data["judged"] == []
    code, out, _ = run("check", log, "--bike", bike)
    assert code == 0 and "What can be judged" in out and "rear travel and speed" in out


def test_check_shows_the_columns_and_then_says_why_not(run, files, tmp_path):
    log, bike = files
    other = tmp_path / "bike.toml"
    other.write_text(bike.read_text().replace('channel = "shock"', 'channel = "rear pot"'))
    code, out, err = run("check", log, "--bike", other)
    assert (
        (code, err) == (0, "")
        and "shock" in out
        and "no column 'rear pot' (rear travel)" in " ".join(out.split())
    )
    other.write_text(other.read_text().replace('channel = "fork"', 'channel = "front pot"'))
    code, out, err = run("check", log, "--bike", other)
    assert code == 1 and "shock" in out and "rear pot" in err and "front pot" in err and err.count("\n") == 1


def test_simulate_writes_log_bike_and_truth(run, tmp_path):
    out = tmp_path / "sim.csv"
    code, printed, _ = run(
        "simulate", out, "--laps", 1, "--rate", 100, "--seed", 4, "--lose-damping", "900,980",
        "--damping-left", 0.1, "--json", tmp_path / "truth-too.json",
    )  # fmt: skip
    assert code == 0
    written = [f"sim.{kind}" for kind in ("csv", "bike.toml", "truth.json", "truth.parquet")]
    assert {path.name for path in tmp_path.iterdir()} == {*written, "truth-too.json"}
    names, what = zip(*(line.split("  ", 1) for line in printed.splitlines()), strict=True)
    assert names == tuple(str(tmp_path / name) for name in (*written, "truth-too.json"))
    assert what[:2] == ("the log: 100 Hz, 2 times over the line", "its bike file")
    truth = json.loads((tmp_path / "sim.truth.json").read_text())
    assert truth == json.loads((tmp_path / "truth-too.json").read_text())
    assert {row["scale"] for row in truth["lost_damping"]} == {0.1} and len(truth["lap_start_s"]) == 2
    true_mm = pq.read_table(tmp_path / "sim.truth.parquet")["rear_wheel_mm"].to_numpy()
    code, _, _ = run("review", out, "--bike", tmp_path / "sim.bike.toml", "--traces", tmp_path / "t.parquet")
    assert code == 0
    read_mm = pq.read_table(tmp_path / "t.parquet")["rear_wheel_mm"].to_numpy()
    assert len(read_mm) == len(true_mm)
    # 12-bit sensors with 0.03 mm noise at the shaft: 0.1 mm at the wheel
    assert np.sqrt(np.nanmean((read_mm - true_mm) ** 2)) < 0.1


def test_scenario_names_are_those_of_the_simulator():
    from telemetry import simulate

    assert tuple(simulate.SCENARIOS) == SCENARIOS


def test_add_then_compare_in_a_logbook(run, files, tmp_path):
    log, bike = files
    book = tmp_path / "book"
    sheet = tmp_path / "sheet.toml"
    sheet.write_text("[front]\npreload_mm = 12\n")
    code, out, _ = run(
        "add", log, "--bike", bike, "--logbook", book, "--name", "one", "--json", tmp_path / "r.json"
    )
    assert code == 0 and re.match(r"Run r\w{16}, one, in ", out)
    assert json.loads((tmp_path / "r.json").read_text())["schema"] == "bothends.review/1"
    page, pdf = tmp_path / "page.html", tmp_path / "page.pdf"
    code, out, _ = run("debrief", "one", "--logbook", book, "--html", page, "--pdf", pdf)
    assert code == 0 and "Both ends over the run" in out and "Debrief: one" in page.read_text()
    assert pdf.read_bytes().startswith(b"%PDF")
    again = run("add", log, "--bike", bike, "--logbook", book)
    assert "was there already" in " ".join(again[1].split())
    other = tmp_path / "other.csv"
    other.write_bytes(log.read_bytes() + b"\n")
    run(
        "add",
        other,
        "--bike",
        bike,
        "--logbook",
        book,
        "--setup",
        sheet,
        "--name",
        "two",
        "--date",
        "2026-05-01",
    )
    code, out, _ = run("compare", "one", "two", "--logbook", book, "--json", tmp_path / "c.json")
    assert code == 0 and "Not enough laps to tell" in out
    data = json.loads((tmp_path / "c.json").read_text())
    assert data["metrics"][0]["a"]["values"] == data["metrics"][0]["b"]["values"]
    code, _, err = run("compare", "one", "three", "--logbook", book)
    assert code == 1 and "has no run 'three'" in err


def test_compare_two_logs_with_their_sheets(run, files, tmp_path):
    log, bike = files
    for name, clicks in (("a", 5), ("b", 12)):
        (tmp_path / f"{name}.toml").write_text(f"[front]\nrebound_clicks = {clicks}\n")
    code, out, _ = run(
        "compare", log, log, "--bike", bike, "--setup-a", tmp_path / "a.toml", "--setup-b", tmp_path / "b.toml"
    )  # fmt: skip
    assert code == 0 and re.search(r"front rebound clicks\s+5\s+12\s+setting", out)


@pytest.fixture(scope="module")
def demo_book(tmp_path_factory):
    """The demo logbook, made by the command itself."""
    book = tmp_path_factory.mktemp("demo") / "book"
    done = subprocess.run(
        [BOTHENDS, "demo", book, "--no-serve", "--json", book.parent / "r.json"],
        capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "5 runs in" in done.stderr and "Both ends, at the wheel" in done.stdout
    assert (book.parent / "r.json").is_file()
    return book


def test_demo_finds_the_loss_and_the_change(run, demo_book):
    from telemetry.logbook import Logbook

    book = Logbook(demo_book, create=False)
    lost = book.summary(book.find("vellmoor-lost-damping").run_id)
    assert lost.oscillation.verdict == "yes"
    code, out, _ = run("compare", "vellmoor-before", "vellmoor-after", "--logbook", demo_book)
    assert code == 0
    # seven clicks out is seven clicks less rebound damping at the fork: it comes up faster, the rear does not
    assert re.search(r"- Front rebound speed, RMS: higher by", out)
    assert re.search(r"- No clear difference in \d+ of \d+ numbers\.\n- Nearest to a clear difference:", out)
    assert not re.search(r"- Rear rebound speed, RMS", out)
    before = len(book.runs())
    code, _, _ = run("demo", demo_book, "--no-serve")
    assert code == 0 and len(book.runs()) == before


def _heeds_ctrl_c():
    """For a child: a shell that starts the tests in its background has it ignore the interrupt signal."""
    signal.signal(signal.SIGINT, signal.default_int_handler)


def test_serve_answers_and_stops_on_ctrl_c(demo_book):
    with subprocess.Popen(
        [BOTHENDS, "serve", demo_book, "--no-browser", "--port", "0"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, preexec_fn=_heeds_ctrl_c,
    ) as server:  # fmt: skip
        try:
            line = next(line for line in server.stdout if line.startswith("READY"))
            with urllib.request.urlopen(line.split()[1], timeout=30) as answer:
                assert answer.status == 200
            server.send_signal(signal.SIGINT)
            _, err = server.communicate(timeout=30)
        finally:
            server.kill()
    assert (server.returncode, err) == (0, "")


def test_ctrl_c_during_work_is_one_line(tmp_path):
    environment = {**os.environ, "TMPDIR": str(tmp_path)}
    with subprocess.Popen(
        [BOTHENDS, "demo", "--no-serve"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment, preexec_fn=_heeds_ctrl_c,
    ) as work:  # fmt: skip
        deadline = time.monotonic() + 60
        while work.poll() is None and not any(tmp_path.rglob("catalogue.sqlite")):
            assert time.monotonic() < deadline
            time.sleep(0.05)  # until it is at work
        work.send_signal(signal.SIGINT)
        out, err = work.communicate(timeout=60)
    assert (work.returncode, out, err) == (130, "", "bothends: stopped.\n")
    assert list(tmp_path.iterdir()) == []  # the temporary logbook is gone


def test_ctrl_c_that_a_library_makes_an_error_of_is_ctrl_c_all_the_same(monkeypatch, capsys, request):
    """As of pydantic, while it builds a model; without Ctrl+C the same error is a fault to report."""

    def library(arguments):
        try:
            if arguments.pressed:
                signal.raise_signal(signal.SIGINT)
        except KeyboardInterrupt:
            pass
        raise ValueError("a model cannot be built")

    as_it_was = signal.signal(signal.SIGINT, signal.default_int_handler)  # a worker of pytest ignores it
    request.addfinalizer(lambda: signal.signal(signal.SIGINT, as_it_was))
    for pressed in (True, False):
        asked = argparse.Namespace(command="review", run=library, pressed=pressed)
        monkeypatch.setattr(
            cli, "build_parser", lambda asked=asked: SimpleNamespace(parse_args=lambda _: asked)
        )
        code = cli.main([])
        assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
        err = capsys.readouterr().err
        if pressed:
            assert (code, err) == (130, "bothends: stopped.\n")
        else:
            assert code == 1 and "cannot be built" in err


def test_a_reader_that_leaves_early_is_no_error(files, tmp_path):
    log, bike = files
    with subprocess.Popen(
        [BOTHENDS, "review", log, "--bike", bike], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as work:
        work.stdout.close()
        err = work.stderr.read()
        work.wait(timeout=60)
    assert (work.returncode, err) == (0, "")


def test_help_of_every_command(run):
    code, out, _ = run("--help")
    assert code == 0
    commands = re.findall(r"^    (\w+) ", out, re.MULTILINE)
    assert set(commands) >= {"demo", "review", "check", "compare", "add", "serve", "simulate"}
    for command in commands:
        code, out, _ = run(command, "--help")
        assert code == 0 and out.startswith(f"usage: bothends {command}")
    code, out, _ = run("--version")
    assert code == 0 and re.fullmatch(r"bothends \d+\.\d+\.\d+\n", out)


def test_every_command_that_computes_takes_json():
    (commands,) = [action for action in build_parser()._actions if action.choices]
    for name, parser in commands.choices.items():
        options = {option for action in parser._actions for option in action.option_strings}
        if name not in ("bike", "logbook"):  # which have commands of their own
            assert ("--json" in options) == (name != "serve")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), "COMMAND"),
        (("fly",), "invalid choice: 'fly'"),
        (("review", "log.csv"), "--bike"),
        (("review", "log.csv", "--bike", "b", "--line", "here"), "'here' is not LAT,LON"),
        (("review", "log.csv", "--bike", "b", "--line", "91,0"), "not on earth"),
        (("simulate", "o.csv", "--laps", "0"), "0 is not within 1 to 200"),
        (("simulate", "o.csv", "--rate", "fast"), "'fast' is not a number"),
        (("simulate", "o.csv", "--rate", "nan"), "nan is not within"),
        (("simulate", "o.csv", "--lose-damping", "9,3"), "TO must be above it"),
        (("simulate", "o.csv", "--damping-left", "0.1"), "needs --lose-damping"),
        (("compare", "a", "b"), "--logbook --bike"),
        (("compare", "a", "b", "--logbook", "x", "--setup-a", "s"), "a logbook knows its own"),
    ],
)
def test_wrong_usage_is_code_2(run, arguments, said):
    code, out, err = run(*arguments)
    assert code == 2 and out == "" and said in err and "Traceback" not in err
