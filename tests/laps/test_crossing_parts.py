"""Crossings of the start line from each source, on signals drawn by hand."""

import numpy as np
import pytest

from telemetry.laps.course import laps_between
from telemetry.laps.crossings import (
    _lap_lag,
    apart,
    found_line,
    from_beacon,
    from_lap_channel,
    from_line,
    from_speed_pattern,
    from_stops,
    heading_at,
    laps_within,
    shortest_pulse,
)
from telemetry.laps.gps import Fixes

STEP_S = 0.1


def test_crossings_within_fifteen_seconds_are_one():
    np.testing.assert_array_equal(apart(np.array([10.0, 11.0, 24.9, 25.0, 39.9, 40.0])), [10.0, 25.0, 40.0])


def test_the_lap_number_rises_half_way_between_its_samples():
    t = np.arange(0.0, 60.0, STEP_S)
    lap = np.floor(t / 20.0 + 1e-9) + 3
    times, numbers = from_lap_channel(t, lap)
    np.testing.assert_allclose(times, [19.95, 39.95])
    assert numbers == [4, 5]
    slipped = lap.copy()
    slipped[100:105] = 9.0  # for half a second
    np.testing.assert_allclose(from_lap_channel(t, slipped)[0], [19.95, 39.95])
    gap = np.where((t > 10.0) & (t < 13.0), np.nan, lap)
    np.testing.assert_allclose(from_lap_channel(t, gap)[0], [19.95, 39.95])
    assert from_lap_channel(t, np.full(len(t), np.nan))[1] == []
    # a counter that is set back begins no lap
    assert from_lap_channel(t, np.where(t < 30.0, 5.0, 1.0))[1] == []


def test_a_beacon_crosses_half_its_height_between_two_samples():
    t = np.arange(0.0, 60.0, STEP_S)
    beacon = np.zeros(len(t))
    beacon[200:204] = [1.0, 4.0, 4.0, 4.0]
    beacon[400:403] = 4.0
    # half of 4 V: a third of the way from 1 to 4 V, and half way from 0 to 4 V
    np.testing.assert_allclose(from_beacon(t, beacon), [20.0 + STEP_S / 3, 39.95])
    assert shortest_pulse(beacon) == 3
    assert shortest_pulse(np.zeros(10)) == 0 and len(from_beacon(t, np.full(len(t), 5.0))) == 0
    blank = np.where(beacon == 0.0, np.nan, beacon)
    blank[0] = 0.0
    np.testing.assert_allclose(from_beacon(t, blank), from_beacon(t, beacon))


def round_a_circle(laps=4.5, radius_m=200.0, lap_s=60.0, rate_hz=10.0):
    """Counter-clockwise from the east of the middle; the line there is crossed going north."""
    t = np.arange(0.0, laps * lap_s, 1 / rate_hz)
    angle = 2 * np.pi * t / lap_s
    return Fixes(t, radius_m * np.cos(angle), radius_m * np.sin(angle), (50.0, 8.0), rate_hz)


def test_a_line_on_the_ground_is_crossed_in_the_direction_of_travel_only():
    fixes = round_a_circle()
    at = np.array([15.0, 75.0, 135.0, 195.0, 255.0])
    # at the top, going west
    np.testing.assert_allclose(from_line(fixes, (0.0, 200.0), np.pi), at, atol=1e-3)
    assert len(from_line(fixes, (0.0, 200.0), 0.0)) == 0
    # 20 m to either side of its middle count
    np.testing.assert_allclose(from_line(fixes, (0.0, 219.0), np.pi), at, atol=1e-3)
    assert len(from_line(fixes, (0.0, 221.0), np.pi)) == 0


def test_a_road_that_crosses_the_line_sideways_is_no_crossing():
    t = np.arange(0.0, 100.0, STEP_S)
    fixes = Fixes(t, 0.5 * (t - 50.0), 10.0 * (t - 50.0), (50.0, 8.0), 10.0)
    assert len(from_line(fixes, (0.0, 0.0), 0.0)) == 0
    assert len(from_line(fixes, (0.0, 0.0), np.pi / 2)) == 1


def test_heading_at_a_fix():
    fixes = round_a_circle()
    assert heading_at(fixes, 150) == pytest.approx(np.pi, abs=1e-6)  # at the top
    assert heading_at(fixes, 300) == pytest.approx(-np.pi / 2, abs=1e-6)  # in the west, going south


def test_the_line_found_lies_where_the_ride_is_fastest():
    fixes = round_a_circle()
    speed = 20.0 + 5.0 * np.cos(2 * np.pi * (fixes.t_s - 15.0) / 60.0)
    middle, heading, times = found_line(fixes, speed)
    assert middle == pytest.approx((0.0, 200.0), abs=0.5) and abs(heading) == pytest.approx(np.pi, abs=0.01)
    np.testing.assert_allclose(times, [15.0, 75.0, 135.0, 195.0, 255.0], atol=0.01)


def test_where_the_fastest_point_is_passed_once_the_line_lies_where_it_is_passed_most():
    fixes = round_a_circle()
    off = fixes.t_s > 240.0  # the last half lap is ridden elsewhere, and fastest
    fixes = Fixes(fixes.t_s, fixes.east_m + 2000.0 * off, fixes.north_m, fixes.origin_deg, fixes.rate_hz)
    _, _, times = found_line(fixes, np.where(off, 40.0, 20.0))
    assert len(times) == 4


def travelled(lap_m=2000.0, laps=5.0):
    """Time and distance at a speed that repeats over the distance, with two straights of which one is faster."""
    place = np.arange(0.0, laps * lap_m, 1.0)
    at = 2 * np.pi * place / lap_m
    speed = 40.0 + 10.0 * np.cos(at) + 12.0 * np.cos(2 * at) + 4.0 * np.sin(3 * at)
    seconds = np.concatenate(([0.0], np.cumsum(1.0 / speed)[:-1]))
    t = np.arange(0.0, seconds[-1], STEP_S)
    return t, np.interp(t, seconds, place)


def test_laps_are_a_lap_apart_where_the_speed_repeats():
    t, gone_m = travelled()
    places = np.interp(from_speed_pattern(t, gone_m), t, gone_m)
    np.testing.assert_allclose(np.diff(places), 2000.0, atol=5.0)
    assert len(places) >= 4
    rng = np.random.default_rng(4)
    other = np.cumsum(30.0 + 10.0 * np.interp(t, t[::40], rng.normal(size=len(t[::40])))) * STEP_S
    assert len(from_speed_pattern(t, other - other[0])) == 0
    assert len(from_speed_pattern(t[:200], gone_m[:200])) == 0  # shorter than two of the shortest laps


@pytest.mark.parametrize(("laps", "seen"), [(1.4, False), (1.6, True)])
def test_a_lap_is_found_where_more_than_one_and_a_half_were_ridden(laps, seen):
    rng = np.random.default_rng(8)
    lap = np.convolve(rng.normal(size=420), np.ones(20), "same")[10:-10]  # of 400 steps
    lag = _lap_lag(np.tile(lap, 2)[: round(laps * len(lap))])
    assert (lag == len(lap)) if seen else lag is None


@pytest.mark.parametrize(
    ("from_m", "to_m", "laps"), [(0, 2000, 1), (300, 4300, 2), (1500, 7500, 3), (0, 10000, 5)]
)
def test_laps_within_a_stretch(from_m, to_m, laps):
    t, gone_m = travelled()
    start_s, end_s = np.interp([from_m, to_m], gone_m, t)
    assert laps_within(t, gone_m, start_s, end_s) == laps


def stops_and_rides(lengths_m, stop_s=20.0, speed_m_s=40.0):
    speed = [np.zeros(round(stop_s / STEP_S))]
    for length in lengths_m:
        speed += [np.full(round(length / speed_m_s / STEP_S), speed_m_s), np.zeros(round(stop_s / STEP_S))]
    speed = np.concatenate(speed)
    return np.arange(len(speed)) * STEP_S, np.concatenate(([0.0], np.cumsum(speed[:-1]) * STEP_S))


def test_rides_of_one_length_between_stops_are_laps():
    t, gone_m = stops_and_rides([2000.0, 2000.0, 2000.0])
    leaves, comes = from_stops(t, gone_m)
    np.testing.assert_allclose(leaves, [20.0, 90.0, 160.0], atol=0.3)
    np.testing.assert_allclose(comes - leaves, 50.0, atol=0.5)
    for lengths, stop_s in (
        ([2000.0, 2000.0, 2200.0], 20.0),  # one of another length
        ([2000.0, 2000.0, 2000.0], 6.0),  # too short to be a stop at the box
        ([500.0, 500.0, 500.0], 20.0),  # shorter than any lap
        ([2000.0], 20.0),  # one ride alone
    ):
        assert len(from_stops(*stops_and_rides(lengths, stop_s))[0]) == 0, (lengths, stop_s)


def test_a_missed_crossing_counts_its_laps():
    np.testing.assert_array_equal(
        laps_between(np.array([0.0, 2010.0, 6000.0, 8000.0, 8100.0]), 2000.0), [0, 1, 3, 4, 5]
    )
