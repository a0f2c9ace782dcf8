"""Corners, phases, pit crossings and kinds of lap on laps drawn by hand, where each border is known by definition."""

import numpy as np
import pytest

from telemetry.laps.corners import (
    BRAKING,
    DRIVE,
    ENTRY,
    MID,
    STRAIGHT,
    MeanLap,
    Span,
    classified_laps,
    corner_at,
    find_corners,
    in_pits,
    is_braking,
    lean_from_curvature,
    lean_from_path,
    longitudinal_m_s2,
    mean_lap,
    measured_m_s2,
    phases_from_lean,
    phases_from_speed,
)
from telemetry.laps.lap import Corner

CELL_M = 2.0
RATE_HZ = 100.0


def lap_with(*bumps, n=1000, speed_m_s=30.0):
    """A mean lap of ``n`` cells of 2 m; each bump is (first, last, lean): that lean from cell to cell."""
    lean = np.zeros(n)
    for first, last, deg in bumps:
        lean[np.arange(first, last + 1) % n] = deg
    return MeanLap(n * CELL_M, np.full(n, speed_m_s), lean)


def test_a_corner_is_where_the_mean_lap_leans():
    right, left = find_corners(lap_with((100, 139, 40.0), (600, 699, -30.0)))
    # cell k reaches from 2 k to 2 k + 2 m; its middle stands for it
    assert (right.number, right.start_m, right.end_m, right.direction) == (1, 201.0, 279.0, 1)
    assert (left.number, left.start_m, left.end_m, left.direction) == (2, 1201.0, 1399.0, -1)
    assert right.apex_m == pytest.approx(240.0, abs=CELL_M)
    assert left.apex_m == pytest.approx(1300.0, abs=CELL_M)


def test_the_apex_is_the_middle_of_the_largest_lean():
    lap = lap_with((100, 199, 30.0), (180, 189, 45.0))
    (corner,) = find_corners(lap)
    assert corner.apex_m == pytest.approx(2.0 * 184.5 + 1.0, abs=1.0)
    assert (corner.start_m, corner.end_m) == (201.0, 399.0)


def test_a_dip_below_six_tenths_makes_two_corners_of_one_and_a_smaller_dip_does_not():
    two = find_corners(lap_with((100, 199, 40.0), (145, 154, 22.0)))  # 22 < 0.6 x 40
    one = find_corners(lap_with((100, 199, 40.0), (145, 154, 26.0)))
    assert len(two) == 2 and len(one) == 1
    assert two[0].end_m < two[1].start_m
    # the smaller of the two peaks counts: 26 against 30 is no dip
    assert len(find_corners(lap_with((100, 144, 60.0), (145, 154, 26.0), (155, 199, 30.0)))) == 1


def test_short_leans_and_leans_that_do_not_turn_are_no_corners():
    assert find_corners(lap_with((100, 107, 40.0))) == ()  # 16 m, less than 20
    assert len(find_corners(lap_with((100, 110, 40.0)))) == 1  # 22 m
    # 20 deg of lean at 80 m/s turn by 9.81 tan 20 / 80^2 rad/m: over 200 m 6.4 deg, over 400 m 12.8
    assert find_corners(lap_with((100, 199, 20.0), speed_m_s=80.0)) == ()
    assert len(find_corners(lap_with((100, 299, 20.0), speed_m_s=80.0))) == 1


def test_a_corner_over_the_line_is_one_and_belongs_to_the_lap_of_its_apex():
    (corner,) = find_corners(lap_with((980, 1039, 40.0)))
    assert corner.apex_m == pytest.approx(2.0 * 9.5 + 1.0, abs=2.0)
    assert corner.start_m == pytest.approx(-39.0) and corner.end_m == pytest.approx(79.0)


def test_without_lean_a_corner_is_a_dip_of_the_speed():
    place = np.arange(1000)
    speed = (
        50.0 - 20.0 * np.exp(-(((place - 300) / 40.0) ** 2)) - 2.0 * np.exp(-(((place - 700) / 40.0) ** 2))
    )
    (corner,) = find_corners(MeanLap(2000.0, speed, None))
    assert corner.apex_m == 601.0 and corner.direction == 0
    # a tenth above 30 m/s is reached where 20 (1 - exp(-x^2)) = 3: x = 0.403, 16.1 cells
    assert corner.start_m == pytest.approx(601.0 - 32.2, abs=2.1)
    assert corner.end_m == pytest.approx(601.0 + 32.2, abs=2.1)
    assert find_corners(MeanLap(2000.0, None, None)) == ()


def test_the_mean_lap_is_the_mean_of_its_cells_and_bridges_empty_ones():
    distance = np.array([1.0, 1.0, 3.0, 7.0, 9.0, 103.0])
    speed = np.array([10.0, 20.0, 30.0, 50.0, 70.0, 40.0])
    used = np.array([True, True, True, True, False, True])
    lap = mean_lap(distance, used, 10.0, speed, None)
    # cells of 2 m: 0 has 10 and 20; 1 has 30, and 40 of a place one lap on; 2 is empty; 3 has 50; 4 was not used
    np.testing.assert_allclose(lap.speed_m_s, [15.0, 35.0, 42.5, 50.0, 32.5])
    assert lap.lean_deg is None and lap.length_m == 10.0


def test_a_sample_belongs_to_the_corner_whose_braking_corner_or_drive_it_is_in():
    corners = (Corner(1, 200.0, 230.0, 260.0, 1), Corner(2, 500.0, 530.0, 560.0, -1))
    at = np.array([49.0, 51.0, 230.0, 379.0, 381.0, 530.0, 679.0, 681.0, 1990.0, np.nan])
    # braking reaches 150 m back, drive 120 m on, and both at most half the way to the neighbour (260 and 500: 380)
    assert corner_at(at, corners, 2000.0).tolist() == [0, 1, 1, 1, 2, 2, 2, 0, 0, 0]
    # the first corner's braking begins before the line
    first = (Corner(1, 50.0, 70.0, 90.0, 1),)
    assert corner_at(np.array([1899.0, 1901.0, 10.0, 211.0]), first, 2000.0).tolist() == [0, 1, 1, 0]


def test_phases_of_a_corner_in_order():
    n = 2000
    t = np.arange(n) / RATE_HZ
    lean = np.interp(t, [5.0, 7.0, 9.0, 11.0], [0.0, 40.0, 40.0, 0.0])
    braking, driving = (t > 3.0) & (t < 5.0), t > 9.0
    phase = phases_from_lean(lean, braking, driving, RATE_HZ)
    # 15 deg of lean at 5.75 and 10.25 s; 85 % of 40 deg at 6.7 and 9.3 s; drive goes on for 2 s upright
    for begin, end, expected in (
        (0.0, 2.9, STRAIGHT), (3.1, 4.9, BRAKING), (5.85, 6.6, ENTRY), (6.8, 9.2, MID), (9.4, 10.2, DRIVE),
        (10.4, 12.15, DRIVE), (12.4, 20.0, STRAIGHT),
    ):  # fmt: skip
        assert set(phase[(t >= begin) & (t < end)].tolist()) == {expected}, (begin, end)
    np.testing.assert_array_equal(phases_from_lean(-lean, braking, driving, RATE_HZ), phase)
    assert (phases_from_lean(np.full(n, np.nan), braking, driving, RATE_HZ) == -1).all()


def test_phases_from_the_speed_alone():
    a = np.repeat([0.0, -5.0, 0.0, 4.0, 0.0, 4.0, 0.0, np.nan], 10)
    phase = phases_from_speed(a)
    expected = [STRAIGHT, BRAKING, MID, DRIVE, STRAIGHT, DRIVE, STRAIGHT, -1]
    np.testing.assert_array_equal(phase, np.repeat(expected, 10))
    # the limits themselves: braking is below -3, drive above 1.5
    assert phases_from_speed(np.array([-3.0, -3.01, 1.5, 1.51])).tolist() == [STRAIGHT, BRAKING, MID, DRIVE]


def test_the_brake_is_on_above_eight_hundredths_of_its_range():
    brake = np.concatenate((np.zeros(900), np.linspace(0.0, 10.0, 101)))
    on = is_braking(brake, np.zeros(len(brake)))
    high = np.percentile(brake, 99.5)
    np.testing.assert_array_equal(on, brake > 0.08 * high)
    np.testing.assert_array_equal(is_braking(None, np.array([-3.1, -2.9, np.nan])), [True, False, False])
    np.testing.assert_array_equal(
        is_braking(np.full(3, 5.0), np.array([-3.1, -2.9, 0.0])), [True, False, False]
    )


def test_lean_that_balances_a_bend():
    # tan(lean) = v^2 / (R g): Cossalter, Motorcycle Dynamics, 2nd ed., sec. 4.1 (from memory)
    lean = lean_from_curvature(np.array([1 / 50.0, -1 / 50.0, 0.0]), np.array([20.0, 20.0, 30.0]))
    np.testing.assert_allclose(lean, [39.2, -39.2, 0.0], atol=0.01)


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_lean_from_the_path_of_a_circle(side):
    t = np.arange(0, 20, 1 / RATE_HZ)
    radius_m, speed_m_s = 60.0, 20.0
    angle = speed_m_s * t / radius_m
    # clockwise is a corner to the right, whose lean is positive
    lean = lean_from_path(
        radius_m * np.cos(angle), -side * radius_m * np.sin(angle), np.full(len(t), speed_m_s), RATE_HZ
    )
    expected = np.degrees(np.arctan(speed_m_s**2 / (radius_m * 9.81)))
    np.testing.assert_allclose(lean[200:-200], side * expected, atol=0.05)


def test_acceleration_is_the_slope_of_the_speed():
    t = np.arange(0, 10, 1 / RATE_HZ)
    np.testing.assert_allclose(longitudinal_m_s2(30.0 - 4.0 * t, RATE_HZ)[50:-50], -4.0, atol=1e-9)


def test_an_accelerometer_counts_when_it_goes_with_the_speed():
    t = np.arange(0, 60, 1 / RATE_HZ)
    a = 4.0 * np.sin(0.5 * t)
    smooth = measured_m_s2(a, a, RATE_HZ)
    np.testing.assert_allclose(smooth[100:-100], a[100:-100], atol=0.1)
    assert measured_m_s2(-a, a, RATE_HZ) is None  # turned round
    assert measured_m_s2(np.cos(3.0 * t), a, RATE_HZ) is None  # something else
    assert measured_m_s2(np.full(len(t), 9.81), a, RATE_HZ) is None  # mounted across
    assert measured_m_s2(a, None, RATE_HZ) is not None
    assert measured_m_s2(np.full(len(t), np.nan), None, RATE_HZ) is None


def an_outing():
    """Out of the pits at 20 s, past the line at 100, 200 and 300 s at 50 m/s, in at 380 s; a row every 0.1 s."""
    t = np.arange(0.0, 420.0, 0.1)
    speed = np.full(len(t), 50.0)
    speed[t < 20.0] = 0.0
    speed[(t >= 20.0) & (t < 40.0)] = 15.0
    speed[t > 370.0] = 15.0
    speed[t > 400.0] = 0.0
    return t, speed


def test_crossings_in_the_pit_lane():
    t, speed = an_outing()
    pits, limit = in_pits(np.array([30.0, 100.0, 200.0, 300.0, 380.0]), t, speed)
    assert pits.tolist() == [True, False, False, False, True]
    # six tenths of the usual 50 m/s; three quarters count up to 80 km/h only
    assert limit == pytest.approx(30.0)
    assert in_pits(np.array([]), t, speed)[0].tolist() == []


def test_a_slow_crossing_without_a_stop_or_a_held_speed_is_a_mistake_not_the_pit_lane():
    t = np.arange(0.0, 400.0, 0.1)
    speed = 50.0 - 35.0 * np.exp(-(((t - 200.0) / 5.0) ** 2))
    assert in_pits(np.array([100.0, 200.0, 300.0]), t, speed)[0].tolist() == [False, False, False]
    speed[(t > 195.0) & (t < 205.0)] = 15.0  # ten seconds at the limiter
    assert in_pits(np.array([100.0, 200.0, 300.0]), t, speed)[0].tolist() == [False, True, False]


def spans_of(*borders, first_line=True, last_line=True):
    pairs = list(zip(borders[:-1], borders[1:], strict=True))
    return [
        Span(number, a, b, first_line or number > 0, last_line or number < len(pairs) - 1)
        for number, (a, b) in enumerate(pairs)
    ]


def kinds_of(spans, t, speed, **given):
    no = np.zeros(len(spans), bool)
    travelled = np.concatenate(([0.0], np.cumsum(speed[:-1]) * 0.1))
    return classified_laps(spans, t, speed, travelled, given.get("elsewhere", no), given.get("several", no))


def test_kinds_of_a_whole_outing():
    t, speed = an_outing()
    laps = kinds_of(
        spans_of(0.0, 30.0, 100.0, 200.0, 300.0, 380.0, 419.9, first_line=False, last_line=False), t, speed
    )
    assert [lap.kind for lap in laps] == ["pits", "out", "timed", "timed", "in", "pits"]
    assert [lap.complete for lap in laps] == [False, False, True, True, False, False]
    assert laps[2].distance_m == pytest.approx(5000.0, rel=1e-3)
    assert laps[0].stopped_s == pytest.approx(20.0, abs=0.2)


def test_a_lap_of_twice_the_length_is_several_and_one_of_another_length_is_elsewhere():
    t = np.arange(0.0, 1000.0, 0.1)
    speed = np.full(len(t), 50.0)
    laps = kinds_of(spans_of(0.0, 100.0, 200.0, 300.0, 500.0, 640.0), t, speed)
    assert [lap.kind for lap in laps] == ["timed", "timed", "timed", "several", "elsewhere"]
    marked = np.array([False, True, False, False, False])
    assert (
        kinds_of(spans_of(0.0, 100.0, 200.0, 300.0, 400.0, 500.0), t, speed, elsewhere=marked)[1].kind
        == "elsewhere"
    )
    assert (
        kinds_of(spans_of(0.0, 100.0, 200.0, 300.0, 400.0, 500.0), t, speed, several=marked)[1].kind
        == "several"
    )


def test_a_lap_a_quarter_slower_than_the_others_is_aborted():
    t = np.arange(0.0, 700.0, 0.1)
    speed = np.where((t >= 300.0) & (t < 430.0), 50.0 / 1.3, 50.0)
    slow = kinds_of(spans_of(0.0, 100.0, 200.0, 300.0, 430.0, 530.0), t, speed)
    assert [lap.kind for lap in slow] == ["timed", "timed", "timed", "aborted", "timed"]
    speed = np.where((t >= 300.0) & (t < 420.0), 50.0 / 1.2, 50.0)
    assert kinds_of(spans_of(0.0, 100.0, 200.0, 300.0, 420.0, 520.0), t, speed)[3].kind == "timed"


@pytest.mark.parametrize(("stop_s", "kind"), [(310.0, "out"), (350.0, "aborted"), (390.0, "in")])
def test_a_lap_with_a_stop_is_the_way_out_or_in_by_how_much_of_it_was_ridden_before(stop_s, kind):
    """At an even speed the share ridden before is that of the time: 0.1, 0.5 and 0.9; the borders are a third each."""
    t = np.arange(0.0, 600.0, 0.1)
    speed = np.where((t >= stop_s) & (t < stop_s + 20.0), 0.0, 50.0)
    laps = kinds_of(spans_of(0.0, 100.0, 200.0, 300.0, 420.0, 520.0), t, speed)
    assert [lap.kind for lap in laps] == ["timed", "timed", "timed", kind, "timed"]
