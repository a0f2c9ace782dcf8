"""The house rules, checked by the tools that everybody can run by hand (see DEVELOPERS.md)."""

import ast
import re
import subprocess
import sys
import tomllib
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


def test_a_review_starts_without_what_it_does_not_need():
    code = (
        "import sys, telemetry.cli.log, telemetry.cli.many\n"
        "heavy = {'scipy', 'pandas', 'dash', 'plotly', 'numba', 'distributed'} & set(sys.modules)\n"
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


def test_a_module_lives_in_a_room():
    """At the root stand only the values that every room shares (see the table of rooms in DEVELOPERS.md)."""
    assert {path.stem for path in (ROOT / "telemetry").glob("*.py")} == {
        "__init__", "arrays", "constants", "decimals", "errors", "notes", "numeric", "plaintext", "tomlfile",
    }  # fmt: skip


def _imports(path):
    """Modules that a file imports from, with the line of each."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.ImportFrom) and node.module:
            yield node.module, node.lineno


def test_the_rooms_are_drawn_in_the_order_of_their_layers():
    """In DEVELOPERS.md from left to right, and in its table from top to bottom."""
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    (drawing,) = re.findall(r"^bike, logs \|[^`]*", guide, flags=re.MULTILINE)
    drawn = [set(re.findall(r"\w+", rooms)) for rooms in drawing.split("|")]
    (contract, *_) = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]["contracts"]
    layers = [set(re.findall(r"(?:telemetry\.)?(\w+)", layer)) for layer in reversed(contract["layers"])]
    assert drawn == layers[2:], "below the rooms are modules that every room uses"
    table = re.findall(r"^\| `(?:telemetry/)?(\w+)/` ", guide, flags=re.MULTILINE)
    place = {room: number for number, rooms in enumerate(drawn) for room in rooms}
    assert set(table) == {*place, "fixtures", "tests"}
    assert [place[room] for room in table if room in place] == sorted(place.values())


def test_no_import_past_a_door():
    """What another room may use is in the room's `__init__`; inner modules may be moved freely."""
    rooms = {path.parent.name for path in (ROOT / "telemetry").glob("*/__init__.py")}
    past = [
        f"{path.relative_to(ROOT)}:{line}: {module}"
        for package in ("telemetry", "dashboard")
        for path in (ROOT / package).rglob("*.py")
        for module, line in _imports(path)
        if len(parts := module.split(".")) > 2
        and parts[0] == "telemetry"
        and parts[1] in rooms
        and path.relative_to(ROOT).parts[:2] != ("telemetry", parts[1])
    ]
    assert past == []
