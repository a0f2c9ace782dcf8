"""Both sides of each limit of the clock, the cleaning and the checks, on the least input that meets it.

The limits are the choices that stand with their reasons at the head of each module; here each shows that it holds, by
counts and durations that a person can check by hand.
"""

from dataclasses import replace

import numpy as np
import pytest

from telemetry.decimals import Column
from telemetry.errors import CalibrationError, ChannelError, LogError, StrokeExceededError
from telemetry.logs import RawLog
from telemetry.signals import SensorSetup, sanity, to_run
from telemetry.signals.build import MUCH_JITTER, Reading, _clock_notes, _require_an_end, _swapped_columns
from telemetry.signals.calibrate import _find_drift_mm, check_zero, fit_calibration, zero_mm
from telemetry.signals.channels import Meaning, _hold_rows, at_bench_supply, on_clock, read_channel
from telemetry.signals.clean import (
    Cleaning,
    SignalOrigin,
    _check_ends,
    _mask_beside,
    _mask_held,
    _mask_outside,
    _mask_stuck,
    _mask_wild,
    find_spikes,
    widest_spike,
)
from telemetry.signals.clock import (
    RateStretch,
    _nominal,
    _resolution_s,
    common_rate_hz,
    even_grid,
    find_stretches,
    longest_bridge,
    place_on_grid,
)
from telemetry.signals.stamps import check_repeated, in_order, read_stamps, similar_hint

STROKE_MM = 100.0
FORK = SensorSetup("fork", ((0.5, 0.0), (4.5, 100.0)), STROKE_MM, source="bike.toml")
RATE_HZ = 200.0


def cleaning(travel_mm, *, rate_hz=RATE_HZ, even=True):
    origin = SignalOrigin("log.csv", "front", FORK, rate_hz, lambda sample: sample + 3, (), even)
    return Cleaning(origin, np.array(travel_mm, dtype=float))


def masked(work):
    return np.flatnonzero(np.isnan(work.travel_mm)).tolist()


def log_of(**columns):
    return RawLog(
        "log.csv", {name: np.asarray(values, float) for name, values in columns.items()}, {}, first_row=3
    )


# --- stamps ---


def test_names_half_alike_are_offered_and_no_more_than_three():
    # Ratcliff and Obershelp's ratio is twice the matching characters over all (difflib): "ab" and "abcdef" 4/8
    log = log_of(abcdef=[1.0], abcdefg=[1.0], zz=[1.0])
    assert similar_hint(log, "ab") == " Did you mean 'abcdef'?"
    many = log_of(**{f"fork{k}": [1.0] for k in range(5)})
    assert similar_hint(many, "fork").count("'fork") == 3


def test_times_that_rise_or_stand_are_left_as_they_are_and_others_sorted_once():
    travel = 50 + 20 * np.sin(np.arange(300) / 30)
    rising = log_of(time=np.arange(300) / 100, fork=travel)
    assert in_order(rising, "time", ["fork"]) is rising
    turned = log_of(time=np.arange(300)[::-1] / 100, fork=travel[::-1])
    ordered = in_order(turned, "time", ["fork"])
    np.testing.assert_array_equal(ordered.columns["time"], np.arange(300) / 100)
    np.testing.assert_array_equal(ordered.columns["fork"], travel)
    assert [note.code for note in ordered.notes] == ["rows_out_of_order"]


@pytest.mark.parametrize(("back", "sorted_"), [(3, False), (5, True)])
def test_more_than_one_row_in_a_hundred_stamped_back_is_a_log_out_of_order(back, sorted_):
    stamps = np.arange(401) / 100
    stamps[20 : 20 + 20 * back : 20] -= 0.015
    log = log_of(time=stamps, fork=50 + 20 * np.sin(stamps * 3))
    assert bool(in_order(log, "time", ["fork"]).notes) is sorted_


@pytest.mark.parametrize(("copies", "refused"), [(9, False), (11, True)])
def test_one_stamp_in_twenty_may_repeat(copies, refused):
    stamps = np.arange(200) / 100
    stamps[10 : 10 + 5 * copies : 5] = stamps[9 : 9 + 5 * copies : 5]
    log = log_of(time=stamps, fork=np.arange(200.0))
    if refused:
        with pytest.raises(LogError, match=r"row 13: 6 % of the samples of 'fork' have the same time"):
            check_repeated(log, "fork", log.columns["fork"], stamps)
    else:
        (note,) = check_repeated(log, "fork", log.columns["fork"], stamps)
        assert note.message.startswith("9 samples have the same time as the one before (first: row 13)")


@pytest.mark.parametrize(("back_s", "parted"), [(0.9, False), (1.1, True)])
def test_a_clock_that_goes_back_by_more_than_a_second_begins_another_recording(back_s, parted):
    stamps = np.arange(1000) / 100
    stamps[600:] -= back_s
    stamps = read_stamps(log_of(time=stamps, fork=np.arange(1000.0)), "time")
    assert ("several_recordings" in [note.code for note in stamps.notes]) is parted


# --- clock ---


@pytest.mark.parametrize(
    ("rate_hz", "most"), [(99.0, 0), (199.0, 0), (200.0, 1), (299.0, 1), (300.0, 2), (400.0, 3), (999.0, 3)]
)
def test_a_bridge_spans_ten_milliseconds_and_at_most_three_samples(rate_hz, most):
    # n missing samples lie between valid ones (n + 1) / rate apart
    assert longest_bridge(rate_hz) == most


@pytest.mark.parametrize(("lost", "gaps"), [(2, 0), (3, 0), (4, 1)])
def test_more_than_three_lost_samples_are_a_gap(lost, gaps):
    stamps = np.delete(np.arange(200) / 100, slice(50, 50 + lost))
    grid = even_grid(stamps, np.ones(len(stamps), bool))
    assert len(grid.gaps) == gaps
    if gaps:
        assert grid.gaps == ((50, 50 + lost),)


@pytest.mark.parametrize(("rows", "enough"), [(9, False), (10, True)])
def test_a_clock_needs_ten_samples(rows, enough):
    stamps = np.arange(rows) / 100
    if enough:
        assert even_grid(stamps, np.ones(rows, bool)).n_samples == rows
    else:
        with pytest.raises(LogError, match="only 9 samples"):
            even_grid(stamps, np.ones(rows, bool))


@pytest.mark.parametrize(("factor", "stretches"), [(1.2, 0), (1.3, 2)])
def test_rates_a_quarter_apart_are_two_rates(factor, stretches):
    stamps = np.cumsum(np.concatenate([np.full(500, 0.01), np.full(500, 0.01 * factor)]))
    found = find_stretches(stamps)
    assert len(found) == stretches
    if stretches:
        assert [part.rate_hz for part in found] == pytest.approx([100.0, 100.0 / factor])
        assert found[1].start == pytest.approx(500, abs=1)


@pytest.mark.parametrize(("share", "rate_hz"), [(0.09, 200.0), (0.12, 100.0)])
def test_the_slowest_rate_with_a_tenth_of_the_time_is_the_clock(share, rate_hz):
    slow = round(10.0 * share * 100)
    steps = np.concatenate([np.full(round(10.0 * (1 - share) * 200), 1 / 200), np.full(slow, 1 / 100)])
    stamps = np.concatenate(([0.0], np.cumsum(steps)))
    first = len(stamps) - slow
    parts = (RateStretch(0, first, 200.0), RateStretch(first, len(stamps), 100.0))
    assert common_rate_hz(parts, stamps) == rate_hz


def test_a_rate_within_the_rounding_of_stamps_is_the_round_one():
    assert _nominal(99.95, 1e-3) == 100.0
    assert _nominal(99.85, 1e-3) == 99.85
    assert _nominal(0.4, 1e-3) == 0.4  # no round rate is near


@pytest.mark.parametrize(("digits", "resolution_s"), [(0, 1.0), (1, 0.1), (3, 1e-3), (5, 1e-5), (6, 0.0)])
def test_the_decimals_of_stamps_are_counted_up_to_five(digits, resolution_s):
    stamps = np.round(np.arange(50) * 0.7654321, digits)
    assert _resolution_s(stamps) == resolution_s


@pytest.mark.parametrize(("jitter", "even"), [(0.06, True), (0.16, False)])
def test_stamps_off_the_grid_by_more_than_a_tenth_of_a_sample_are_uneven(jitter, even):
    stamps = (np.arange(400) + jitter * np.tile([-1, 1, 1, -1], 100)) / 100
    assert even_grid(stamps, np.ones(400, bool)).even is even


@pytest.mark.parametrize(("jitter", "severity"), [(0.25, "info"), (0.4, "warning")])
def test_jitter_below_three_tenths_of_a_sample_is_no_warning(jitter, severity):
    stamps = np.sort(np.arange(200) / 100)
    grid = replace(even_grid(stamps, np.ones(200, bool)), even=False, jitter_s=jitter / 100)
    (note,) = _clock_notes(log_of(time=stamps), grid)
    assert note.severity == severity and jitter * 10 == pytest.approx(grid.jitter_s * 1e3)
    assert f"standard deviation {10 * jitter:.2f} ms at 100.0 Hz" in note.message
    assert MUCH_JITTER == 0.3


def test_an_uneven_clock_interpolates_a_cubic_exactly():
    # four points fix a cubic (Lagrange)
    stamps = np.cumsum(np.tile([0.009, 0.011, 0.0105, 0.0095], 50))
    cubic = 3.0 + 2.0 * stamps - 4.0 * stamps**2 + 1.5 * stamps**3
    grid = even_grid(stamps, np.ones(len(stamps), bool))
    clock = grid.start_s + grid.t_s
    inside = (clock >= stamps[0]) & (clock <= stamps[-1])
    placed = place_on_grid(cubic, stamps, replace(grid, even=False))
    wanted = 3.0 + 2.0 * clock - 4.0 * clock**2 + 1.5 * clock**3
    np.testing.assert_allclose(placed[inside], wanted[inside], atol=1e-12)


# --- channels ---


@pytest.mark.parametrize(("changes", "hold"), [(9, 1), (10, 5)])
def test_ten_changes_at_even_intervals_make_a_slow_channel(changes, hold):
    changed = np.zeros(5 * changes, dtype=bool)
    changed[::5] = True
    assert _hold_rows(changed) == hold


@pytest.mark.parametrize(("every", "hold"), [(1, 1), (2, 2)])
def test_a_channel_that_changes_in_most_rows_is_not_slow(every, hold):
    changed = np.zeros(60, dtype=bool)
    changed[::every] = True
    assert _hold_rows(changed) == hold


@pytest.mark.parametrize(("uneven", "hold"), [(10, 6), (18, 1)])
def test_seven_in_ten_intervals_must_agree_to_a_row(uneven, hold):
    steps = np.full(50, 6)
    steps[:uneven] = 9
    changed = np.zeros(steps.sum() + 1, dtype=bool)
    changed[np.concatenate(([0], np.cumsum(steps)))] = True
    assert _hold_rows(changed) == hold


@pytest.mark.parametrize(("pause_s", "blank"), [(1.4, False), (1.6, True)])
def test_a_pause_longer_than_a_second_and_a_half_is_not_drawn_over(pause_s, blank):
    t_s = np.arange(1000) / 100
    values = np.where((t_s > 4.0) & (t_s < 4.0 + pause_s), np.nan, 20.0 + t_s)
    placed, rate_hz = on_clock(Column(values), t_s, even_grid(t_s, np.ones(1000, bool)))
    assert np.isnan(placed.values).any() == blank and rate_hz == pytest.approx(100.0)


@pytest.mark.parametrize(
    ("meaning", "largest", "name", "factor"),
    [
        ("speed", 109.0, "speed_m_s", 1.0),
        ("speed", 111.0, "speed_m_s", 1 / 3.6),
        ("throttle", 1.04, "throttle_pct", 100.0),
        ("throttle", 1.06, "throttle_pct", 1.0),
        ("acceleration", 2.4, "acceleration_m_s2", 9.80665),  # standard gravity, ISO 80000-3
        ("acceleration", 2.6, "acceleration_m_s2", 1.0),
    ],
)
def test_a_unit_that_is_not_written_is_told_by_the_largest_value(meaning, largest, name, factor):
    t_s = np.arange(50) / 10
    values = np.linspace(0.1, largest, 50)
    log = log_of(time=t_s, x=values)
    channel = read_channel(log, meaning, "x", t_s, even_grid(t_s, np.ones(50, bool)))
    assert channel.name == name
    np.testing.assert_allclose(channel.values.values, factor * values, rtol=1e-6)


@pytest.mark.parametrize(("share", "lost"), [(0.45, True), (0.55, False), (1.45, False), (1.55, True)])
def test_a_supply_between_half_and_half_as_much_again_is_corrected_and_none_beyond(share, lost):
    t_s = np.arange(100) / 100
    supply = np.where((t_s >= 0.4) & (t_s < 0.6), 5.0 * share, 5.0)
    setup = replace(FORK, supply="supply", supply_reference=5.0)
    grid = even_grid(t_s, np.ones(100, bool))
    signal, step, notes = at_bench_supply(
        Column(np.full(100, 2.0)), log_of(supply=supply), "front", setup, t_s, grid
    )
    signal = signal.values
    assert np.isnan(signal).sum() == (20 if lost else 0)
    if lost:
        (note,) = notes
        assert (note.code, note.start_s, note.end_s) == (
            "supply_lost",
            pytest.approx(0.4),
            pytest.approx(0.6),
        )
        assert "in 20 samples, first at t = 0.400 s" in note.message
    else:
        assert signal[50] == pytest.approx(2.0 / share) and not notes
        assert step.settings["least_share"] == pytest.approx(min(share, 1.0))
        assert step.settings["most_share"] == pytest.approx(max(share, 1.0))


def test_a_beacon_pulse_of_one_row_is_one_sample_of_the_clock():
    t_s = np.arange(100) / 100
    beacon = np.zeros(100)
    beacon[[30, 99]] = 5.0
    placed, _ = on_clock(Column(beacon), t_s + 0.004, even_grid(t_s, np.ones(100, bool)), "pulse")
    assert np.flatnonzero(placed.values > 2.5).tolist() == [30, 99]


def test_a_channel_as_logged_has_no_unit_and_is_interpolated():
    assert Meaning("fuel", "", "words").between == "line"


# --- calibration and zero ---


@pytest.mark.parametrize(("off_mm", "kind"), [(0.28, "line"), (0.35, "curve")])
def test_points_within_three_tenths_of_a_millimetre_are_a_line(off_mm, kind):
    # of three points evenly apart the middle one lies 2/3 of its offset from the least-squares line
    calibration = fit_calibration([(0.0, 0.0), (1.0, 50.0 + 1.5 * off_mm), (2.0, 100.0)])
    assert calibration.line.largest_residual == pytest.approx(off_mm)
    assert calibration.kind == kind


def test_points_are_taken_in_order_of_their_signal_alone():
    with pytest.raises(CalibrationError, match="signal 1 is given for 50 mm and for 40 mm"):
        fit_calibration([(0.0, 0.0), (1.0, 50.0), (1.0, 40.0), (2.0, 100.0)], shape="curve")


@pytest.mark.parametrize(("rows", "enough"), [(49, False), (51, True)])
def test_half_a_second_on_the_stand_gives_a_zero(rows, enough):
    travel = np.full(300, 2.0)
    setup = replace(FORK, zero_interval_s=(1.0, 1.0 + (rows - 1) / 100))
    if enough:
        assert zero_mm(travel, 100.0, setup, key="[front.sensor]") == 2.0
    else:
        with pytest.raises(CalibrationError, match="give at least 0.5 s with the wheels off"):
            zero_mm(travel, 100.0, setup, key="[front.sensor]")


@pytest.mark.parametrize(("range_mm", "still"), [(0.95, True), (1.05, False)])
def test_on_the_stand_nine_tenths_of_the_readings_lie_within_a_millimetre(range_mm, still):
    travel = np.zeros(101)
    travel[:6], travel[-6:] = -range_mm / 2, range_mm / 2  # 5 to 95 %
    travel[0] = 30.0  # one wrong cell is no movement
    travel[1:7] = -range_mm / 2
    setup = replace(FORK, zero_interval_s=(0.0, 1.0))
    if still:
        assert zero_mm(travel, 100.0, setup, key="[front.sensor]") == 0.0
    else:
        with pytest.raises(CalibrationError, match="it must be still"):
            zero_mm(travel, 100.0, setup, key="[front.sensor]")


def topped_out(level_mm, contacts):
    """Riding at 100 Hz that tops out at a level, 0.7 s between contacts."""
    away = np.abs(np.arange(70 * contacts + 70) % 70 - 35)
    return np.minimum(3.0 * np.maximum(away - 3, 0), 40.0) + level_mm + 1e-4 * np.sin(np.arange(len(away)))


@pytest.mark.parametrize(
    ("level_mm", "contacts", "moved"),
    [
        (-0.45, 60, False),
        (-0.6, 60, True),
        (0.6, 120, False),
        (0.7, 120, True),
        (0.7, 90, False),  # above 0 a hundred contacts are needed
        (0.7, 106, True),
        (-3.9, 60, True),
        (-4.2, 60, False),  # no stop so far from full extension
    ],
)
def test_a_level_off_full_extension_is_a_moved_zero(level_mm, contacts, moved):
    travel = topped_out(level_mm, contacts)
    _, notes = check_zero(travel, 100.0, "front", FORK)
    assert ("zero_moved" in [note.code for note in notes]) is moved


@pytest.mark.parametrize(("drift_mm", "noted"), [(0.7, False), (0.9, True)])
def test_a_level_that_moves_by_eight_tenths_of_a_millimetre_drifts(drift_mm, noted):
    travel = topped_out(0.0, 270)  # 190 s
    travel = travel + drift_mm * np.arange(len(travel)) / len(travel)
    steps, notes = check_zero(travel, 100.0, "front", FORK)
    assert ("zero_drift" in [note.code for note in notes]) is noted


def test_a_run_of_less_than_three_minutes_has_no_drift():
    time_s = np.linspace(0.0, 178.0, 200)
    levels = 2.0 * time_s / 180.0 + 0.05 * np.sin(np.arange(200))
    assert _find_drift_mm(179.0, time_s, levels) is None
    assert _find_drift_mm(181.0, time_s, levels) == pytest.approx(2.0, abs=0.1)


# --- cleaning ---


@pytest.mark.parametrize(("rate_hz", "most"), [(100.0, 3), (599.0, 3), (800.0, 4), (1000.0, 5), (2000.0, 5)])
def test_a_spike_lasts_up_to_five_milliseconds_and_three_to_five_samples(rate_hz, most):
    assert widest_spike(rate_hz) == most


@pytest.mark.parametrize(("height_mm", "found"), [(1.45, False), (1.6, True)])
def test_a_spike_is_at_least_a_millimetre_and_a_half_high(height_mm, found):
    for sign in (-1, 1):
        travel = np.full(60, 50.0)
        travel[30] += sign * height_mm
        assert find_spikes(travel, 1000.0).any() == found


@pytest.mark.parametrize(
    ("middle_mm", "height_mm", "found"),
    # 200 Hz: a road bends travel by 50 000 mm/s2 x (1/200 s)^2 = 1.25 mm, a stop 4 mm away three times as much
    [(50.0, 1.6, True), (92.3, 3.6, True), (92.6, 3.6, False), (96.5, 3.6, False), (96.5, 3.9, True)],
)
def test_near_the_stop_a_spike_is_three_times_as_high(middle_mm, height_mm, found):
    travel = np.full(60, middle_mm)
    travel[30] += height_mm
    assert find_spikes(travel, 200.0, STROKE_MM).any() == found


@pytest.mark.parametrize("width", [1, 2, 3, 4, 5])
def test_a_spike_of_up_to_five_samples_is_found_whole(width):
    travel = np.full(80, 50.0)
    travel[30 : 30 + width] += 30.0
    assert np.flatnonzero(find_spikes(travel, 1000.0)).tolist() == list(range(30, 30 + width))


def test_a_reading_is_past_the_stroke_by_more_than_five_millimetres():
    for past, bad in ((4.8, 0), (5.2, 20)):
        rise = np.concatenate([np.linspace(90.0, 100.0 + past, 40), np.full(20, 100.0 + past)])
        travel = np.concatenate([np.full(60, 90.0), rise, rise[::-1][20:], np.full(60, 90.0)])
        travel += 0.2 * np.sin(np.arange(len(travel)))  # no wire stands like that
        work = cleaning(travel)
        smooth = _mask_outside(work)
        assert (len(masked(work)) > 0) == (bad > 0) and (smooth.sum() > 0) == (bad > 0)


@pytest.mark.parametrize(("samples", "code"), [(9, "outside"), (12, "rail")])
def test_out_of_the_stroke_for_more_than_fifty_milliseconds_is_an_open_wire(samples, code):
    travel = np.full(200, 50.0)
    travel[80 : 80 + samples] = 130.0
    work = cleaning(travel)
    _mask_outside(work)
    # with the last sample before the jump, that may lie within it
    assert [note.code for note in work.notes] == [code]
    assert masked(work) == list(range(80, 80 + samples))


def test_no_reading_within_the_stroke_is_no_calibration():
    with pytest.raises(CalibrationError, match="no reading is within the 100 mm stroke"):
        _mask_outside(cleaning(np.full(200, 130.0)))


@pytest.mark.parametrize(
    ("past_mm", "lasts_s", "refused"), [(1.9, 0.4, False), (2.1, 0.24, False), (2.1, 0.27, True)]
)
def test_two_millimetres_past_the_stroke_for_a_quarter_of_a_second_is_a_wrong_calibration(
    past_mm, lasts_s, refused
):
    travel = np.full(4000, 50.0)
    travel[100 : 100 + round(lasts_s * RATE_HZ)] = 100.0 + past_mm
    if refused:
        with pytest.raises(StrokeExceededError, match=r"row 103 \(t = 0.500 s\), channel 'fork': 102.1 mm"):
            _check_ends(cleaning(travel), travel)
    else:
        _check_ends(cleaning(travel), travel)


@pytest.mark.parametrize(("below_mm", "refused"), [(2.9, False), (3.1, True)])
def test_full_extension_may_read_three_millimetres_below_zero(below_mm, refused):
    travel = np.full(4000, 50.0)
    travel[100:200] = -below_mm
    if refused:
        with pytest.raises(CalibrationError, match=r"-3.1 mm is beyond full extension"):
            _check_ends(cleaning(travel), travel)
    else:
        work = cleaning(travel)
        _check_ends(work, travel)
        (note,) = work.notes
        assert note.message.startswith("Front travel goes up to 2.9 mm past full extension in row 103")


@pytest.mark.parametrize(
    ("samples", "n", "refused"),
    [(99, 9000, False), (101, 9000, True), (101, 15000, False), (160, 15000, True)],
)
def test_short_contacts_past_the_stroke_may_last_half_a_second_or_a_hundredth_of_the_log(samples, n, refused):
    travel = np.full(n, 50.0)
    for first in range(samples):  # one sample each: 200 in a second
        travel[10 + 3 * first] = 103.0
    if refused:
        with pytest.raises(StrokeExceededError):
            _check_ends(cleaning(travel), travel)
    else:
        _check_ends(cleaning(travel), travel)


@pytest.mark.parametrize(
    ("past_mm", "samples", "severity"), [(0.9, 40, "info"), (1.1, 29, "info"), (1.1, 32, "warning")]
)
def test_an_end_held_a_millimetre_past_its_stroke_for_longer_than_a_stop_yields_is_a_warning(
    past_mm, samples, severity
):
    travel = np.full(4000, 50.0)
    travel[100 : 100 + samples] = 100.0 + past_mm
    work = cleaning(travel)
    _check_ends(work, travel)
    assert [(note.code, note.severity) for note in work.notes] == [("over_stroke", severity)]


@pytest.mark.parametrize(("past_mm", "noted"), [(0.4, False), (0.6, True)])
def test_half_a_millimetre_past_a_limit_is_the_limit(past_mm, noted):
    for travel in (np.full(50, 100.0 + past_mm), np.full(50, -past_mm)):
        work = cleaning(np.concatenate([np.full(500, 50.0), travel]))
        _check_ends(work, work.travel_mm)
        assert bool(work.notes) == noted


@pytest.mark.parametrize(
    ("moved_mm", "lasts_s", "stuck"), [(0.2, 2.2, True), (0.3, 2.2, False), (0.2, 0.9, False)]
)
def test_a_sensor_within_a_quarter_of_a_millimetre_for_a_second_is_stuck(moved_mm, lasts_s, stuck):
    t_s = np.arange(2000) / RATE_HZ
    travel, other = 50 + 20 * np.sin(8 * t_s), 30 + 10 * np.sin(7 * t_s)
    here = slice(600, 600 + round(lasts_s * RATE_HZ))
    travel[here] = 40 + 0.5 * moved_mm * np.sin(np.arange(len(travel[here])))
    work = cleaning(travel)
    _mask_stuck(work, other, None)
    assert bool(masked(work)) == stuck
    if stuck:
        assert masked(work)[0] == pytest.approx(600, abs=2)
        assert masked(work)[-1] == pytest.approx(here.stop - 1, abs=2)


@pytest.mark.parametrize(
    ("level_mm", "stuck"), [(0.0, False), (1.4, False), (-1.4, False), (1.6, True), (-1.6, True)]
)
def test_within_a_millimetre_and_a_half_of_full_extension_an_end_may_rest(level_mm, stuck):
    t_s = np.arange(2000) / RATE_HZ
    travel = 50 + 20 * np.sin(8 * t_s)
    travel[600:1100] = level_mm + 0.02 * np.sin(np.arange(500))
    work = cleaning(travel)
    _mask_stuck(work, 30 + 10 * np.sin(7 * t_s), None)
    assert bool(masked(work)) == stuck


@pytest.mark.parametrize(
    ("other_mm", "speed_m_s", "stuck"),
    [(1.4, None, False), (1.6, None, True), (None, 7.8, False), (None, 8.2, True)],
)
def test_stuck_is_told_by_three_millimetres_of_the_other_end_or_by_eight_metres_a_second(
    other_mm, speed_m_s, stuck
):
    t_s = np.arange(2000) / RATE_HZ
    travel = 50 + 20 * np.sin(8 * t_s)
    travel[600:1100] = 40.0
    work = cleaning(travel)
    other = None if other_mm is None else 30 + other_mm * np.sin(13 * t_s)
    _mask_stuck(work, other, None if speed_m_s is None else np.full(2000, speed_m_s))
    assert bool(masked(work)) == stuck


def test_a_record_of_less_than_a_second_shows_no_stuck_sensor():
    for n, stuck in ((199, False), (200, True)):
        t_s = np.arange(n) / RATE_HZ
        work = cleaning(np.full(n, 40.0))
        _mask_stuck(work, 30 + 10 * np.sin(20 * t_s), None)
        assert bool(masked(work)) == stuck


@pytest.mark.parametrize(("samples", "held"), [(3, False), (4, True)])
def test_the_same_reading_for_fifteen_milliseconds_after_a_jump_is_held(samples, held):
    # 200 Hz: 15 ms are three steps, so four readings
    t_s = np.arange(400) / RATE_HZ
    travel = 50 + 10 * np.sin(9 * t_s)
    travel[200 : 200 + samples] = travel[199] + 4.0
    work = cleaning(travel)
    _mask_held(work, np.zeros(400, bool))
    assert masked(work) == (list(range(200, 200 + samples)) if held else [])


def test_readings_that_never_repeat_are_not_held():
    travel = 50 + 10 * np.sin(np.arange(400) / 20)
    work = cleaning(travel)
    _mask_held(work, np.zeros(400, bool))
    assert not work.notes and not masked(work)


@pytest.mark.parametrize(("bend_mm", "wild"), [(4.5, False), (5.6, True)])
def test_a_quarter_of_the_readings_that_bend_as_no_road_bends_are_a_floating_input(bend_mm, wild):
    # 1000 Hz: a road bends travel by 0.05 mm; the limit is 5 mm and four times that
    travel = np.full(1000, 50.0)
    travel[400:600:2] += bend_mm / 2  # second differences of bend_mm
    work = cleaning(travel, rate_hz=1000.0)
    _mask_wild(work)
    assert bool(masked(work)) == wild
    if wild:
        assert masked(work)[0] == pytest.approx(398, abs=2) and masked(work)[-1] == pytest.approx(600, abs=2)


@pytest.mark.parametrize(("island", "doubtful"), [(2, True), (3, True), (4, False)])
def test_up_to_fifteen_milliseconds_between_two_faults_are_left_out_with_them(island, doubtful):
    travel = np.full(100, 50.0)
    fault = np.zeros(100, bool)
    fault[[30, 31 + island]] = True
    travel[fault] = np.nan
    work = cleaning(travel)
    _mask_beside(work, fault)
    assert set(range(31, 31 + island)) <= set(masked(work)) if doubtful else len(masked(work)) == 2


def test_on_an_uneven_clock_a_mask_reaches_one_sample_further():
    samples = np.zeros(50, bool)
    samples[20:22] = True
    for even, wanted in ((True, [20, 21]), (False, [19, 20, 21, 22])):
        work = cleaning(np.full(50, 40.0), even=even)
        work.mask(samples, "code", "words")
        assert masked(work) == wanted


# --- open wires and setups ---


@pytest.mark.parametrize(("samples", "off"), [(199, False), (201, True)])
def test_a_wire_is_off_after_one_second_of_a_constant_reading_outside(samples, off):
    travel = np.full(600, 50.0)
    travel[100 : 100 + samples] = 120.0
    mask = sanity.wire_off(travel, (-3.0, 103.0), RATE_HZ)
    assert np.flatnonzero(mask).tolist() == (list(range(100, 100 + samples)) if off else [])


@pytest.mark.parametrize(("hum_mm", "off"), [(1.4, True), (1.6, False)])
def test_hum_of_a_millimetre_and_a_half_is_still_an_open_wire(hum_mm, off):
    travel = np.full(1200, 50.0)
    travel[100:1000] = 120.0 + 0.5 * hum_mm * np.resize([-1, 1], 900)
    travel[150] = 170.0  # one spike in it changes nothing: the middle of the half seconds counts
    assert sanity.wire_off(travel, (-3.0, 103.0), RATE_HZ).any() == off


@pytest.mark.parametrize(
    ("seconds", "speed_m_s", "ridden"), [(9.8, 9.0, False), (10.2, 9.0, True), (20.0, 7.9, False)]
)
def test_ten_seconds_faster_than_eight_metres_a_second_are_a_ride(seconds, speed_m_s, ridden):
    speed = np.zeros(6000)
    speed[: round(seconds * RATE_HZ)] = speed_m_s
    assert sanity.is_ridden(None, speed, RATE_HZ) is ridden


@pytest.mark.parametrize(
    ("seconds", "range_mm", "ridden"), [(9.5, 4.0, False), (10.5, 4.0, True), (20.0, 2.9, False)]
)
def test_without_speed_ten_seconds_of_three_millimetres_at_the_other_end_are_a_ride(
    seconds, range_mm, ridden
):
    other = np.zeros(6000)
    n = round(seconds * RATE_HZ)
    other[:n] = 0.5 * range_mm * np.resize([-1, 1], n)
    assert sanity.is_ridden(other, None, RATE_HZ) is ridden
    assert not sanity.is_ridden(None, None, RATE_HZ)


def read(setup, signal):
    try:
        return fit_calibration(setup.points, setup.zero).travel_mm(signal)
    except CalibrationError:
        return None


def fault(travel_mm, setup=FORK, *, ridden=True, doubted=False):
    found = sanity.diagnose(
        "front", 0.5 + np.asarray(travel_mm) / 25.0, setup, read, ridden=ridden, doubted=doubted
    )
    return None if found is None else found.code


def swing(low_mm, high_mm):
    return np.linspace(low_mm, high_mm, 401)


@pytest.mark.parametrize(
    ("travel", "code"),
    [
        (swing(20, 31), None),
        (swing(20, 26), None),  # less than a ride uses, but a setup error does not explain it
        (swing(20, 24.5), "scale"),
        (swing(-4.5, 60), None),
        (swing(20, 104.5), None),
        (swing(20, 160), None),  # more than half within the stroke
        (swing(60, 260), "scale"),
        (swing(-160, -20), "sign"),
        (np.full(401, 130.0), "wire_off"),
        (np.full(401, 40.0) + 0.1 * np.sin(np.arange(401)), "flat"),
    ],
)
def test_what_readings_alone_say_of_a_sensor(travel, code):
    travel = travel if code != "sign" else np.clip(travel, -95.0, None)
    assert fault(travel) == code


def test_a_bike_that_is_not_ridden_may_stand_still():
    assert fault(np.full(401, 40.0), ridden=False) is None


@pytest.mark.parametrize(
    ("factor", "code"), [(1000.0, "travel_unit"), (10.0, "travel_unit"), (25.4, "travel_unit"), (3.0, None)]
)
def test_points_in_metres_centimetres_or_inches_are_named(factor, code):
    setup = replace(FORK, points=tuple((volts, mm / factor) for volts, mm in FORK.points))
    found = sanity.diagnose("front", 0.5 + swing(40, 60) / 25.0, setup, read, ridden=True)
    assert (None if found is None else found.code) == code
    if code:
        name = {1000.0: "metres", 10.0: "centimetres", 25.4: "inches"}[factor]
        assert f"{name} in place of millimetres" in found.message


@pytest.mark.parametrize(("zero", "in_log"), [(None, 1e3), (None, 1e-3), (500.0, 1e3)])
def test_volts_and_millivolts_are_told_apart(zero, in_log):
    setup = replace(FORK, zero=zero)
    found = sanity.diagnose("front", in_log * (0.5 + swing(20, 80) / 25.0), setup, read, ridden=True)
    assert found.code == "signal_unit"


@pytest.mark.parametrize(("low", "high", "near"), [(-0.8, 5.8, True), (-0.9, 4.0, False), (1.0, 5.9, False)])
def test_readings_are_near_the_bench_within_a_third_of_its_span(low, high, near):
    # points from 0.5 to 4.5: a third of the span is 1.33
    assert sanity._near_bench_signals(low, high, (0.5, 4.5)) is near


@pytest.mark.parametrize(("share", "fits"), [(0.003, True), (0.007, False)])
def test_columns_fit_the_other_way_about_but_for_one_reading_in_two_hundred(share, fits):
    rear = SensorSetup("shock", ((0.5, 0.0), (3.3, 70.0)), 70.0)
    signals = {"front": np.linspace(0.6, 3.2, 1000), "rear": np.linspace(0.6, 4.4, 1000)}
    signals["rear"][: round(1000 * share)] = 4.8  # beyond the fork's stroke by 7.5 mm
    assert bool(sanity.swap_hint(signals, {"front": FORK, "rear": rear})) is fits


@pytest.mark.parametrize(("beyond_mm", "fits"), [(0.9, True), (1.1, False)])
def test_a_swapped_column_fits_within_a_millimetre(beyond_mm, fits):
    rear = SensorSetup("shock", ((0.5, 0.0), (3.3, 70.0)), 70.0)
    signals = {"front": np.linspace(0.6, 3.2, 100), "rear": np.full(100, 0.5 + (100.0 + beyond_mm) / 25.0)}
    assert bool(sanity.swap_hint(signals, {"front": FORK, "rear": rear})) is fits


# --- riding ---


def riding(braking, other, steady=0):
    """Masks of 0.1 s blocks, one kind after the other."""
    kinds = np.repeat([0, 1, 2], [braking, other, steady])
    return sanity._Riding(kinds == 0, kinds == 1, kinds == 2)


@pytest.mark.parametrize(
    ("braking", "other", "known"), [(19, 60, False), (20, 60, True), (60, 39, False), (60, 40, True)]
)
def test_two_seconds_of_braking_and_four_of_other_riding_show_a_direction(braking, other, known):
    share = np.concatenate([np.full(braking, 0.4), np.full(other, 0.3)])
    share[0] = 5.0  # the middle counts
    assert np.isfinite(sanity._under_brakes(share, riding(braking, other))) == known
    if known:
        assert sanity._under_brakes(share, riding(braking, other)) == pytest.approx(0.1)


@pytest.mark.parametrize(
    ("moved", "codes"),
    [
        ({"front": 0.1, "rear": -0.1}, {}),
        ({"front": -0.035, "rear": -0.1}, {}),
        ({"front": -0.045, "rear": -0.1}, {"front": "sign"}),
        ({"front": 0.1, "rear": 0.045}, {"rear": "sign"}),
        ({"front": -0.045, "rear": 0.045}, {"front": "swapped_ends", "rear": "swapped_ends"}),
    ],
)
def test_four_hundredths_of_the_stroke_under_brakes_show_a_direction(moved, codes):
    setups = {"front": FORK, "rear": replace(FORK, channel="shock")}
    faults = sanity._directions(moved, setups, riding(30, 50))
    assert {end: found.code for end, found in faults.items()} == codes
    for found in faults.values():
        assert (found.start_s, found.end_s) == (0.0, pytest.approx(3.0))


@pytest.mark.parametrize(
    ("blocks", "sag", "noted"),
    [
        (19, 0.05, False),
        (20, 0.05, True),
        (60, 0.065, True),
        (60, 0.075, False),
        (60, 0.64, False),
        (60, 0.66, True),
    ],
)
def test_two_seconds_at_a_steady_speed_show_a_sag_that_cannot_be(blocks, sag, noted):
    note = sanity._sag("front", np.full(blocks, sag), FORK, riding(0, 0, blocks))
    assert (note is not None) == noted
    if note is not None:
        assert f"is {100 * sag:.0f} mm ({100 * sag:.0f} % of the stroke)" in note.message
        assert (note.start_s, note.end_s) == (0.0, pytest.approx(blocks / 10))
    assert sanity._sag("front", np.full(60, 0.01), replace(FORK, stroke_mm=np.inf), riding(0, 0, 60)) is None


@pytest.mark.parametrize(
    ("acceleration_m_s2", "lean_deg", "speed_m_s", "braking", "other", "steady"),
    [
        (-4.1, 0.0, 60.0, True, False, False),
        (-3.9, 0.0, 60.0, False, False, False),
        (-1.6, 0.0, 40.0, False, False, False),
        (-1.4, 0.0, 40.0, False, True, True),
        (1.4, 14.0, 20.0, False, True, True),
        (1.4, 16.0, 20.0, False, True, False),
        (1.6, 0.0, 20.0, False, True, False),
        (0.0, 0.0, 11.9, False, False, False),
        (0.0, 0.0, 12.1, False, True, True),
    ],
)
def test_braking_is_harder_than_4_and_steady_less_than_1_5_metres_per_second_squared(
    acceleration_m_s2, lean_deg, speed_m_s, braking, other, steady
):
    t_s = np.arange(0.0, 4.0, 1 / RATE_HZ)
    channels = {"speed_m_s": speed_m_s + acceleration_m_s2 * t_s, "lean_deg": np.full(len(t_s), lean_deg)}
    found = sanity._riding(channels, RATE_HZ)
    inner = slice(8, -8)  # the smoothing leaves half a second at either end
    for mask, wanted in ((found.braking, braking), (found.other, other), (found.steady, steady)):
        assert mask[inner].all() if wanted else not mask[inner].any()


def test_a_block_is_a_tenth_of_a_second_and_unknown_if_any_sample_is():
    values = np.repeat([1.0, 2.0, 3.0], 20)
    values[25] = np.nan
    picked = sanity._blocks(values, RATE_HZ)
    np.testing.assert_array_equal(picked[[0, 2]], [1.0, 3.0])
    assert len(picked) == 3 and len(sanity._blocks(values, 5.0)) == 0


# --- whole runs ---


def test_the_first_fault_is_raised_if_no_end_is_left():
    log, sensors = log_of(time=[0.0]), {"front": FORK, "rear": replace(FORK, channel="shock")}
    faults = {
        "front": sanity.Fault("absent_channel", "No fork.", error=ChannelError),
        "rear": sanity.Fault("scale", "Too large."),
    }
    with pytest.raises(ChannelError, match="neither end can be judged. Front: No fork. Rear: Too large."):
        _require_an_end(log, sensors, faults)
    with pytest.raises(ChannelError, match="^log.csv: No fork.$"):
        _require_an_end(log, {"front": FORK}, {"front": faults["front"]})
    _require_an_end(log, sensors, {"front": faults["front"]})


@pytest.mark.parametrize(("share", "left"), [(0.05, False), (0.15, True)])
def test_an_end_with_less_than_a_tenth_of_a_short_run_is_not_judged(share, left):
    n = 1000
    t_s = np.arange(n) / RATE_HZ
    fork = 0.5 + (50 + 20 * np.sin(8 * t_s)) / 25.0
    fork[round(share * n) :] = np.nan
    shock = 0.5 + (30 + 10 * np.sin(7 * t_s)) / 25.0
    run = to_run(
        log_of(time=t_s, fork=fork, shock=shock),
        sensors={"front": FORK, "rear": replace(FORK, channel="shock")},
        channels={},
        time_channel="time",
    )
    assert ("front" in run.shaft_travel_mm) == left and "rear" in run.shaft_travel_mm


def test_an_end_that_fits_no_swap_keeps_its_own_fault():
    reading = Reading(
        np.linspace(0.6, 3.0, 50),
        np.zeros(50),
        np.zeros(50, bool),
        fit_calibration(FORK.points),
        0.0,
        np.zeros(50),
        np.zeros(50),
    )
    grid = even_grid(np.arange(50) / 100, np.ones(50, bool))
    faults = {"front": sanity.Fault("scale", "Too large.")}
    setups = {"front": FORK, "rear": replace(FORK, channel="shock")}
    assert _swapped_columns({"front": reading}, {}, setups, {}, grid, faults) == {}
    both = {"front": reading, "rear": reading}
    assert _swapped_columns(both, {}, setups, {}, grid, {"front": sanity.Fault("flat", "Still.")}) == {}
    found = _swapped_columns(both, {}, setups, {}, grid, faults)
    assert {end: one.code for end, one in found.items()} == {"front": "swapped_ends", "rear": "swapped_ends"}
