"""``--from``, ``--to`` and ``--leave-out``: a part of a log, without some of its laps."""

import json
from dataclasses import replace

import numpy as np
import pytest

from telemetry.bike import load_bike
from telemetry.errors import LogError
from telemetry.logbook import Logbook
from telemetry.logs import RawLog, read_log
from telemetry.review import measure, review
from telemetry.review.cut import Cut, cut_log, leave_out_laps
from telemetry.setup.rows import usable_laps
from tests.cli.cli_fixtures import FIXTURES, run

__all__ = ["run"]
LOG, BIKE = FIXTURES / "vellmoor-clean.csv.gz", FIXTURES / "qb-6.toml"


@pytest.fixture(scope="module")
def log():
    """The clean outing at a tenth of its rate: laps and travel are there, and it is quick to review."""
    whole = read_log(LOG)
    return replace(whole, columns={name: values[::10] for name, values in whole.columns.items()})


@pytest.fixture(scope="module")
def bike():
    return load_bike(BIKE)


def plain_log(n=1000):
    return RawLog(
        "made.csv", {"time": np.arange(n) / 10 + 7.0, "fork": np.arange(n) * 1.0}, {"time": "s"}, first_row=3
    )


def test_rows_are_cut_by_the_time_since_the_first(log):
    cut = cut_log(plain_log(), Cut(10.0, 20.0), "time")
    np.testing.assert_array_equal(cut.columns["fork"], np.arange(100.0, 201.0))
    assert cut.first_row == 3 + 100  # messages still name lines of the file
    assert [note.code for note in cut.notes] == ["cut"]
    assert "Only 0:10 to 0:20 of the log is reviewed, as asked" in cut.notes[0].message
    assert "Times count from 0:10 of the log on." in cut.notes[0].message
    assert cut_log(plain_log(), Cut(), "time").notes == ()
    with pytest.raises(LogError, match=r"made\.csv: has no rows from 5:00 to its end; it is 1:39\.9 long"):
        cut_log(plain_log(), Cut(300.0), "time")


def test_a_cut_log_is_reviewed_as_if_it_held_no_more(log, bike):
    # a log with a fault in its second half could not be used for its first
    spoilt = {**log.columns, "fork": np.where(log.columns["time"] > 150.0, 0.03, log.columns["fork"])}
    first = measure(replace(log, columns=spoilt), bike, cut=Cut(None, 150.0))
    whole = measure(log, bike)
    n = len(first.run.t_s)
    assert first.run.t_s[-1] == pytest.approx(150.0, abs=0.1)
    np.testing.assert_allclose(
        first.motion.ends["front"].wheel_travel_mm[: n - 50],
        whole.motion.ends["front"].wheel_travel_mm[: n - 50],
        atol=0.05,
    )
    assert "cut" in {note.code for note in first.quality}


def test_a_lap_left_out_is_in_no_number(log, bike):
    whole = measure(log, bike)
    lap = next(lap for lap in whole.track.laps if lap.complete)
    # 6 mm deeper in one lap: the deepest of the outing
    t_s = log.columns["time"] - log.columns["time"][0]
    inside = (t_s > lap.start_s + 5) & (t_s < lap.end_s - 5)
    deeper = {**log.columns, "fork": log.columns["fork"] + 0.2 * inside}
    counted = review(replace(log, columns=deeper), bike).summary
    left_out = review(replace(log, columns=deeper), bike, cut=Cut(leave_out=(lap.lap,))).summary
    there = next(row for row in left_out.laps if row.lap == lap.lap)
    assert (there.kind, there.complete) == ("left out", False)
    most = there.ends["front"].wheel.travel.max_mm  # the lap itself keeps its numbers
    assert counted.ends["front"].wheel.travel.max_mm == pytest.approx(most, abs=1e-6)
    assert left_out.ends["front"].wheel.travel.max_mm < most - 3.0
    used, excluded = usable_laps(left_out, "a")
    assert lap.lap not in {row.lap for row in used}
    assert "left out, as asked" in {row.reason for row in excluded}
    assert any("is left out of every mean" in note.message for note in left_out.quality)
    with pytest.raises(LogError, match="has no lap 99 to leave out; its laps are 0, 1"):
        leave_out_laps(whole.track, (99,), "made.csv")


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("--from", "x"), 2, "'x' is no time of the log: seconds, or m:ss such as 2:30"),
        (("--from", "1:75"), 2, "'1:75' is no time of the log"),
        (("--from", "2:00", "--to", "30"), 2, "--to must be later than --from"),
        (("--leave-out", "one"), 2, "'one' is not lap numbers, such as 1,4"),
        (("--from", "90:00"), 1, "has no rows from 90:00 to its end; it is 1:"),
    ],
)
def test_what_cannot_be_cut(run, arguments, code, words):
    got, _, err = run("review", FIXTURES / "vellmoor-plain.csv", "--bike", BIKE, *arguments)
    assert got == code
    assert words in err


def test_the_review_says_what_was_cut(run, tmp_path):
    out = tmp_path / "review.json"
    code, said, _ = run(
        "review",
        FIXTURES / "vellmoor-plain.csv",
        "--bike",
        BIKE,
        "--from",
        "0:10",
        "--to",
        "70",
        "--json",
        out,
    )
    assert code == 0
    assert "Only 0:10 to 1:10 of the log is reviewed, as asked" in " ".join(said.split())
    summary = json.loads(out.read_text())
    assert summary["run"]["duration_s"] == pytest.approx(60.0, abs=0.1)


def test_add_keeps_the_cut_with_the_run(run, tmp_path):
    book = tmp_path / "book"
    plain = FIXTURES / "vellmoor-plain.csv"
    code, said, err = run("add", plain, "--bike", BIKE, "--logbook", book, "--from", "0:10", "--to", "1:00")
    assert code == 0, err
    logbook = Logbook(book)
    (first,) = logbook.runs()
    assert logbook.summary(first.run_id).run.duration_s == pytest.approx(50.0, abs=0.1)
    again = logbook.rebuild(first.run_id)  # made again from the whole original, cut as before
    assert logbook.summary(again).run.duration_s == pytest.approx(50.0, abs=0.1)
    assert run("logbook", "verify", book)[0] == 0
