"""The clock: units, gaps, stamps that go back or repeat, few digits, jitter."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.decimals import Column, Columns, packed
from telemetry.errors import ChannelError, LogError
from telemetry.logs import RawLog
from telemetry.signals.clock import even_grid, steadiness, steady_grid
from telemetry.signals.stamps import row_stamps
from tests.signals.made_logs import codes, fork_mm, make_log, make_run, shock_mm


def test_a_tidy_log_keeps_every_value():
    log = make_log()
    run = make_run(log)
    assert run.sample_rate_hz == 500.0
    np.testing.assert_array_equal(run.t_s, np.arange(4000) / 500)
    np.testing.assert_allclose(run.shaft_travel_mm["front"], fork_mm(run.t_s), atol=1e-9)
    np.testing.assert_allclose(run.shaft_travel_mm["rear"], shock_mm(run.t_s), atol=1e-9)
    assert run.notes == ()
    assert [step.name for step in run.history] == ["even_clock", "calibrate", "calibrate"]
    assert run.masked_share == {"front": 0.0, "rear": 0.0}


@pytest.mark.parametrize(
    ("unit", "size"), [("s", 1), ("ms", 1e3), ("us", 1e6), ("", 1), ("", 1e3), ("", 1e6)]
)
@pytest.mark.parametrize("start", [0.0, 3600.5, 1.7e9])
def test_units_of_time(unit, size, start):
    t = np.arange(2000) / 500
    log = make_log(t_s=t, units={"time": unit}, time=np.round((start + t) * size, 4))
    run = make_run(log)
    assert run.sample_rate_hz == pytest.approx(500.0, rel=1e-6)
    assert run.t_s[0] == 0.0
    np.testing.assert_allclose(run.shaft_travel_mm["front"], fork_mm(t), atol=1e-9)
    assert codes(run) == (["time_unit_assumed"] if unit == "" and size > 1 else [])


def test_time_in_a_unit_of_something_else():
    with pytest.raises(
        LogError, match=r"outing.csv, column 'time': unit 'km/h' is not one of time; use s, ms or us"
    ):
        make_run(make_log(units={"time": "km/h"}))


def test_no_time_column():
    log = make_log()
    log.columns["Time_"] = log.columns.pop("time")
    with pytest.raises(ChannelError, match=r"has no column 'time' \(time\). Did you mean 'Time_'\?"):
        make_run(log)


def test_time_without_numbers():
    with pytest.raises(ChannelError, match=r"column 'time' \(time\): holds no numbers"):
        make_run(make_log(time=np.full(4000, np.nan)))


def test_a_pause_of_the_logger_is_a_gap_not_a_bridge():
    t = np.arange(4000) / 500
    t = t[(t < 2.0) | (t >= 2.5)]
    run = make_run(t_s=t)
    assert run.sample_rate_hz == 500.0
    assert len(run.t_s) == 4000
    gap = (run.t_s >= 2.0 - 1e-9) & (run.t_s < 2.5 - 1e-9)
    for end, truth in (("front", fork_mm), ("rear", shock_mm)):
        np.testing.assert_array_equal(np.isnan(run.shaft_travel_mm[end]), gap)
        np.testing.assert_allclose(run.shaft_travel_mm[end][~gap], truth(run.t_s[~gap]), atol=1e-9)
        assert run.masked_share[end] == pytest.approx(0.5 / 8.0)
    (note,) = run.notes
    assert note.code == "clock_gap"
    assert note.start_s == pytest.approx(2.0) and note.end_s == pytest.approx(2.5)
    # the row after the gap: 1000 rows from row 3 on
    assert note.message.startswith(
        "The clock has gaps before row 1003 (t = 2.000 s): 0.50 s without a row, 6.2% of the log."
    )


def test_a_gap_of_broken_length_shifts_by_less_than_half_a_sample():
    t = np.concatenate((np.arange(1000) / 500, 2.0317 + np.arange(1000) / 500))
    run = make_run(t_s=t)
    valid = ~np.isnan(run.shaft_travel_mm["front"])
    assert valid.sum() == 2000
    truth = fork_mm(run.t_s[valid])
    # the fastest change of this motion is about 200 mm/s
    assert np.abs(run.shaft_travel_mm["front"][valid] - truth).max() < 0.5 / 500 * 250


@pytest.mark.parametrize("drop", [1, 2, 3])
def test_single_lost_rows_are_bridged_and_counted(drop):
    t = np.arange(4000) / 500
    keep = np.ones(4000, bool)
    for start in (500, 1500, 2501):
        keep[start : start + drop] = False
    run = make_run(t_s=t[keep])
    assert not np.isnan(run.shaft_travel_mm["front"]).any()
    np.testing.assert_allclose(run.shaft_travel_mm["front"], fork_mm(t), atol=0.03)
    bridged = next(note for note in run.notes if note.code == "bridged")
    assert (
        f"3 places, first at row 503 (t = 1.000 s); {3 * drop} samples are bridged by a cubic."
        in bridged.message
    )


def test_a_slow_log_bridges_nothing():
    t = np.arange(800) / 100
    run = make_run(t_s=np.delete(t, 300))
    assert np.flatnonzero(np.isnan(run.shaft_travel_mm["front"])).tolist() == [300]


def test_backward_and_repeated_stamps():
    t = np.arange(4000) / 500
    stamped = t.copy()
    stamped[1000] = stamped[996]  # one row stamped late
    stamped[2000] = stamped[1999]  # one stamp twice
    run = make_run(make_log(t_s=t, time=stamped))
    assert len(run.t_s) == 4000
    np.testing.assert_allclose(run.shaft_travel_mm["front"], fork_mm(t), atol=0.03)
    note = next(note for note in run.notes if note.code == "backward_time")
    assert note.message == "Time is out of order in 1 rows (first: row 1003); they are left out."
    assert note.start_s == pytest.approx(1.998)
    note = next(note for note in run.notes if note.code == "repeated_time")
    assert (
        note.message == "1 samples have the same time as the one before (first: row 2003); they are left out."
    )


def test_one_stamp_far_ahead_costs_one_row():
    t = np.arange(4000) / 500
    stamped = t.copy()
    stamped[1000] = 7.0
    run = make_run(make_log(t_s=t, time=stamped))
    note = next(note for note in run.notes if note.code == "backward_time")
    assert note.message == "Time is out of order in 1 rows (first: row 1003); they are left out."
    np.testing.assert_allclose(run.shaft_travel_mm["front"], fork_mm(t), atol=0.03)


def test_of_a_clock_that_jumps_by_days_the_longest_part_is_used():
    t = np.arange(4000) / 500
    run = make_run(t_s=np.where(t > 5, t + 200_000, t))
    note = next(note for note in run.notes if note.code == "several_recordings")
    assert note.message.startswith("time jumps ahead at row 2504, from 5.000 to 200005.002 s")
    assert "Rows 3 to 2503 are used, the longest of 2 parts" in note.message
    assert len(run.t_s) == 2501
    np.testing.assert_allclose(run.shaft_travel_mm["front"], fork_mm(t[:2501]), atol=0.03)


def test_of_two_recordings_in_one_file_the_longer_is_used():
    t = np.arange(2000) / 500
    run = make_run(make_log(t_s=t, time=np.concatenate((t[:800], t[:1200]))))
    note = next(note for note in run.notes if note.code == "several_recordings")
    assert note.message.startswith("time goes back at row 803, from 1.598 to 0.000 s after the first stamp")
    assert "Rows 803 to 2002 are used, the longest of 2 parts; split the file there" in note.message
    np.testing.assert_allclose(run.shaft_travel_mm["front"], fork_mm(t[800:]), atol=0.03)


def test_a_stamp_that_leaps_does_not_part_a_recording():
    t = np.arange(4000) / 500
    stamped = np.concatenate((t[:3000], t[:1000]))
    stamped[1500] = 900.0
    run = make_run(make_log(t_s=t, time=stamped))
    assert run.t_s[-1] == pytest.approx(2999 / 500)


def test_rows_out_of_order_are_put_in_order():
    t = np.arange(4000) / 500
    order = np.random.default_rng(3).permutation(len(t))
    order = order[order != 77]
    run = make_run(make_log(t_s=t[order], time=t[order]))
    note = next(note for note in run.notes if note.code == "rows_out_of_order")
    assert "the rows are put in order of time" in note.message
    np.testing.assert_allclose(run.shaft_travel_mm["front"], fork_mm(t), atol=0.03)


def test_rows_written_twice_count_once():
    t = np.repeat(np.arange(2000) / 500, 2)
    run = make_run(make_log(t_s=t, time=t))
    assert run.sample_rate_hz == 500.0
    note = next(note for note in run.notes if note.code == "repeated_rows")
    assert note.message == "2000 rows are copies of the one before (first: row 4); they are left out."


def ride(t_s):
    """Travel with what a road gives it: brakes and corners over seconds, the body at 2 Hz, the wheel at 15 Hz. [V]"""
    parts = ((0.13, 20.0), (0.4, 12.0), (2.1, 8.0), (15.3, 3.0))
    travel = 60 + sum(size * np.sin(2 * np.pi * hz * t_s + 7 * hz) for hz, size in parts)
    return 0.5 + travel / 30


def test_milliseconds_called_seconds_are_told_by_the_travel():
    t = np.arange(4000) / 200
    log = make_log(t_s=t, time=1000 * t, fork=ride(t), shock=ride(t + 0.1))
    run = make_run(replace(log, units={**log.units, "time": "s"}))
    assert run.sample_rate_hz == 200.0
    note = next(note for note in run.notes if note.code == "time_unit_assumed")
    assert "'time' is labelled seconds and has steps of 5, too long for a log of travel" in note.message


@pytest.mark.parametrize("unit", ["s", ""])
def test_a_log_of_1_hz_stays_one(unit):
    t = np.arange(400) * 1.0
    log = make_log(t_s=t, time=t, fork=ride(t), shock=ride(t + 0.1))
    run = make_run(replace(log, units={**log.units, "time": unit}))
    assert run.sample_rate_hz == 1.0


def test_rows_without_time():
    t = np.arange(4000) / 500
    stamped = t.copy()
    stamped[[100, 2000]] = np.nan
    run = make_run(make_log(t_s=t, time=stamped))
    note = next(note for note in run.notes if note.code == "no_time")
    assert note.message == "2 rows have no time (first: row 103); they are left out."
    np.testing.assert_allclose(run.shaft_travel_mm["front"], fork_mm(t), atol=0.03)


@pytest.mark.parametrize(("rate", "digits"), [(600.0, 3), (400.0, 3), (300.0, 3), (64.0, 2)])
def test_stamps_with_few_digits_are_an_even_clock(rate, digits):
    t = np.arange(int(20 * rate)) / rate
    run = make_run(make_log(t_s=t, time=np.round(t, digits)))
    assert run.sample_rate_hz == pytest.approx(rate, rel=1e-4)
    np.testing.assert_allclose(run.shaft_travel_mm["front"], fork_mm(t), atol=1e-9)
    assert codes(run) == []


@pytest.mark.parametrize(("rate", "digits"), [(128.0, 2), (200.0, 2), (100.0, 0)])
def test_rows_that_share_coarse_stamps_are_evenly_apart(rate, digits):
    t = np.arange(int(20 * rate)) / rate
    run = make_run(make_log(t_s=t, time=np.floor(t * 10**digits) / 10**digits))
    assert run.sample_rate_hz == pytest.approx(rate, rel=2e-3)
    assert "few_digits" in codes(run)
    assert len(run.t_s) == pytest.approx(len(t), abs=0.002 * len(t))


def test_stamps_too_coarse_and_too_uneven_are_refused():
    t = np.sort(np.random.default_rng(1).uniform(0, 20, 2000)) ** 1.3
    with pytest.raises(
        LogError, match="% of the samples of 'fork' have the same time .* more decimals of time"
    ):
        make_run(make_log(t_s=t, time=np.round(t, 1)))


def test_jitter_is_taken_out():
    # SNR of a sampled sine under clock jitter: -20 log10(2 pi f sd); 15 Hz, 0.2 ms: 34.49 dB
    # (Kester, Analog Devices MT-007, from memory)
    rng = np.random.default_rng(7)
    even = np.arange(20_000) / 1000
    stamps = even + 2e-4 * rng.standard_normal(len(even))
    tone = 60 + 20 * np.sin(2 * np.pi * 15 * stamps)
    truth = 60 + 20 * np.sin(2 * np.pi * 15 * even)

    def snr_db(error):
        return -10 * np.log10(np.mean(error**2) / (20**2 / 2))

    assert snr_db(tone - truth) == pytest.approx(34.49, abs=0.3)
    run = make_run(make_log(t_s=stamps, fork=0.5 + tone / 30), ends=("front",))
    note = next(note for note in run.notes if note.code == "uneven_clock")
    assert "standard deviation 0.20 ms at 1000.0 Hz" in note.message
    travel = run.shaft_travel_mm["front"]
    wanted = 60 + 20 * np.sin(2 * np.pi * 15 * (stamps[0] + run.t_s))
    ok = np.isfinite(travel)
    assert ok.mean() > 0.999
    lag = np.mean((travel - wanted)[ok] * np.cos(2 * np.pi * 15 * (stamps[0] + run.t_s[ok]))) / (
        20 * np.pi * 15
    )
    assert abs(lag) < 3e-4  # where sample 0 lies is known to the jitter of a few stamps only
    clock = run.t_s[ok] + stamps[0] + lag
    fitted = np.column_stack(
        (np.sin(2 * np.pi * 15 * clock), np.cos(2 * np.pi * 15 * clock), np.ones(ok.sum()))
    )
    residual = travel[ok] - fitted @ np.linalg.lstsq(fitted, travel[ok], rcond=None)[0]
    assert snr_db(residual) > 80


def test_ends_in_rows_of_their_own():
    # one stamp, two rows: front in one, rear in the other
    t = np.arange(1000) / 500
    log = make_log(t_s=np.repeat(t, 2))
    log.columns["fork"][1::2] = np.nan
    log.columns["shock"][0::2] = np.nan
    run = make_run(log)
    assert run.sample_rate_hz == 500.0
    np.testing.assert_allclose(run.shaft_travel_mm["front"], fork_mm(t), atol=1e-9)
    np.testing.assert_allclose(run.shaft_travel_mm["rear"], shock_mm(t), atol=1e-9)


def test_too_few_samples():
    with pytest.raises(LogError, match="only 5 samples of travel with a time of their own"):
        make_run(t_s=np.arange(5) / 100)


@settings(max_examples=60, deadline=None)
@given(
    rate=st.sampled_from([50.0, 100.0, 200.0, 333.0, 500.0, 1000.0]),
    lost=st.sets(st.integers(1, 398), max_size=120),
    start=st.floats(0, 1e5),
)
def test_the_grid_puts_every_stamp_in_its_place(rate, lost, start):
    index = np.array([i for i in range(400) if i not in lost])
    t = start + index / rate
    grid = even_grid(t, np.ones(len(t), bool))
    assert grid.sample_rate_hz == pytest.approx(rate, rel=1e-6)
    assert grid.even
    np.testing.assert_array_equal(grid.index, index)
    assert [grid.row_of(int(i)) for i in index[:5]] == [0, 1, 2, 3, 4]


@pytest.mark.parametrize("rate_hz", [99.7, 100.0, 1000.0])
@pytest.mark.parametrize("first", [0.0, 1234.5])
@pytest.mark.parametrize("unit", ["s", "ms"])
def test_steady_stamps_give_the_clock_that_all_stamps_give(rate_hz, first, unit):
    late = np.random.default_rng(3).uniform(-0.02, 0.02, 5000)
    t_s = np.round(first + (np.arange(5000) + late) / rate_hz, 6)
    values = t_s if unit == "s" else np.round(1000 * t_s, 3)
    log = RawLog("log.csv", Columns({"time": packed(values)}), {"time": unit})
    stamps = row_stamps(log, "time")
    grid, wanted = steady_grid(stamps.seconds, stamps.steady), even_grid(t_s - t_s[0], np.ones(5000, bool))
    assert grid.even and wanted.even and grid.is_row_by_row(5000) and wanted.is_row_by_row(5000)
    assert grid.sample_rate_hz == pytest.approx(wanted.sample_rate_hz, rel=1e-12)
    assert grid.start_s == pytest.approx(wanted.start_s, abs=1e-11)
    assert grid.jitter_s == pytest.approx(wanted.jitter_s, rel=1e-6)
    assert (grid.row_of(17), grid.gaps) == (wanted.row_of(17), wanted.gaps)
    np.testing.assert_array_equal(grid.at_rate(70.0).index, wanted.at_rate(70.0).index)


@pytest.mark.parametrize("fault", ["lost", "late", "back", "blank"])
def test_stamps_with_a_fault_are_not_steady(fault):
    t_s = np.arange(40_000) / 500
    if fault == "lost":
        t_s[30_000:] += 1 / 500
    elif fault == "late":
        t_s[30_000] += 0.1 / 500
    elif fault == "back":
        t_s[[16_383, 16_384]] = t_s[[16_384, 16_383]]
    else:
        t_s[30_000] = np.nan
    assert steadiness(Column(t_s)) is None
