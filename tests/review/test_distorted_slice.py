"""A slice of tests/benchmarks/distorted: several faults at once, and no traceback, warning or needless refusal."""

from tests.benchmarks.distorted import run as benchmark


def test_a_slice_of_the_distorted_logs(tmp_path):
    numbers = [number for number in range(20) if number % len(benchmark.OUTINGS) in (0, 1, 3)]
    found = benchmark.outcomes(numbers, 7, tmp_path)
    wrong = [f"{one.kind} {one.number} {one.log.kinds}: {one.words}" for one in found if one.kind.isupper()]
    assert wrong == []
    assert sum(one.kind == "reviewed" for one in found) >= len(found) // 2
