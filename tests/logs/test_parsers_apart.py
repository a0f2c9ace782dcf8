"""Parsers in a process of their own: no formula of a file is run, limits hold, and none outlives its parent."""

import os
import select
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from asammdf import MDF, Signal
from asammdf.blocks.conversion_utils import from_dict

from telemetry.errors import LogError
from telemetry.logs import apart, read_log

HERE = Path(__file__).parent


@pytest.fixture
def limits(monkeypatch):
    """Set the limits of parsers, and let the other process find the parsers of `never_ending`."""
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(HERE), *sys.path]))

    def set_to(seconds, memory_bytes):
        given = apart.Limits(seconds, memory_bytes)
        monkeypatch.setattr(apart.Limits, "of_file", classmethod(lambda cls, size: given))

    return set_to


def with_formula(path, formula, version):
    """A log in which one channel is given by the text of a formula."""
    t_s = np.arange(100) / 100
    with MDF(version=version) as file:
        sound = Signal(samples=np.sin(t_s), timestamps=t_s, name="fork", unit="mm")
        told = Signal(t_s, t_s, name="told", unit="mm", conversion=from_dict({"formula": formula}))
        file.append([sound, told])
        saved = file.save(path)
    return Path(saved)


# The first two are what was tried; the last is what a formula is meant for.
@pytest.mark.parametrize("formula", ["__import__('pathlib').Path('PWNED').touch()", "X1*9**9**9**9", "2*X1"])
@pytest.mark.parametrize("version", ["4.10", "3.30"])
def test_no_formula_of_a_file_is_run(tmp_path, monkeypatch, formula, version):
    (tmp_path / "sympy.py").write_text(
        "from pathlib import Path\nPath('PWNED').touch()\nlambdify = symbols = eval\n"
    )
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(tmp_path), *sys.path]))
    monkeypatch.chdir(tmp_path)
    log = read_log(with_formula(tmp_path / "log.mf4", formula, version))
    assert "fork" in log.columns and "told" not in log.columns
    (note,) = (note for note in log.notes if note.code == "formula")
    assert "'told' is given by a formula, which is never run" in note.message
    assert not (tmp_path / "PWNED").exists()


def test_a_parser_that_never_returns_is_stopped(tmp_path, limits):
    limits(1.0, 4_000_000_000)
    (tmp_path / "log").write_text("hang")
    with pytest.raises(LogError, match="its parser was stopped after 1 s"):
        apart.load_apart("never_ending", tmp_path / "log")


def test_a_parser_that_takes_all_memory_is_stopped(tmp_path, limits):
    limits(60.0, 400_000_000)
    (tmp_path / "log").write_text("grow")
    with pytest.raises(LogError, match="memory"):
        apart.load_apart("never_ending", tmp_path / "log")


def test_a_parser_is_stopped_from_outside_where_the_system_sets_no_limit(tmp_path, limits, monkeypatch):
    limits(60.0, 400_000_000)
    monkeypatch.setattr(apart, "_LIMIT_INSIDE", False)
    (tmp_path / "log").write_text("grow")
    with pytest.raises(LogError, match="stopped at 0.4 GB of memory"):
        apart.load_apart("never_ending", tmp_path / "log")


def test_memory_is_asked_of_the_list_of_processes_where_there_is_no_proc(monkeypatch):
    here = apart.memory_of(os.getpid())
    monkeypatch.setattr(apart.sys, "platform", "darwin")
    assert apart.memory_of(os.getpid()) == pytest.approx(here, rel=0.3) and here > 1e7


def test_a_parser_ends_with_its_parent(tmp_path, limits):
    line, log = tmp_path / "line", tmp_path / "log"
    os.mkfifo(line)
    log.write_text(str(line))
    program = (
        "from pathlib import Path; from telemetry.logs.apart import load_apart; "
        f"load_apart('never_ending', Path({str(log)!r}))"
    )
    limits(600.0, 4_000_000_000)
    parent = subprocess.Popen([sys.executable, "-c", program])
    with line.open("rb", buffering=0) as reads:
        assert reads.read(5) == b"begun"
        parent.kill()
        parent.wait()
        ended, _, _ = select.select([reads], [], [], 60)
        assert ended and reads.read() == b""
