"""One way to write a number, an interval, a lap, a place."""

import math

import pytest

from telemetry.summary import wording


def test_lap_times_are_written_as_on_a_timing_sheet():
    # Minutes, two digits of seconds, hundredths; rounding carries over: common practice, no source
    assert [wording.lap_time(t) for t in (59.999, 82.72, 101.32, 60.0)] == [
        "1:00.00",
        "1:22.72",
        "1:41.32",
        "1:00.00",
    ]


def test_a_number_that_is_not_known_is_a_dash_without_a_unit():
    assert wording.number(None, 1, "mm") == wording.number(math.nan) == wording.number(math.inf) == "–"


def test_numbers_have_a_real_minus_no_negative_nought_and_groups_from_five_digits_on():
    # ISO 80000-1:2022, 7.3 (from memory): groups of three parted by a space, which four digits may do without; the
    # minus is U+2212 (ISO 80000-2)
    assert wording.number(-1234.56, 1, "mm") == "\u22121234.6 mm"
    assert wording.number(-31234.56, 1) == "\u221231 234.6"
    assert wording.number(-0.04, 1) == wording.signed(-0.04, 1) == "0.0"
    assert (wording.signed(0.26, 1), wording.signed(-0.26, 1)) == ("+0.3", "\u22120.3")
    assert wording.percent(0.123, 1) == "12.3 %"


def test_an_interval_has_the_unit_once():
    assert wording.interval(1.0, (-0.5, 2.5), 1, "mm") == "1.0 (\u22120.5 to 2.5) mm"
    assert wording.interval(None, (0.0, 1.0)) == wording.interval(math.nan, (0.0, 1.0)) == "–"
    assert wording.plus_minus(0.9, wording.half_width((0.8, 1.0))) == "0.90 ± 0.10"


def test_a_place_is_said_as_far_as_it_is_known():
    assert wording.place_words(3, "drive", 1200.0) == "corner 3, drive"
    assert wording.place_words(None, "straight", 1200.0) == "straight (1200 m)"
    assert wording.place_words(None, None, 1234.0) == "1234 m into the lap"
    assert wording.place_words(None, None, None, 12.34) == "at 12.3 s"
    assert wording.place_words(None, None) == "place not known"


@pytest.mark.parametrize(
    ("laps", "said", "listed"),
    [
        ([2], "lap 2", "2"),
        ([3, 1, 2, 1], "laps 1, 2 and 3", "1-3"),
        ([None], "", "–"),
        ([], "", "–"),
    ],
)
def test_laps_in_a_sentence_and_in_a_cell(laps, said, listed):
    assert wording.laps_words(laps) == said
    assert wording.laps_list(laps) == listed
