"""Time written as text, against the standard library's datetime."""

from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.logs import read_log, with_rate
from telemetry.logs.textfile import is_time_text, past_midnight, read_time_text


def column(cells):
    return pa.chunked_array([pa.array(cells, pa.string())])


zones = st.integers(-14 * 60, 14 * 60).map(lambda minutes: timezone(timedelta(minutes=minutes)))
moments = st.datetimes(datetime(1990, 1, 1), datetime(2090, 1, 1), timezones=zones)


@settings(deadline=None)
@given(st.lists(moments, min_size=1, max_size=20), st.sampled_from("T "))
def test_iso_moments_are_those_of_datetime(stamps, separator):
    found = read_time_text(column([stamp.isoformat(separator) for stamp in stamps]))
    wanted = [(stamp - stamps[0]).total_seconds() for stamp in stamps]
    # 100 years in float64 seconds resolve half a microsecond
    np.testing.assert_allclose(found.t_s, wanted, rtol=0, atol=1e-6)
    assert datetime.fromisoformat(found.start) == stamps[0]


@settings(deadline=None)
@given(
    st.datetimes(datetime(2000, 1, 1), datetime(2090, 1, 1)), st.lists(st.floats(0.001, 43_000), max_size=30)
)
def test_clock_time_goes_on_past_midnight(start, steps):
    moments = [start]
    for step in steps:
        moments.append(moments[-1] + timedelta(seconds=step))
    found = read_time_text(column([moment.strftime("%H:%M:%S.%f") for moment in moments]))
    wanted = [(moment - start).total_seconds() for moment in moments]
    np.testing.assert_allclose(found.t_s, wanted, rtol=0, atol=1e-5)


@settings(deadline=None)
@given(st.text(alphabet="0123456789:.,-+TZ /ab", max_size=30))
def test_what_is_called_time_is_read_as_time(text):
    found = read_time_text(column([text, "12:00:00"]))
    if found is not None and np.isfinite(found.t_s[0]):
        assert is_time_text(text)


@pytest.mark.parametrize(
    "cell",
    [
        "24:00:00",
        "12:60:00",
        "2026-02-30T12:00:00",
        "2026-05-01T30:00",
        "12:00",
        "1.5",
        "",
        "2026-05-01",
        "x12:00:00",
    ],
)
def test_no_time(cell):
    found = read_time_text(column([cell, "2026-05-01T00:00:00"]))
    assert cell == "12:00" or np.isnan(
        found.t_s[0]
    )  # "12:00" is twelve minutes, but only without an hour beside it


def test_minutes_and_seconds_before_the_hour_is_full():
    np.testing.assert_allclose(read_time_text(column(["59:59.5", "1:00:00,25", None])).t_s, [0, 0.75, np.nan])


def test_one_wrong_stamp_does_not_move_the_days_after_it():
    t_s = past_midnight(np.array([46_800.0, 46_801.0, 0.0, 46_803.0, np.nan, 46_804.0]))
    np.testing.assert_array_equal(t_s[[0, 1, 3, 5]], [46_800, 46_801, 46_803, 46_804])


NIGHT = datetime(2026, 5, 1, 23, 59, 59)


def moment(i):
    return NIGHT + timedelta(milliseconds=5 * i)


WAYS = {
    "s": ("time [s]", lambda i: f"{i / 200:.3f}", ""),
    "ms": ("time [ms]", lambda i: f"{5 * i}", ""),
    "us": ("time [us]", lambda i: f"{5000 * i}", ""),
    "clock": ("time", lambda i: moment(i).strftime("%H:%M:%S.%f"), "23:59:59"),
    "iso": ("time", lambda i: moment(i).replace(tzinfo=UTC).isoformat(), "2026-05-01T23:59:59+00:00"),
    "iso, zone and comma": (
        "time",
        lambda i: moment(i).isoformat(" ", "microseconds").replace(".", ",") + "+02:00",
        "2026-05-01T23:59:59+02:00",
    ),
}


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("delimiter", [";", "\t"])
def test_every_way_to_write_time_is_the_same_clock(tmp_path, way, delimiter):
    from telemetry.signals.stamps import read_stamps

    header, stamp, start = WAYS[way]
    path = tmp_path / "log.csv"
    rows = [delimiter.join([stamp(i), f"{i % 9}"]) for i in range(600)]
    path.write_text("\n".join([delimiter.join([header, "fork [mm]"]), *rows]))
    log = read_log(path)
    np.testing.assert_allclose(read_stamps(log, "time").t_s, np.arange(600) / 200, rtol=0, atol=2e-9)
    assert log.metadata.get("start", "") == start


def test_a_stamp_that_cannot_be_read_is_located(tmp_path):
    path = tmp_path / "log.csv"
    rows = [f"12:00:{i:02d},{i}" for i in range(30)]
    rows[20] = "12:00:7x,20"
    path.write_text("\n".join(["time,fork", *rows]))
    log = read_log(path)
    assert [note.message for note in log.notes] == [
        "1 cells of 'time' are no numbers (first: '12:00:7x' in row 22); they count as missing."
    ]


def test_a_stated_rate_stands_in_for_time(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("fork\n" + "\n".join(str(i % 7) for i in range(50)))
    log = with_rate(read_log(path), 200.0)
    np.testing.assert_array_equal(log.columns["time"], np.arange(50) / 200)
    assert log.units["time"] == "s" and log.notes[-1].code == "stated_rate"
    assert with_rate(log, 50.0) is log
