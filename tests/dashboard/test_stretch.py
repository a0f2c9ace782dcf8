import numpy as np
import pytest

from telemetry.report.lap import spans, stretch

T = np.arange(10.0)
LAP = np.array([0, 0, 1, 1, 1, 1, 2, 2, 2, 2.0])
DISTANCE = np.array([np.nan, np.nan, 0, 10, 20, 30, 0, 12, 11, 36.0])


def test_a_lap_along_its_distance():
    found = stretch(T, LAP, DISTANCE, number=1)
    assert found.rows == slice(2, 6) and found.against == "distance"
    assert found.at_time(3.5) == pytest.approx(15.0)
    assert np.isnan(found.at_time(9.0))


def test_a_distance_that_falls_is_not_used():
    found = stretch(T, LAP, DISTANCE, number=2)
    assert found.against == "time" and found.x[0] == 0.0


def test_a_distance_with_gaps_is_not_used():
    assert stretch(T, LAP, DISTANCE, number=0).against == "time"


def test_time_is_used_when_it_is_asked_for_and_starts_with_the_lap():
    found = stretch(T, LAP, DISTANCE, number=1, against="time")
    np.testing.assert_array_equal(found.x, [0, 1, 2, 3])


def test_a_whole_run_is_along_time():
    assert stretch(T, LAP, DISTANCE).against == stretch(T).against == "time"
    assert len(stretch(T, LAP).x) == 10


def test_a_lap_that_is_not_there_is_empty():
    found = stretch(T, LAP, DISTANCE, number=7)
    assert len(found.x) == 0 and np.isnan(found.at_time(1.0))


def test_spans_of_a_flag():
    flag = np.array([1, 0, 1, 1, 0, 0, 0, 1, 1, 1.0])
    assert spans(flag, T) == [(0.0, 1.0), (2.0, 4.0), (7.0, 9.0)]
    assert spans(np.zeros(10), T) == []
