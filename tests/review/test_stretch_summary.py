"""A stretch of a stored run says what the review said of the same samples."""

from dataclasses import asdict
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from telemetry.bike import load_bike
from telemetry.logs import read_log
from telemetry.review import review
from telemetry.summary.stretch import Stretch, selected, summarise_stretch
from tests.motion.made_ends import assert_alike

FIXTURES = Path(__file__).parents[2] / "fixtures"


@cache
def reviewed():
    found = review(
        read_log(FIXTURES / "vellmoor-soft-fork.csv.gz"), load_bike(FIXTURES / "qb-6-soft-fork.toml")
    )
    return found.summary, found.traces


def test_the_whole_run_is_the_reviews_own_summary():
    summary, traces = reviewed()
    found = summarise_stretch(summary, traces, Stretch())
    assert_alike(
        {end: asdict(one) for end, one in found.items()},
        {end: asdict(one) for end, one in summary.ends.items()},
    )


def test_a_lap_is_the_reviews_own_lap():
    summary, traces = reviewed()
    for lap in summary.laps:
        if lap.complete:
            found = summarise_stretch(summary, traces, Stretch(lap=lap.lap))
            assert found["front"].wheel.travel == lap.ends["front"].wheel.travel
            assert found["rear"].shaft.speed_histogram == lap.ends["rear"].shaft.speed_histogram
            assert found["front"].bottomed == lap.ends["front"].bottomed


def test_a_phase_of_all_laps_agrees_with_the_places_of_the_review():
    summary, traces = reviewed()
    braking = next(place for place in summary.places["front"] if place.phase == "braking")
    laps = [lap.lap for lap in summary.laps if lap.complete]
    medians = [
        summarise_stretch(summary, traces, Stretch(lap=lap, phase="braking"))["front"].use.ride_height_mm
        for lap in laps
    ]
    assert braking.laps == len(laps)
    assert braking.ride_height_mm.mean == pytest.approx(np.mean(medians))
    assert braking.ride_height_mm.standard_error == pytest.approx(
        np.std(medians, ddof=1) / np.sqrt(len(laps))
    )


def test_limits_of_a_stretch_are_met_together():
    _, traces = reviewed()
    inside = selected(traces, Stretch(lap=2, time_s=(110.0, 130.0), distance_m=(300.0, 900.0)))
    assert inside.any()
    assert set(traces["lap"][inside]) == {2}
    assert traces["t_s"][inside].min() >= 110.0
    assert traces["distance_m"][inside].max() <= 900.0


def test_from_far_to_near_goes_over_the_line():
    _, traces = reviewed()
    inside = selected(traces, Stretch(distance_m=(2800.0, 100.0)))
    distance = traces["distance_m"][inside]
    assert np.any(distance > 2800) and np.any(distance < 100)
    assert not np.any((distance > 100.1) & (distance < 2799.9))


def test_nothing_there_is_said_so_and_no_such_phase_is_refused():
    summary, traces = reviewed()
    assert summarise_stretch(summary, traces, Stretch(lap=99))["rear"].valid_share == 0.0
    with pytest.raises(ValueError, match="'apex' is none of braking"):
        selected(traces, Stretch(phase="apex"))
