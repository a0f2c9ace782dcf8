"""Damage is found and named; everything comes back in formats that others read."""

import csv
import json
import shutil
import sqlite3

import numpy as np
import pandas as pd
import pytest

from telemetry.cli import main
from telemetry.errors import LogbookError
from telemetry.logbook import Logbook, export, verify
from tests.logbook.logbook_fixtures import *  # noqa: F403

FILES = (
    "original/vellmoor-plain.csv", "log.parquet", "traces.parquet", "review.json", "bike.toml", "sheet.toml",
    "entry.json",
)  # fmt: skip


@pytest.fixture
def book(kept_files, tmp_path, quick):
    """A logbook with one run."""
    logbook = Logbook(tmp_path / "book")
    return logbook, logbook.path / "runs" / logbook.add(*kept_files, notes='windy, "gusts"')


def test_a_sound_logbook(book, capsys):
    logbook, home = book
    found = verify(logbook)
    assert (found.damages, found.runs, found.files) == ((), 1, len(FILES))
    assert {path.relative_to(home).as_posix() for path in home.rglob("*") if path.is_file()} == set(FILES)
    assert main(["logbook", "verify", str(logbook.path)]) == 0
    assert "every file is as it was kept" in " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize("name", FILES)
def test_one_bit_in_any_file_is_found(book, name, capsys):
    logbook, home = book
    data = bytearray((home / name).read_bytes())
    data[len(data) // 2] ^= 1
    (home / name).write_bytes(data)
    (damage,) = verify(Logbook(logbook.path)).damages
    assert (damage.run_id, damage.path) == (home.name, str(home / name))
    assert main(["logbook", "verify", str(logbook.path)]) == 1
    out, err = capsys.readouterr()
    assert str(home / name) in out and "1 damaged" in err


@pytest.mark.parametrize("name", FILES)
def test_a_missing_file_is_found(book, name):
    logbook, home = book
    (home / name).unlink()
    (damage,) = verify(Logbook(logbook.path)).damages
    assert damage.path == str(home / name) and "missing" in damage.what


def test_what_verify_advises_mends_a_derived_file(book):
    logbook, home = book
    (home / "review.json").write_text("{}")
    (damage,) = verify(logbook).damages
    assert f"bothends logbook rebuild {home.name}" in damage.advice
    assert logbook.summary(logbook.rebuild(home.name)).laps


def test_other_damage(book):
    logbook, home = book
    (home / "letter.txt").write_text("hello")
    assert [each.what for each in verify(logbook).damages] == ["is not a file of this run"]
    (home / "letter.txt").unlink()
    with sqlite3.connect(logbook.path / "catalogue.sqlite") as connection:
        connection.execute("UPDATE run SET rider = 'someone else'")
    assert [each.what for each in verify(logbook).damages] == ["says other than the catalogue"]
    (logbook.path / "catalogue.sqlite").unlink()  # as it advises
    assert verify(Logbook(logbook.path)).damages == ()
    shutil.move(home, home.with_name("other"))
    assert {each.what for each in verify(logbook).damages} == {f"holds the run {home.name}", "is missing"}


def test_a_damaged_catalogue(book):
    logbook, _ = book
    file = logbook.path / "catalogue.sqlite"
    data = bytearray(file.read_bytes())
    data[4096:4300] = b"\xff" * 204
    file.write_bytes(data)
    assert verify(logbook).damages[0].path == str(file)


def test_export_gives_everything_back(book, kept_files, tmp_path):
    logbook, home = book
    out = tmp_path / "out"
    assert main(["logbook", "export", str(logbook.path), str(out)]) == 0
    (folder,) = (out / "runs").iterdir()
    assert folder.name == f"2026-05-01-Friday-{home.name}"
    log, bike, sheet = kept_files
    for name, given in ((f"original/{log.name}", log), ("bike.toml", bike), ("sheet.toml", sheet)):
        assert (folder / name).read_bytes() == given.read_bytes()
    assert json.loads((folder / "review.json").read_text())["schema"] == "bothends.review/1"
    # Outside: pandas reads the text of the log by itself, and both forms of the run
    columns = pd.read_parquet(folder / "log.parquet")
    pd.testing.assert_frame_equal(columns, pd.read_csv(log), check_dtype=False, check_exact=False, rtol=1e-14)
    run, text = (
        pd.read_parquet(folder / "run.parquet"),
        pd.read_csv(folder / "run.csv"),
    )
    pd.testing.assert_frame_equal(run, text, check_dtype=False, check_exact=False, rtol=1e-14)
    np.testing.assert_array_equal(run["rear_wheel_mm"], logbook.traces(home.name)["rear_wheel_mm"])
    with (out / "catalogue.csv").open(newline="") as file:
        (row,) = csv.DictReader(file)
    assert (row["run_id"], row["notes"]) == (home.name, 'windy, "gusts"')
    assert json.loads((out / "catalogue.json").read_text())[0]["place"] == "Vellmoor Ring"


def test_export_of_one_run_with_its_history(book, kept_files, tmp_path):
    logbook, home = book
    logbook.rebuild(home.name)
    other = tmp_path / "other.csv"
    other.write_bytes(kept_files[0].read_bytes() + b"\n")
    logbook.add(other, kept_files[1], name="other")
    assert main(["logbook", "export", str(logbook.path), str(tmp_path / "one"), "--run", "Friday"]) == 0
    assert len(list((tmp_path / "one" / "runs").iterdir())) == 2
    assert export(logbook, tmp_path / "all") == 3


def test_export_goes_to_a_place_of_its_own(book, tmp_path):
    logbook, home = book
    with pytest.raises(LogbookError, match="is there already"):
        export(logbook, tmp_path)
    with pytest.raises(LogbookError, match="inside the logbook"):
        export(logbook, logbook.path / "out")
    (home / "traces.parquet").unlink()
    with pytest.raises(LogbookError, match=r"traces\.parquet"):
        export(logbook, tmp_path / "out")
    assert not (tmp_path / "out").exists() and not (tmp_path / ".out.part").exists()


def test_rebuild_as_a_command(book, kept_files, tmp_path, capsys):
    logbook, home = book
    fixed = tmp_path / "fixed.toml"
    fixed.write_text(kept_files[1].read_text() + "\n# corrected\n")
    command = ["logbook", "rebuild", "Friday", "--logbook", str(logbook.path), "--bike", str(fixed)]
    assert main([*command, "--rider", "rider 1", "--json", str(tmp_path / "r.json")]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert f"{home.name} is kept as its history" in said
    assert logbook.runs()[0].rider == "rider 1" and (tmp_path / "r.json").is_file()
    assert main(["logbook", "rebuild", "nothing", "--logbook", str(logbook.path)]) == 1
