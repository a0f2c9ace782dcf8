"""A log's columns in the store: small, and equal to the last bit to what reading the text gave."""

import gzip
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.decimals import packed
from telemetry.errors import LogbookError
from telemetry.logbook.columns import (
    as_levels,
    read_stored_log,
    read_stored_traces,
    write_log,
    write_stored_traces,
)
from telemetry.logs import RawLog, read_log
from telemetry.notes import QualityNote, Step
from telemetry.summary import Traces, write_traces
from tests.logbook.logbook_fixtures import FIXTURES


def _log(**columns):
    arrays = {name: np.asarray(values, dtype=np.float64) for name, values in columns.items()}
    return RawLog("made.csv", arrays, dict.fromkeys(arrays, "mm"))


def _kept(log, tmp_path):
    write_log(log, tmp_path / "log.parquet")
    return read_stored_log(tmp_path / "log.parquet")


@given(st.lists(st.decimals(-10_000, 10_000, places=4), min_size=1, max_size=50), st.integers(0, 4))
def test_decimals_are_what_python_reads_from_their_text(written, places):
    # Outside: Python's own float() of a text is the nearest double (IEEE 754), decimal does the rounding.
    texts = [str(each.quantize(Decimal(1).scaleb(-places))) for each in written]
    values = np.array([float(text) for text in texts])
    numbers, decimals = packed(values).whole_numbers()
    assert decimals <= places
    np.testing.assert_array_equal(numbers / 10.0**decimals, values)
    assert [Decimal(int(number)).scaleb(-decimals) for number in numbers] == [Decimal(text) for text in texts]


@settings(deadline=None)  # it writes files
@given(st.lists(st.floats(allow_infinity=True, allow_nan=True), min_size=1, max_size=20))
def test_whatever_the_numbers_they_come_back(tmp_path_factory, values):
    back = _kept(_log(a=values), tmp_path_factory.mktemp("any"))
    np.testing.assert_array_equal(back.columns["a"], np.asarray(values))


def test_numbers_that_are_no_decimals_stay_floats():
    assert packed(np.array([np.pi])).whole_numbers() is None
    assert packed(np.array([1e300])).whole_numbers() is None
    assert packed(np.array([np.inf])).whole_numbers() is None
    assert packed(np.array([2.0**53 + 2])).whole_numbers() is None
    assert packed(np.array([np.nan, np.nan])).whole_numbers()[1] == 0


@given(st.lists(st.integers(-4000, 4000), min_size=1, max_size=300), st.integers(1, 40), st.data())
def test_levels_are_the_numbers_that_occur(counts, step, data):
    numbers = np.repeat(np.array(counts) * step, 5)
    known = np.array(data.draw(st.lists(st.booleans(), min_size=len(numbers), max_size=len(numbers))))
    listed = as_levels(numbers, known)
    if listed is not None:
        places, levels = listed
        # Outside: numpy.unique lists and places them too
        unique, inverse = np.unique(numbers[known], return_inverse=True)
        np.testing.assert_array_equal(levels, unique)
        np.testing.assert_array_equal(places[known], inverse)


def test_a_converter_of_few_bits_is_kept_by_its_levels(tmp_path):
    counts = np.random.default_rng(5).integers(400, 1400, 20_000)
    volts = np.round(counts * 5 / 4096, 4)  # 12 bits over 5 V, four decimals written
    volts[::7] = np.nan
    back = _kept(_log(fork=volts), tmp_path)
    np.testing.assert_array_equal(back.columns["fork"], volts)
    assert b"levels" in pq.read_schema(tmp_path / "log.parquet").field("fork").metadata
    # a sample of 1000 equally likely levels cannot take less than log2(1000) bits: 9.97
    assert 9.9 / 8 < (tmp_path / "log.parquet").stat().st_size / np.isfinite(volts).sum() < 14 / 8


def test_everything_the_reader_said_comes_back(tmp_path):
    log = replace(
        _log(**{"a.b": [1.25, np.nan, 3.5], "lap": [1, 1, 2]}),
        first_row=7,
        dialect={"delimiter": ";"},
        metadata={"rider": "rider 1"},
        notes=(QualityNote("warning", "blank", "1 blank cell.", "a.b", 0.1, 0.2),),
        history=(Step("read", {"rows": 3}),),
    )
    back = _kept(log, tmp_path)
    assert replace(back, columns={}) == replace(log, columns={})
    for name, values in log.columns.items():
        np.testing.assert_array_equal(back.columns[name], values)


def test_other_programs_read_it(tmp_path):
    write_log(_log(fork=[1.5, np.nan]), tmp_path / "log.parquet")
    table = pq.read_table(tmp_path / "log.parquet")
    field = table.schema.field("fork")
    assert table["fork"].to_pylist() == [15, None]
    assert field.metadata == {b"decimals": b"1", b"unit": b"mm"}


@pytest.mark.parametrize("name", ["vellmoor-plain.csv", "qb3-semicolon.csv", "vellmoor-after.csv.gz"])
def test_a_stored_log_is_at_most_a_tenth_of_its_csv(tmp_path, name):
    log, data = read_log(FIXTURES / name), (FIXTURES / name).read_bytes()
    csv = gzip.decompress(data) if name.endswith(".gz") else data
    back = _kept(log, tmp_path)
    for column, values in log.columns.items():
        np.testing.assert_array_equal(back.columns[column], values)
    assert (tmp_path / "log.parquet").stat().st_size <= 0.10 * len(csv)


def test_a_damaged_file_is_named(tmp_path):
    (tmp_path / "log.parquet").write_bytes(b"PAR1 and nothing")
    with pytest.raises(LogbookError, match=r"log\.parquet: the stored log cannot be read .*rebuild the run"):
        read_stored_log(tmp_path / "log.parquet")


def test_traces_are_kept_to_the_decimals_of_their_unit(tmp_path):
    n = 5000
    chance = np.random.default_rng(8)
    columns = {
        "t_s": np.arange(n) / 204.8,
        "lap": np.repeat([0.0, 1.0], n // 2),
        "rear_shaft_mm": chance.uniform(-3.0, 140.0, n),
        "rear_shaft_mm_s": chance.normal(0.0, 900.0, n),
        "distance_m": np.where(np.arange(n) < 100, np.nan, np.linspace(0.0, 4e7, n)),
        "lean_deg": np.full(n, np.nan),
    }
    path = tmp_path / "traces.parquet"
    write_stored_traces(Traces(columns), path)
    back = read_stored_traces(path)
    assert list(back.columns) == list(columns)
    half = {
        "t_s": 5e-7,
        "lap": 0.0,
        "rear_shaft_mm": 5e-4,
        "rear_shaft_mm_s": 5e-2,
        "distance_m": 5e-3,
        "lean_deg": 0.0,
    }
    for name, values in columns.items():
        np.testing.assert_allclose(back[name], values, rtol=1e-12, atol=1.0001 * half[name], err_msg=name)
    assert list(read_stored_traces(path, ("lap", "none")).columns) == ["lap"]
    assert read_stored_traces(path, ("none",)).columns == {}


def test_traces_of_an_older_version_are_read(tmp_path):
    values = {"t_s": np.array([0.0, 0.1]), "rear_shaft_mm": np.array([np.pi, np.nan])}
    write_traces(Traces(values), tmp_path / "traces.parquet")
    back = read_stored_traces(tmp_path / "traces.parquet")
    for name in values:
        np.testing.assert_array_equal(back[name], values[name])
