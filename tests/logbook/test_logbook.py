"""The logbook: what goes in comes out, once, and what does not belong is refused in words."""

import json
import shutil
import sqlite3

import numpy as np
import pytest

from telemetry.errors import BothEndsError, LogbookError
from telemetry.logbook import Logbook
from telemetry.summary import summary_to_json
from tests.logbook.logbook_fixtures import *  # noqa: F403


def test_what_goes_in_comes_out(kept_files, tmp_path):
    log, bike, sheet = kept_files
    logbook = Logbook(tmp_path / "book")
    run_id = logbook.add(log, bike, sheet)
    (entry,) = Logbook(tmp_path / "book", create=False).runs()
    assert entry.run_id == run_id and run_id.isalnum()
    assert (entry.name, entry.date, entry.place, entry.outing, entry.laps) == (
        "Friday", "2026-05-01", "Vellmoor Ring", "2", 1,
    )  # fmt: skip
    assert logbook.original(run_id).read_bytes() == log.read_bytes()
    assert logbook.original(run_id).name == log.name
    assert logbook.bike(run_id).name == entry.bike
    assert logbook.sheet(run_id).rear.preload_mm == 9
    summary = logbook.summary(run_id)
    assert summary.run.source == log.name
    deepest_mm = np.nanmax(logbook.traces(run_id)["rear_wheel_mm"])  # kept to a hundredth
    assert summary.ends["rear"].wheel.travel.max_mm == pytest.approx(deepest_mm, abs=0.0051)


def test_traces_by_column_leave_out_what_the_run_does_not_have(kept_files, tmp_path, quick):
    logbook = Logbook(tmp_path)
    run_id = logbook.add(*kept_files)
    traces = logbook.traces(run_id, ("t_s", "no such column"))
    assert list(traces.columns) == ["t_s"]
    assert logbook.traces(run_id, ("no such column",)).columns == {}


def test_the_same_log_is_one_run(kept_files, tmp_path, quick):
    log, bike, sheet = kept_files
    logbook = Logbook(tmp_path / "book")
    first = logbook.add(log, bike, sheet)
    renamed = shutil.copy(log, tmp_path / "other name.csv")
    before = _everything(tmp_path / "book")
    assert logbook.add(renamed, bike, sheet) == first
    assert logbook.add(renamed, bike) == first  # the sheet that is there stays
    assert _everything(tmp_path / "book") == before
    assert len(logbook.runs()) == len(logbook.revisions()) == 1


def test_words_given_again_are_put_right_and_nothing_is_made_anew(kept_files, tmp_path, quick):
    logbook = Logbook(tmp_path / "book")
    run_id = logbook.add(*kept_files, rider="rider 1")
    assert logbook.add(*kept_files, name="again", notes="windy") == run_id
    (entry,) = logbook.runs()
    assert (entry.name, entry.rider, entry.notes, entry.place) == (
        "again",
        "rider 1",
        "windy",
        "Vellmoor Ring",
    )
    assert logbook.record(run_id).entry == entry and len(logbook.revisions()) == 1


def test_every_word_of_the_catalogue(kept_files, tmp_path, quick):
    log, bike, _ = kept_files
    sheet = tmp_path / "sheet.toml"
    sheet.write_text('[front]\ntyre = "soft"\n[rear]\ntyre = "medium"\n')
    words = {"place": "Vellmoor Ring", "rider": "rider 1", "outing": "3", "notes": "first on this tyre"}
    logbook = Logbook(tmp_path / "book")
    entry = logbook.entry(logbook.add(log, bike, sheet, date="2026-05-01", **words))
    assert {word: getattr(entry, word) for word in words} == words
    assert (entry.date, entry.bike, entry.tyres) == (
        "2026-05-01",
        logbook.bike(entry.run_id).name,
        "soft / medium",
    )
    assert logbook.entry(logbook.add(log, bike, tyres="wet")).tyres == "wet"


def test_name_and_date_given_win_over_the_sheet(kept_files, tmp_path, quick):
    logbook = Logbook(tmp_path)
    entry = logbook.entry(logbook.add(*kept_files, name="Änderung 'rot'; --", date="2026-05-02"))
    assert (entry.name, entry.date) == ("Änderung 'rot'; --", "2026-05-02")
    with pytest.raises(LogbookError, match="'soon': is not a date; write it as 2026-05-01"):
        logbook.add(*kept_files, date="soon")


def test_runs_come_newest_outing_first(kept_files, tmp_path, quick):
    log, bike, sheet = kept_files
    logbook = Logbook(tmp_path / "book")
    for number, day in enumerate(("2026-05-02", "2026-05-03", "2026-05-01"), start=1):
        one = tmp_path / f"{day}.csv"
        one.write_bytes(log.read_bytes() + b"\n" * number)
        logbook.add(one, bike, date=day)
    assert [entry.date for entry in logbook.runs()] == ["2026-05-03", "2026-05-02", "2026-05-01"]


def test_a_person_finds_a_run_by_id_its_start_or_its_name(kept_files, tmp_path, quick):
    log, bike, sheet = kept_files
    logbook = Logbook(tmp_path / "book")
    other = tmp_path / "other.csv"
    other.write_bytes(log.read_bytes() + b"\n")
    a, b = logbook.add(log, bike, sheet, name="one"), logbook.add(other, bike, name="two")
    assert [logbook.find(text).run_id for text in (a, b[:8], "two")] == [a, b, b]
    with pytest.raises(LogbookError, match="'r' means 2 runs"):
        logbook.find("r")
    with pytest.raises(LogbookError, match=r"has no run 'three'; it has r\w+ \("):
        logbook.find("three")


@pytest.mark.parametrize("run_id", ["", "nothing", "../../etc/passwd", "r' OR 1=1 --"])
def test_unknown_ids_are_refused_everywhere(kept_files, tmp_path, quick, run_id):
    logbook = Logbook(tmp_path)
    logbook.add(*kept_files)
    asks = (logbook.summary, logbook.traces, logbook.sheet, logbook.bike, logbook.original, logbook.entry)
    for ask in asks:
        with pytest.raises(LogbookError, match="has no run"):
            ask(run_id)


def test_places_that_are_not_logbooks(tmp_path):
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "letter.txt").write_text("hello")
    with pytest.raises(LogbookError, match="is not a logbook, and not empty"):
        Logbook(tmp_path / "full")
    assert [path.name for path in (tmp_path / "full").iterdir()] == ["letter.txt"]
    with pytest.raises(LogbookError, match="is a file; a logbook is a directory"):
        Logbook(tmp_path / "full" / "letter.txt")
    with pytest.raises(LogbookError, match="there is no logbook"):
        Logbook(tmp_path / "none", create=False)
    assert not (tmp_path / "none").exists()
    Logbook(tmp_path / "none")
    Logbook(tmp_path / "none", create=False)


def test_catalogues_that_cannot_be_used(tmp_path):
    Logbook(tmp_path / "new")
    with sqlite3.connect(tmp_path / "new" / "catalogue.sqlite") as connection:
        connection.execute("PRAGMA user_version = 99")
    with pytest.raises(LogbookError, match="newer version .catalogue schema 99"):
        Logbook(tmp_path / "new")
    (tmp_path / "text").mkdir()
    (tmp_path / "text" / "catalogue.sqlite").write_text(
        "this is no database, and long enough to be seen as none"
    )
    with pytest.raises(LogbookError, match="file is not a database"):
        Logbook(tmp_path / "text")
    (tmp_path / "other").mkdir()
    with sqlite3.connect(tmp_path / "other" / "catalogue.sqlite") as connection:
        connection.execute("CREATE TABLE recipes (name TEXT)")
    with pytest.raises(LogbookError, match="a database of something else"):
        Logbook(tmp_path / "other")


def test_a_lost_catalogue_is_made_again_from_the_runs(kept_files, tmp_path, quick):
    logbook = Logbook(tmp_path / "book")
    logbook.add(*kept_files)
    before = logbook.runs()
    (tmp_path / "book" / "catalogue.sqlite").unlink()
    assert Logbook(tmp_path / "book").runs() == before


def test_a_log_that_cannot_be_used_leaves_the_logbook_as_it_was(kept_files, tmp_path):
    _, bike, sheet = kept_files
    logbook = Logbook(tmp_path / "book")
    bad = tmp_path / "bad.csv"
    bad.write_text("time,fork,shock\n1,2,3\n")
    for log in (bad, tmp_path / "missing.csv"):
        with pytest.raises(BothEndsError):
            logbook.add(log, bike, sheet)
    assert logbook.runs() == ()
    assert _leftovers(tmp_path / "book") == []


def test_a_log_that_changes_while_it_is_read_is_refused(kept_files, tmp_path, monkeypatch, kept_review):
    log = tmp_path / "growing.csv"
    shutil.copy(kept_files[0], log)

    def review_log(_log, _bike, **_of_the_run):
        log.write_bytes(log.read_bytes() + b"\n")
        return kept_review

    monkeypatch.setattr("telemetry.logbook.logbook.review_log", review_log)
    logbook = Logbook(tmp_path / "book")
    with pytest.raises(LogbookError, match="changed while it was being read"):
        logbook.add(log, kept_files[1])
    assert logbook.runs() == () and _leftovers(tmp_path / "book") == []


def test_a_full_disk_is_one_line_and_leaves_nothing(kept_files, tmp_path, monkeypatch, quick):
    def full(_source, target):
        raise OSError(28, "No space left on device", str(target))

    logbook = Logbook(tmp_path)
    monkeypatch.setattr("telemetry.logbook.run.shutil.copyfile", full)
    with pytest.raises(LogbookError, match="the disk is full"):
        logbook.add(*kept_files)
    assert logbook.runs() == () and _leftovers(tmp_path) == []


def test_review_file_is_the_review_as_json(kept_files, tmp_path, quick):
    logbook = Logbook(tmp_path)
    run_id = logbook.add(*kept_files)
    assert json.loads(logbook.review_file(run_id).read_text())["schema"] == "bothends.review/1"
    assert summary_to_json(logbook.summary(run_id)) == logbook.review_file(run_id).read_text()
    logbook.review_file(run_id).write_text("{}")
    with pytest.raises(LogbookError, match="is not a review"):
        logbook.summary(run_id)


def _everything(path):
    files = (each for each in sorted(path.rglob("*")) if each.is_file())
    return {each.relative_to(path): each.read_bytes() for each in files}


def _leftovers(path):
    return [*(path / "incoming").iterdir(), *(path / "runs").iterdir()]


def test_a_bench_table_is_kept_with_the_run(kept_files, tmp_path, quick):
    log, bike, _ = kept_files
    points = "[[0.405, 0.0], [2.135, 35.0], [3.865, 70.0]]"
    text = bike.read_text(encoding="utf-8")
    assert text.count(f"points = {points}") == 1
    text = text.replace(f"points = {points}", 'table = "bench.csv"')
    (tmp_path / "bike.toml").write_text(text, encoding="utf-8")
    (tmp_path / "bench.csv").write_text("volts,mm\n0.405,0\n2.135,35\n3.865,70\n", encoding="utf-8")
    logbook = Logbook(tmp_path / "book")
    run_id = logbook.add(log, tmp_path / "bike.toml")
    (tmp_path / "bench.csv").unlink()
    assert logbook.bike(run_id).rear.sensor.points == tuple(map(tuple, json.loads(points)))
    assert logbook.rebuild(run_id) != run_id  # from what is kept alone
