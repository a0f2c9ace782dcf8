"""Odd words, files that change, records made by others: nothing is lost by them, nothing gets in or out."""

import csv
import json
import sqlite3
from hashlib import sha256

import pytest

from telemetry.cli import main
from telemetry.errors import BothEndsError, LogbookError
from telemetry.logbook import Logbook, export, verify
from tests.logbook.logbook_fixtures import *  # noqa: F403

NOT_UTF8 = "Caf\udce9"  # what Python makes of the bytes b"Caf\xe9" of a Latin-1 terminal


@pytest.fixture
def book(kept_files, tmp_path, quick):
    """A logbook with one run, and the directory of that run."""
    logbook = Logbook(tmp_path / "book")
    return logbook, logbook.path / "runs" / logbook.add(*kept_files)


def rewrite(home, **changes):
    """Change a run's record as somebody who knows its form would: with a hash that fits."""
    path = home / "entry.json"
    data = json.loads(path.read_text())
    del data["sha256"]
    data |= changes
    data["sha256"] = sha256(json.dumps(data, sort_keys=True).encode()).hexdigest()
    path.write_text(json.dumps(data, indent=1))


def forget(logbook):
    """Take the catalogue away, so that it is made again from the runs."""
    (logbook.path / "catalogue.sqlite").unlink()


@pytest.mark.parametrize("word", ["name", "place", "rider", "outing", "tyres", "notes", "date"])
@pytest.mark.parametrize(
    ("text", "why"), [(NOT_UTF8, "not valid UTF-8"), ("a\x1b]0;b", "control character U\\+001B")]
)
def test_an_odd_word_is_refused_before_the_work(kept_files, tmp_path, monkeypatch, word, text, why):
    monkeypatch.setattr(
        "telemetry.logbook.logbook.review_log", lambda *_, **__: pytest.fail("the log was reviewed")
    )
    logbook = Logbook(tmp_path)
    with pytest.raises(LogbookError, match=f"{word} .*{why}"):
        logbook.add(*kept_files, **{word: text})
    assert logbook.runs() == () and list((tmp_path / "runs").iterdir()) == []


def test_a_logbook_that_an_odd_word_had_locked_opens_again(book):
    logbook, home = book
    rewrite(home, place=NOT_UTF8, given={"place": NOT_UTF8})
    forget(logbook)
    again = Logbook(logbook.path)
    (entry,) = again.runs()
    assert entry.place == "Caf\ufffd"
    assert verify(again).damages == ()


def test_one_run_that_cannot_be_entered_does_not_keep_the_others_out(book, kept_files, tmp_path):
    logbook, home = book
    log = tmp_path / "second.csv"
    log.write_bytes(kept_files[0].read_bytes() + b"\n")
    second = logbook.add(log, kept_files[1])
    rewrite(home, laps=10**30)
    forget(logbook)
    again = Logbook(logbook.path)
    assert [entry.run_id for entry in again.runs()] == [second]
    assert again.left_out() == (home,)
    assert str(home / "entry.json") in [damage.path for damage in verify(again).damages]


def test_a_damaged_record_is_named_on_the_page_of_runs(book):
    from dashboard.pages import runs
    from dashboard.pages.parts import Screen
    from dashboard.shelf import Shelf
    from dashboard.urlstate import View

    logbook, home = book
    (home / "entry.json").write_text("{}")
    forget(logbook)
    again = Logbook(logbook.path)
    page = str(runs.layout(Shelf(again), View(), Screen.read("")))
    assert "No runs yet" not in page and str(home) in page and "bothends logbook verify" in page


@pytest.mark.parametrize("which", ["bike.toml", "sheet.toml"])
def test_files_that_change_during_the_review_are_kept_as_they_were_reviewed(
    kept_files, tmp_path, monkeypatch, kept_review, which
):
    files = {"bike.toml": kept_files[1], "sheet.toml": kept_files[2]}
    mine = {name: tmp_path / name for name in files}
    for name, path in mine.items():
        path.write_bytes(files[name].read_bytes())

    def review(log, bike, circuit, cut):
        mine[which].write_bytes(files[which].read_bytes() + b"# changed meanwhile\n")
        return kept_review

    monkeypatch.setattr("telemetry.logbook.logbook.review_log", review)
    logbook = Logbook(tmp_path / "book")
    home = logbook.store.home(logbook.add(kept_files[0], mine["bike.toml"], mine["sheet.toml"]))
    assert (home / which).read_bytes() == files[which].read_bytes()
    assert verify(logbook).damages == ()


def test_a_file_that_changes_while_it_is_read_is_refused(kept_files, tmp_path, monkeypatch, quick):
    from telemetry.logbook import logbook

    bike, load = tmp_path / "bike.toml", logbook.load_bike
    bike.write_bytes(kept_files[1].read_bytes())

    def load_and_change(path):
        loaded = load(path)
        path.write_bytes(path.read_bytes() + b"#\n")
        return loaded

    monkeypatch.setattr(logbook, "load_bike", load_and_change)
    with pytest.raises(LogbookError, match="changes while it is read"):
        Logbook(tmp_path / "book").add(kept_files[0], bike)


@pytest.mark.parametrize("name", ["../../../victim/autostart", "/tmp/autostart", "a/../../b", "", "a//b"])
def test_a_record_that_names_files_elsewhere_is_damaged(book, tmp_path, name):
    logbook, home = book
    victim = tmp_path / "victim" / "autostart"
    victim.parent.mkdir()
    victim.write_text("mine")
    rewrite(
        home, files={**json.loads((home / "entry.json").read_text())["files"], name: sha256(b"").hexdigest()}
    )
    with pytest.raises(LogbookError, match="cannot be read"):
        export(logbook, tmp_path / "out")
    assert victim.read_text() == "mine" and not (tmp_path / "out").exists()
    assert [damage.path for damage in verify(logbook).damages] == [str(home / "entry.json")]


@pytest.mark.parametrize("column", ["log_name", "run_id"])
def test_a_catalogue_that_names_files_elsewhere_is_refused(book, tmp_path, column):
    logbook, _ = book
    (tmp_path / "secret.txt").write_text("secret")
    with sqlite3.connect(logbook.path / "catalogue.sqlite") as connection:
        connection.execute(f"UPDATE run SET {column} = '../../../../secret.txt'")
    with pytest.raises(LogbookError, match="holds what is no run. Move this file away"):
        export(Logbook(logbook.path), tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_export_follows_no_link(book, tmp_path):
    logbook, home = book
    secret = tmp_path / "secret.txt"
    secret.write_text("secret")
    (home / "review.json").unlink()
    (home / "review.json").symlink_to(secret)
    with pytest.raises(LogbookError, match=r"review.json: is a link, which is not followed"):
        export(logbook, tmp_path / "out")
    assert not (tmp_path / "out").exists()
    assert [damage.what for damage in verify(logbook).damages] == ["is a link, not a file of this run"]


def test_no_formula_reaches_a_spreadsheet(kept_files, tmp_path, quick):
    logbook = Logbook(tmp_path / "book")
    words = {
        "name": "=cmd|'/C calc'!A0",
        "notes": '=HYPERLINK("x")',
        "rider": "+1",
        "place": "@SUM(1)",
        "tyres": "-1",
    }
    logbook.add(*kept_files, **words)
    export(logbook, tmp_path / "out")
    with (tmp_path / "out" / "catalogue.csv").open(newline="") as file:
        (row,) = csv.DictReader(file)
    assert {word: row[word] for word in words} == {word: f"'{text}" for word, text in words.items()}
    (said,) = json.loads((tmp_path / "out" / "catalogue.json").read_text())
    assert said["name"] == words["name"]


def test_a_record_nested_too_deep_is_damaged(book):
    logbook, home = book
    (home / "entry.json").write_text("[" * 100_000)
    assert [damage.path for damage in verify(logbook).damages] == [str(home / "entry.json")]


@pytest.mark.parametrize("text", ["[1, 2]", '{"front": 3}', "[" * 100_000, "nonsense"])
def test_damaged_channels_are_one_line(book, text):
    logbook, home = book
    (home / "channels.json").write_text(text)
    with pytest.raises(LogbookError, match="channels.json: cannot be read"):
        logbook.rebuild(home.name)


def test_a_catalogue_of_an_older_version_gets_the_columns_that_came_later(book):
    logbook, home = book
    assert logbook.runs()[0].rear_damper  # of this version: what is said of each damper
    with sqlite3.connect(logbook.path / "catalogue.sqlite") as connection:
        connection.execute("ALTER TABLE run DROP COLUMN rear_damper")
        connection.execute("ALTER TABLE run DROP COLUMN front_damper")
    (entry,) = Logbook(logbook.path).runs()
    assert (entry.run_id, entry.rear_damper, entry.front_damper) == (home.name, "", "")


def test_a_catalogue_without_a_column_says_what_to_do(book):
    logbook, home = book
    path = logbook.path / "catalogue.sqlite"
    with sqlite3.connect(path) as connection:
        connection.execute("ALTER TABLE run DROP COLUMN laps")
    with pytest.raises(LogbookError, match="lacks columns. Move this file away"):
        Logbook(logbook.path)
    path.unlink()
    assert [entry.run_id for entry in Logbook(logbook.path).runs()] == [home.name]


def test_a_catalogue_removed_while_in_use_is_said_and_not_replaced(book):
    logbook, home = book
    forget(logbook)
    with pytest.raises(LogbookError, match="the catalogue is gone. Start again"):
        logbook.runs()
    assert not (logbook.path / "catalogue.sqlite").exists()
    assert [entry.run_id for entry in Logbook(logbook.path).runs()] == [home.name]


def test_a_change_on_a_full_disk_says_so(book):
    logbook, home = book
    with (
        pytest.raises(LogbookError, match="database or disk is full"),
        logbook.store.catalogue.changing() as connection,
    ):
        connection.execute("PRAGMA max_page_count = 1")  # SQLite's own way to a full disk: SQLITE_FULL
        connection.execute("UPDATE run SET notes = hex(randomblob(100000))")
    assert [entry.notes for entry in logbook.runs()] == [""]


def test_verify_names_what_is_no_run_and_what_is_no_file(book):
    logbook, home = book
    (home.parent / "stray.txt").write_text("?")
    (home / "loop").symlink_to("loop")
    assert {(damage.path, damage.what) for damage in verify(logbook).damages} == {
        (str(home.parent / "stray.txt"), "is not the directory of a run"),
        (str(home / "loop"), "is not a file of this run"),
    }


@pytest.mark.parametrize("name", ["caf\udce9.csv", "esc\x1b[31m.csv", "line\nbreak.csv"])
def test_a_log_of_any_name_is_kept_under_one_that_can_be_written(kept_files, tmp_path, quick, name, capsys):
    log = tmp_path / name
    log.write_bytes(kept_files[0].read_bytes())
    book = tmp_path / "book"
    assert main(["add", str(log), "--bike", str(kept_files[1]), "--logbook", str(book)]) == 0
    said = capsys.readouterr().out
    assert "\x1b[31m" not in said and "\udce9" not in said
    logbook = Logbook(book)
    (entry,) = logbook.runs()
    assert logbook.original(entry.run_id).read_bytes() == kept_files[0].read_bytes()
    assert entry.log_name.isprintable() and verify(logbook).damages == ()


def test_a_bike_name_that_steers_a_terminal_is_refused(kept_files, tmp_path):
    bike = tmp_path / "bike.toml"
    bike.write_text(kept_files[1].read_text().replace("QB-6, Team", "\\u001b]0;Team"))
    with pytest.raises(BothEndsError, match=r"name: holds the control character U\+001B"):
        Logbook(tmp_path / "book").add(kept_files[0], bike)
