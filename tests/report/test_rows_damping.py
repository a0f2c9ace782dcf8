"""Rows of lost damping: events of one place gathered, and what was ruled out with its reason."""

from dataclasses import replace

import pytest

from telemetry.damping.verdict import (
    DamperCourse,
    DampingTrend,
    Oscillation,
    OscillationEvent,
    RejectedCandidate,
    stretches_of_road,
)
from telemetry.report.damping import (
    course_sentences,
    damping_headline,
    damping_words,
    drift_words,
    event_row,
    front_damping_words,
    gathered_rows,
    rejected_rows,
)

EVENT = OscillationEvent(
    131.48, 133.5, 2, 920.9, 2, "drive", 15.8, 0.07, (0.04, 0.11), 2.8, 1.4, 0.9, "the road taken out"
)


def texts(row):
    return tuple(str(cell) for cell in row)


def test_an_event_has_its_place_and_both_amplitudes():
    assert texts(event_row(EVENT)) == (
        "131.5",
        "2",
        "corner 2, drive",
        "2.0",
        "15.8",
        "0.07 (0.04 to 0.11)",
        "2.8",
        "1.4",
        "90",
        "alarm",
    )


def test_events_of_one_place_become_one_row_and_others_stand_alone():
    again = replace(EVENT, start_s=214.3, end_s=216.3, lap=3, distance_m=925.0)
    elsewhere = replace(EVENT, start_s=184.1, end_s=185.1, corner=11, distance_m=2484.0)
    rows = gathered_rows((EVENT, elsewhere, again), 3000.0)
    assert [texts(row)[:4] for row in rows] == [
        ("corner 2, drive", "2-3", "2", "4.0"),
        ("corner 11, drive", "2", "1", "1.0"),
    ]


def test_nothing_is_gathered_where_nothing_came_twice():
    assert gathered_rows((EVENT, replace(EVENT, corner=None, distance_m=2484.0)), 3000.0) == []
    assert gathered_rows((), None) == []


def test_what_was_ruled_out_is_told_by_place_with_the_reason_of_its_longest():
    road = RejectedCandidate(61.7, 62.6, 1, 1309.0, "The road did it.")
    tone = RejectedCandidate(200.0, 200.5, 3, None, "A steady tone.")
    rows = rejected_rows(
        [tone, road, replace(road, start_s=144.0, end_s=144.5, lap=2, reason="One hit.")], None
    )
    assert [texts(row) for row in rows] == [
        ("1309 m into the lap", "1-2", "2", "The road did it."),
        ("at 200.0 s", "3", "1", "A steady tone."),
    ]


@pytest.mark.parametrize(
    ("distance_m", "groups"),
    [([], []), ([None, 5.0], [[1], [0]]), ([300.0, 0.0, 70.0, 240.0], [[1, 2], [0, 3]])],
)
def test_neighbours_along_the_lap_belong_together(distance_m, groups):
    assert stretches_of_road(distance_m) == groups


def test_an_end_that_reads_higher_beside_a_fading_one_has_not_improved():
    fading = DamperCourse("losing damping", "Down.", (), DampingTrend(-8.0, (-10.0, -6.0)))
    rising = DamperCourse("sound", "Up.", (), DampingTrend(3.0, (1.0, 5.0)))
    assert "The front did not improve" in drift_words(
        Oscillation("no", "", course={"front": rising, "rear": fading})
    )
    assert drift_words(Oscillation("no", "", course={"front": rising, "rear": rising})) == ""


OVER_LAPS = {"rear": DamperCourse("steady", "It did not fall.", (), DampingTrend(0.2, (-1.0, 1.4)))}
OVER_NO_LAPS = {"rear": DamperCourse("sound", "Its ratio was near 0.4.", (), None)}
TOO_FEW_LAPS = {"rear": DamperCourse("cannot tell", "4 laps are needed.", (), None)}


@pytest.mark.parametrize("course", [{}, TOO_FEW_LAPS, OVER_NO_LAPS])
def test_without_laps_to_tell_a_slow_loss_by_the_headline_says_so(course):
    assert damping_headline(Oscillation("no", "fine", course=course)).endswith("; slow loss not judged")
    assert damping_headline(Oscillation("no", "fine", course=OVER_LAPS)) == "No sign of lost rear damping"


@pytest.mark.parametrize(
    ("found", "words"),
    [
        (Oscillation("yes", "it rang", (EVENT,)), "SUSPECTED LOST"),
        (Oscillation("no", "fine", judged_share=0.99, course=OVER_LAPS), "no sign of loss"),
        (
            Oscillation("no", "fine", judged_share=0.49, course=OVER_LAPS),
            "no sign of loss in 49 % of the riding",
        ),
        (Oscillation("no", "fine", judged_share=0.99), "no sudden loss, slow loss not judged"),
        (Oscillation("no", "fine", course=TOO_FEW_LAPS), "no sudden loss, slow loss not judged"),
        (Oscillation("cannot_tell", "no ground speed"), "cannot tell"),
        (Oscillation("cannot_tell", "it rang", unexplained=3), "IN DOUBT"),
        (Oscillation("cannot_tell", "once", (replace(EVENT, level="look"),)), "IN DOUBT"),
        (
            Oscillation("no", "fine", front_events=(EVENT,), course=OVER_LAPS),
            "no sign of loss; front SUSPECTED LOST",
        ),
    ],
)
def test_no_damper_is_called_fine_in_a_list_that_was_not_judged(found, words):
    assert damping_words(found) == words


def test_the_front_keeps_its_part_where_the_rear_was_not_judged():
    assert (
        front_damping_words(Oscillation("cannot_tell", "", front_events=(EVENT,))) == "; front SUSPECTED LOST"
    )
    assert front_damping_words(Oscillation("cannot_tell", "")) == ""


def test_a_course_that_neither_end_has_is_said_once():
    few = DamperCourse("cannot tell", "A course over the laps needs 4 complete laps at pace.", (), None)
    found = Oscillation("cannot_tell", "no ground speed", course={"rear": few, "front": few})
    assert course_sentences(found) == [few.reason]
