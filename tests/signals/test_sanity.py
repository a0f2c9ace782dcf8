"""Sensors at the wrong end, the wrong way round, with the wrong zero: said, with the place; sound ones are not."""

import re
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from telemetry.bike import stroke_mm
from telemetry.errors import CalibrationError
from telemetry.logs import RawLog
from telemetry.signals import SensorSetup, to_run
from telemetry.signals.sanity import RIDE_BLOCK_S, _blocks
from telemetry.simulate import simulate_outing
from tests.randomised.bikes import random_bike
from tests.randomised.circuits import random_circuit
from tests.signals.made_logs import codes

SEEDS = (910, 911, 912)


@cache
def outing(seed):
    return simulate_outing(
        random_bike(seed), seed=seed, laps=1, log_rate_hz=200.0, circuit=random_circuit(seed)
    )


def run_with(seed, change, *, without=()):
    """A run of simulated travel in mm, changed, with sensors that read mm."""
    made = outing(seed)
    travel = {end: getattr(made.truth, f"{end}_shaft_mm") for end in ("front", "rear")}
    strokes = {end: stroke_mm(made.bike, end) for end in travel}
    columns = {name: values for name, values in made.log_columns.items() if name not in without}
    columns |= change(travel, strokes)
    sensors = {
        end: SensorSetup(end, ((0.0, 0.0), (strokes[end], strokes[end])), strokes[end])
        for end in ("front", "rear")
    }
    names = {name: name for name in ("speed", "lean", "brake") if name in columns}
    return to_run(
        RawLog("simulated", columns, dict(made.units)), sensors=sensors, channels=names, time_channel="time"
    )


def note_of(run):
    (note,) = [note for note in run.notes if note.code in ("sign", "swapped_ends", "implausible_sag")]
    assert 0 <= note.start_s < note.end_s <= run.duration_s + 0.1
    return note


def sound(travel, strokes):
    return travel


def swapped(travel, strokes):
    return {
        "front": travel["rear"] * strokes["front"] / strokes["rear"],
        "rear": travel["front"] * strokes["rear"] / strokes["front"],
    }


def front_turned(travel, strokes):
    return travel | {"front": strokes["front"] - travel["front"]}


def rear_turned(travel, strokes):
    return travel | {"rear": strokes["rear"] - travel["rear"]}


def no_sag(travel, strokes):
    return travel | {"rear": 0.2 * travel["rear"]}


@pytest.mark.parametrize("seed", SEEDS)
def test_a_sound_bike_is_left_in_peace(seed):
    assert codes(run_with(seed, sound)) == []


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize(
    ("change", "code", "words"),
    [
        (
            swapped,
            "swapped_ends",
            "are front and rear swapped? Check channel in [front.sensor] and [rear.sensor]",
        ),
        (front_turned, "sign", "Front travel extends under brakes: compression must read positive"),
        (rear_turned, "sign", "Rear travel compresses under brakes: compression must read positive"),
    ],
)
def test_what_contradicts_braking(seed, change, code, words):
    if code == "swapped_ends":  # neither end can be judged
        with pytest.raises(CalibrationError, match=re.escape(words)):
            run_with(seed, change)
        return
    run = run_with(seed, change)
    note = note_of(run)
    assert (note.code, note.severity) == (code, "refused") and words in note.message
    assert list(run.not_judged) == [note.channel] and note.channel not in run.shaft_travel_mm
    # the place is one of hard braking
    speed = run.channels["speed_m_s"]
    first, last = round(note.start_s * 200), round(note.end_s * 200)
    assert (speed[last] - speed[first]) / (note.end_s - note.start_s) < -3.0


@pytest.mark.parametrize("seed", SEEDS)
def test_sag_that_cannot_be(seed):
    note = note_of(run_with(seed, no_sag))
    assert note.code == "implausible_sag" and note.channel == "rear"
    assert "check zero and points in [rear.sensor]" in note.message


def test_without_speed_nothing_is_said():
    assert codes(run_with(SEEDS[0], swapped, without=("speed",))) == []


@pytest.mark.parametrize("only", ["front", "rear"])
def test_a_stuck_sensor_alone_is_told_by_the_speed(only):
    made = outing(SEEDS[0])
    end_mm = stroke_mm(made.bike, only)
    travel = getattr(made.truth, f"{only}_shaft_mm").copy()
    start = int(np.argmax(made.truth.speed_m_s > 40))
    travel[start : start + 1000] = travel[start] + 0.02 * np.random.default_rng(1).standard_normal(1000)
    setup = SensorSetup(only, ((0.0, 0.0), (end_mm, end_mm)), end_mm)
    log = RawLog("simulated", dict(made.log_columns) | {only: travel}, dict(made.units))
    run = to_run(log, sensors={only: replace(setup)}, channels={"speed": "speed"}, time_channel="time")
    (note,) = [note for note in run.notes if note.code == "stuck"]
    assert "does not change while the motorcycle rides" in note.message
    masked = np.isnan(run.shaft_travel_mm[only])
    assert masked[start + 5 : start + 995].all() and masked.sum() < 1060


@pytest.mark.parametrize("rate_hz", [10.0, 99.7, 1000.0])
def test_a_block_of_a_ramp_is_its_middle(rate_hz):
    values = np.arange(round(2.0 * rate_hz)) / rate_hz
    blocks = _blocks(values, rate_hz)
    middles = RIDE_BLOCK_S * (np.arange(len(blocks)) + 0.5)
    assert len(blocks) in (19, 20)
    # edges, width and picks are whole samples
    np.testing.assert_allclose(blocks, middles, atol=2.5 / rate_hz)
    values[-1] = np.nan
    assert not np.isnan(_blocks(values, rate_hz)[:-1]).any()


def test_too_slow_a_log_and_one_shorter_than_a_block_have_no_blocks():
    assert len(_blocks(np.ones(40), 0.8 / RIDE_BLOCK_S)) == 0
    assert len(_blocks(np.ones(5), 10.0 / RIDE_BLOCK_S)) == 0
