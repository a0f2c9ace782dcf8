"""Input that is no clean outing: a sensible answer, or a note that names what is wrong."""

from dataclasses import replace

import numpy as np
import pytest

from telemetry.laps import find_track, place_at
from telemetry.simulate import (
    CornerPlan,
    GpsDropout,
    GpsJump,
    Riding,
    Sensors,
    build_circuit,
)
from tests.benchmarks.laps.outings import LINE, ridden, with_pause
from tests.benchmarks.laps.run import errors, place_error_m

GPS = Sensors(lap_signal="none")


def codes(track):
    return [note.code for note in track.notes]


def kinds(track):
    return [lap.kind for lap in track.laps]


def without(run, *names):
    return replace(run, channels={name: v for name, v in run.channels.items() if name not in names})


def part_of(run, start_s, end_s):
    here = slice(round(start_s * run.sample_rate_hz), round(end_s * run.sample_rate_hz))
    channels = {name: values[here] for name, values in run.channels.items()}
    return replace(run, t_s=run.t_s[here] - run.t_s[here.start], channels=channels)


def test_one_lap():
    made = ridden(7401, laps=1)
    track = find_track(made.run, start_line=LINE)
    assert kinds(track) == ["out", "timed", "part"]
    row = errors(made, track)
    assert row["start s"] <= 0.02
    assert row["dist %"] <= 0.2
    assert (row["found"], row["extra"]) == (row["corners"], 0)


def test_one_lap_with_no_line_is_counted_where_the_ride_comes_back_on_itself():
    made = ridden(7401, laps=1, riding=Riding(out_lap_m=150.0, in_lap_m=100.0))
    track = find_track(made.run)
    assert codes(track) == ["start_line_assumed"]
    (lap,) = [lap for lap in track.laps if lap.complete]
    assert lap.distance_m == pytest.approx(made.circuit.length_m, rel=2e-3)


def test_no_lap():
    made = ridden(7402, laps=1)
    run = part_of(made.run, 0.0, 40.0)
    track = find_track(run, start_line=LINE)
    assert not any(lap.complete for lap in track.laps)
    assert track.corners == ()
    assert track.circuit is None
    # what was ridden is known all the same
    true = made.true(made.ride.distance_m)[: len(run.t_s)]
    assert np.ptp(true) == pytest.approx(sum(lap.distance_m for lap in track.laps), rel=0.02)


def test_standing_still():
    made = ridden(7403, laps=1, riding=Riding(pit_s=60.0))
    for run in (part_of(made.run, 0.0, 55.0), without(part_of(made.run, 0.0, 55.0), "speed_m_s")):
        track = find_track(run, start_line=LINE)
        assert track.laps == ()
        assert codes(track) == ["not_ridden"]
        assert place_at(track, 100).lap is None


def test_positions_that_drop_out_in_a_corner_leave_the_place_within_5_m():
    plain = ridden(7404)
    corner = plain.circuit.corners[3]
    here = (
        (plain.place_m > corner.start_m)
        & (plain.place_m < corner.end_m)
        & (plain.true(plain.ride.distance_m) > 0)
    )
    start = plain.run.t_s[np.argmax(here)]
    made = ridden(7404, faults=(GpsDropout(start, start + 8.0),))
    track = find_track(made.run, start_line=LINE)
    (note,) = [note for note in track.notes if note.code == "gps_dropout"]
    assert (note.start_s, note.end_s) == pytest.approx((start, start + 8.0), abs=0.2)
    assert np.nanmax(place_error_m(made, track)) <= 5.0
    inside = (made.run.t_s > start + 0.2) & (made.run.t_s < start + 7.8)
    assert np.isnan(track.x_m[inside]).all()  # no position is made up


def test_positions_that_drop_out_over_the_line_still_give_the_crossing():
    crossing = ridden(7405).ride.lap_start_s[2]
    made = ridden(7405, faults=(GpsDropout(crossing - 3.0, crossing + 3.0),))
    track = find_track(made.run, start_line=LINE)
    np.testing.assert_allclose([lap.start_s for lap in track.laps[1:]], made.ride.lap_start_s, atol=0.04)


@pytest.mark.parametrize("channels", [None, ("latitude", "longitude")])
def test_a_jump_of_50_m_is_left_out_and_named(channels):
    jumps = (GpsJump(60.0, 64.0, 40.0, -30.0), GpsJump(150.0, 150.2, -50.0, 0.0))
    made = ridden(7406, faults=jumps, only=channels)
    track = find_track(made.run, start_line=LINE)
    (note,) = [note for note in track.notes if note.code == "gps_jump"]
    assert "42 fixes are left out (60.0 to 63.9 s, 150.0 to 150.1 s)" in note.message
    row = errors(made, track)
    assert row["start s"] <= 0.02
    assert row["dist %"] <= 0.2
    if channels is None:
        assert row["place m"] <= 5.0


def test_a_figure_of_eight_is_not_cut_short_where_it_crosses_itself():
    bends = (
        CornerPlan(250.0, 70.0, 30.0, 500.0),
        CornerPlan(20.0, 200.0, 30.0, 400.0),
        CornerPlan(-270.0, 90.0, 30.0, 500.0),
    )
    circuit = build_circuit("eight", bends)
    z = circuit.x_m + 1j * circuit.y_m
    apart = np.abs(circuit.place_m[:, None] - circuit.place_m)
    apart = np.minimum(apart, circuit.length_m - apart)
    assert np.abs(z[:, None] - z)[apart > 200.0].min() < 2.0  # it does cross itself
    made = ridden(7407, circuit=circuit, riding=Riding(out_lap_m=300.0))
    for line in (LINE, None):
        track = find_track(made.run, start_line=line)
        timed = [lap for lap in track.laps if lap.complete]
        assert len(timed) >= 3
        assert [lap.distance_m for lap in timed] == pytest.approx([circuit.length_m] * len(timed), rel=2e-3)
        assert [corner.direction for corner in track.corners].count(-1) == 1
    row = errors(made, find_track(made.run, start_line=LINE))
    assert row["start s"] <= 0.02
    assert row["place m"] <= 5.0


def two_outings(pause_s, *, moved_deg=0.0, other=None, sensors=GPS, back_m=2000.0):
    """Two outings in one log, the second from where the first stopped."""
    first = ridden(7408, laps=3, sensors=sensors, riding=Riding(in_lap_m=back_m, stops=True))
    out = Riding(out_lap_m=first.circuit.length_m - back_m) if other is None else Riding()
    second = ridden(7409, circuit_seed=7408 if other is None else other, laps=3, sensors=sensors, riding=out)
    later = first.run.t_s[-1] + 1 / first.run.sample_rate_hz + pause_s
    run = with_pause(first.run, second.run, pause_s, moved_deg=moved_deg)
    return run, first, second, np.concatenate((first.ride.lap_start_s, second.ride.lap_start_s + later))


def test_a_stop_between_laps_is_told_from_a_lap():
    run, first, _, starts = two_outings(120.0)
    track = find_track(run, start_line=LINE)
    np.testing.assert_allclose([lap.start_s for lap in track.laps[1:]], starts, atol=0.02)
    assert kinds(track) == ["out", "timed", "timed", "timed", "aborted", "timed", "timed", "timed", "part"]
    assert track.laps[4].stopped_s == pytest.approx(120.0, abs=2.0)
    assert not track.laps[4].complete


@pytest.mark.parametrize(("back_m", "kind"), [(2600.0, "in"), (300.0, "out")])
def test_a_lap_into_the_pits_and_a_lap_out_of_them(back_m, kind):
    # the box stands shortly before the line, or shortly after it
    run, *_ = two_outings(90.0, back_m=back_m)
    track = find_track(run, start_line=LINE)
    assert kinds(track)[4] == kind
    assert [lap.lap for lap in track.laps if lap.complete] == [1, 2, 3, 5, 6, 7]


def test_a_start_line_in_the_pits_is_crossed_once_however_long_the_stop():
    # the box stands on the line: the position's noise goes over it and back for five minutes
    run, _, _, starts = two_outings(300.0, back_m=0.5)
    track = find_track(run, start_line=LINE)
    found = np.array([lap.start_s for lap in track.laps[1:]])
    at_rest = (found > starts[3] + 2.0) & (found < starts[3] + 298.0)
    assert not at_rest.any()
    # every crossing at speed is there
    for start in np.concatenate((starts[:3], starts[-3:])):
        assert np.abs(found - start).min() <= 0.02


@pytest.mark.parametrize(
    ("gain", "words"),
    [
        (3.6, "km/h taken for m/s"),
        (1 / 3.6, "m/s taken for km/h"),
        (1 / 0.44704, "mph taken for m/s"),
        (1 / 1.609344, "mph taken for km/h"),
        (0.8, "tyre circumference"),
    ],
)
def test_a_speed_in_the_wrong_unit_is_caught_by_the_positions(gain, words):
    made = ridden(7410, sensors=Sensors(lap_signal="none", speed_gain=gain))
    track = find_track(made.run, start_line=LINE)
    (note,) = [note for note in track.notes if note.code == "speed_unit"]
    assert words in note.message
    assert float(note.message.split()[3]) == pytest.approx(gain, rel=0.03)  # slip is up to 3 %
    row = errors(made, track)
    assert row["start s"] <= 0.02
    assert row["place m"] <= 5.0
    moving = made.true(made.ride.speed_m_s) > 10.0
    assert np.median(track.speed_m_s[moving] / made.true(made.ride.speed_m_s)[moving]) == pytest.approx(
        1.0, abs=0.03
    )


def test_a_wheel_a_little_out_is_said_but_left_as_it_was():
    made = ridden(7410, sensors=Sensors(lap_signal="none", speed_gain=1.06))
    track = find_track(made.run, start_line=LINE)
    (note,) = [note for note in track.notes if note.code == "speed_scale"]
    assert "more than the positions say" in note.message
    np.testing.assert_array_equal(track.speed_m_s, made.run.channels["speed_m_s"])
    assert errors(made, track)["dist %"] <= 0.2


@pytest.mark.parametrize("moved_deg", [0.05, 0.0])  # some km away; laid over the first, with the same line
def test_laps_of_two_circuits_are_told_apart_by_their_positions(moved_deg):
    run, first, _, _ = two_outings(60.0, moved_deg=moved_deg, other=7420)
    track = find_track(run, start_line=LINE)
    assert "two_circuits" in codes(track)
    timed = [lap for lap in track.laps if lap.complete]
    assert [lap.distance_m for lap in timed] == pytest.approx([first.circuit.length_m] * 3, rel=2e-3)
    assert len(track.corners) == len(first.circuit.corners)
    if moved_deg:
        assert np.isnan(track.distance_m[-2000:]).all()


def test_laps_of_two_circuits_are_told_apart_by_their_length():
    run, *_ = two_outings(60.0, other=7421, sensors=Sensors(gps=False))
    track = find_track(run)
    assert "two_circuits" in codes(track)
    assert kinds(track)[1:4] == ["timed"] * 3
    assert set(kinds(track)[5:7]) == {"elsewhere"}


def test_single_laps_between_stops_are_found_from_the_speed_alone():
    box_to_box = Riding(out_lap_m=200.0, in_lap_m=200.0, pit_s=20.0, stops=True)
    first, second = (
        ridden(s, circuit_seed=7411, laps=1, riding=box_to_box, only=("speed",)) for s in (7411, 7412)
    )
    run = with_pause(with_pause(first.run, second.run, 10.0), part_of(first.run, 0.0, 19.0), 1.0)
    track = find_track(run)
    assert track.lap_source == "pit stops"
    assert codes(track) == ["laps_by_stops"]
    assert [(lap.lap, lap.kind) for lap in track.laps] == [(1, "timed"), (2, "timed")]
    for lap, made in zip(track.laps, (first, second), strict=True):
        assert lap.distance_m == pytest.approx(made.circuit.length_m + 400.0, rel=0.02)  # slip
        assert lap.time_s == pytest.approx(made.run.t_s[-1] - 20.0, abs=3.0)
    # standing in the box is in no lap
    assert track.lap[round(10.0 * run.sample_rate_hz)] == 0
    assert set(np.unique(track.lap)) == {0, 1, 2}


def test_a_slip_of_the_lap_counter_is_no_lap():
    made = ridden(7412, sensors=Sensors())
    lap = made.run.channels["lap"].copy()
    lap[5000:5020] = 9.0
    lap[9000:9040] = 0.0
    track = find_track(replace(made.run, channels={**made.run.channels, "lap": lap}))
    np.testing.assert_allclose([lap.start_s for lap in track.laps[1:]], made.ride.lap_start_s, atol=0.01)
