"""A slice of tests/benchmarks/distorted: several faults at once, and no traceback, warning or needless refusal."""

import importlib.util
import sys
from pathlib import Path

import pytest

BENCHMARK = Path(__file__).parents[1] / "benchmarks" / "distorted"


@pytest.fixture(scope="module")
def benchmark():
    """By its file: other benchmarks have a run.py as well."""
    sys.path.insert(0, str(BENCHMARK))
    spec = importlib.util.spec_from_file_location("distorted_run", BENCHMARK / "run.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["distorted_run"] = module
    spec.loader.exec_module(module)
    yield module
    sys.path.remove(str(BENCHMARK))


def test_a_slice_of_the_distorted_logs(benchmark, tmp_path):
    numbers = [number for number in range(20) if number % len(benchmark.OUTINGS) in (0, 1, 3)]
    found = benchmark.outcomes(numbers, 7, tmp_path)
    wrong = [f"{one.kind} {one.number} {one.log.kinds}: {one.words}" for one in found if one.kind.isupper()]
    assert wrong == []
    assert sum(one.kind == "reviewed" for one in found) >= len(found) // 2
