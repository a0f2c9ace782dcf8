"""How much an event says, and what the verdict makes of it."""

from dataclasses import replace

import pytest

from telemetry.damping.verdict import (
    MOST_OF_A_LOOK,
    DamperCourse,
    DetectionLimit,
    Oscillation,
    OscillationEvent,
    dampers_in_doubt,
    with_levels,
)
from telemetry.laps import Lap

EVENT = OscillationEvent(
    30.0, 31.3, 1, 900.0, 5, "drive", 16.2, 0.06, (0.03, 0.11), 1.1, 0.6, 0.98, "The front did not feel it."
)
LIMITS = tuple(DetectionLimit(ratio, 0.75, 0.05) for ratio in (0.05, 0.08, 0.12))


def event(seconds, *, lap=1, distance_m=900.0, confidence=0.98, ratio=0.06):
    return replace(
        EVENT,
        end_s=EVENT.start_s + seconds,
        lap=lap,
        distance_m=distance_m,
        confidence=confidence,
        damping_ratio=ratio,
    )


@pytest.mark.parametrize(
    ("events", "levels"),
    [
        # as short as a kerb that only the rear met: 0.62 s at 17.4 Hz was called at 0.99, see the note on levels
        ([event(0.62, confidence=0.99)], ["look"]),
        ([event(1.3)], ["alarm"]),
        ([event(1.3, confidence=0.8)], ["look"]),
        ([event(0.9), event(0.9, lap=2, distance_m=930.0)], ["alarm", "alarm"]),
        # what begins at one point of the road on every lap can be a ridge that only this wheel meets
        ([event(0.9, lap=lap, distance_m=900.0 + 3.0 * lap) for lap in (1, 2, 3)], ["look"] * 3),
        # nor do three places with a ridge each say more than one
        (
            [
                event(0.9, lap=lap, distance_m=place + 3.0 * lap)
                for lap in (1, 2)
                for place in (900.0, 2000.0, 3100.0)
            ],
            ["look"] * 6,
        ),
        # unless it rings elsewhere as well
        ([event(0.9), event(0.9, lap=2), event(0.8, lap=2, distance_m=2000.0)], ["alarm"] * 3),
        ([event(0.9), event(0.9, distance_m=2000.0)], ["alarm", "alarm"]),
        ([event(0.9), event(0.4, distance_m=950.0)], ["look", "look"]),  # one place, one lap
        # ridges are met on every lap
        ([event(0.5, lap=lap, confidence=0.9) for lap in (1, 2, 3)], ["look"] * 3),
        # and kerbs and tones have many places
        ([event(0.5, lap=lap, distance_m=700.0 * lap, confidence=0.9) for lap in (1, 2, 3)], ["look"] * 3),
        ([event(0.8, lap=lap, distance_m=700.0 * lap, confidence=0.9) for lap in (1, 2, 3)], ["alarm"] * 3),
        (
            [event(0.7, lap=lap, distance_m=870.0 + 40.0 * lap, confidence=0.5) for lap in (1, 2)],
            ["look"] * 2,
        ),
        ([event(1.3), event(0.4, distance_m=2000.0, confidence=0.6)], ["alarm", "look"]),
        ([], []),
    ],
)
def test_an_alarm_repeats_or_is_long(events, levels):
    told = with_levels(events, LIMITS)
    assert [one.level for one in told] == levels
    assert all(one.confidence <= MOST_OF_A_LOOK for one in told if one.level == "look")


LAPS = [
    Lap(number, 90.0 * number, 90.0 * number + 90.0, 3000.0, complete=True, kind="timed")
    for number in range(1, 6)
]


def rung(laps, seconds=1.5, at_m=900.0):
    return [event(seconds, lap=lap, distance_m=at_m + 2.0 * lap) for lap in laps]


@pytest.mark.parametrize(
    ("events", "levels"),
    [
        # there from the first lap on, and on most laps: a ridge that only the rear meets does the same
        (rung([1, 2, 3, 4, 5]), ["look"] * 5),
        (rung([1, 3, 4]), ["look"] * 3),
        # a damper that fails while it is ridden was sound on the first lap
        (rung([2, 3, 4, 5]), ["alarm"] * 4),
        # nothing on most laps: no ridge
        (rung([1, 2]), ["alarm"] * 2),
        # rung for more than a tenth of every lap: more than a few ridges
        (
            [one for at_m in range(500, 2600, 300) for one in rung([1, 2, 3, 4, 5], at_m=float(at_m))],
            ["alarm"] * 35,
        ),
        # a loss at another place stays an alarm, the ridge a look
        ([*rung([1, 2, 3, 4, 5]), event(1.5, lap=4, distance_m=2200.0)], ["look"] * 5 + ["alarm"]),
    ],
)
def test_what_rings_at_one_point_from_the_first_lap_on_may_be_the_road(events, levels):
    assert [one.level for one in with_levels(events, LIMITS, LAPS)] == levels


@pytest.mark.parametrize("limits", [(), tuple(replace(limit, shortest_s=None) for limit in LIMITS)])
def test_one_stretch_needs_a_limit_that_holds(limits):
    (alone,) = with_levels([event(1.3)], limits)
    assert alone.level == "look"
    assert all(
        one.level == "alarm" for one in with_levels([event(0.9), event(0.9, lap=3, distance_m=940.0)], limits)
    )


def course(state):
    return DamperCourse(state, "", (), None)


@pytest.mark.parametrize(
    ("found", "doubt"),
    [
        (Oscillation("no", ""), ()),
        (Oscillation("cannot_tell", "the log has 50 samples a second."), ()),
        (Oscillation("yes", ""), ("rear",)),
        (Oscillation("cannot_tell", "", (replace(EVENT, level="look"),)), ("rear",)),
        (Oscillation("cannot_tell", "", unexplained=2), ("rear",)),
        (Oscillation("no", "", front_events=(EVENT,)), ("front",)),
        (Oscillation("no", "", course={"front": course("losing damping")}), ("front",)),
        (Oscillation("no", "", course={"rear": course("doubtful"), "front": course("sound")}), ("rear",)),
        # as older versions stored it
        (Oscillation("no", "", course={"rear": course("losing damping as it warms")}), ("rear",)),
    ],
)
def test_ends_in_doubt(found, doubt):
    assert dampers_in_doubt(found) == doubt


def test_what_ends_now_here_and_now_there_is_no_ridge():
    events = rung([1, 2, 3, 4, 5])
    ends_m = [950.0, 990.0, 1030.0, 970.0, 1010.0]
    assert [one.level for one in with_levels(events, LIMITS, LAPS, ends_m)] == ["alarm"] * 5
    assert [one.level for one in with_levels(events, LIMITS, LAPS, [950.0] * 5)] == ["look"] * 5


def test_stretches_that_are_likelier_lines_together_raise_no_alarm():
    events = [event(0.9), event(0.9, lap=2, distance_m=930.0)]
    assert [one.level for one in with_levels(events, LIMITS, for_line=[1.5, -2.0])] == ["alarm"] * 2
    assert [one.level for one in with_levels(events, LIMITS, for_line=[1.5, -1.0])] == ["look"] * 2
    assert with_levels([event(1.3)], LIMITS, for_line=[0.5])[0].level == "look"


def test_what_begins_at_one_point_and_ends_elsewhere_counts_on_every_lap():
    events = [event(0.9, lap=lap, distance_m=900.0 + lap) for lap in (1, 2)]
    assert [one.level for one in with_levels(events, LIMITS, ends_m=[950.0, 953.0])] == ["look"] * 2
    assert [one.level for one in with_levels(events, LIMITS, ends_m=[950.0, 980.0])] == ["alarm"] * 2
