"""The channels beside travel: names, units, own rates, pauses."""

import re
from dataclasses import replace

import numpy as np
import pytest

from telemetry.decimals import Column
from telemetry.errors import ChannelError
from telemetry.signals.channels import MEANINGS, on_clock
from telemetry.signals.clock import Grid
from tests.signals.made_logs import codes, make_log, make_run

T = np.arange(4000) / 500


def at_rows(values, every):
    """Logged in every so many rows only; blank between."""
    return np.where(np.arange(len(T)) % every == 0, values, np.nan)


def test_speed_at_its_own_rate_is_interpolated_between_its_own_samples():
    run = make_run(
        make_log(wheel=at_rows(20 + 3 * T, 50), units={"wheel": "m/s"}), channels={"speed": "wheel"}
    )
    assert run.channel_rate_hz == {"speed_m_s": pytest.approx(10.0)}
    speed = run.channels["speed_m_s"]
    last = 3950  # the last sample is held for one and a half intervals
    np.testing.assert_allclose(speed[: last + 1], 20 + 3 * T[: last + 1], atol=1e-9)
    assert run.notes == ()


def test_linear_interpolation_costs_what_it_must():
    # worst amplitude error of linear interpolation, 1 - cos(pi f / fs): 15 Hz at 100 Hz 0.10899
    run = make_run(make_log(wheel=at_rows(30 + np.sin(2 * np.pi * 15 * T), 5)), channels={"speed": "wheel"})
    error = run.channels["speed_m_s"] - (30 + np.sin(2 * np.pi * 15 * T))
    assert np.abs(error[:3990]).max() == pytest.approx(0.10899, rel=0.06)


@pytest.mark.parametrize(
    ("meaning", "unit", "logged", "name", "value"),
    [
        ("speed", "km/h", 180.0, "speed_m_s", 50.0),
        ("speed", "mph", 100.0, "speed_m_s", 44.704),
        ("speed", "", 60.0, "speed_m_s", 60.0),
        ("speed", "", 220.0, "speed_m_s", 220 / 3.6),
        ("speed", "furlong", 60.0, "speed_m_s", 60.0),
        ("lean", "rad", 0.5, "lean_deg", np.degrees(0.5)),
        ("lean", "", 40.0, "lean_deg", 40.0),
        ("throttle", "%", 80.0, "throttle_pct", 80.0),
        ("throttle", "", 0.8, "throttle_pct", 80.0),
        ("throttle", "", 80.0, "throttle_pct", 80.0),
        ("latitude", "deg", 47.0, "latitude_deg", 47.0),
        ("brake", "bar", 7.0, "brake", 7.0),
        ("brake", "whatever", 7.0, "brake", 7.0),
    ],
)
def test_units(meaning, unit, logged, name, value):
    run = make_run(make_log(x=np.full(4000, logged), units={"x": unit}), channels={meaning: "x"})
    np.testing.assert_allclose(run.channels[name], value, rtol=1e-9)
    assumed = unit in ("", "furlong") and meaning != "brake"
    assert codes(run) == (["unit_assumed"] if assumed else [])


def test_an_unusual_guess_of_the_unit_is_a_warning():
    run = make_run(make_log(x=np.full(4000, 220.0)), channels={"speed": "x"})
    assert run.notes[0].severity == "warning"
    assert run.notes[0].message == "'x' (speed) has no unit: assumed to be km/h."


def test_a_unit_of_something_else_costs_that_channel():
    run = make_run(make_log(x=np.full(4000, 220.0), units={"x": "rpm"}), channels={"speed": "x"})
    assert "speed_m_s" not in run.channels
    (note,) = run.notes
    assert note.message.startswith(
        "Column 'x' (speed) is in 'rpm', not in a unit such as m/s: the review does without"
    )


@pytest.mark.parametrize(("meaning", "most"), [("speed", 1100.0), ("throttle", 1e9), ("lap", 1e9)])
def test_a_number_beyond_reason_costs_its_rows(meaning, most):
    values = np.linspace(20.0, 30.0, 4000)
    values[1000:1003] = (1e300, -1e18, 2 * most)
    run = make_run(make_log(x=values, units={"x": MEANINGS[meaning].unit}), channels={meaning: "x"})
    (note,) = run.notes
    assert (
        note.message
        == f"'x' ({meaning}) is beyond {most:g} in 3 rows, which is impossible; they are left out."
    )
    assert np.nanmax(run.channels[MEANINGS[meaning].name]) <= 30.0


@pytest.mark.parametrize("meaning", MEANINGS)
def test_a_channel_that_the_log_has_not_is_said_and_the_rest_goes_on(meaning):
    run = make_run(
        make_log(gps_pace=T), channels={meaning: "GPS pace", "brake": "fork"} | {meaning: "GPS pace"}
    )
    (note,) = [note for note in run.notes if note.code == "absent_channel"]
    assert (note.severity, note.channel) == (
        "info" if meaning in ("lap", "beacon") else "warning",
        "GPS pace",
    )
    assert note.message.startswith(
        f"The log has no column 'GPS pace' ({meaning}): {MEANINGS[meaning].without}."
    )
    assert note.message.endswith(
        f" Did you mean 'gps_pace'? If it has another name, use --channels {meaning}=COLUMN."
    )
    assert set(run.shaft_travel_mm) == {"front", "rear"} and MEANINGS[meaning].name not in run.channels
    assert ("brake" in run.channels) == (meaning != "brake")


def test_a_missing_travel_column_names_the_closest_and_lists_all():
    log = make_log(gps_speed=T)
    log = replace(log, columns={("forks" if n == "fork" else n): v for n, v in log.columns.items()})
    words = (
        "The log has no column 'fork' (front travel). Did you mean 'forks'? "
        "Its columns are time, forks, shock, gps_speed. Name it with --channels front=COLUMN."
    )
    run = make_run(log)
    assert list(run.shaft_travel_mm) == ["rear"] and run.not_judged == {"front": words}
    with pytest.raises(ChannelError, match=re.escape(f"outing.csv: {words}")):
        make_run(log, ends=("front",))


def test_unknown_meaning():
    with pytest.raises(ChannelError, match="channel 'colour' is unknown; the channels are speed, latitude"):
        make_run(channels={"colour": "fork"})


def test_a_name_may_carry_its_unit():
    run = make_run(make_log(wheel=T, units={"wheel": "m/s"}), channels={"speed": "wheel [m/s]"})
    np.testing.assert_allclose(run.channels["speed_m_s"], T, atol=1e-9)


def test_a_channel_without_numbers_is_left_out():
    run = make_run(make_log(x=np.full(4000, np.nan)), channels={"speed": "x"})
    assert run.channels == {}
    assert run.notes[0].message == "Column 'x' (speed) holds no numbers; the review does without it."


def test_pauses_are_not_bridged():
    logged = at_rows(30 + T, 50)
    logged[(T > 2.0) & (T < 4.0)] = np.nan  # 2 s: longer than 1.5
    logged[(T > 5.0) & (T < 6.0)] = np.nan  # 1 s: bridged
    speed = make_run(make_log(x=logged), channels={"speed": "x"}).channels["speed_m_s"]
    np.testing.assert_array_equal(np.isnan(speed), (T > 2.0) & (T < 4.0))
    np.testing.assert_allclose(speed[T <= 2.0], 30 + T[T <= 2.0], atol=1e-9)
    np.testing.assert_allclose(speed[(T >= 4) & (T <= 7.9)], 30 + T[(T >= 4) & (T <= 7.9)], atol=1e-9)


def test_nothing_before_the_first_and_after_the_last_sample():
    logged = at_rows(30 + T, 50)
    logged[(T < 1.0) | (T > 7.0)] = np.nan
    speed = make_run(make_log(x=logged), channels={"speed": "x"}).channels["speed_m_s"]
    assert np.isnan(speed[T < 0.8]).all() and np.isnan(speed[T > 7.2]).all()
    assert np.isfinite(speed[(T >= 1.0) & (T <= 7.0)]).all()


def test_a_slow_channel_written_in_every_row_counts_at_its_own_rate():
    truth = 30 + 10 * np.sin(T)
    held = truth[np.arange(4000) // 25 * 25]
    held[1000:2000] = held[1000]  # standing value: measured, not a pause
    run = make_run(make_log(x=held), channels={"speed": "x"})
    assert run.channel_rate_hz["speed_m_s"] == pytest.approx(20.0)
    speed = run.channels["speed_m_s"]
    assert np.isfinite(speed).all()
    np.testing.assert_allclose(speed[:975], truth[:975], atol=0.01)
    np.testing.assert_allclose(speed[1000:1976], held[1000], atol=1e-9)
    np.testing.assert_allclose(speed[2000:3976], truth[2000:3976], atol=0.01)


def test_lap_holds_its_last_value():
    lap = at_rows(1.0 + (T >= 3.0) + (T >= 6.0), 25)
    run = make_run(make_log(x=lap), channels={"lap": "x"})
    np.testing.assert_array_equal(run.channels["lap"], 1.0 + (T >= 3.0) + (T >= 6.0))


def test_a_beacon_pulse_of_one_row_is_kept_under_jitter():
    rng = np.random.default_rng(5)
    stamps = T + 3e-4 * rng.standard_normal(len(T))
    beacon = np.zeros(4000)
    beacon[[700, 1900, 3100]] = 1.0
    run = make_run(make_log(t_s=stamps, x=beacon), channels={"beacon": "x"})
    high = np.flatnonzero(run.channels["beacon"] > 0)
    assert len(high) in (3, 4, 5, 6)
    np.testing.assert_allclose(
        run.t_s[high[np.diff(high, prepend=-9) > 1]], stamps[[700, 1900, 3100]] - stamps[0], atol=0.003
    )


def test_gps_without_a_fix_is_no_position():
    latitude = at_rows(47.0 + T / 1e4, 50)
    latitude[:500:50] = 0.0
    latitude[1000] = 180.0
    run = make_run(make_log(x=latitude, units={"x": "deg"}), channels={"latitude": "x"})
    (note,) = run.notes
    assert note.message == "'x' has no fix in 11 rows (0, or beyond 90 degrees); they are left out."
    assert np.isnan(run.channels["latitude_deg"][:300]).all()
    assert np.nanmax(run.channels["latitude_deg"]) < 47.1


def test_channels_of_a_log_with_a_clock_gap_stay_in_place():
    keep = (T < 3.0) | (T >= 3.4)
    run = make_run(make_log(t_s=T[keep], x=30 + T[keep]), channels={"speed": "x"})
    np.testing.assert_allclose(run.channels["speed_m_s"], 30 + T, atol=1e-9)


def test_a_slow_channel_between_rounded_stamps_keeps_its_own_times():
    """At 333 Hz stamps of whole milliseconds are off by up to half of one; NumPy draws the lines between them."""
    n = 4000
    stamps = np.round(np.arange(n) / 333.0, 3)
    own = np.flatnonzero(np.arange(n) % 7 % 3 == 0)  # at uneven intervals
    speed = np.where(np.isin(np.arange(n), own), 20 + 5 * np.sin(stamps), np.nan)
    grid = Grid(333.0, 0.0, stamps, range(n), range(n), even=True, jitter_s=0.0)
    placed, _ = on_clock(Column(speed), stamps, grid)
    drawn = np.interp(np.arange(n) / 333.0, stamps[own], speed[own])
    until = own[-1]
    np.testing.assert_allclose(placed[:until], drawn[:until], rtol=1e-12)
    by_row = np.interp(np.arange(n), own, speed[own])
    assert np.abs(by_row - drawn).max() > 1e-4  # placed by row it would be seen
