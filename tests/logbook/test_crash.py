"""Killed at any line of the code that writes, a logbook is as before or holds the whole run."""

import os
import sys
from pathlib import Path

import telemetry.logbook
from telemetry.logbook import Logbook, verify
from tests.logbook.logbook_fixtures import *  # noqa: F403

# Needs fork, to kill a copy of this process: Linux and macOS.
ROOM = Path(telemetry.logbook.__file__).parent
WRITING = {str(ROOM / name) for name in ("store.py", "run.py")}


def _add_and_die(book, kept_files, at_line):
    """Add in a child process that ends without any clean-up at the given line of what writes. Exit code."""
    child = os.fork()
    if child == 0:
        lines = 0

        def watch(frame, event, _argument):
            nonlocal lines
            if frame.f_code.co_filename not in WRITING or frame.f_code.co_name == "_file_values":
                return None  # (the latter only walks through the keys of a bike file)
            if event == "line":
                lines += 1
                if lines == at_line:
                    os._exit(9)
            return watch

        try:
            logbook = Logbook(book)
            sys.settrace(watch)
            logbook.add(*kept_files)
        except BaseException:
            os._exit(1)
        os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def test_killed_at_any_line(kept_files, tmp_path, quick):
    killed = complete = 0
    for at_line in range(1, 4000, 23):
        book = tmp_path / f"book{at_line}"
        Logbook(book)
        code = _add_and_die(book, kept_files, at_line)
        assert code in (0, 9)
        if code == 0:
            break
        killed += 1
        logbook = Logbook(book)  # opening it clears away what was left
        assert list((book / "incoming").iterdir()) == []
        for entry in logbook.runs():
            complete += 1
            assert logbook.original(entry.run_id).read_bytes() == kept_files[0].read_bytes()
            assert logbook.summary(entry.run_id).laps
            assert "rear_wheel_mm" in logbook.traces(entry.run_id)
        assert len(list((book / "runs").iterdir())) == len(logbook.runs())
        logbook.add(*kept_files)
        assert len(logbook.runs()) == 1
    assert killed > 20  # it was killed in many places
    assert 0 < complete < killed  # some of them before and some after the run was in


def test_opening_does_not_clear_away_what_a_living_process_builds(kept_files, tmp_path, quick, monkeypatch):
    logbook = Logbook(tmp_path)
    seen = []

    def fill_and_look(place, *rest):
        fill(place, *rest)
        Logbook(tmp_path)
        seen.append((place / "entry.json").is_file())

    from telemetry.logbook.logbook import fill

    monkeypatch.setattr("telemetry.logbook.logbook.fill", fill_and_look)
    logbook.add(*kept_files)
    assert seen == [True] and len(logbook.runs()) == 1


def test_processes_that_add_at_once(kept_files, tmp_path, quick):
    log, bike, sheet = kept_files
    book = tmp_path / "book"
    Logbook(book)
    children = []
    for number in range(6):
        child = os.fork()
        if child == 0:
            try:
                Logbook(book).add(log, bike, sheet if number % 2 else None)
            except BaseException:
                os._exit(1)
            os._exit(0)
        children.append(child)
    assert [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children] == [0] * 6
    logbook = Logbook(book)
    assert len(logbook.runs()) == 1 and 1 <= len(logbook.revisions()) <= 2  # one log, at most two sheets
    assert list((book / "incoming").iterdir()) == []
    assert verify(logbook).damages == ()


def test_processes_that_add_different_logs_at_once(kept_files, tmp_path, quick):
    log, bike, sheet = kept_files
    book = tmp_path / "book"
    children = []
    for number in range(6):
        other = tmp_path / f"{number}.csv"
        other.write_bytes(log.read_bytes() + b"\n" * number)
        child = os.fork()
        if child == 0:
            try:
                Logbook(book).add(other, bike, sheet)
            except BaseException:
                os._exit(1)
            os._exit(0)
        children.append(child)
    assert [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children] == [0] * 6
    logbook = Logbook(book)
    assert {entry.log_name for entry in logbook.runs()} == {f"{number}.csv" for number in range(6)}
    assert verify(logbook).damages == ()
