"""A beacon whose pulses are shorter than a sample: laps that run into one are found, split or said."""

from dataclasses import replace

import numpy as np
import pytest

from telemetry.laps import find_track
from telemetry.simulate import Sensors
from tests.benchmarks.laps.outings import ridden

GPS = ("latitude_deg", "longitude_deg")


@pytest.fixture(scope="module")
def outing():
    return ridden(7450, laps=5, log_rate_hz=50.0, sensors=Sensors(lap_signal="none"))


def with_pulses(made, seen, samples=1):
    """The run with a beacon that shows these of its pulses, counted from 0."""
    beacon = np.zeros(len(made.run.t_s))
    for number in seen:
        at = int(np.searchsorted(made.run.t_s, made.ride.lap_start_s[number]))
        beacon[at : at + samples] = 1.0
    return replace(made.run, channels={**made.run.channels, "beacon": beacon})


def without(run, *names):
    return replace(run, channels={name: v for name, v in run.channels.items() if name not in names})


def codes(track):
    return [note.code for note in track.notes]


# one of two, every second, three in a row, the first, the last
@pytest.mark.parametrize("seen", [(0, 1, 3, 4, 5), (0, 2, 4), (0, 4, 5), (1, 2, 3, 4, 5), (0, 1, 2, 3, 4)])
def test_positions_say_when_the_line_was_passed_without_a_pulse(outing, seen):
    track = find_track(with_pulses(outing, seen))
    assert track.lap_source == "beacon"
    assert [lap.kind for lap in track.laps][1:6] == ["timed"] * 5
    # as well as a pulse tells it that is one sample of 0.02 s long
    np.testing.assert_allclose([lap.start_s for lap in track.laps[1:]], outing.ride.lap_start_s, atol=0.03)
    (note,) = [note for note in track.notes if note.code == "beacon_missed"]
    missed = outing.ride.lap_start_s[[i for i in range(6) if i not in seen]]
    assert (note.start_s, note.end_s) == pytest.approx((missed[0], missed[-1]), abs=0.1)


def test_a_beacon_that_sees_all_is_left_alone(outing):
    track = find_track(with_pulses(outing, range(6)))
    assert "beacon_missed" not in codes(track)
    assert sum(lap.complete for lap in track.laps) == 5


@pytest.mark.parametrize(
    ("seen", "kinds"),
    [
        ((0, 1, 3, 4, 5), ["timed", "several", "timed", "timed"]),
        (
            (0, 2, 4),
            ["several", "several"],
        ),  # no lap is of the usual length: every pulse found follows a missed one
        ((0, 3, 5), ["several", "several"]),
    ],
)
def test_without_positions_several_laps_in_one_are_not_timed(outing, seen, kinds):
    track = find_track(without(with_pulses(outing, seen), *GPS))
    assert [lap.kind for lap in track.laps][1:-1] == kinds
    (note,) = [note for note in track.notes if note.code == "beacon_missed"]
    assert "missed" in note.message


def test_with_neither_speed_nor_positions_it_is_said_that_pulses_may_be_missing(outing):
    run = without(with_pulses(outing, (0, 2, 4)), *GPS, "speed_m_s")
    assert "beacon_short" in codes(find_track(run))
    assert "beacon_short" not in codes(
        find_track(without(with_pulses(outing, range(6), samples=10), *GPS, "speed_m_s"))
    )


def test_two_like_halves_are_not_two_laps():
    # an oval whose speed repeats every half lap, and a beacon whose pulses are too long to be missed
    made = ridden(7450, laps=4, log_rate_hz=50.0, sensors=Sensors(lap_signal="none"))
    lap_m, rate = 2000.0, made.run.sample_rate_hz
    t = np.arange(0.0, 200.0, 1 / rate)
    place = np.cumsum(40.0 + 10.0 * np.cos(2 * np.pi * 40.0 * t / (lap_m / 2))) / rate
    speed = np.gradient(place) * rate
    beacon = np.zeros(len(t))
    for at in np.flatnonzero(np.diff(np.floor(place / lap_m)) > 0):
        beacon[at : at + 10] = 1.0
    run = replace(made.run, t_s=t, channels={"speed_m_s": speed, "beacon": beacon})
    track = find_track(run)
    assert codes(track) == []
    assert [lap.kind for lap in track.laps] == ["part", "timed", "timed", "timed", "part"]
    brief = np.where(np.diff(beacon, prepend=0.0) > 0, 1.0, 0.0)
    track = find_track(replace(run, channels={"speed_m_s": speed, "beacon": brief}))
    assert codes(track) == ["beacon_missed"]  # no pulse of one sample can say that none was missed
