"""A circuit kept from one day and used on another: the same places, the same corner numbers, names by hand."""

import tomllib
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from telemetry.errors import BikeFileError
from telemetry.laps import circuit_text, find_track, load_circuit
from telemetry.simulate import Riding, Sensors
from tests.benchmarks.laps.outings import LINE, ridden
from tests.benchmarks.laps.run import errors, place_error_m

SEED, OTHER_DAY = 7501, 57501


@cache
def first_day():
    return find_track(ridden(SEED).run, start_line=LINE)


@pytest.fixture
def saved(tmp_path):
    path = tmp_path / "circuit.toml"
    path.write_text(circuit_text(first_day().circuit), encoding="utf-8")
    return path


def test_the_file_holds_the_circuit(saved):
    kept, found = load_circuit(saved), first_day().circuit
    assert kept.length_m == pytest.approx(ridden(SEED).circuit.length_m, rel=2e-3)
    assert [c.number for c in kept.corners] == list(range(1, len(found.corners) + 1))
    for mine, theirs in zip(kept.corners, found.corners, strict=True):
        assert (mine.direction, mine.name) == (theirs.direction, "")
        assert mine.apex_m == pytest.approx(theirs.apex_m, abs=0.06)
    # a few metres between points: shorter than the tightest bend needs, for a file a person can look at
    data = tomllib.loads(saved.read_text(encoding="utf-8"))
    assert len(data["centre_line_deg"]) == pytest.approx(found.length_m / 4.0, abs=1)
    assert saved.stat().st_size < 60_000
    # saved again it says the same
    again = load_circuit(saved)
    np.testing.assert_array_equal(again.latitude_deg, kept.latitude_deg)


def test_another_day_has_the_same_places_and_corners(saved):
    # other position errors, another rider; nothing but the file says where the line is
    made = ridden(OTHER_DAY, circuit_seed=SEED)
    track = find_track(made.run, circuit=load_circuit(saved))
    assert track.corner_source == "circuit"
    assert track.corners == load_circuit(saved).corners
    row = errors(made, track)
    assert row["start s"] <= 0.02
    assert row["place m"] <= 5.0
    assert (row["found"], row["extra"]) == (row["corners"], 0)
    # a circuit that was given is handed on as it was
    assert track.circuit.length_m == load_circuit(saved).length_m


def test_a_log_without_positions_is_laid_over_the_circuit(saved):
    circuit = load_circuit(saved)
    for only, sensors in (
        (("speed", "lean", "lap"), Sensors(gps=False)),
        (("speed",), Sensors(gps=False, lap_signal="none")),
    ):
        made = ridden(OTHER_DAY, circuit_seed=SEED, only=only, sensors=sensors)
        alone, track = find_track(made.run), find_track(made.run, circuit=circuit)
        assert track.corner_source == "circuit"
        away = place_error_m(made, track)
        # the wheels alone are a percent out; the pattern has no bar, but must be far better than that
        assert np.median(away) <= 2.0
        assert np.percentile(away, 95) <= 10.0
        assert np.median(place_error_m(made, alone)) > 3 * np.median(away)
        assert [lap.distance_m for lap in track.laps if lap.complete] == pytest.approx(
            [circuit.length_m] * 4, rel=3e-3
        )


def test_half_a_lap_is_placed_on_a_circuit_that_is_known(saved):
    made = ridden(OTHER_DAY, circuit_seed=SEED)
    first, last = (round((made.ride.lap_start_s[0] + s) * made.run.sample_rate_hz) for s in (15.0, 50.0))
    channels = {name: values[first:last] for name, values in made.run.channels.items()}
    run = replace(made.run, t_s=made.run.t_s[: last - first], channels=channels)
    track = find_track(run, circuit=load_circuit(saved))
    assert track.laps == ()
    away = track.distance_m - made.place_m[first:last]
    assert np.abs(away).max() <= 5.0
    assert track.corners == load_circuit(saved).corners
    assert (track.corner > 0).any()


def test_names_given_by_hand_come_back_with_the_corners(saved):
    text = saved.read_text(encoding="utf-8").replace('name = ""', 'name = "Vellmoor \\"north\\""', 1)
    text = text.replace('number = 2\nname = ""', 'number = 2\nname = "Hill"')
    saved.write_text(text, encoding="utf-8")
    circuit = load_circuit(saved)
    assert circuit.name == 'Vellmoor "north"'
    track = find_track(ridden(OTHER_DAY, circuit_seed=SEED).run, circuit=circuit)
    assert track.corners[1].name == "Hill"
    saved.write_text(circuit_text(track.circuit), encoding="utf-8")
    assert load_circuit(saved).corners[1].name == "Hill"


@pytest.mark.parametrize(
    ("only", "sensors"), [(None, Sensors(lap_signal="none")), (("speed", "lean", "lap"), Sensors(gps=False))]
)
def test_a_log_of_another_circuit_is_reviewed_without_the_file(saved, only, sensors):
    made = ridden(7502, only=only, sensors=sensors)
    track = find_track(made.run, circuit=load_circuit(saved), start_line=None if only else LINE)
    (note,) = [note for note in track.notes if note.code == "other_circuit"]
    assert "reviewed without the circuit file" in note.message
    assert track.corner_source == "lean"
    assert errors(made, track)["found"] == len(made.circuit.corners)


def test_a_lap_signal_at_another_place_is_said_and_laps_are_counted_at_the_line_of_the_file(saved):
    made = ridden(OTHER_DAY, circuit_seed=SEED, sensors=Sensors())
    late = round(9.0 * made.run.sample_rate_hz)  # the beacon of that day stands some hundred metres on
    lap = np.concatenate((np.zeros(late), made.run.channels["lap"][:-late]))
    run = replace(made.run, channels={**made.run.channels, "lap": lap})
    track = find_track(run, circuit=load_circuit(saved))
    (note,) = [note for note in track.notes if note.code == "lap_signal_elsewhere"]
    assert "after the start line" in note.message
    row = errors(made, track)
    assert row["start s"] <= 0.02
    assert row["place m"] <= 5.0


def test_a_corner_over_the_start_line_is_one_corner():
    # the line of the file moved into the middle of the second corner
    made = ridden(SEED, riding=Riding())
    corner = made.circuit.corners[1]
    north = made.circuit.at(np.array([corner.apex_m]), made.circuit.y_m)[0]
    east = made.circuit.at(np.array([corner.apex_m]), made.circuit.x_m)[0]
    line = (LINE[0] + north / 111_174.0, LINE[1] + east / (111_174.0 * np.cos(np.radians(LINE[0])) * 1.0018))
    track = find_track(made.run, start_line=line)
    assert len(track.corners) == len(made.circuit.corners)
    over = [c for c in track.corners if c.start_m < 0 or c.end_m > track.circuit.length_m]
    assert len(over) == 1
    assert over[0].number in (1, len(track.corners))
    assert over[0].direction == corner.direction
    inside = track.corner[(track.distance_m < 5.0) & (track.lap > 0)]
    assert set(inside.tolist()) == {over[0].number}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("length_m", "lenght_m"), "length_m: is missing"),
        (("/1", "/9"), "format"),
        (('"right"', '"rite"'), "direction"),
        (("number = 2", "number = 1"), "numbers must rise"),
        (("[46.", "[146."), "centre_line_deg"),
        (("[46.", "[-146."), "centre_line_deg"),
        (("[[corner]]", "[[korner]]"), "is not known"),
        (("name", "= name"), "is not valid TOML"),
    ],
)
def test_a_file_that_cannot_be_used_is_one_line_that_names_the_key(saved, change, words):
    text = saved.read_text(encoding="utf-8")
    saved.write_text(text.replace(*change), encoding="utf-8")
    with pytest.raises(BikeFileError, match=words) as error:
        load_circuit(saved)
    assert "\n" not in str(error.value)
    assert str(saved) in str(error.value)
