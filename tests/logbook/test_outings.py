"""Outings of a bike for a comparison: which runs of a logbook count."""

from types import SimpleNamespace

from telemetry.errors import LogbookError
from telemetry.logbook import outings_of
from telemetry.setup import parse_sheet

SHEET = parse_sheet({"front": {"preload_mm": 8}})


def test_runs_of_the_bike_with_a_sheet_that_can_be_read_are_taken():
    runs = [SimpleNamespace(run_id=name, bike=bike) for name, bike in (
        ("good", "QB-6"), ("other", "QB-3"), ("bare", "QB-6"), ("damaged", "QB-6"), ("old", "QB-6"))]  # fmt: skip

    def summary(run_id):
        if run_id == "damaged":
            raise LogbookError("cannot be read")
        return f"review of {run_id}"

    found = outings_of("QB-6", runs, summary, lambda run_id: None if run_id == "bare" else SHEET)
    assert [outing.summary for outing in found] == ["review of good", "review of old"]
