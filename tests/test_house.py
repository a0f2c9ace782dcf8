"""The house rules, checked by the tools that everybody can run by hand (see DEVELOPERS.md)."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
BIN = Path(sys.executable).parent


@pytest.mark.parametrize(
    "command",
    [
        ["ruff", "check", "."],
        ["ruff", "format", "--check", "."],
        ["mypy"],
        ["lint-imports"],
    ],
    ids=" ".join,
)
def test_tool_agrees(command):
    done = subprocess.run(
        [BIN / command[0], *command[1:]], cwd=ROOT, capture_output=True, text=True, timeout=300, check=False
    )
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr[-2000:]


def test_help_starts_without_the_heavy_libraries():
    code = (
        "import sys\n"
        "from telemetry import cli\n"
        "try:\n    cli.main(['--help'])\nexcept SystemExit:\n    pass\n"
        "heavy = {'scipy', 'pandas', 'dash', 'plotly', 'numba', 'pyarrow', 'numpy'} & set(sys.modules)\n"
        "assert not heavy, heavy"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stderr
