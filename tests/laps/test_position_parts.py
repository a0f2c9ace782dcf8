"""Fixes, jumps, drop-outs, speed and line from positions, on rides drawn by hand."""

from dataclasses import dataclass, field

import numpy as np
import pytest

from telemetry.laps.gps import (
    CentreLine,
    Fixes,
    dropouts,
    find_fixes,
    fit_line,
    nearest_m,
    path_speed,
    to_plane_m,
    without_jumps,
)

SPEED_M_S = 40.0


def ride(n=1000, rate_hz=10.0):
    """Straight to the east at 40 m/s."""
    t = np.arange(n) / rate_hz
    return Fixes(t, SPEED_M_S * t, np.zeros(n), (50.0, 8.0), rate_hz)


def moved(fixes, rows, north_m):
    north = fixes.north_m.copy()
    north[rows] += north_m
    return Fixes(fixes.t_s, fixes.east_m, north, fixes.origin_deg, fixes.rate_hz)


@pytest.mark.parametrize("wheels", [True, False])
def test_fixes_beside_the_ride_are_left_out_and_the_rest_stays(wheels):
    fixes = moved(ride(), slice(500, 520), 60.0)
    notes = []
    kept = without_jumps(fixes, fixes.east_m if wheels else None, notes)
    assert len(kept.t_s) == 980 and not (kept.north_m > 0).any()
    (note,) = notes
    assert note.code == "gps_jump" and "60 m" in note.message and "20 fixes" in note.message
    assert (note.start_s, note.end_s) == (50.0, 51.9)


def test_what_the_wheels_can_have_done_is_no_jump():
    # 0.1 s at 40 m/s are 4 m; 1.3 times that and 8 m more are 13.2 m: 12 m aside reach 12.6 m, 14 m reach 14.6 m
    for north_m, n_notes in ((12.0, 0), (14.0, 1)):
        fixes = moved(ride(), slice(500, 520), north_m)
        notes = []
        without_jumps(fixes, fixes.east_m, notes)
        assert len(notes) == n_notes, north_m


def test_a_stretch_beside_the_ride_for_longer_than_half_a_minute_is_another_place():
    fixes = moved(ride(2000), slice(500, 1500), 60.0)  # 100 s
    assert len(without_jumps(fixes, fixes.east_m, []).t_s) == 2000


def test_a_pause_of_the_fixes_is_named_while_the_motorcycle_moves():
    fixes = ride()
    gap = fixes.only((fixes.t_s < 30.0) | (fixes.t_s > 34.0))
    notes = []
    dropouts(gap, np.ones(len(gap.t_s), bool), notes)
    (note,) = notes
    assert note.code == "gps_dropout" and "4.2 s" in note.message
    assert (note.start_s, note.end_s) == pytest.approx((29.9, 34.1))
    for moving, seconds in ((False, 34.0), (True, 31.3)):  # standing; 1.5 s
        gap = fixes.only((fixes.t_s < 30.0) | (fixes.t_s > seconds))
        notes = []
        dropouts(gap, np.full(len(gap.t_s), moving), notes)
        assert notes == []
    # a slow receiver: three of its periods
    slow = Fixes(np.array([0.0, 1.0, 2.0, 4.5, 5.5, 9.0]), np.zeros(6), np.zeros(6), (50.0, 8.0), 1.0)
    dropouts(slow, np.ones(6, bool), notes)
    assert [(one.start_s, one.end_s) for one in notes] == [(5.5, 9.0)]


def test_speed_from_positions_up_to_both_ends():
    fixes = ride()
    np.testing.assert_allclose(path_speed(fixes, np.arange(0.0, 99.8, 0.05)), SPEED_M_S, rtol=1e-6)


def circle(n_points=1000, radius_m=150.0):
    angle = 2 * np.pi * np.arange(n_points) / n_points
    length = 2 * n_points * radius_m * np.sin(np.pi / n_points)
    return CentreLine(radius_m * np.sin(angle), radius_m * np.cos(angle), length)  # clockwise: to the right


def test_a_clockwise_circle_bends_to_the_right_by_one_over_its_radius():
    np.testing.assert_allclose(circle().curvature_1_m, 1 / 150.0, rtol=1e-4)


def test_positions_beside_a_line_have_their_place_and_their_distance_to_the_right():
    line = circle()
    place = np.array([10.0, 400.0, line.length_m + 10.0])
    angle = place / 150.0
    # 3 m inside the clockwise circle is 3 m to the right
    found, aside = line.project(147.0 * np.sin(angle), 147.0 * np.cos(angle), place + 15.0, 30.0)
    np.testing.assert_allclose(found, place, atol=0.02)
    np.testing.assert_allclose(aside, 3.0, atol=0.01)
    far, beside = line.project(np.array([0.0]), np.array([-150.0]), np.array([10.0]), 20.0)
    assert np.isinf(beside[0])


def test_the_nearest_point_of_a_line():
    line = circle()
    away, place = nearest_m(line, np.array([0.0, 200.0]), np.array([160.0, 0.0]))
    np.testing.assert_allclose(away, [10.0, 50.0], atol=0.1)  # points 6 m apart: at most 3^2 / 2 / 50 more
    np.testing.assert_allclose(place, [0.0, line.length_m / 4], atol=6.0)


def test_a_line_begun_elsewhere_is_the_same_line():
    line = circle()
    begun = line.from_place(100.0)
    angle = 100.0 / 150.0
    assert (begun.x_m[0], begun.y_m[0]) == pytest.approx((150 * np.sin(angle), 150 * np.cos(angle)), abs=0.01)
    assert begun.length_m == line.length_m


def test_a_line_through_noisy_laps_does_not_follow_one_wild_position():
    rng = np.random.default_rng(3)
    along = rng.uniform(0.0, 30.0, 900)
    angle = 2 * np.pi * along / 30.0
    east = 150.0 * np.sin(angle) + rng.normal(0, 0.5, 900)
    north = 150.0 * np.cos(angle) + rng.normal(0, 0.5, 900)
    east[::90] += 25.0
    line = fit_line(along, east, north, 30.0, 2 * np.pi * 150.0)
    np.testing.assert_allclose(np.hypot(line.x_m, line.y_m), 150.0, atol=0.8)
    assert line.length_m == pytest.approx(2 * np.pi * 150.0, rel=0.003)


@dataclass
class Logged:
    """What `find_fixes` reads of a run."""

    t_s: np.ndarray
    channels: dict
    sample_rate_hz: float
    channel_rate_hz: dict = field(default_factory=dict)


def logged(every, first, n=5000, wiggle=True):
    """At 100 Hz, positions measured each ``every`` samples from the ``first`` on, straight lines between."""
    rows = np.arange(first, n, every)
    east, north = 0.4 * rows, (30.0 * np.sin(0.004 * rows) if wiggle else 0.0 * rows)
    at = np.arange(n)
    latitude = 50.0 + np.interp(at, rows, north) / 111_000.0
    longitude = 8.0 + np.interp(at, rows, east) / 71_500.0
    rates = {"latitude_deg": 100.0 / every, "longitude_deg": 100.0 / every}
    return Logged(at / 100.0, {"latitude_deg": latitude, "longitude_deg": longitude}, 100.0, rates), rows


@pytest.mark.parametrize(("every", "first"), [(10, 3), (20, 0), (5, 4)])
def test_of_positions_between_fixes_only_the_fixes_are_taken(every, first):
    run, rows = logged(every, first)
    fixes = find_fixes(run)
    assert fixes.rate_hz == 100.0 / every
    taken = np.round(fixes.t_s * 100.0).astype(int)
    assert (taken % every == first % every).all() and len(taken) >= len(rows) - 2
    east, north = to_plane_m(
        run.channels["latitude_deg"][taken], run.channels["longitude_deg"][taken], fixes.origin_deg
    )
    np.testing.assert_allclose(fixes.east_m, east)
    np.testing.assert_allclose(fixes.north_m, north)


def test_a_receiver_gives_at_most_25_fixes_a_second_of_its_own():
    run, _ = logged(1, 0)
    fixes = find_fixes(run)
    assert fixes.rate_hz == pytest.approx(25.0)
    np.testing.assert_allclose(np.diff(fixes.t_s), 0.04)
    del run.channels["latitude_deg"]
    assert find_fixes(run) is None
