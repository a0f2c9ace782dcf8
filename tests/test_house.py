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


def test_the_top_level_holds_what_it_should():
    done = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, timeout=60, check=True
    )
    assert {name.split("/")[0] for name in done.stdout.splitlines()} == {
        ".ci", ".gitignore", "DEVELOPERS.md", "LICENSE", "README.md", "constraints.txt", "dashboard", "fixtures",
        "pyproject.toml", "telemetry", "tests",
    }  # fmt: skip
