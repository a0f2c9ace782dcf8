import subprocess
import sys
from pathlib import Path

import pytest

from telemetry.cli import main
from telemetry.simulate import SCENARIOS, write_scenario

BOTHENDS = Path(sys.executable).parent / "bothends"


@pytest.fixture(scope="session")
def files(tmp_path_factory):
    """Log and bike file of one simulated lap."""
    folder = tmp_path_factory.mktemp("outing")
    scenario = SCENARIOS["vellmoor-plain"]
    write_scenario(scenario, folder)
    return folder / scenario.file_name, folder / scenario.bike_file


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
