"""Formats with clocks of their own: MDF written by asammdf, .mat written by SciPy, time in Arrow's types."""

from datetime import UTC, datetime

import numpy as np
import pyarrow as pa
import pyarrow.feather as feather
import pyarrow.parquet as pq
import pytest
from asammdf import MDF, Signal
from scipy.io import savemat

from telemetry.errors import LogError
from telemetry.logs import read_log

FAST_S, SLOW_S = np.arange(400) / 200, np.round(0.0025 + np.arange(20) / 10, 4)
FORK, SHOCK = np.round(40 + 30 * np.sin(7 * FAST_S), 3), np.round(20 + 9 * np.cos(5 * FAST_S), 3)
SPEED = 30 + SLOW_S


def assert_both_rates(log):
    """The slow channel falls between rows of the fast ones: each keeps its own moments, blank at the other's."""
    t_s = log.columns["time"]
    np.testing.assert_array_equal(t_s, np.union1d(FAST_S, SLOW_S))
    for name, own_s, values in (("fork", FAST_S, FORK), ("shock", FAST_S, SHOCK), ("speed", SLOW_S, SPEED)):
        there = np.isfinite(log.columns[name])
        np.testing.assert_array_equal(t_s[there], own_s)
        np.testing.assert_array_equal(log.columns[name][there], values)
    assert dict(log.units) == {"time": "s", "fork": "mm", "shock": "V", "speed": "km/h"}


# Blocks of deflated data came with version 4.10 (ASAM MDF 4.1, ##DZ).
@pytest.mark.parametrize(
    ("version", "compression"), [("3.30", 0), ("4.00", 0), ("4.10", 0), ("4.10", 2), ("4.11", 2), ("4.20", 2)]
)
def test_mdf_groups_at_their_own_rates(tmp_path, version, compression):
    start = datetime(2026, 5, 1, 12, 0, 0, tzinfo=UTC)
    with MDF(version=version) as file:
        file.start_time = start
        file.append(
            [Signal(FORK, FAST_S, name="fork", unit="mm"), Signal(SHOCK, FAST_S, name="shock", unit="V")]
        )
        file.append([Signal(SPEED, SLOW_S, name="speed", unit="km/h")])
        path = file.save(tmp_path / "log.mf4", overwrite=True, compression=compression)
    log = read_log(path)
    assert_both_rates(log)
    assert datetime.fromisoformat(log.metadata["start"]) == start


def test_mdf_whole_numbers_texts_and_samples_that_are_not_valid(tmp_path):
    counts, wrong = np.arange(400, dtype=np.uint16), np.arange(400) % 50 == 3
    with MDF(version="4.10") as file:
        file.append([
            Signal(counts, FAST_S, name="fork", unit="counts", invalidation_bits=wrong),
            Signal(np.array([b"on"] * 400), FAST_S, name="state", encoding="utf-8"),
        ])  # fmt: skip
        path = file.save(tmp_path / "log.mf4")
    log = read_log(path)
    np.testing.assert_array_equal(log.columns["fork"], np.where(wrong, np.nan, counts))
    assert [(note.code, note.channel) for note in log.notes] == [("words", "state")]


CHANNELS = {
    "fork": {"time": FAST_S, "value": FORK, "unit": "mm"},
    "shock": {"time": FAST_S, "value": SHOCK, "unit": "V"},
    "speed": {"time": SLOW_S, "value": SPEED, "unit": "km/h"},
}
OWN_CLOCKS = {
    "a struct for each channel": CHANNELS,
    "structs in a struct": {"log": CHANNELS, "rider": "rider 1"},
    "an array of structs": {
        "channels": np.array([{"name": n, **c} for n, c in CHANNELS.items()], dtype=object)
    },
    "groups with a clock each": {
        "fast": {"time": FAST_S, "fork": FORK, "shock": SHOCK, "units": {"fork": "mm", "shock": "V"}},
        "slow": {"time_ms": 1000 * SLOW_S, "speed": {"data": SPEED, "unit": "km/h"}},
    },
}
ONE_CLOCK = {
    "vectors": {"time": FAST_S, "fork": FORK, "shock": SHOCK},
    "columns": {"t": FAST_S[:, None], "fork": FORK[:, None], "shock": SHOCK[:, None]},
    "a struct": {"log": {"time": FAST_S, "fork": FORK, "shock": SHOCK, "rate": 200.0}},
    "a matrix and names": {
        "data": np.column_stack([FAST_S, FORK, SHOCK]),
        "names": np.array(["time", "fork", "shock"], dtype=object),
    },
    "a matrix beside time": {
        "time": FAST_S,
        "data": np.column_stack([FORK, SHOCK]),
        "names": np.array(["fork", "shock"], dtype=object),
    },
}


@pytest.mark.parametrize("layout", OWN_CLOCKS)
def test_mat_with_clocks_of_their_own(tmp_path, layout):
    savemat(tmp_path / "log.mat", OWN_CLOCKS[layout])
    assert_both_rates(read_log(tmp_path / "log.mat"))


@pytest.mark.parametrize("layout", ONE_CLOCK)
@pytest.mark.parametrize("compressed", [False, True])
def test_mat_with_one_clock(tmp_path, layout, compressed):
    savemat(tmp_path / "log.mat", ONE_CLOCK[layout], do_compression=compressed)
    log = read_log(tmp_path / "log.mat")
    assert list(log.columns) == ["time", "fork", "shock"]
    for name, wanted in (("time", FAST_S), ("fork", FORK), ("shock", SHOCK)):
        np.testing.assert_array_equal(log.columns[name], wanted)


def test_mat_without_any_clock_leaves_out_what_has_another_length(tmp_path):
    savemat(tmp_path / "log.mat", {"fork": FORK, "shock": SHOCK, "speed": SPEED})
    log = read_log(tmp_path / "log.mat")
    assert list(log.columns) == ["fork", "shock"]
    assert [(note.code, note.channel) for note in log.notes] == [("no_clock", "speed")]


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("new.mat", b"MATLAB 7.3 MAT-file, Platform: X" + bytes(600), r"version 7\.3 \(HDF5\).* save it with -v7"),
        ("cut.mat", b"MATLAB 5.0 MAT-file" + b" " * 105 + b"\x00\x01IM" + b"\x0f\0\0\0\xff\0\0\0", "is damaged"),
        ("cut.mf4", b"MDF     4.10    " + bytes(100), "is damaged"),
        ("cut.feather", b"ARROW1\0\0" + bytes(50), "is damaged"),
        ("stream.arrow", b"\xff\xff\xff\xff" + bytes(50), "is damaged|no column"),
    ],
)  # fmt: skip
def test_damaged_or_refused(tmp_path, name, content, message):
    (tmp_path / name).write_bytes(content)
    with pytest.raises(LogError, match=message) as caught:
        read_log(tmp_path / name)
    assert name in str(caught.value) and "\n" not in str(caught.value)


@pytest.mark.parametrize("write", ["parquet", "feather", "stream"])
@pytest.mark.parametrize(
    "kind", [pa.timestamp("ms"), pa.timestamp("ns", "UTC"), pa.duration("us"), pa.time64("us")]
)
def test_time_in_arrows_own_types(tmp_path, write, kind):
    ticks = {"ms": 1e3, "us": 1e6, "ns": 1e9}[kind.unit]
    first = 1_777_637_000 if pa.types.is_timestamp(kind) else 0
    stamps = pa.array((first * int(ticks) + np.rint(FAST_S * ticks).astype(int)).tolist(), pa.int64()).cast(
        kind
    )
    table = pa.table({"time": stamps, "fork [mm]": FORK.tolist()})
    path = tmp_path / "log"
    if write == "parquet":
        pq.write_table(table, path)
    elif write == "feather":
        feather.write_feather(table, str(path))
    else:
        with pa.OSFile(str(path), "wb") as file, pa.ipc.new_stream(file, table.schema) as stream:
            stream.write_table(table)
    log = read_log(path)
    np.testing.assert_allclose(log.columns["time"], FAST_S, rtol=0, atol=1e-9)
    assert dict(log.units) == {"time": "s", "fork": "mm"}
    if first:  # the standard library says what moment that is
        assert log.metadata["start"] == datetime.fromtimestamp(first, UTC).isoformat()
