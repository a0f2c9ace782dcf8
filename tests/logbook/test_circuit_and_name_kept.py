"""A circuit given with a log is kept with its run, and the run is called as its log."""

from dataclasses import replace

import pytest

from telemetry.laps import circuit_text, load_circuit
from telemetry.logbook import Logbook, verify
from telemetry.logbook.run import sheet_words
from telemetry.report import debrief_html
from telemetry.setup import SetupSheet
from tests.logbook.logbook_fixtures import *  # noqa: F403  (fixtures)


@pytest.fixture(scope="module")
def circuit_file(kept_review, tmp_path_factory):
    """The circuit as that log knows it, its second corner named by a person."""
    circuit = kept_review.track.circuit
    named = tuple(
        replace(corner, name="Old Gate") if corner.number == 2 else corner for corner in circuit.corners
    )
    path = tmp_path_factory.mktemp("circuit") / "vellmoor.toml"
    path.write_text(circuit_text(replace(circuit, name="Vellmoor Ring", corners=named)), encoding="utf-8")
    return path


def test_a_kept_run_has_the_corner_names_of_its_circuit(kept_files, circuit_file, tmp_path):
    log, bike, sheet = kept_files
    book = Logbook(tmp_path / "book")
    run_id = book.add(log, bike, sheet, circuit_path=circuit_file)
    assert [corner.name for corner in book.summary(run_id).corners][1] == "Old Gate"
    assert "Corner 2 is Old Gate." in debrief_html(book.summary(run_id), book.traces(run_id), appendix=True)
    kept = book.path / "runs" / run_id / "circuit.toml"
    assert load_circuit(kept).name == "Vellmoor Ring"
    assert verify(book).damages == ()
    # the same again is the same run; made again it is still on that circuit
    assert book.add(log, bike, sheet, circuit_path=circuit_file) == run_id
    again = book.rebuild(run_id)
    assert [corner.name for corner in book.summary(again).corners][1] == "Old Gate"


def test_a_circuit_that_comes_later_makes_the_run_again(kept_files, circuit_file, tmp_path, quick):
    log, bike, sheet = kept_files
    book = Logbook(tmp_path / "book")
    before = book.add(log, bike, sheet)
    after = book.add(log, bike, sheet, circuit_path=circuit_file)
    assert after != before
    assert [entry.run_id for entry in book.history(after)] == [before, after]
    assert book.add(log, bike, sheet) == after  # the circuit stays with the log's run


@pytest.mark.parametrize("name", ["run 3.csv", "run 3.csv.gz", "run 3.parquet"])
def test_a_run_is_called_as_its_log_without_the_kind_of_file(name):
    assert sheet_words(SetupSheet(), name)["name"] == "run 3"
    assert sheet_words(SetupSheet(), f"2026.05.01 {name}")["name"] == "2026.05.01 run 3"
