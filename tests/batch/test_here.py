"""Work on processes of this machine: results, workers that die, stop."""

import os

import pytest

from telemetry.batch import run_here
from tests.batch.tasks import die_on_three, die_once, square, wait_or_end


def test_every_task_is_done_once_by_several_processes():
    done = list(run_here(range(40), square, lambda _: None, workers=3))
    assert sorted(task for task, _ in done) == list(range(40))
    assert all(value == task**2 for task, (_, value) in done)
    pids = {pid for _, (pid, _) in done}
    assert os.getpid() not in pids and len(pids) <= 3


def test_a_task_that_kills_its_worker_costs_that_task_only():
    done = dict(run_here(range(8), die_on_three, lambda task: f"lost {task}", workers=2))
    assert done == {**{k: k for k in range(8)}, 3: "lost 3"}


def test_a_worker_killed_once_costs_nothing(tmp_path):
    marker = tmp_path / "killed"
    tasks = [(k, marker) for k in range(6)]
    done = dict(run_here(tasks, die_once, lambda _: "lost", workers=2))
    assert marker.exists() and sorted(done.values()) == list(range(6))


def test_closing_stops_the_processes(tmp_path):
    # One task ends, so that the generator yields while the other still waits.
    running = run_here([tmp_path / "wait", tmp_path / "end"], wait_or_end, lambda _: None, workers=2)
    next(running)
    running.close()
    (waiting,) = tmp_path.glob("*.pid")
    with pytest.raises(ProcessLookupError):
        os.kill(int(waiting.stem), 0)
