"""The example of DEVELOPERS.md, "A reader": a format of fixed column widths is one module and one line."""

import re
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from telemetry.logs import read_log, readers

GUIDE = Path(__file__).parents[2] / "DEVELOPERS.md"
TEXT = """TIME(s)   FORK(mm)  SHOCK(mm)
0.00      12.5      4.25
0.01      12.7      4.31
0.02      wet       4.40
0.03      13.1      4.52
"""


@pytest.fixture
def fixed_width():
    """The module as the guide prints it."""
    (example,) = re.findall(
        r"```python\n(# telemetry/logs/fixedwidth\.py\n.*?)```", GUIDE.read_text(), flags=re.DOTALL
    )
    module = ModuleType("fixedwidth")
    exec(example, module.__dict__)
    return module


def test_the_example_of_the_guide_reads_a_log(tmp_path, monkeypatch, fixed_width):
    monkeypatch.setattr(readers, "READERS", (fixed_width, *readers.READERS))
    path = tmp_path / "outing.log"
    path.write_text(TEXT)
    log = read_log(path)
    assert log.dialect["reader"] == "fixed width text" and dict(log.units) == {
        "TIME": "s",
        "FORK": "mm",
        "SHOCK": "mm",
    }
    np.testing.assert_array_equal(log.columns["SHOCK"], [4.25, 4.31, 4.40, 4.52])
    np.testing.assert_array_equal(log.columns["FORK"], [12.5, 12.7, np.nan, 13.1])
    (note,) = log.notes
    assert "'wet' in row 4" in note.message, "the row is that of the file"


def test_other_texts_are_left_to_the_other_reader(tmp_path, fixed_width):
    path = tmp_path / "outing.csv"
    path.write_text("time [s],fork [mm]\n0.0,12.5\n0.1,12.7\n")
    assert not fixed_width.recognises(path)
