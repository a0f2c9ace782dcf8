"""The review as a stored value: what goes into JSON comes back, and what is no review is refused."""

import io
import json
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from telemetry.arrays import ENDS
from telemetry.bike import load_bike, parse_bike
from telemetry.errors import LogbookError
from telemetry.laps import is_moving
from telemetry.logs import read_log
from telemetry.report import debrief_html, print_review
from telemetry.review import review
from telemetry.summary import TRACE_COLUMNS, read_traces, summary_from_json, summary_to_json, write_traces

FIXTURES = Path(__file__).parents[2] / "fixtures"


@cache
def a_review():
    return review(read_log(FIXTURES / "vellmoor-plain.csv"), load_bike(FIXTURES / "qb-6.toml"))


def test_a_log_that_is_let_go_gives_the_same_review_and_keeps_its_names():
    """The same log twice, from our own demo data; memory is looked at in tests/benchmarks/speed."""
    log = read_log(FIXTURES / "vellmoor-plain.csv")
    names, units = tuple(log.columns), dict(log.units)
    let_go = review(log, load_bike(FIXTURES / "qb-6.toml"), last_use=True)
    assert summary_to_json(let_go.summary) == summary_to_json(a_review().summary)
    assert (tuple(log.columns), log.units, log.n_rows) == (names, units, 0)


@pytest.mark.parametrize("stroke", [{"shock_stroke_mm": 70.0}, {}])
def test_without_the_leverage_the_shock_alone_is_told_of(stroke):
    """Its travel is that of the whole bike file, by NumPy; nothing is said of the wheel."""
    whole = load_bike(FIXTURES / "qb-6.toml")
    sensors = {
        end: {"channel": one.channel, "points": one.points} for end in ENDS if (one := whole.end(end).sensor)
    }
    bike = parse_bike(
        {
            "front": {"stroke_mm": 125.0, "rake_deg": 24.0, "sensor": sensors["front"]},
            "rear": {**stroke, "sensor": sensors["rear"]},
            "channels": whole.channels.model_dump(exclude_none=True),
        }
    )
    found = review(read_log(FIXTURES / "vellmoor-plain.csv"), bike)
    rear, shock = found.summary.ends["rear"], a_review().motion.ends["rear"]
    assert not rear.judged and np.isnan(rear.wheel.travel.max_mm) and found.summary.balance.reason
    used = shock.shaft_travel_mm[is_moving(a_review().track) & shock.valid]
    assert f"median {np.median(used):.0f} mm, deepest {used.max():.1f} mm" in rear.reason
    assert (
        "of 70 mm; its stroke never ran out." if stroke else "the bike file leaves it open."
    ) in rear.reason


def test_a_summary_comes_back_from_its_json_as_it_was():
    summary = a_review().summary
    assert summary_from_json(summary_to_json(summary)) == summary


def test_the_json_has_the_keys_of_the_public_schema():
    data = json.loads(summary_to_json(a_review().summary))
    assert data["schema"] == "bothends.review/1"
    assert {"source", "duration_s", "sample_rate_hz", "distance_m"} <= data["run"].keys()
    assert {"lap", "start_s", "end_s", "time_s", "complete"} <= data["laps"][0].keys()
    for end in ("front", "rear"):
        assert "stroke_mm" in data["ends"][end]
        for plane in ("shaft", "wheel"):
            part = data["ends"][end][plane]
            assert {"min_mm", "mean_mm", "median_mm", "p95_mm", "max_mm", "used_pct"} <= part["travel"].keys()
            assert part["travel_histogram"].keys() == {"edges_mm", "share"}
            assert part["speed_histogram"].keys() == {"edges_mm_s", "share"}
            assert {"compression", "rebound", "noise_mm_s", "bandwidth_hz"} <= part["speed"].keys()
            assert {"share", "rms_mm_s", "p50", "p95", "p99", "max"} <= part["speed"]["rebound"].keys()
            assert {"low_speed_share", "high_speed_share"} <= part["speed"]["rebound"].keys()
    assert data["balance"]["speed_ratio"].keys() == {"compression", "rebound"}
    assert {"pairs", "compression_ratio", "rebound_ratio"} <= data["balance"]["same_bump"].keys()
    assert {"pitch", "per_phase"} <= data["balance"].keys()
    assert {"verdict", "reason", "events", "fade"} <= data["oscillation"].keys()
    assert isinstance(data["findings"], list)


def test_traces_come_back_from_parquet_and_hold_every_column(tmp_path):
    traces = a_review().traces
    assert tuple(traces.columns) == TRACE_COLUMNS
    write_traces(traces, tmp_path / "t.parquet")
    back = read_traces(tmp_path / "t.parquet")
    for name in TRACE_COLUMNS:
        np.testing.assert_array_equal(back[name], traces[name])
    some = read_traces(tmp_path / "t.parquet", ("t_s", "lap"))
    assert set(some.columns) == {"t_s", "lap"}


@pytest.mark.parametrize("text", ["", "{}", "[1]", "not json", '{"schema": "bothends.review/9"}'])
def test_what_is_no_review_is_refused_in_one_line(text):
    with pytest.raises(LogbookError, match="review the log again") as caught:
        summary_from_json(text, source="old.json")
    assert "\n" not in str(caught.value)
    assert "old.json" in str(caught.value)


def test_a_review_of_another_version_is_named():
    text = summary_to_json(a_review().summary).replace("bothends.review/1", "bothends.review/2")
    with pytest.raises(LogbookError, match="bothends.review/2"):
        summary_from_json(text)


def test_missing_traces_are_refused_in_one_line(tmp_path):
    with pytest.raises(LogbookError, match="traces cannot be read"):
        read_traces(tmp_path / "none.parquet")


def test_a_review_stored_before_the_newer_values_still_opens():
    data = json.loads(summary_to_json(a_review().summary))
    for name in ("places", "strokes", "packing", "frequencies", "trends"):
        del data[name]
    for ends in (data["ends"], *(lap["ends"] for lap in data["laps"])):
        for end in ends.values():
            del end["use"]
            for plane in (end["shaft"], end["wheel"]):
                del plane["travel"]["skew"], plane["travel"]["range_mm"], plane["speed"]["skew"]
            for stop in (*end["bottomed"], *end["topped_out"]):
                del stop["hard"]
    summary = summary_from_json(json.dumps(data))
    assert summary.strokes == {}
    assert summary.trends == ()
    assert summary.frequencies.frequency_hz == ()
    assert summary.ends["front"].use.below_sag_mm is None
    console = Console(file=io.StringIO(), width=80)
    print_review(summary, console)
    assert "Over the outing" not in console.file.getvalue()
    assert "Strokes" not in debrief_html(summary, a_review().traces)
