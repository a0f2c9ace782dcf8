"""README prints what the commands print: word for word, numbers to the last digit or so."""

import ast
import re

import pytest

from tests.cli.readme_tour import README, SHOWN, blocks, printed, shown

BLOCKS = {block.name: block for block in blocks(README.read_text(encoding="utf-8"))}


def a_number(word):
    try:
        return float(word.strip("(),;:%").replace("−", "-"))
    except ValueError:
        return None


def test_every_block_of_the_tour_is_there():
    assert set(BLOCKS) == set(SHOWN)


@pytest.mark.parametrize("name", SHOWN)
def test_the_tour_shows_what_is_printed(name):
    ours = BLOCKS[name].text.split()
    theirs = shown(name, printed(BLOCKS[name].command)).split()
    unlike = [
        (a, b)
        for a, b in zip(ours, theirs, strict=False)
        if a != b and (a_number(a) is None or a_number(b) != pytest.approx(a_number(a), rel=0.02, abs=0.011))
    ]
    assert not unlike, "write it anew: python tests/cli/readme_tour.py"
    assert len(ours) == len(theirs)


def test_the_python_example_runs(monkeypatch, capsys):
    """As a notebook would: each line that is a value by itself has something to show."""
    (example,) = re.findall(
        r"```python\n(import telemetry\n.*?)```", README.read_text(encoding="utf-8"), re.S
    )
    monkeypatch.chdir(README.parent)
    names, shown = {}, []
    for node in ast.parse(example).body:
        if isinstance(node, ast.Expr) and not (
            isinstance(node.value, ast.Call) and "print" in ast.unparse(node)
        ):
            shown.append(eval(ast.unparse(node), names)._repr_html_())
        else:
            exec(ast.unparse(node), names)
    assert "lap time [s]" in capsys.readouterr().out
    review, comparison = shown
    used = names["result"].summary.ends["front"].wheel.travel.max_mm
    assert f"<td>{used:.1f}</td>" in review and "95th percentile of travel" in review
    assert "<table>" in comparison and "ebound speed" in comparison
    assert "<script" not in review + comparison
