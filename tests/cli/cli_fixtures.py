"""One simulated lap, and two ways to run the command on it."""

import subprocess
import sys
from pathlib import Path

import pytest

from telemetry.cli import main

__all__ = ["BOTHENDS", "files", "run", "shell"]
FIXTURES = Path(__file__).parents[2] / "fixtures"
BOTHENDS = Path(sys.executable).parent / "bothends"


@pytest.fixture(scope="session")
def files():
    """Log and bike file of one simulated lap."""
    return FIXTURES / "vellmoor-plain.csv", FIXTURES / "qb-6.toml"


@pytest.fixture
def run(capsys):
    """Run a command in this process: exit code, standard output, standard error."""

    def run_main(*arguments):
        capsys.readouterr()
        code = main([str(argument) for argument in arguments])
        out, err = capsys.readouterr()
        return code, out, err

    return run_main


@pytest.fixture
def shell(tmp_path):
    """Run the installed command as its own process, as a person does."""

    def run_process(*arguments, **options):
        command = [str(BOTHENDS), *map(str, arguments)]
        return subprocess.run(
            command, cwd=tmp_path, capture_output=True, text=True, timeout=120, check=False, **options
        )

    return run_process
