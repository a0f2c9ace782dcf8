"""A colleague's export comes in whole, is reviewed here, and cannot write or read elsewhere."""

import json
import re
import shutil
import zipfile

import pytest

from telemetry.bike import load_bike
from telemetry.cli import main
from telemetry.errors import BikeFileError, LogbookError
from telemetry.logbook import Logbook, export, is_export, take_in_export, verify
from tests.logbook.logbook_fixtures import *  # noqa: F403


@pytest.fixture
def exported(kept_files, tmp_path, quick):
    """Another logbook's export, as a directory and as an archive with a folder around it; and that logbook."""
    theirs = Logbook(tmp_path / "theirs")
    run_id = theirs.add(*kept_files, notes="windy", rider="A")
    theirs.set_words(run_id, {"rider": "B"}, version=theirs.version(run_id))
    export(theirs, tmp_path / "out")
    packed = shutil.make_archive(str(tmp_path / "export"), "zip", tmp_path, "out")
    return tmp_path / "out", tmp_path / packed, theirs


@pytest.mark.parametrize("kind", [0, 1], ids=["directory", "archive"])
def test_an_export_is_taken_in_and_the_second_time_it_is_known(exported, kept_files, tmp_path, kind):
    mine, source = Logbook(tmp_path / "mine"), exported[kind]
    (added,) = take_in_export(mine, source).added
    entry, theirs = mine.entry(added), exported[2].runs()[0]
    for word in ("name", "date", "place", "outing", "rider", "notes", "log_sha256"):
        assert getattr(entry, word) == getattr(theirs, word), word
    assert entry.rider == "B"
    sheets = [
        book.store.sheet(one).read_text() for book, one in ((mine, added), (exported[2], theirs.run_id))
    ]
    assert sheets[0] == sheets[1]
    assert mine.original(added).read_bytes() == kept_files[0].read_bytes()
    again = take_in_export(mine, source)
    assert (again.added, again.known, again.refused) == ((), 1, ())
    assert verify(mine).damages == () and not list((mine.path / "drafts").glob("*"))


def test_how_a_run_was_reviewed_before_comes_over_oldest_first(exported, tmp_path):
    theirs = exported[2]
    first = theirs.runs()[0]
    bike = tmp_path / "stiffer.toml"
    text = theirs.store.bike(first.run_id).read_text(encoding="utf-8")
    bike.write_text(re.sub(r"preload_mm = [\d.]+", "preload_mm = 11.25", text, count=1), encoding="utf-8")
    assert bike.read_text(encoding="utf-8") != text
    theirs.add(theirs.original(first.run_id), bike, rider="C")
    export(theirs, tmp_path / "both")
    mine = Logbook(tmp_path / "mine")
    (added,) = take_in_export(mine, tmp_path / "both").added
    before, now = mine.history(added)
    assert (now.rider, before.rider) == ("C", "B") and len(mine.runs()) == 1
    bikes = [mine.store.bike(one.run_id).read_text(encoding="utf-8") for one in (now, before)]
    assert bikes == [bike.read_text(encoding="utf-8"), text]


def test_the_command_and_what_is_no_export(exported, kept_files, tmp_path, capsys):
    directory, packed, _ = exported
    assert is_export(packed) and not is_export(kept_files[0]) and not is_export(directory)
    assert main(["logbook", "import", str(packed), "--logbook", str(tmp_path / "mine")]) == 0
    assert "1 runs taken in, 0 were there already" in capsys.readouterr().out
    for wrong in (kept_files[0], tmp_path / "theirs"):
        assert main(["logbook", "import", str(wrong), "--logbook", str(tmp_path / "mine")]) == 1
        assert "export" in capsys.readouterr().err


def test_a_log_that_is_not_the_one_exported_is_refused_and_the_others_come_in(exported, tmp_path):
    directory, _, _ = exported
    (log,) = directory.glob("runs/*/original/*")
    log.write_bytes(log.read_bytes() + b"\n")
    found = take_in_export(mine := Logbook(tmp_path / "mine"), directory)
    assert found.added == () and "not the one that was exported" in found.words and mine.runs() == ()


@pytest.mark.parametrize("name", ["../elsewhere.txt", "/elsewhere.txt", "a\\..\\..\\elsewhere.txt"])
def test_an_archive_writes_nowhere_else(tmp_path, name):
    mine = Logbook(tmp_path / "mine")
    with zipfile.ZipFile(tmp_path / "bad.zip", "w") as packed:
        packed.writestr("catalogue.json", json.dumps([]))
        packed.writestr(name, "x")
    with pytest.raises(LogbookError, match="leads elsewhere"):
        take_in_export(mine, tmp_path / "bad.zip")
    assert not list(tmp_path.rglob("elsewhere*")) and not list((mine.path / "drafts").glob("*"))


def test_an_archive_that_unpacks_to_more_than_there_is_room_for(tmp_path, monkeypatch):
    monkeypatch.setattr("telemetry.logbook.exchange.LARGEST_EXPORT_BYTES", 10_000)
    with zipfile.ZipFile(tmp_path / "bomb.zip", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("catalogue.json", json.dumps([]))
        packed.writestr("zeros", bytes(1_000_000))
    with pytest.raises(LogbookError, match="larger than there is room"):
        take_in_export(Logbook(tmp_path / "mine"), tmp_path / "bomb.zip")


@pytest.mark.parametrize("name", ["../secret.csv", "/etc/passwd"])
def test_a_bike_file_reads_nothing_that_does_not_lie_beside_it(tmp_path, kept_files, name):
    text = kept_files[1].read_text(encoding="utf-8")
    points = text.index("points = ")
    text = f'{text[:points]}table = "{name}"{text[text.index(chr(10), points) :]}'
    (tmp_path / "bike.toml").write_text(text, encoding="utf-8")
    with pytest.raises(BikeFileError, match="must lie beside the bike file"):
        load_bike(tmp_path / "bike.toml", beside=True)
