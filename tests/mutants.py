"""Changes single places of the numerical centre and counts how many of the changes tests catch.

    python -m tests.mutants --draw 1 --count 60
    python -m tests.mutants --draw 1 --count 20 --rooms motion balance

A change is one of: another arithmetic operator, a comparison turned round (`<` to `<=` changes nothing that can be seen
of measured values), `and` for `or`, a number half as large again, `min` for `max`, a condition turned round, a keyword
argument left out. Each is made in a copy of the project, and `pytest -x tests/numbers tests/ROOM` is run there; a
change whose tests do not end within --limit-s, or take more than 8 GiB, counts as caught. Some changes change nothing
that can be seen (a default that is never used); they count as survived. Those that change nothing by their form are not
drawn: ``strict`` of `zip` and ``check_finite`` (they only report a mistake in the program), ``copy=False`` (it only
saves time), ``axis=1`` where the last axis is the default and arrays are matrices, and how small the number is that
keeps a divisor from 0 (``max(x, 1e-9)``; `min` in its place is drawn).
"""

import argparse
import ast
import os
import random
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from importlib import import_module
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
ROOMS = ("bike", "signals", "laps", "motion", "balance", "damping", "setup", "stand", "prediction")
# Imported once, before the tests of each change are run in a fork.
LIBRARIES = (
    "hypothesis.strategies",
    "numba",
    "pandas",
    "scipy.interpolate",
    "scipy.optimize",
    "scipy.signal",
    "scipy.stats",
)
MOST_BYTES = 8 << 30  # of memory: a change may make a loop that never ends
# Kept numbers that ask the room's own functions: where a change is seen soonest.
ASKED_FIRST = {
    "bike": "bike or limits", "signals": "logs or signals", "laps": "laps or rides or places", "motion": "motions",
    "balance": "balance or pushes", "damping": "answers or wheels", "setup": "outings", "stand": "stand",
    "prediction": "tried or changes",
}  # fmt: skip
OPERATORS = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult}
COMPARISONS = {
    ast.Lt: ast.GtE,
    ast.LtE: ast.Gt,
    ast.Gt: ast.LtE,
    ast.GtE: ast.Lt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
}
NAMES = {
    "min": "max", "max": "min", "nanmin": "nanmax", "nanmax": "nanmin", "minimum": "maximum", "maximum": "minimum",
    "any": "all", "all": "any", "sin": "cos", "cos": "sin", "argmin": "argmax", "argmax": "argmin",
    "floor": "ceil", "ceil": "floor", "median": "mean", "nanmedian": "nanmean",
}  # fmt: skip
LAST_AXIS = ("rfft", "irfft", "diff", "sort", "argsort")  # their default
LEAST_DIVISOR = 1e-5


def changes(node: ast.AST) -> Iterator[str]:
    """Source of what could stand in the place of a node."""
    if isinstance(node, ast.BinOp) and type(node.op) in OPERATORS:
        yield ast.unparse(ast.BinOp(node.left, OPERATORS[type(node.op)](), node.right))
    elif isinstance(node, ast.Compare) and len(node.ops) == 1 and type(node.ops[0]) in COMPARISONS:
        yield ast.unparse(ast.Compare(node.left, [COMPARISONS[type(node.ops[0])]()], node.comparators))
    elif isinstance(node, ast.BoolOp):
        other = ast.And() if isinstance(node.op, ast.Or) else ast.Or()
        yield ast.unparse(ast.BoolOp(other, node.values))
    elif isinstance(node, ast.Constant) and type(node.value) in (int, float) and node.value not in (0, -1):
        yield repr(node.value * 1.5 if isinstance(node.value, float) else node.value + 1)
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub):
        yield ast.unparse(node.operand)
    elif isinstance(node, ast.IfExp):
        yield ast.unparse(ast.IfExp(ast.UnaryOp(ast.Not(), node.test), node.body, node.orelse))
    elif isinstance(node, ast.Call):
        function = node.func
        name = function.attr if isinstance(function, ast.Attribute) else getattr(function, "id", "")
        if name in NAMES:
            new = (
                ast.Attribute(function.value, NAMES[name])
                if isinstance(function, ast.Attribute)
                else ast.Name(NAMES[name])
            )
            yield ast.unparse(ast.Call(new, node.args, node.keywords))
        for keyword in (one for one in node.keywords if not _without_effect(name, one)):
            yield ast.unparse(
                ast.Call(function, node.args, [one for one in node.keywords if one is not keyword])
            )


def places(path: Path) -> Iterator[tuple[ast.expr, str]]:
    """Every expression of the functions and constants of a module that can be changed, and its change."""
    tree = ast.parse(path.read_text())
    words = [node for node in ast.walk(tree) if _is_words(node)]
    words += [number for node in ast.walk(tree) for number in _guards(node)]
    words += [one for node in ast.walk(tree) for one in getattr(node, "decorator_list", [])]
    skipped = {id(inner) for node in words for inner in ast.walk(node)}
    for node in ast.walk(tree):
        if isinstance(node, ast.expr) and id(node) not in skipped:
            for change in changes(node):
                yield node, change


def _without_effect(function: str, keyword: ast.keyword) -> bool:
    """True if a call gives the same without this keyword."""
    value = getattr(keyword.value, "value", None)
    return (
        keyword.arg in ("dtype", "check_finite")
        or (keyword.arg == "strict" and function == "zip")
        or (keyword.arg == "copy" and value is False)
        or (keyword.arg == "axis" and value == 1 and function in LAST_AXIS)
    )


def _guards(node: ast.AST) -> list[ast.Constant]:
    """Numbers that keep a divisor from 0."""
    function = getattr(node, "func", None)
    if getattr(function, "attr", getattr(function, "id", "")) not in ("max", "maximum"):
        return []
    numbers = [one for one in getattr(node, "args", []) if isinstance(one, ast.Constant)]
    return [one for one in numbers if isinstance(one.value, float) and 0 < one.value < LEAST_DIVISOR]


def _is_words(node: ast.AST) -> bool:
    """Hints, decorators, raised errors and texts: no numbers come of them."""
    if isinstance(node, ast.Raise | ast.JoinedStr | ast.Import | ast.ImportFrom | ast.Assert):
        return True
    return isinstance(node, ast.Call) and getattr(node.func, "id", "") in (
        "QualityNote",
        "Step",
        "field",
        "lru_cache",
    )


def changed(text: str, node: ast.expr, change: str) -> str:
    """The text of a module with one expression replaced; brackets keep it one expression."""
    lines = text.encode().splitlines(keepends=True)
    starts = [0]
    for line in lines:
        starts.append(starts[-1] + len(line))
    first = starts[node.lineno - 1] + node.col_offset
    last = starts[(node.end_lineno or node.lineno) - 1] + (node.end_col_offset or 0)
    whole = text.encode()
    return (whole[:first] + f"({change})".encode() + whole[last:]).decode()


def tests_fail(copy: Path, room: str, limit_s: float) -> bool:
    """Whether the kept numbers change, or the room's tests fail or never end."""
    return any(
        _fails(copy, tests, limit_s)
        for tests in (("tests/numbers", "-k", ASKED_FIRST[room]), ("tests/numbers", f"tests/{room}"))
    )


def _fails(copy: Path, tests: Sequence[str], limit_s: float, *, quiet: bool = True) -> bool:
    """Run tests of the copy in a fork of this process, which spares the start of the libraries."""
    child = os.fork()
    if not child:
        os.setsid()
        os.chdir(copy)
        resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
        sys.path[:] = [
            str(copy),
            *(path for path in sys.path if not Path(path).is_relative_to(ROOT / "tests")),
        ]
        os.environ["PYTHONPATH"] = str(copy)
        os.environ["TMPDIR"] = str(copy.parent)  # what the tests leave behind goes with the copy
        tempfile.tempdir = None
        if quiet:
            silence = os.open(os.devnull, os.O_WRONLY)
            os.dup2(silence, 1)
            os.dup2(silence, 2)
        os._exit(int(pytest.main(["-x", "-q", "-p", "no:cacheprovider", "-W", "ignore", *tests])))
    ends = time.monotonic() + limit_s
    while time.monotonic() < ends:
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:  # tests failed, could not be collected, or the process died
            return os.waitstatus_to_exitcode(status) not in (0, 5)
        time.sleep(0.05)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return True


def _write(path: Path, text: str) -> None:
    """Write a module; what was compiled of it goes, as its time stamp may be of the same second."""
    path.write_text(text)
    for compiled in (path.parent / "__pycache__").glob(f"{path.stem}.*.pyc"):
        compiled.unlink()


def main() -> None:
    """Draw, change, test, count."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--draw", type=int, default=1, help="number of the draw: the same draws the same changes"
    )
    parser.add_argument("--count", type=int, default=60)
    parser.add_argument("--rooms", nargs="+", choices=ROOMS, default=list(ROOMS))
    parser.add_argument(
        "--limit-s", type=float, default=900.0, help="longer tests of one change count as caught"
    )
    given = parser.parse_args()
    for name in LIBRARIES:
        import_module(name)
    caught: Counter[str] = Counter()
    seen: Counter[str] = Counter()
    with tempfile.TemporaryDirectory(prefix="bothends-mutants-") as folder:
        copy = Path(folder) / "project"
        shutil.copytree(ROOT, copy, ignore=shutil.ignore_patterns(".git", ".venv", "__pycache__", ".*_cache"))
        candidates = [
            (room, path, node, change)
            for room in given.rooms
            for path in sorted((copy / "telemetry" / room).glob("*.py"))
            if path.name not in ("__init__.py", "_kernel.py", "template.py")
            for node, change in places(path)
        ]
        drawn = random.Random(given.draw).sample(candidates, min(given.count, len(candidates)))
        # in every room: where the tests fail anyway, each change would count as caught
        for tests in ("tests/numbers", *sorted({f"tests/{room}" for room, *_ in drawn})):
            if _fails(copy, (tests,), given.limit_s, quiet=False):
                sys.exit(f"{tests} fails before anything is changed, as printed above; mend it first.")
        for room, path, node, change in sorted(drawn, key=lambda one: (one[0], str(one[1]), one[2].lineno)):
            text = path.read_text()
            _write(path, changed(text, node, change))
            started = time.monotonic()
            found = tests_fail(copy, room, given.limit_s)
            _write(path, text)
            seen[room] += 1
            caught[room] += found
            print(
                f"{'caught  ' if found else 'survived'} {time.monotonic() - started:4.0f} s  "
                f"{path.relative_to(copy)}:{node.lineno}  {ast.get_source_segment(text, node)}  ->  {change}",
                flush=True,
            )
    for room in sorted(seen):
        print(f"{room:12s} {caught[room]:3d} of {seen[room]:3d}")
    print(
        f"draw {given.draw}: {sum(caught.values())} of {sum(seen.values())} of {len(candidates)} changes caught"
    )


if __name__ == "__main__":
    main()
