"""Laps, distance, corners and phases on an invented oval whose truth is known in closed form."""

from functools import cache

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from telemetry.laps import PHASES, find_track, is_moving
from telemetry.laps.gps import radii_m, to_plane_m
from telemetry.signals import Run

RATE_HZ = 100.0
STRAIGHT_M, RADIUS_M = 700.0, 120.0
LAP_M = 2 * STRAIGHT_M + 2 * np.pi * RADIUS_M
ORIGIN = (44.0, 11.0)


def oval(s):
    """East, north and curvature (left positive) at distance s round an oval driven anticlockwise."""
    s = np.mod(s, LAP_M)
    half = STRAIGHT_M + np.pi * RADIUS_M
    back = s >= half
    u = np.where(back, s - half, s)
    turn = np.maximum(u - STRAIGHT_M, 0.0) / RADIUS_M
    x = np.minimum(u, STRAIGHT_M) + RADIUS_M * np.sin(turn)
    y = RADIUS_M * (1 - np.cos(turn))
    x, y = np.where(back, STRAIGHT_M - x, x), np.where(back, 2 * RADIUS_M - y, y)
    return x, y, np.where(u > STRAIGHT_M, 1 / RADIUS_M, 0.0)


def speed_at(s):
    """Fastest two thirds down each straight, slowest in the corners: a closed form that repeats every half lap.

    The second straight is a little slower, so that the two halves can be told apart.
    """
    half = STRAIGHT_M + np.pi * RADIUS_M
    wave = np.cos(2 * np.pi * (np.mod(s, half) - 450.0) / half)
    return 45.0 + 15.0 * wave - np.where(np.mod(s, LAP_M) > half, 4.0, 0.0) * (1 + wave)


@cache
def distance_ridden(laps, start_m):
    """Time and distance of a ride with the speed of `speed_at`, by the midpoint rule."""
    n = int(400 * RATE_HZ)
    t = np.arange(n) / RATE_HZ
    s = np.empty(n)
    s[0] = start_m
    for i in range(n - 1):
        middle = s[i] + speed_at(s[i]) / (2 * RATE_HZ)
        s[i + 1] = s[i] + speed_at(middle) / RATE_HZ
    keep = s <= start_m + laps * LAP_M
    return t[keep], s[keep]


def ridden(laps=3.4, start_m=-500.0, *, gps_noise_m=0.0, gps_hz=10.0, seed=0):
    """A ride on the oval: time, distance and channels. The line is at s = 0."""
    t, s = distance_ridden(laps, start_m)
    x, y, curvature = oval(s)
    rng = np.random.default_rng(seed)
    fixes = np.arange(0, len(t), round(RATE_HZ / gps_hz))
    x_fix = x[fixes] + gps_noise_m * rng.standard_normal(len(fixes))
    y_fix = y[fixes] + gps_noise_m * rng.standard_normal(len(fixes))
    meridian, normal = radii_m(ORIGIN[0])
    latitude = ORIGIN[0] + np.degrees(np.interp(t, t[fixes], y_fix) / meridian)
    longitude = ORIGIN[1] + np.degrees(np.interp(t, t[fixes], x_fix) / normal / np.cos(np.radians(ORIGIN[0])))
    v = speed_at(s)
    channels = {
        "speed_m_s": v,
        "latitude_deg": latitude,
        "longitude_deg": longitude,
        "lean_deg": -np.degrees(np.arctan(v**2 * curvature / 9.81)),
        "lap": np.floor(s / LAP_M) + 1,
    }
    truth = np.interp(np.arange(0, np.floor(s[-1] / LAP_M) + 1) * LAP_M, s, t)
    return t, s, channels, truth


def run_of(t, channels, *names):
    picked = {name: channels[name] for name in names}
    return Run(
        source="oval",
        t_s=t,
        sample_rate_hz=RATE_HZ,
        shaft_travel_mm={},
        channels=picked,
        channel_rate_hz=dict.fromkeys(names, RATE_HZ),
        sensor_noise_mm={},
        masked_share={},
    )


GPS = ("latitude_deg", "longitude_deg")


@pytest.mark.parametrize(
    ("names", "line", "source", "within_s"),
    [
        (("speed_m_s", "lap"), None, "lap channel", 0.01),
        (("speed_m_s", *GPS), ORIGIN, "gps line", 0.01),
        (GPS, ORIGIN, "gps line", 0.01),
    ],
)
def test_lap_starts_are_where_the_line_was_crossed(names, line, source, within_s):
    t, _, channels, truth = ridden()
    track = find_track(run_of(t, channels, *names), start_line=line)
    assert track.lap_source == source
    starts = [lap.start_s for lap in track.laps[1:]]
    np.testing.assert_allclose(starts, truth, atol=within_s)
    assert [lap.complete for lap in track.laps] == [False, True, True, True, False][: len(track.laps)]


@pytest.mark.parametrize("seed", range(5))
def test_gps_noise_of_a_third_of_a_metre_keeps_lap_starts_within_the_bar(seed):
    t, _, channels, truth = ridden(gps_noise_m=0.3, seed=seed)
    track = find_track(run_of(t, channels, "speed_m_s", *GPS), start_line=ORIGIN)
    np.testing.assert_allclose([lap.start_s for lap in track.laps[1:]], truth, atol=0.03)


def test_a_beacon_pulse_is_found_by_its_rising_edge():
    t, _, channels, truth = ridden()
    beacon = np.zeros(len(t))
    for time in truth:
        beacon[(t >= time) & (t < time + 0.2)] = 5.0
    track = find_track(run_of(t, {**channels, "beacon": beacon}, "speed_m_s", "beacon"))
    assert track.lap_source == "beacon"
    np.testing.assert_allclose([lap.start_s for lap in track.laps[1:]], truth, atol=0.02)


def test_without_a_line_laps_are_counted_from_the_fastest_point_and_the_lap_times_are_right():
    t, s, channels, truth = ridden()
    track = find_track(run_of(t, channels, "speed_m_s", *GPS))
    assert [note.code for note in track.notes] == ["start_line_assumed"]
    whole = [lap.time_s for lap in track.laps if lap.complete]
    np.testing.assert_allclose(whole, truth[1] - truth[0], atol=0.02)
    start = np.interp(track.laps[1].start_s, t, s) % LAP_M
    assert start == pytest.approx(450.0, abs=15.0)  # where speed_at is largest


def test_speed_alone_gives_laps_because_it_repeats():
    t, _, channels, truth = ridden()
    track = find_track(run_of(t, channels, "speed_m_s"))
    assert track.lap_source == "speed pattern"
    assert [note.code for note in track.notes] == ["laps_by_speed"]
    whole = [lap.time_s for lap in track.laps if lap.complete]
    assert len(whole) >= 2
    np.testing.assert_allclose(whole, truth[1] - truth[0], atol=0.3)


def test_a_speed_that_does_not_repeat_gives_no_laps_and_says_so():
    t = np.arange(0, 200, 1 / RATE_HZ)
    rng = np.random.default_rng(1)
    speed = 40 + np.interp(t, np.arange(0, 201, 4.0), rng.normal(0, 10, 51))
    track = find_track(run_of(t, {"speed_m_s": speed}, "speed_m_s"))
    assert track.lap_source == "none"
    assert track.laps == ()
    assert [note.code for note in track.notes] == ["no_laps"]


def test_a_start_line_given_elsewhere_is_refused_with_its_distance():
    t, _, channels, _ = ridden()
    track = find_track(run_of(t, channels, *GPS), start_line=(44.5, 11.0))
    assert track.notes[0].code == "start_line_missed"
    # the track reaches 240 m north of its origin (Karney's geodesic for the half degree)
    away = Geodesic.WGS84.Inverse(44.0, 11.0, 44.5, 11.0)["s12"] - 2 * RADIUS_M
    assert f"The start line given is {away / 1000:.0f}" in track.notes[0].message
    assert "Check its position" in track.notes[0].message


def test_the_same_place_has_the_same_distance_in_every_lap():
    t, s, channels, _ = ridden()
    slipping = {**channels, "speed_m_s": channels["speed_m_s"] * (1 + 0.02 * (channels["lap"] % 2))}
    track = find_track(run_of(t, slipping, "speed_m_s", "lap"))
    for lap in track.laps:
        if lap.complete:
            inside = track.lap == lap.lap
            scale = track.distance_m[inside].max() / LAP_M
            np.testing.assert_allclose(track.distance_m[inside] / scale, s[inside] % LAP_M, atol=8.0)
    ends = [track.distance_m[track.lap == lap.lap].max() for lap in track.laps if lap.complete]
    assert np.ptp(ends) < 1.0
    # the part lap before the line ends where a lap ends
    assert track.distance_m[track.lap == 0].max() == pytest.approx(np.mean(ends), abs=1.0)


@pytest.mark.parametrize("names", [("speed_m_s", "lap", "lean_deg"), ("speed_m_s", "lap", *GPS)])
def test_two_corners_are_found_in_order_to_the_left(names):
    t, _, channels, _ = ridden()
    track = find_track(run_of(t, channels, *names))
    assert [(corner.number, corner.direction) for corner in track.corners] == [(1, -1), (2, -1)]
    first, second = track.corners
    assert first.start_m == pytest.approx(STRAIGHT_M, abs=25)
    assert first.end_m == pytest.approx(STRAIGHT_M + np.pi * RADIUS_M, abs=25)
    assert second.start_m - first.start_m == pytest.approx(LAP_M / 2, abs=25)
    inside = track.lap == 2
    assert set(np.unique(track.corner[inside])) == {0, 1, 2}
    apex = np.argmin(np.abs(track.distance_m - first.apex_m))
    assert track.corner[apex] == 1


def test_phases_say_what_they_were_decided_from_and_come_in_order():
    t, s, channels, _ = ridden()
    track = find_track(run_of(t, channels, "speed_m_s", "lap", "lean_deg"))
    assert track.phase_sources == ("lean", "speed")
    corner = (track.lap == 2) & (np.mod(s, LAP_M) > STRAIGHT_M + 5) & (np.mod(s, LAP_M) < STRAIGHT_M + 370)
    seen = [PHASES[p] for p in track.phase[corner]]
    order = list(dict.fromkeys(seen))
    assert order == [name for name in ("entry", "mid-corner", "drive") if name in order]
    assert "mid-corner" in order


def test_speed_alone_gives_phases_too():
    t, _, channels, _ = ridden()
    track = find_track(run_of(t, channels, "speed_m_s"))
    assert track.phase_sources == ("speed",)
    assert {"braking", "drive"} <= {PHASES[p] for p in track.phase[track.phase >= 0]}


def test_without_speed_and_gps_nothing_is_claimed():
    t, _, channels, truth = ridden()
    track = find_track(run_of(t, channels, "lap"))
    assert np.isnan(track.distance_m).all()
    assert (track.phase == -1).all()
    assert is_moving(track).all()
    np.testing.assert_allclose([lap.start_s for lap in track.laps[1:]], truth, atol=0.01)


def test_a_lap_with_a_stop_is_not_complete():
    t, _, channels, truth = ridden()
    # stand for a minute in the middle of lap 2
    stop = np.searchsorted(t, (truth[1] + truth[2]) / 2)
    pause = int(60 * RATE_HZ)
    longer = {
        name: np.concatenate((v[:stop], np.full(pause, 0.0 if name == "speed_m_s" else v[stop]), v[stop:]))
        for name, v in channels.items()
    }
    t_long = np.arange(len(t) + pause) / RATE_HZ
    track = find_track(run_of(t_long, longer, "speed_m_s", "lap"))
    assert [lap.lap for lap in track.laps if lap.complete] == [1, 3]


def test_plane_distances_agree_with_the_geodesic():
    # Karney, J. Geodesy 87 (2013) 43-55, as in geographiclib: a kilometre in every direction at 44 N
    for azimuth in range(0, 360, 30):
        there = Geodesic.WGS84.Direct(44.0, 11.0, azimuth, 1000.0)
        east, north = to_plane_m(np.array([there["lat2"]]), np.array([there["lon2"]]), (44.0, 11.0))
        assert np.hypot(east, north)[0] == pytest.approx(1000.0, abs=0.08)


def test_radii_of_the_ellipsoid():
    # WGS 84 defining constants; closed-form radii at 44 deg as tabulated from them
    meridian, normal = radii_m(44.0)
    assert meridian == pytest.approx(6366262.52, abs=0.01)
    assert normal == pytest.approx(6388463.91, abs=0.01)
    # metres per degree at 44 N
    assert np.radians(1) * meridian == pytest.approx(111112.242, abs=1e-3)
    assert np.radians(1) * normal * np.cos(np.radians(44)) == pytest.approx(80206.193, abs=1e-3)
