"""A slice of `tests/benchmarks/logbook/kill.py`: real processes, killed with SIGKILL."""

import json
import subprocess
import sys
from pathlib import Path

KILL = Path(__file__).parents[1] / "benchmarks" / "logbook" / "kill.py"


def test_killed_processes_leave_the_logbook_sound():
    command = [sys.executable, str(KILL), "--kills", "1", "--storing", "3", "--commands", "1", "--seed", "3"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    counts = json.loads(done.stdout.splitlines()[-1])
    assert {kind: sum(states.values()) for kind, states in counts.items()} == {
        "whole add": 1,
        "while writing": 3,
        "whole command": 1,
    }
    assert all(states["damaged"] == 0 for states in counts.values())
