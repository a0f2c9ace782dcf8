import math

import pytest
from made_up import made_up

from dashboard import words
from dashboard.pages.trust import SEVERITY
from telemetry.report.words import SEVERITY_WORDS


def test_paper_and_screen_call_a_severity_the_same():
    # but for the mark and for capitals
    assert {kind: said.lstrip("✕! ").lower() for kind, said in SEVERITY.items()} == {
        kind: said.lower() for kind, said in SEVERITY_WORDS.items()
    }


def test_lap_times_are_written_as_on_a_timing_sheet():
    # Minutes, two digits of seconds, hundredths; rounding carries over: common practice, no source
    assert [words.lap_time(t) for t in (59.999, 82.72, 101.32, 60.0)] == [
        "1:00.00",
        "1:22.72",
        "1:41.32",
        "1:00.00",
    ]


def test_a_number_that_is_not_known_is_said_to_be():
    assert words.number(None) == words.number(math.nan) == words.number(math.inf) == "not known"
    assert words.number(-1234.56, 1, "mm") == "−1 234.6 mm"
    assert words.number(-0.04, 1) == "0.0"
    assert words.percent(0.123, 1) == "12.3 %"


def test_a_place_is_said_as_far_as_it_is_known():
    assert words.place(3, "drive", 1200.0) == "corner 3, drive"
    assert words.place(None, "straight", 1200.0) == "straight (1 200 m)"
    assert words.place(None, None, 1234.0) == "1 234 m into the lap"
    assert words.place(None, None, None, 12.34) == "at 12.3 s"
    assert words.place(None, None) == "place not known"


def test_a_place_for_the_rider():
    assert words.rider_place(3, "drive") == "coming out of corner 3"
    assert words.rider_place(3, "drive", names={3: "Old Gate", 4: ""}) == "coming out of Old Gate (corner 3)"
    assert words.rider_place(4, None, names={3: "Old Gate", 4: ""}) == "at corner 4"
    assert words.rider_place(None, "braking") == "under braking"
    assert words.rider_place(None, None, 1234.0) == "1230 metres after the start line"
    assert words.rider_place(None, None) == "place not known"


@pytest.mark.parametrize(
    ("laps", "said"),
    [([2], "on lap 2"), ([3, 1, 2, 1], "on laps 1, 2 and 3"), ([None], ""), ([], "")],
)
def test_laps_in_a_phrase(laps, said):
    assert words.which_laps(laps) == said


def test_a_stop_in_one_sentence():
    stop = made_up().summary.ends["front"].bottomed[0]
    assert words.stop_sentence("front", stop).startswith(
        "front bottomed, corner 1, entry: 114.2 mm at the wheel"
    )
