"""A wire that opens, a dead sensor, a sensor written down wrong: the other end is reviewed, and nobody is reassured."""

import json
import re

import numpy as np
import pandas as pd
import pytest

from telemetry.summary import summary_from_json
from tests.cli.cli_fixtures import *  # noqa: F403
from tests.cli.cli_fixtures import FIXTURES
from tests.cli.dashboard_text import said_on

FORK, SHOCK = "fork", "shock"
# What nobody may read of an end that was not measured.
ALL_CLEAR = ("stayed settled.", "Neither end", "No sign of lost rear damping", "no sign of loss:")


@pytest.fixture(scope="module")
def whole():
    """Header rows and numbers of the demo log."""
    path = FIXTURES / "vellmoor-plain.csv"
    lines = path.read_text().splitlines()
    start = next(i for i, line in enumerate(lines) if re.match(r"[-\d.]+[,;]", line))
    head = lines[:start]
    names = next(line for line in head if FORK in line).split(",")
    return head, pd.read_csv(path, skiprows=start, names=names)


@pytest.fixture
def log(whole, tmp_path):
    """Write the demo log with changed columns; one that is None is left out."""

    def write(name="log.csv", **changes):
        head, table = whole
        table = table.copy()
        for column, change in changes.items():
            if change is not None:
                table[column] = change(table[column].to_numpy(copy=True))
        keep = [column for column in table.columns if changes.get(column, True) is not None]
        places = [list(table.columns).index(column) for column in keep]
        lines = [
            line if line.startswith("#") else ",".join(np.array(line.split(","))[places]) for line in head
        ]
        path = tmp_path / name
        path.write_text("\n".join(lines) + "\n" + table[keep].to_csv(index=False, header=False))
        return path

    return write


def half(fault):
    """The second half of a signal as a fault leaves it."""

    def change(signal):
        middle = len(signal) // 2
        rng = np.random.default_rng(3)
        signal[middle:] = fault(signal[middle]) + 0.001 * rng.standard_normal(len(signal) - middle)
        return signal

    return change


def reviewed(run, tmp_path, path, bike, *more):
    code, out, err = run("review", path, "--bike", bike, "--json", tmp_path / "r.json", *more)
    assert (code, err) == (0, "")
    text = (tmp_path / "r.json").read_text()
    return json.loads(text), " ".join(out.split())


@pytest.mark.parametrize("reads", [0.03, 5.0, None, np.nan], ids=["0.03 V", "5 V", "frozen", "blank"])
def test_a_wire_that_opens_half_way_leaves_the_time_before(run, files, log, tmp_path, reads):
    path = log(shock=half(lambda last: last if reads is None else reads))
    review, out = reviewed(run, tmp_path, path, files[1])
    front, rear = review["ends"]["front"], review["ends"]["rear"]
    middle_s = review["run"]["duration_s"] / 2
    assert front["judged"] and rear["judged"] and front["measured_until_s"] is None
    assert front["valid_share"] > 0.99 and 0.3 < rear["valid_share"] < 0.7
    assert rear["measured_until_s"] == pytest.approx(middle_s, abs=0.6)
    seen = f"{100 * rear['valid_share']:.0f} % of the time, until {rear['measured_until_s']:.0f} s"
    assert f"Rear (measured for {seen}) used" in out and "As far as both ends were measured" in out
    assert (
        f"The rear was measured for {seen}: the rest of the time was not judged."
        in review["oscillation"]["reason"]
    )
    assert not any(finding["title"] == "Rear leaves much travel unused" for finding in review["findings"])


@pytest.mark.parametrize("what", ["flat", "missing"])
def test_an_end_that_is_not_there_is_said_and_the_other_is_reviewed(run, files, log, tmp_path, what):
    path = log(shock=None if what == "missing" else lambda signal: np.full(len(signal), 1.2))
    review, out = reviewed(run, tmp_path, path, files[1], "--html", tmp_path / "r.html")
    rear = review["ends"]["rear"]
    assert review["ends"]["front"]["judged"] and not rear["judged"]
    assert "'shock'" in rear["reason"] and f"Rear not judged: {rear['reason']}" in out
    assert rear["bottomed"] == rear["topped_out"] == []
    travel = rear["wheel"]["travel"]
    assert set(travel.values()) == {None} and rear["wheel"]["travel_histogram"]["share"] == []
    assert review["oscillation"]["verdict"] == "cannot_tell"
    (refused,) = [note for note in review["quality"] if note["severity"] == "refused"]
    assert refused["message"] == rear["reason"] and refused["channel"] == "shock"
    assert not any(words in out + (tmp_path / "r.html").read_text() for words in ALL_CLEAR)


def test_batch_and_every_page_say_which_end_was_not_judged(run, files, log, tmp_path):
    dead = log("dead.csv", shock=lambda signal: np.full(len(signal), 1.2))
    off = log("off.csv", shock=half(lambda last: 0.03))
    book = tmp_path / "book"
    code, out, err = run("batch", dead, off, "--bike", files[1], "--logbook", book)
    out = " ".join(out.split())
    assert (code, err) == (0, "")
    assert "rear not judged" in out and re.search(r"(no sign of loss|cannot tell) in \d+ % of the", out)
    assert (
        "dead.csv: Rear not judged: 'shock' reads 1.2 all through" in out
        and "off.csv: Rear measured for" in out
    )
    for page in ("rider", "review", "balance", "runs", "compare"):
        text = said_on(book, page, "dead")
        assert "not judged" in text and "'shock' reads 1.2 all through" in text, page
        assert not any(words in text for words in ALL_CLEAR if page != "runs"), page
    text = said_on(book, "rider", "off")
    assert re.search(
        r"rear never ran out of travel, as far as it was measured \(\d+ % of the time, until", text
    )
    assert "stayed settled." not in text


def _points(text, change):
    """A bike file whose front points are changed."""
    points = [[0.312, 0.0], [1.298, 30.0], [2.284, 60.0], [3.270, 90.0], [4.420, 125.0]]
    changed = re.sub(
        r"points = \[\[0\.312.*", f"points = {[change(signal, mm) for signal, mm in points]}", text, count=1
    )
    assert changed != text
    return changed


WRONG = {
    "signal and mm swapped": (lambda signal, mm: [mm, signal], None, "signal and mm seem to be swapped"),
    "millivolts in the log": (None, lambda signal: 1000 * signal, "millivolts in the log and volts in points?"),
    "millivolts in points": (lambda signal, mm: [1000 * signal, mm], None, "volts in the log and millivolts in"),
    "metres": (lambda signal, mm: [signal, mm / 1000], None, "metres in place of millimetres?"),
    "upside down": (None, lambda signal: 4.732 - signal, "Check whether the sensor is the right way round"),
    "too large": (None, lambda signal: 0.312 + 8 * (signal - 0.312), "times too large"),
    "too small": (None, lambda signal: 0.312 + 0.04 * (signal - 0.312), "the scale is too small"),
}  # fmt: skip


@pytest.mark.parametrize("what", WRONG)
def test_a_sensor_written_down_wrong_is_named_and_costs_its_end(run, files, log, tmp_path, what):
    points, signal, words = WRONG[what]
    bike = tmp_path / "bike.toml"
    text = files[1].read_text()
    bike.write_text(_points(text, points) if points else text)
    path = log(fork=signal) if signal else files[0]
    code, out, err = run("check", path, "--bike", bike, "--json", tmp_path / "c.json")
    assert (code, err) == (0, "")
    check = json.loads((tmp_path / "c.json").read_text())
    judged = {row["what"]: row for row in check["judged"]}
    assert not judged["front travel and speed"]["can"] and judged["rear travel and speed"]["can"]
    assert words in judged["front travel and speed"]["reason"]
    (note,) = [note for note in check["quality"] if note["severity"] == "refused"]
    assert words in note["message"] and note["channel"] == "fork"


def test_swapped_ends_and_two_dead_ends_are_refused_in_one_line(run, files, log, whole):
    table = whole[1]
    swapped = log(fork=lambda signal: table[SHOCK].to_numpy(), shock=lambda signal: table[FORK].to_numpy())
    code, _, err = run("review", swapped, "--bike", files[1])
    assert code == 1 and err.count("\n") == 1 and "swapped" in err
    dead = log(fork=lambda signal: np.full(len(signal), 0.03), shock=lambda signal: np.full(len(signal), 1.0))
    code, _, err = run("review", dead, "--bike", files[1])
    assert code == 1 and err.count("\n") == 1
    assert "neither end can be judged. Front: 'fork' stands at 0.03 all through" in err
    assert "Rear: 'shock' reads 1 all through" in err


@pytest.mark.parametrize(
    ("factor", "swap", "words"),
    [(1.0, True, "the columns are probably the other way about"), (0.001, False, "looks like metres")],
)
def test_a_leverage_table_no_motorcycle_has_is_refused(run, files, tmp_path, factor, swap, words):
    rows = [[0.0, 0.0], [35.0, 66.3], [70.0, 125.0]]
    rows = [[factor * x for x in (row[::-1] if swap else row)] for row in rows]
    bike = tmp_path / "bike.toml"
    text = files[1].read_text()
    bike.write_text(
        re.sub(r"leverage_table_mm = \[\n.*?\n\]", f"leverage_table_mm = {rows}", text, flags=re.DOTALL)
    )
    code, _, err = run("review", files[0], "--bike", bike)
    assert code == 1 and "leverage_table_mm" in err and words in err


def test_a_stored_review_of_an_earlier_version_has_both_ends(run, files, log, tmp_path):
    review, _ = reviewed(run, tmp_path, log(shock=None), files[1])
    for holder in (review, *review["laps"]):
        del holder["ends"]["rear"]
        for key in ("judged", "reason", "measured_from_s", "measured_until_s"):
            del holder["ends"]["front"][key]
    old = summary_from_json(json.dumps(review))
    assert old.ends["front"].judged and not old.ends["rear"].judged and old.ends["rear"].reason
    assert all(not lap.ends["rear"].judged for lap in old.laps)
