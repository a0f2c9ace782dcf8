"""A run that is made again: nothing is lost, and what holds is plain."""

import shutil
import sqlite3
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from telemetry.errors import BikeFileError, LogbookError
from telemetry.logbook import Logbook, verify
from tests.logbook.logbook_fixtures import *  # noqa: F403
from tests.logbook.logbook_fixtures import FIXTURES


@pytest.fixture
def corrected(kept_files, tmp_path):
    """The bike file with the shock sensor's bench points 5 % shorter."""
    path, text = tmp_path / "corrected.toml", kept_files[1].read_text()
    points = "[2.135, 35.0], [3.865, 70.0]"
    assert points in text
    path.write_text(text.replace(points, "[2.135, 33.25], [3.865, 66.5]"))
    return path


def test_a_corrected_calibration_makes_the_run_again_from_the_original(kept_files, corrected, tmp_path):
    logbook = Logbook(tmp_path / "book")
    first = logbook.add(*kept_files, name="one", rider="rider 1")
    second = logbook.rebuild(first, bike_path=corrected)
    assert second != first and [entry.run_id for entry in logbook.runs()] == [second]
    assert [entry.run_id for entry in logbook.history(first)] == [first, second]
    entry = logbook.entry(second)
    assert (entry.name, entry.rider, entry.place, entry.revision) == ("one", "rider 1", "Vellmoor Ring", 2)
    assert (
        logbook.sheet(second).model_dump() == logbook.sheet(first).model_dump()
    )  # (without where it was read)
    before, after = (logbook.traces(run)["rear_shaft_mm"] for run in (first, second))
    # a straight line through 0: 5 % shorter; both are kept to a hundredth of a millimetre
    np.testing.assert_allclose(after, 0.95 * before, atol=0.005 + 0.95 * 0.005 + 1e-9)
    assert logbook.original(second).read_bytes() == kept_files[0].read_bytes()
    assert verify(logbook).damages == ()


def test_adding_with_a_corrected_bike_is_the_same_run(kept_files, corrected, tmp_path, quick):
    log, bike, sheet = kept_files
    logbook = Logbook(tmp_path / "book")
    first = logbook.add(log, bike, sheet)
    second = logbook.add(log, corrected)
    assert [entry.run_id for entry in logbook.runs()] == [second]
    assert logbook.sheet(second).rear.preload_mm == 9
    assert logbook.add(log, bike, sheet) == first  # the first one was right after all: it holds again
    assert [entry.run_id for entry in logbook.runs()] == [first]
    assert [entry.run_id for entry in logbook.history(first)] == [second, first]
    assert logbook.find(second).run_id == second  # to the letter, what was before can still be asked for
    with pytest.raises(LogbookError, match="has no run"):
        logbook.find(second[:9])
    assert verify(logbook).damages == ()


def test_made_again_from_the_same_files(kept_files, tmp_path, quick):
    logbook = Logbook(tmp_path / "book")
    first = logbook.add(*kept_files)
    assert logbook.rebuild(first, notes="new program") == f"{first}v2"
    (entry,) = logbook.runs()
    assert (entry.revision, entry.notes) == (2, "new program")
    assert logbook.add(*kept_files) == f"{first}v2"
    assert verify(logbook).damages == ()


def test_a_damaged_original_is_not_made_again(kept_files, tmp_path, quick):
    logbook = Logbook(tmp_path / "book")
    run_id = logbook.add(*kept_files)
    logbook.original(run_id).write_bytes(b"something else")
    with pytest.raises(LogbookError, match="missing or damaged, so the run cannot be made again"):
        logbook.rebuild(run_id)
    shutil.move(tmp_path / "book" / "runs" / run_id, tmp_path / "moved out")  # as the message says
    assert logbook.add(*kept_files) == run_id
    assert verify(Logbook(tmp_path / "book")).damages == ()


def test_the_files_that_a_bike_file_names_are_kept_with_it(kept_files, tmp_path, quick):
    folder = tmp_path / "bikes"
    (folder / "dyno").mkdir(parents=True)
    dyno = shutil.copy(FIXTURES / "qb-6-shock-dyno.csv", folder / "dyno" / "shock.csv")
    text = kept_files[1].read_text()
    damper, clicks = "[rear.damper]", "compression_clicks = 12\nrebound_clicks = 12"
    start = text.index(damper)
    end = text.index("\n[", start)
    named = text[:start] + f'{damper}\ndyno_file = "dyno/shock.csv"\n{clicks}\n' + text[end:]
    (folder / "bike.toml").write_text(named)
    logbook = Logbook(tmp_path / "book")
    run_id = logbook.add(kept_files[0], folder / "bike.toml")
    assert logbook.bike(run_id).rear.damper == load(folder / "bike.toml").rear.damper
    Path(dyno).write_text(Path(dyno).read_text().replace("-3223.8", "-3223.9"))
    assert logbook.add(kept_files[0], folder / "bike.toml") != run_id  # another measurement is another bike
    (folder / "bike.toml").write_text(named.replace("dyno/shock.csv", "../bikes/dyno/shock.csv"))
    with pytest.raises(BikeFileError, match="put it beside the bike file"):
        logbook.add(kept_files[0], folder / "bike.toml")


def load(path):
    """A bike file."""
    from telemetry.bike import load_bike

    return load_bike(path)


def test_a_catalogue_of_another_version_is_named(kept_files, tmp_path, quick):
    Logbook(tmp_path / "book").add(*kept_files)
    for version, words in ((1, "an older version"), (3, "a newer version")):
        with sqlite3.connect(tmp_path / "book" / "catalogue.sqlite") as connection:
            connection.execute(f"PRAGMA user_version = {version}")
        with pytest.raises(LogbookError, match=f"{words} .catalogue schema {version}"):
            Logbook(tmp_path / "book")


def test_a_record_of_a_newer_version_is_not_taken_for_damage(kept_files, tmp_path, quick):
    logbook = Logbook(tmp_path / "book")
    run_id = logbook.add(*kept_files)
    path = tmp_path / "book" / "runs" / run_id / "entry.json"
    path.write_text(path.read_text().replace("bothends.entry/2", "bothends.entry/3"))
    with pytest.raises(LogbookError, match="install the newer version"):
        logbook.record(run_id)


def test_killed_while_words_are_put_right(kept_files, tmp_path, quick, monkeypatch):
    logbook = Logbook(tmp_path / "book")
    run_id = logbook.add(*kept_files, name="one")

    def stop(_connection, entry):
        raise KeyboardInterrupt

    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
        patch.setattr("telemetry.logbook.store.enter", stop)
        logbook.add(*kept_files, name="two")
    (entry,) = Logbook(tmp_path / "book").runs()
    assert entry.name == "two" and entry == replace(logbook.record(run_id).entry)
    assert verify(logbook).damages == ()
