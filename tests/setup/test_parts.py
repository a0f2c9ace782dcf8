"""Places, sections and speeds of a comparison against what was put in."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import butter, sosfiltfilt

from telemetry.laps import Corner, Lap, passing_times_s
from telemetry.motion import LapPlace
from telemetry.setup import compare
from telemetry.setup.circuits import COLUMNS, other_bandwidth, section_time_s, sections
from telemetry.signals.derivative import differentiator, differentiator_as_at
from telemetry.summary import Traces
from tests.setup.made_summaries import lap, laps_with, summary

CORNERS = (
    Corner(1, 400.0, 500.0, 600.0, -1),
    Corner(2, 1400.0, 1500.0, 1600.0, 1),
    Corner(3, 3000.0, 3100.0, 3200.0, 1),
)


def test_passing_times_of_a_lap_at_steady_speed_are_even():
    t_s = np.arange(0.0, 80.0, 0.1) + 5.0
    times = passing_times_s(Lap(1, 5.0, 85.0, 4000.0, True), t_s, 50.0 * (t_s - 5.0))
    assert times == pytest.approx(np.linspace(0.0, 80.0, 101), abs=0.06)
    assert passing_times_s(Lap(1, 5.0, 85.0, 4000.0, False), t_s, 50.0 * (t_s - 5.0)) == ()


def test_sections_cover_the_lap_once_and_their_times_sum_to_the_lap():
    cut = sections(CORNERS, 4000.0)
    assert [name for name, _, _ in cut] == ["corner 1", "corner 2", "corner 3"]
    # halfway between 600 and 1400 m, and between 1600 and 3000 m
    assert [start for _, start, _ in cut] == pytest.approx([0.0, 0.25, 0.575])
    passing = tuple(np.cumsum([0.0, *np.random.default_rng(1).uniform(0.5, 1.5, 100)]))
    assert sum(section_time_s(passing, start, end) for _, start, end in cut) == pytest.approx(passing[-1])
    assert len(sections((), 4000.0)) == 10


def _stood(rng, front_mm, slower_s=0.0):
    """Laps that stand so in corner 2 and elsewhere, and lose some time in the first quarter."""
    laps = []
    for row in laps_with(rng, 5, median=front_mm):
        at = front_mm + 0.2 * rng.normal()
        places = (
            LapPlace(None, None, at, 40.0, 0.2, 23.5 - 0.04 * (at - 40), 95.0),
            LapPlace(None, "braking", at + 30, 10.0 + 0.2 * rng.normal(), 2.0, 22.0, 88.0),
            LapPlace(2, None, at + 5, 45.0, 0.3, 23.0, 94.0),
        )
        round_ = np.linspace(0.0, 1.0, 101)
        gained = (
            90.0 * round_
            - 4.0 * np.sin(2 * np.pi * 3 * round_)
            + slower_s * np.minimum(np.linspace(0, 4, 101), 1.0)
        )
        times = gained + 0.02 * rng.normal() * np.linspace(0, 1, 101)
        laps.append(replace(row, time_s=times[-1], places=places, passing_s=tuple(times), distance_m=4000.0))
    return summary(laps, corners=CORNERS)


def test_places_are_looked_at_where_the_whole_lap_is_clear():
    rng = np.random.default_rng(3)
    result = compare(_stood(rng, 40.0), _stood(rng, 33.0))
    rows = {row.key: row for row in result.places}
    assert rows["place.corner_2.front_mm"].verdict == "lower"
    assert rows["place.corner_2.front_mm"].difference == pytest.approx(-7.0, abs=0.4)
    assert rows["place.braking.rear_mm"].verdict == "no clear difference"
    assert "place.corner_1.front_mm" not in rows  # no lap stood there
    same = compare(_stood(rng, 40.0), _stood(rng, 40.0))
    assert not any(row.verdict in ("higher", "lower") for row in same.places)


def test_a_section_that_costs_time_is_found():
    rng = np.random.default_rng(4)
    result = compare(_stood(rng, 40.0), _stood(rng, 40.0, slower_s=3.0))
    rows = {row.label: row for row in result.sections}
    assert rows["time, corner 1"].verdict == "higher"
    assert rows["time, corner 1"].difference == pytest.approx(3.0, abs=0.05)
    assert rows["time, corner 3"].verdict == "no clear difference"


def test_corners_that_lie_elsewhere_are_not_compared():
    rng = np.random.default_rng(5)
    moved = tuple(replace(corner, apex_m=corner.apex_m + 400) for corner in CORNERS)
    other = replace(_stood(rng, 40.0), corners=moved)
    keys = [row.key for row in compare(_stood(rng, 40.0), other).places]
    assert keys and not any("corner" in key for key in keys)


def test_a_filter_for_another_rate_answers_alike():
    hz = np.linspace(1.0, 30.0, 60)
    wide, slow = differentiator_as_at(100.0, 500.0), differentiator(100.0)
    assert wide.gain(hz) == pytest.approx(slow.gain(hz), abs=0.01)


def test_runs_of_different_rates_are_compared_at_the_narrower_bandwidth():
    # one ride, once at 1000 Hz and once every tenth sample of it after a filter (SciPy): speeds must agree
    rng = np.random.default_rng(6)
    n_laps, rate = 4, 1000.0
    t_s = np.arange(0.0, 20.0 * n_laps, 1 / rate)
    band = butter(4, 40.0, fs=rate, output="sos")
    travel = {end: 40.0 + sosfiltfilt(band, 20 * rng.normal(size=len(t_s))) for end in ("front", "rear")}

    def run(step, bandwidth_hz):
        rate_hz = rate / step
        weights = differentiator(rate_hz).weights
        columns = {"t_s": t_s[::step]}
        speed = {}
        for end, values in travel.items():
            columns |= {f"{end}_wheel_mm": values[::step], f"{end}_valid": np.ones(len(values[::step]))}
            speed[end] = np.convolve(values[::step], weights[::-1], "same")
        laps = []
        for k in range(n_laps):
            here = slice(round(20 * k * rate_hz), round(20 * (k + 1) * rate_hz))
            rms = [
                np.sqrt(np.mean(speed["front"][here][sign * speed["front"][here] > 0] ** 2))
                for sign in (1, -1)
            ]
            one = lap(k + 1, compression=rms[0], rebound=rms[1], bandwidth_hz=bandwidth_hz)
            laps.append(replace(one, start_s=20.0 * k, end_s=20.0 * (k + 1)))
        made = summary(laps, ends=laps[0].ends)
        return replace(made, run=replace(made.run, sample_rate_hz=rate_hz)), Traces(columns)

    wide, slow = run(1, differentiator(rate).bandwidth_hz), run(10, differentiator(100.0).bandwidth_hz)
    assert other_bandwidth(wide[0], slow[0]) and set(wide[1].columns) == set(COLUMNS)
    raw = wide[0].laps[1].ends["front"].wheel.speed.compression.rms_mm_s
    there = slow[0].laps[1].ends["front"].wheel.speed.compression.rms_mm_s
    assert raw > 1.1 * there  # what the narrower band leaves out
    result = compare(wide[0], slow[0], traces=(lambda: wide[1], lambda: slow[1]))
    row = next(row for row in result.metrics if row.key == "front.speed.compression_mm_s")
    assert row.difference == pytest.approx(0.0, abs=0.02 * there)
    assert any("up to 3" in text and "Hz" in text for text in result.cautions)
