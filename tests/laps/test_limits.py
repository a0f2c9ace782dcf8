"""Both sides of each limit of speed, positions, crossings, places and kinds of lap, on the least input that meets it.

The limits are the choices that stand with their reasons at the head of each module; here each shows that it holds, by
metres and seconds that a person can check by hand.
"""

from dataclasses import replace

import numpy as np
import pytest

from telemetry.errors import BikeFileError
from telemetry.laps import (
    Circuit,
    Corner,
    Lap,
    is_line_of,
    known_circuit,
    laps_at_pace,
    load_circuit,
    passing_times_s,
)
from telemetry.laps.circuitfile import _passed_places, _resampled, circuit_text
from telemetry.laps.corners import (
    DRIVE,
    STRAIGHT,
    MeanLap,
    Span,
    classified_laps,
    corner_at,
    in_pits,
    measured_m_s2,
    phases_from_lean,
)
from telemetry.laps.course import (
    Course,
    _best_move,
    _elsewhere,
    _on_course,
    _same_laps,
    _standard,
    by_wheels,
    line_on_plane,
    match_by_pattern,
    to_degrees,
)
from telemetry.laps.crossings import (
    Crossings,
    _given_line,
    _laps_in_one,
    _nearest,
    _usual_heading,
    find_crossings,
    from_stops,
    shortest_pulse,
    with_missed,
)
from telemetry.laps.gps import CentreLine, Fixes, find_fixes, radii_m, to_plane_m
from telemetry.laps.lap import _apart_m
from telemetry.laps.smooth import commonest
from telemetry.laps.speed import Speed, Thin, _factor, find_speed
from telemetry.laps.track import _known_line, _note_elsewhere, _path, _within
from telemetry.signals import Run

ORIGIN_DEG = (48.0, 9.0)
SPEED_M_S = 20.0
RADIUS_M = 100.0


def straight(n=600, rate_hz=10.0, speed_m_s=SPEED_M_S):
    """Fixes of a ride to the east."""
    t_s = np.arange(n) / rate_hz
    return Fixes(t_s, speed_m_s * t_s, np.zeros(n), ORIGIN_DEG, rate_hz)


def run_of(n=600, rate_hz=10.0, **channels):
    return Run("ride.csv", np.arange(n) / rate_hz, rate_hz, {}, channels, {}, {}, {})


def circle(n=628):
    """Clockwise from the north."""
    angle = 2 * np.pi * np.arange(n) / n
    return CentreLine(RADIUS_M * np.sin(angle), RADIUS_M * np.cos(angle), 2 * np.pi * RADIUS_M)


def round_it(laps, radius_m=RADIUS_M, rate_hz=10.0):
    """Fixes of a ride round the circle at 20 m/s, and the way gone."""
    t_s = np.arange(0.0, laps * 2 * np.pi * RADIUS_M / SPEED_M_S, 1 / rate_hz)
    angle = SPEED_M_S * t_s / RADIUS_M
    return Fixes(
        t_s, radius_m * np.sin(angle), radius_m * np.cos(angle), ORIGIN_DEG, rate_hz
    ), SPEED_M_S * t_s


# --- speed ---


@pytest.mark.parametrize(
    ("reads", "words", "corrected"),
    [
        (1.02, None, False),
        (1.05, "reads 5.0 % more than the positions say", False),
        (0.95, "reads 5.0 % less than the positions say", False),
        (1.10, "reads 10.0 % more", False),
        (1.15, "check the tyre circumference and the pulses per turn", True),
        (3.6, "as if km/h taken for m/s", True),
        (1 / 3.6, "as if m/s taken for km/h", True),
        # an international mile is 1609.344 m, a nautical mile 1852 m (ISO 80000-3, BIPM SI brochure)
        (3600 / 1609.344, "as if mph taken for m/s", True),
        (1609.344 / 3600, "as if m/s taken for mph", True),
        (1 / 1.609344, "as if mph taken for km/h", True),
        (1.609344, "as if km/h taken for mph", True),
        (3.6 / 1.852, "as if knots taken for m/s", True),
        (1 / 1.852, "as if knots taken for km/h", True),
        (3.6 * 1.05, "as if km/h taken for m/s", True),
        (3.6 * 1.08, "check the tyre circumference", True),
    ],
)
def test_a_speed_that_reads_wrong_is_named_and_corrected_from_an_eighth_on(reads, words, corrected):
    notes = []
    run = run_of(speed_m_s=np.full(600, SPEED_M_S * reads))
    speed, _ = find_speed(run, Thin(600, 10.0, 1), straight(), notes)
    assert (words is None and not notes) or words in notes[0].message
    wanted = SPEED_M_S if corrected else SPEED_M_S * reads
    np.testing.assert_allclose([speed.speed_m_s[5], speed.thin_m_s[5]], wanted, rtol=1e-9)
    assert speed.travelled_m[-1] == pytest.approx(wanted * 59.9)


@pytest.mark.parametrize(
    ("seconds", "speed_m_s", "factor"), [(10, 20.0, 1.0), (11, 20.0, 0.5), (60, 7.9, 1.0), (60, 8.1, 0.5)]
)
def test_wheels_and_positions_are_compared_over_ten_seconds_faster_than_eight_metres_a_second(
    seconds, speed_m_s, factor
):
    # n + 1 fixes a second apart make n windows
    fixes = straight(10 * (seconds if seconds > 20 else seconds - 1) + 1, speed_m_s=speed_m_s)
    assert _factor(fixes, 2.0 * fixes.east_m) == pytest.approx(factor)


@pytest.mark.parametrize("known", [0, 1, 2])
def test_a_speed_of_fewer_than_two_numbers_is_none(known):
    values = np.full(600, np.nan)
    values[:known] = 12.0
    speed, fixes = find_speed(run_of(speed_m_s=values), Thin(600, 10.0, 1), straight(), [])
    assert speed.source == ("speed" if known == 2 else "GPS track") and fixes is not None
    assert speed.thin_m_s[300] == pytest.approx(
        12.0 * _factor(straight(), 12.0 * straight().t_s) if known == 2 else 20.0
    )


# --- positions ---


@pytest.mark.parametrize(("pause_s", "drawn"), [(1.4, True), (1.6, False)])
def test_a_path_is_not_drawn_over_a_pause_of_more_than_a_second_and_a_half(pause_s, drawn):
    fixes = straight()
    kept = fixes.only((fixes.t_s <= 20.0) | (fixes.t_s >= 20.0 + pause_s - 1e-6))
    east, north = _path(Thin(600, 10.0, 1), kept)
    missing = np.flatnonzero(np.isnan(east))
    assert (len(missing) == 0) is drawn
    if not drawn:
        assert missing.tolist() == list(range(201, 216)) and np.isnan(north[205])
        assert east[200] == pytest.approx(400.0)


def test_a_path_goes_on_for_a_second_and_a_half_beyond_its_fixes():
    fixes = straight()
    east, _ = _path(Thin(600, 10.0, 1), fixes.only((fixes.t_s > 9.95) & (fixes.t_s < 50.05)))
    assert np.flatnonzero(np.isfinite(east))[[0, -1]].tolist() == [85, 515]


@pytest.mark.parametrize(
    ("rate_hz", "kept_hz"), [(24.0, 24.0), (26.0, 26.0), (30.0, 15.0), (50.0, 25.0), (100.0, 25.0)]
)
def test_no_more_than_25_fixes_a_second_or_a_tenth_more_are_kept(rate_hz, kept_hz):
    n = 400
    channels = {
        "latitude_deg": 48.0 + 1e-6 * np.arange(n) ** 1.01,
        "longitude_deg": 9.0 + 1e-6 * np.arange(n),
    }
    run = Run("ride.csv", np.arange(n) / rate_hz, rate_hz, {}, channels, {}, {}, {})
    assert find_fixes(run).rate_hz == pytest.approx(kept_hz)
    one = {name: np.where(np.arange(n) == 7, values, np.nan) for name, values in channels.items()}
    assert find_fixes(replace(run, channels=one)) is None


def test_degrees_and_metres_there_and_back():
    line = circle(60)
    latitude, longitude = to_degrees(line, ORIGIN_DEG)
    east, north = to_plane_m(latitude, longitude, ORIGIN_DEG)
    np.testing.assert_allclose(east, line.x_m, atol=1e-6)
    np.testing.assert_allclose(north, line.y_m, atol=1e-6)
    # WGS 84: a degree of latitude at 48 deg is 111.2 km, one of longitude 74.6 km (NGA.STND.0036 by its radii)
    meridian, normal = radii_m(48.0)
    assert np.radians(1.0) * meridian == pytest.approx(111_200.0, rel=1e-3)
    assert np.radians(1.0) * normal * np.cos(np.radians(48.0)) == pytest.approx(74_600.0, rel=1e-3)


# --- crossings ---


@pytest.mark.parametrize(("away_m", "counted"), [(19.0, True), (21.0, False)])
def test_a_start_line_may_lie_twenty_metres_beside_the_track(away_m, counted):
    fixes, _ = round_it(2.5)
    notes = []
    place = to_degrees(CentreLine(np.array([0.0]), np.array([RADIUS_M + away_m]), 1.0), ORIGIN_DEG)
    found = _given_line(fixes, (float(place[0][0]), float(place[1][0])), notes)
    lap_s = 2 * np.pi * RADIUS_M / SPEED_M_S
    if counted:
        # square to a chord of half a second, 19 m outside: 0.25 rad x 19 m at 20 m/s
        np.testing.assert_allclose(found.times_s, [lap_s, 2 * lap_s], atol=0.3)
    else:
        (note,) = notes
        assert note.code == "start_line_missed" and "is 21 m from the nearest point" in note.message


def test_the_track_between_two_fixes_counts_too():
    fixes = Fixes(np.arange(3.0), np.array([0.0, 40.0, 80.0]), np.zeros(3), ORIGIN_DEG, 1.0)
    assert _nearest(fixes, (15.0, 3.0)) == (pytest.approx(3.0), 0)
    assert _nearest(fixes, (25.0, -3.0)) == (pytest.approx(3.0), 1)
    assert _nearest(fixes, (90.0, 0.0)) == (pytest.approx(10.0), 2)


def test_the_line_is_crossed_as_the_fastest_pass_near_it_goes():
    # along the pit lane 30 m beside, slowly to the west; on the track, fast to the east
    t_s = np.arange(200.0)
    east = np.concatenate([np.linspace(500, -500, 150), np.linspace(-500, 500, 50)])
    north = np.concatenate([np.full(150, 30.0), np.zeros(50)])
    fixes = Fixes(t_s, east, north, ORIGIN_DEG, 1.0)
    assert _usual_heading(fixes, (0.0, 20.0), 75) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("lengths", "alike"), [((1000.0, 1029.0, 1000.0), True), ((1000.0, 1036.0, 1000.0), False)]
)
def test_rides_between_stops_are_laps_when_they_agree_to_three_hundredths(lengths, alike):
    standing = np.zeros(100)  # 10 s
    parts = [standing]
    for length in lengths:
        parts += [np.full(400, length / 40.0), standing]
    speed = np.concatenate(parts)
    t_s = 0.1 * np.arange(len(speed))
    leaves, comes = from_stops(t_s, np.cumsum(speed) * 0.1)
    assert len(leaves) == (3 if alike else 0)
    if alike:
        np.testing.assert_allclose(comes - leaves, 40.0, atol=0.3)


@pytest.mark.parametrize(
    ("stop_s", "length_m", "lasts_s", "laps"),
    [
        (7.6, 900.0, 40.0, 0),
        (8.6, 900.0, 40.0, 2),
        (9.0, 580.0, 40.0, 0),
        (9.0, 640.0, 14.0, 0),
        (9.0, 640.0, 16.0, 2),
    ],
)
def test_a_ride_from_box_to_box_has_a_stop_of_8_s_600_m_and_15_s(stop_s, length_m, lasts_s, laps):
    standing, ridden = np.zeros(round(stop_s * 10)), np.full(round(lasts_s * 10), length_m / lasts_s)
    speed = np.concatenate([standing, ridden, standing, ridden, standing])
    leaves, _ = from_stops(0.1 * np.arange(len(speed)), np.cumsum(speed) * 0.1)
    assert len(leaves) == laps


@pytest.mark.parametrize(("ridden_s", "hardly"), [(9.5, True), (10.5, False)])
def test_less_than_ten_seconds_of_riding_hold_no_lap(ridden_s, hardly):
    t_s = np.arange(600) / 10
    speed = np.where(t_s < ridden_s, 6.0, 0.0)
    notes = []
    of = Speed(speed, speed, np.cumsum(speed) / 10, "speed")
    found = find_crossings(run_of(), Thin(600, 10.0, 1), None, of, None, None, notes)
    assert found.source == "none" and [note.code for note in notes] == ["not_ridden" if hardly else "no_laps"]


def test_a_pulse_of_one_sample_may_have_been_missed_and_that_is_said_where_nothing_else_shows_it():
    for samples, codes in ((1, ["beacon_short"]), (2, [])):
        beacon = np.zeros(900)
        beacon[200 : 200 + samples] = 5.0
        notes = []
        nothing = Speed(np.full(900, np.nan), None, None, "")
        crossings = Crossings(np.array([20.0]), "beacon")
        assert with_missed(crossings, beacon, Thin(900, 10.0, 1), None, nothing, notes) is crossings
        assert [note.code for note in notes] == codes and shortest_pulse(beacon) == samples


@pytest.mark.parametrize(
    ("samples", "lengths", "several"),
    [
        (1, (1, 2), [False, True]),
        (3, (1, 2), [False, True]),
        (3, (2, 2), [False, False]),
        (1, (2, 2), [True, True]),
    ],
)
def test_two_laps_in_one_count_where_a_pulse_can_have_been_missed(samples, lengths, several):
    lap_s, rate_hz = 50.0, 10.0
    t_s = np.arange(0.0, lap_s * sum(lengths) + 10.0, 1 / rate_hz)
    place = 2 * np.pi * t_s / lap_s
    speed = 30.0 + 8.0 * np.sin(place) + 6.0 * np.sin(3 * place + 1.0) + 4.0 * np.sin(7 * place)
    travelled = np.concatenate(([0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1])))) / rate_hz
    pulses = 5.0 + lap_s * np.concatenate(([0], np.cumsum(lengths)))
    beacon = np.zeros(len(t_s))
    for at in pulses:
        beacon[round(at * rate_hz) :][:samples] = 5.0
    assert _laps_in_one(pulses, beacon, Thin(len(t_s), rate_hz, 1), travelled).tolist() == several


# --- pits, kinds of lap, phases ---


def pit_crossing(at_line_m_s, usual_m_s, *, stop_s=0.0, held=True):
    """Three crossings; about the second 20 s at another speed, and a stop in them."""
    t_s = np.arange(0.0, 200.0, 0.1)
    speed = np.full(len(t_s), usual_m_s)
    around = np.abs(t_s - 100.0) < 10.0
    speed[around] = at_line_m_s + (0.0 if held else 2.0) * np.sin(3.0 * t_s[around])
    speed[np.abs(t_s - 106.0) < stop_s / 2] = 0.0
    return in_pits(np.array([40.0, 100.0, 160.0]), t_s, speed)


@pytest.mark.parametrize(
    ("at_line_m_s", "usual_m_s", "pits"),
    [
        (31.0, 50.0, False),
        (29.0, 50.0, True),  # six tenths of 50 m/s
        (22.0, 32.0, True),  # 80 km/h are 22.2 m/s
        (22.4, 32.0, False),
        (15.2, 20.0, False),
        (14.8, 20.0, True),  # three quarters of 20 m/s
    ],
)
def test_a_pit_lane_is_six_tenths_of_the_usual_speed_or_three_quarters_below_80_km_h(
    at_line_m_s, usual_m_s, pits
):
    found, _ = pit_crossing(at_line_m_s, usual_m_s)
    assert found.tolist() == [False, pits, False]


@pytest.mark.parametrize(
    ("stop_s", "held", "pits"),
    [(0.0, False, False), (1.7, False, False), (2.4, False, True), (0.0, True, True)],
)
def test_a_slow_crossing_is_in_the_pits_beside_a_stop_of_two_seconds_or_at_a_held_speed(stop_s, held, pits):
    found, limit = pit_crossing(25.0, 50.0, stop_s=stop_s, held=held)
    assert found.tolist() == [False, pits, False] and limit == pytest.approx(30.0)


def kinds(times_s, lengths_m, *, slow=(), stop=None):
    """Kinds of laps between crossings, each ridden evenly over its length."""
    t_s = np.arange(0.0, times_s[-1] + 0.05, 0.1)
    travelled = np.interp(t_s, times_s, np.concatenate(([0.0], np.cumsum(lengths_m))))
    speed = np.gradient(travelled, t_s)
    if stop is not None:
        speed[(t_s > stop[0]) & (t_s < stop[1])] = 0.0
    spans = [
        Span(i + 1, a, b, True, True) for i, (a, b) in enumerate(zip(times_s[:-1], times_s[1:], strict=True))
    ]
    none = np.zeros(len(spans), bool)
    return [lap.kind for lap in classified_laps(spans, t_s, speed, travelled, none, none)]


@pytest.mark.parametrize(
    ("last_s", "last_m", "kind"),
    [
        (60.0, 2000.0, "timed"),
        (74.0, 2000.0, "timed"),
        (76.0, 2000.0, "aborted"),
        (60.0, 2055.0, "timed"),
        (60.0, 2065.0, "elsewhere"),
        (120.0, 4000.0, "several"),
        (120.0, 4050.0, "several"),
        (120.0, 4070.0, "elsewhere"),
    ],
)
def test_a_lap_is_as_long_as_the_others_to_a_quarter_in_time_and_three_hundredths_in_metres(
    last_s, last_m, kind
):
    times = [0.0, 60.0, 120.0, 180.0, 180.0 + last_s]
    assert kinds(times, [2000.0, 2000.0, 2000.0, last_m]) == ["timed", "timed", "timed", kind]


@pytest.mark.parametrize(
    ("stop_s", "kind"),
    [((200.0, 201.5), "timed"), ((190.0, 193.0), "out"), ((209.0, 212.0), "aborted"), ((228.0, 231.0), "in")],
)
def test_a_lap_with_a_stop_of_two_seconds_is_out_in_or_aborted_by_the_third_the_stop_lies_in(stop_s, kind):
    assert kinds([0.0, 60.0, 120.0, 180.0, 240.0], [2000.0] * 4, stop=stop_s)[-1] == kind


@pytest.mark.parametrize(("rows", "counts"), [(9, False), (10, True)])
def test_an_accelerometer_is_compared_over_ten_samples(rows, counts):
    wave = np.sin(np.arange(60) / 5.0)
    by_speed = np.where(np.arange(60) < rows, wave, np.nan)
    assert (measured_m_s2(wave, by_speed, 5.0) is not None) is counts


def test_an_accelerometer_of_another_direction_does_not_count():
    t_s = np.arange(600) / 10
    along, across = np.sin(t_s), np.cos(t_s)
    # the correlation of a mixture of two uncorrelated waves of one size is its cosine: 0.7 is 45.6 deg
    for angle_deg, counts in ((44.0, True), (47.0, False), (180.0, False)):
        mixed = np.cos(np.radians(angle_deg)) * along + np.sin(np.radians(angle_deg)) * across
        assert (measured_m_s2(mixed, along, 10.0) is not None) is counts


def test_drive_goes_on_for_two_seconds_after_the_lean():
    rate_hz = 100.0
    lean = np.where(np.arange(1200) < 400, 40.0, 0.0)
    driving, none = np.ones(1200, bool), np.zeros(1200, bool)
    phase = phases_from_lean(lean, none, driving, rate_hz)
    end = np.flatnonzero(phase == DRIVE)[-1]
    upright = np.flatnonzero(np.abs(np.convolve(lean, np.ones(41) / 41, mode="same")) > 15.0)[-1] + 1
    assert end + 1 - upright == pytest.approx(200, abs=2) and (phase[end + 1 :] == STRAIGHT).all()


def test_braking_reaches_150_m_before_a_corner_and_drive_120_m_after_it_or_half_way_to_the_next():
    corners = (Corner(1, 1000.0, 1040.0, 1100.0, 1), Corner(2, 1300.0, 1320.0, 1400.0, -1))
    at = np.array([849.0, 851.0, 1199.0, 1201.0, 1519.0, 1521.0])
    assert corner_at(at, corners, 4000.0).tolist() == [0, 1, 1, 2, 2, 0]


# --- places ---


@pytest.mark.parametrize(("share", "line"), [(0.65, False), (0.75, True)])
def test_a_log_is_on_a_circuit_when_seven_tenths_of_its_positions_lie_within_25_m(share, line):
    fixes, gone = round_it(2.0)
    latitude, longitude = to_degrees(circle(), ORIGIN_DEG)
    circuit = Circuit("Circle", 2 * np.pi * RADIUS_M, (), latitude, longitude)
    n = len(fixes.t_s)
    off = np.where(np.arange(n) < share * n, 1.24, 1.26)  # 24 and 26 m beside the line
    fixes = replace(fixes, east_m=fixes.east_m * off, north_m=fixes.north_m * off)
    speed = np.full(n, SPEED_M_S)
    notes = []
    found = _known_line(circuit, fixes, Thin(n, 10.0, 1), Speed(speed, speed, gone, "speed"), notes)
    assert (found is not None) is line and (len(notes) == 0) is line
    far = replace(fixes, east_m=fixes.east_m + 3000.0)
    _known_line(circuit, far, Thin(n, 10.0, 1), Speed(speed, speed, gone, "speed"), notes)
    assert "its positions are 3 km away" in notes[-1].message


@pytest.mark.parametrize(("signal_m", "moved"), [(28.0, False), (32.0, True), (-28.0, False), (-32.0, True)])
def test_a_lap_signal_within_30_m_of_the_line_of_the_circuit_counts_there(signal_m, moved):
    line = circle()
    fixes, gone = round_it(3.5)
    crossings = Crossings((line.length_m * np.arange(1.0, 4.0) + signal_m) / SPEED_M_S, "beacon")
    course = Course(line, gone, np.ones(len(gone), bool))
    notes = []
    places = _on_course(Thin(len(gone), 10.0, 1), fixes, course, crossings, True, notes)
    assert places.crossings.source == ("gps line" if moved else "beacon")
    if moved:
        assert f"counts laps 32 m {'after' if signal_m > 0 else 'before'} the start line" in notes[0].message
        np.testing.assert_allclose(
            places.crossings.times_s, line.length_m * np.arange(1, 4) / SPEED_M_S, atol=1e-6
        )
    else:
        np.testing.assert_allclose(places.starts_m, line.length_m * np.arange(1, 4))


@pytest.mark.parametrize(("delay_s", "noted"), [(0.04, False), (0.06, True), (-0.06, True)])
def test_positions_more_than_a_twentieth_of_a_second_late_are_named(delay_s, noted):
    fixes, gone = round_it(2.5)
    course = Course(circle(), gone, np.ones(len(gone), bool), delay_s)
    notes = []
    places = _on_course(
        Thin(len(gone), 10.0, 1), fixes, course, Crossings(np.array([31.4]), "beacon"), False, notes
    )
    assert ("gps_delay" in [note.code for note in notes]) is noted
    assert places.fixes.t_s[0] == pytest.approx(-delay_s)


@pytest.mark.parametrize(
    ("away_m", "lasts_s", "noted"), [(245.0, 60.0, False), (260.0, 25.0, False), (260.0, 35.0, True)]
)
def test_half_a_minute_more_than_250_m_from_the_line_is_another_circuit(away_m, lasts_s, noted):
    fixes, gone = round_it(4.0)
    there = (fixes.t_s > 20.0) & (fixes.t_s < 20.0 + lasts_s)
    out = np.where(there, 1.0 + away_m / RADIUS_M, 1.0)
    fixes = replace(fixes, east_m=fixes.east_m * out, north_m=fixes.north_m * out)
    notes = []
    mask = _elsewhere(Thin(len(gone), 10.0, 1), fixes, Course(circle(), gone, ~there), notes)
    assert bool(notes) is noted and mask.sum() == pytest.approx(0 if away_m < 250.0 else there.sum(), abs=12)


@pytest.mark.parametrize(("aside_m", "same"), [(38.0, True), (42.0, False)])
def test_laps_within_forty_metres_of_one_another_go_the_same_way(aside_m, same):
    fixes, gone = round_it(3.0)
    third = gone > 4 * np.pi * RADIUS_M
    fixes = replace(fixes, east_m=fixes.east_m + 1e-9 * gone, north_m=fixes.north_m)
    out = np.where(third, 1.0 + aside_m / RADIUS_M, 1.0)
    fixes = replace(fixes, east_m=fixes.east_m * out, north_m=fixes.north_m * out)
    at = 2 * np.pi * RADIUS_M * np.arange(4) * 0.9999
    assert _same_laps(fixes, gone, at).tolist() == [True, True, same]


@pytest.mark.parametrize(
    ("lap_m", "stretched"), [(1080.0, True), (1120.0, False), (920.0, True), (880.0, False)]
)
def test_a_lap_by_the_wheels_is_stretched_by_up_to_a_tenth(lap_m, stretched):
    crossings = np.array([0.0, 1000.0, 1000.0 + lap_m])
    place = by_wheels(np.array([500.0, 1000.0, 1000.0 + lap_m / 4]), crossings, 1000.0, 1000.0)
    assert place[:2].tolist() == [500.0, 1000.0]
    assert place[2] == pytest.approx(1250.0 if stretched else 1000.0 + lap_m / 4)


def pattern(n=300):
    place = 2 * np.pi * np.arange(n) / n
    return 30.0 + 6.0 * np.sin(2 * place) + 4.0 * np.sin(5 * place + 1.0) + 3.0 * np.sin(9 * place)


@pytest.mark.parametrize(("longer", "same"), [(1.05, True), (1.07, False), (0.95, True), (0.93, False)])
def test_a_circuit_of_the_same_pattern_is_as_long_to_six_hundredths(longer, same):
    circuit = Circuit("Ring", 1200.0, (), speed_m_s=pattern())
    found = match_by_pattern(circuit, MeanLap(1200.0 * longer, pattern(), None), line_known=True)
    assert (found is not None) is same
    if found is not None:
        places, correlation = found
        np.testing.assert_allclose(places, np.linspace(0.0, 1200.0, len(places)), atol=1e-6)
        assert correlation == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("moved_cells", "known", "found_m"), [(20, True, 80.0), (20, False, 80.0), (100, False, 400.0)]
)
def test_the_line_of_another_day_is_sought_within_a_hundred_metres_if_it_is_known(
    moved_cells, known, found_m
):
    circuit = Circuit("Ring", 1200.0, (), speed_m_s=pattern())
    places, _ = match_by_pattern(
        circuit, MeanLap(1200.0, np.roll(pattern(), -moved_cells), None), line_known=known
    )
    assert places[0] == pytest.approx(found_m, abs=1.0)
    far = match_by_pattern(circuit, MeanLap(1200.0, np.roll(pattern(), -100), None), line_known=True)
    assert far is None or abs(far[0][0]) <= 100.0


def test_a_place_is_moved_by_at_most_forty_steps():
    theirs = np.array([_standard(np.random.default_rng(2).normal(size=1200), 1200)])
    for moved in (-40, -39, -7, 0, 7, 39, 40):
        assert _best_move(theirs, np.roll(theirs, -moved, axis=1), 300, 0) == moved
    assert abs(_best_move(theirs, np.roll(theirs, -44, axis=1), 300, 0)) <= 40


def test_the_speed_of_a_lap_is_compared_without_its_mean_and_size():
    np.testing.assert_allclose(_standard(3.0 * pattern() + 5.0, 150), _standard(pattern(), 150), atol=1e-12)
    standard = _standard(pattern(), 150)
    assert (standard.mean(), standard.std()) == (pytest.approx(0.0, abs=1e-12), pytest.approx(1.0))


def test_a_circuit_laid_on_the_plane_keeps_its_places():
    latitude, longitude = to_degrees(circle(60), ORIGIN_DEG)
    line = line_on_plane(Circuit("Circle", 2 * np.pi * RADIUS_M, (), latitude, longitude), ORIGIN_DEG)
    np.testing.assert_allclose(np.hypot(line.x_m, line.y_m), RADIUS_M, atol=1e-3)
    assert (line.x_m[0], line.y_m[0]) == (pytest.approx(0.0, abs=1e-6), pytest.approx(RADIUS_M, abs=1e-6))
    quarter = len(line.x_m) // 4
    assert line.x_m[quarter] == pytest.approx(RADIUS_M, rel=1e-3)
    assert line_on_plane(Circuit("None", 600.0, ()), ORIGIN_DEG) is None


@pytest.mark.parametrize(
    ("first", "along"), [(False, [0.0, 10.0, 505.0, 10.0]), (True, [480.0, 10.0, 505.0, 10.0])]
)
def test_a_distance_longer_than_a_lap_begins_again(first, along):
    # a lap of 500 m: 1.02 laps are 510 m
    place = np.array([-20.0, 10.0, 505.0, 510.5])
    np.testing.assert_allclose(
        _within(place, 0.0, 500.0, first)[:3], along[:3] if not first else [480.0, 10.0, 5.0]
    )
    assert _within(place, 0.0, 500.0, first)[3] == pytest.approx(10.5)
    np.testing.assert_allclose(_within(np.array([0.0, 509.0]), 0.0, 500.0, first), [0.0, 509.0])


def test_the_group_of_lengths_that_agree_to_a_share_is_the_commonest():
    assert commonest(np.array([100.0, 102.9, 140.0, 150.0]), 0.03) == pytest.approx(101.45)
    assert commonest(np.array([100.0, 103.2, 140.0, 141.0]), 0.03) == pytest.approx(140.5)


# --- laps ---


@pytest.mark.parametrize(("time_s", "paced"), [(109.0, True), (111.0, False)])
def test_a_lap_at_pace_takes_at_most_a_tenth_longer_than_the_quickest(time_s, paced):
    laps = [
        Lap(1, 0.0, 100.0, 1000.0, True),
        Lap(2, 100.0, 100.0 + time_s, 1000.0, True),
        Lap(3, 300, 350, 1000.0, False),
    ]
    assert len(laps_at_pace(laps)) == (2 if paced else 1)


@pytest.mark.parametrize(("unknown", "times"), [(9, 101), (11, 0)])
def test_a_lap_is_timed_in_a_hundred_parts_when_nine_tenths_of_it_are_known(unknown, times):
    t_s, along = np.linspace(10.0, 60.0, 101), np.linspace(0.0, 1000.0, 101)
    along[20 : 20 + unknown] = np.nan
    passed = passing_times_s(Lap(1, 10.0, 60.0, 1000.0, True), t_s, along)
    assert len(passed) == times
    if times:
        np.testing.assert_allclose(passed, np.linspace(0.0, 50.0, 101), atol=1e-9)


def test_places_on_either_side_of_the_line_are_near():
    assert _apart_m(np.array([990.0, 600.0]), np.array([10.0, 100.0]), 1000.0).tolist() == [20.0, 500.0]
    assert _apart_m(np.array([990.0]), np.array([10.0]), None).tolist() == [980.0]


def test_laps_of_another_length_by_the_wheels_are_named():
    laps = (Lap(1, 0, 60, 2000.0, True, "timed"), Lap(2, 60, 130, 2600.0, False, "elsewhere"))
    notes = []
    course = Course(circle(), np.arange(10.0), np.ones(10, bool))
    _note_elsewhere(laps, None, notes)
    assert notes == [] and course.delay_s == 0.0


# --- the circuit's file ---


def text(points=8, corner="", **changes):
    values = {"format": '"bothends.circuit/1"', "name": '"Ring"', "length_m": "600.0"} | changes
    turn = 2 * np.pi * np.arange(points) / max(points, 1)
    line = ", ".join(f"[{48 + 1e-3 * np.cos(a):.6f}, {9 + 1e-3 * np.sin(a):.6f}]" for a in turn)
    head = "\n".join(f"{key} = {value}" for key, value in values.items())
    return f"{head}\ncentre_line_deg = [{line}]\n{corner}"


def corner_text(number=1, start=10.0, apex=20.0, end=30.0):
    return f'[[corner]]\nnumber = {number}\ndirection = "left"\nstart_m = {start}\napex_m = {apex}\nend_m = {end}\n'


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (text(7), "needs at least 8 points"),
        (text(0), "needs centre_line_deg or mean_lap.speed_m_s"),
        (text(length_m="0.0"), "length_m"),
        (text(corner=corner_text(0)), "number"),
        (text(corner=corner_text(2) + corner_text(1)), "numbers must rise, each used once"),
        (text(corner=corner_text(1) + corner_text(1)), "numbers must rise, each used once"),
        (text(corner=corner_text(apex=40.0)), "start, apex and end must follow one another"),
        (text(corner=corner_text(start=590.0, apex=601.0, end=610.0)), "must follow one another in the lap"),
        (text(corner=corner_text(start=-20.0, apex=-5.0)), "must follow one another in the lap"),
    ],
)
def test_a_circuit_file_that_cannot_be_used_says_why(tmp_path, content, message):
    path = tmp_path / "ring.toml"
    path.write_text(content)
    with pytest.raises(BikeFileError, match=message):
        load_circuit(path)


def test_a_circuit_file_of_the_least_that_is_needed(tmp_path):
    path = tmp_path / "ring.toml"
    path.write_text(text(corner=corner_text(start=-5.0, apex=0.0) + corner_text(2, 590.0, 600.0, 610.0)))
    circuit = load_circuit(path)
    assert [corner.direction for corner in circuit.corners] == [-1, -1] and len(circuit.latitude_deg) == 8
    assert circuit.speed_m_s is None and circuit.lean_deg is None


def test_a_circuit_comes_back_from_its_file(tmp_path):
    line = circle()
    latitude, longitude = to_degrees(line, ORIGIN_DEG)
    corners = (
        Corner(1, 10.0, 20.0, 35.0, 1, "One"),
        Corner(2, 60.0, 70.0, 85.0, -1),
        Corner(3, 90.0, 95.0, 99.0, 0),
    )
    given = Circuit(
        "Circle", line.length_m, corners, latitude, longitude, np.full(63, 30.0), np.full(63, 12.0)
    )
    path = tmp_path / "circle.toml"
    path.write_text(circuit_text(given))
    back = load_circuit(path)
    assert back.corners == corners and back.length_m == pytest.approx(line.length_m, abs=0.005)
    # points 4 m and cells 10 m apart
    assert (len(back.latitude_deg), len(back.speed_m_s), len(back.lean_deg)) == (157, 63, 63)
    east, north = to_plane_m(back.latitude_deg, back.longitude_deg, ORIGIN_DEG)
    np.testing.assert_allclose(np.hypot(east, north), RADIUS_M, atol=0.05)
    assert set(back.speed_m_s) == {30.0}


def test_cells_and_points_keep_their_place_at_another_step():
    ramp = np.cos(2 * np.pi * np.arange(100) / 100)
    points = _resampled(ramp[:, None], 1000.0, 20.0, at=0.0)[:, 0]
    np.testing.assert_allclose(points, ramp[::2], atol=1e-12)
    cells = _resampled(ramp[:, None], 1000.0, 20.0, at=0.5)[:, 0]  # the middle of two cells
    np.testing.assert_allclose(cells, 0.5 * (ramp[::2] + ramp[1::2]), atol=1e-12)
    assert len(_resampled(ramp[:, None], 1000.0, 500.0, at=0.0)) == 8


@pytest.mark.parametrize(("away_m", "same"), [(29.0, True), (31.0, False)])
def test_a_start_line_within_thirty_metres_is_the_same(away_m, same):
    latitude, longitude = to_degrees(circle(), ORIGIN_DEG)
    circuit = Circuit("Circle", 628.0, (), latitude, longitude)
    place = to_degrees(CentreLine(np.array([away_m]), np.array([RADIUS_M]), 1.0), ORIGIN_DEG)
    assert is_line_of(circuit, (float(place[0][0]), float(place[1][0]))) is same
    assert not is_line_of(replace(circuit, latitude_deg=None), (48.0, 9.0))


def test_places_are_ten_metres_apart_and_counted_once():
    east = np.concatenate([np.full(50, 0.0), np.linspace(0.0, 95.0, 20), np.full(50, 95.0)])
    along, across = _passed_places(east, np.zeros(len(east)))
    np.testing.assert_allclose(along, [0, 10, 20, 30, 40, 50, 60, 70, 80, 90, 95], atol=6.0)
    assert len(along) in (10, 11) and (across == 0).all()


def test_no_kept_circuit_is_none():
    latitude, longitude = to_degrees(circle(), ORIGIN_DEG)
    assert known_circuit(latitude, longitude) is None
