"""Shift over the outing: the line and its interval, what is said and what is not."""

from dataclasses import replace
from functools import cache
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from telemetry.bike import load_bike
from telemetry.findings.travel import shift_candidates
from telemetry.logs import read_log
from telemetry.review import review
from telemetry.summary.trend import slope_interval, trends

FIXTURES = Path(__file__).parents[2] / "fixtures"


def norris():
    """NIST StRD, linear regression, Norris: 36 observations of y against x, as packaged with scipy."""
    path = resources.files("scipy.stats.tests") / "data" / "nist_linregress" / "Norris.dat"
    rows = path.read_text().splitlines()[60:]
    return np.array([[float(cell) for cell in row.split()] for row in rows if row.strip()]).T


def test_the_slope_and_its_error_are_the_certified_ones():
    # NIST certified values: slope 1.00211681802045, its standard deviation 0.429796848199937e-3; t(34) at 97.5 %
    y, x = norris()
    slope, interval = slope_interval(x, y, 0.95)
    assert slope == pytest.approx(1.00211681802045, rel=1e-12)
    half = (interval[1] - interval[0]) / 2
    assert half / stats.t.ppf(0.975, 34) == pytest.approx(0.429796848199937e-3, rel=1e-8)


def test_points_on_a_line_have_no_interval():
    slope, interval = slope_interval(np.arange(5.0), 3.0 * np.arange(5.0), 0.95)
    assert slope == pytest.approx(3.0)
    assert interval is None


def test_the_interval_holds_the_true_slope_19_times_of_20():
    rng, x = np.random.default_rng(1), np.arange(8.0)
    inside = 0
    for _ in range(2000):
        _, (low, high) = slope_interval(x, 0.2 * x + rng.standard_normal(8), 0.95)
        inside += low <= 0.2 <= high
    # three standard errors of a share of 0.95 in 2000
    assert inside / 2000 == pytest.approx(0.95, abs=0.015)


@cache
def a_lap():
    summary = review(read_log(FIXTURES / "vellmoor-plain.csv"), load_bike(FIXTURES / "qb-6.toml")).summary
    return next(lap for lap in summary.laps if lap.complete)


def laps_with(front_mm, rng=None):
    """Laps alike but for the front's travel, which is given, and a scatter of everything that is told of a lap."""
    base = a_lap()
    laps = []
    for number, level in enumerate(front_mm, start=1):
        scatter = (lambda: 1.0) if rng is None else (lambda: 1.0 + 0.004 * rng.standard_normal())
        ends = {}
        for name, end in base.ends.items():
            travel, speed = end.wheel.travel, end.wheel.speed
            shift = level if name == "front" else 0.0
            travel = replace(
                travel,
                median_mm=travel.median_mm * scatter() + shift,
                p95_mm=travel.p95_mm * scatter(),
                max_mm=travel.max_mm * scatter(),
            )
            speed = replace(
                speed,
                compression=replace(speed.compression, rms_mm_s=speed.compression.rms_mm_s * scatter()),
                rebound=replace(speed.rebound, rms_mm_s=speed.rebound.rms_mm_s * scatter()),
            )
            ends[name] = replace(end, wheel=replace(end.wheel, travel=travel, speed=speed))
        time_s = base.time_s * scatter()
        laps.append(replace(base, lap=number, end_s=base.start_s + time_s, time_s=time_s, ends=ends))
    return laps


def test_a_ride_height_that_sinks_is_told_and_becomes_a_finding():
    laps = laps_with(0.5 * np.arange(8), np.random.default_rng(2))
    (front,) = [trend for trend in trends(laps) if trend.key == "front.travel.median_mm"]
    assert front.clear
    assert front.laps == 8
    low, high = front.ci95_per_lap
    assert low < 0.5 < high
    assert front.last - front.first == pytest.approx(7 * front.per_lap)
    (found,) = shift_candidates(trends(laps))
    assert found.title == "The front rides lower from lap to lap" and "leak" not in found.evidence
    assert "front median travel" in found.evidence
    assert "Lap times" not in found.evidence
    assert "loses oil or gas" in found.caution


def test_scatter_alone_is_seldom_called_a_shift():
    # one false alarm among all numbers of an outing in 20 outings at most, by the widened interval (Bonferroni)
    rng = np.random.default_rng(3)
    called = sum(any(trend.clear for trend in trends(laps_with(np.zeros(8), rng))) for _ in range(120))
    assert called <= 120 * 0.05 + 2 * np.sqrt(120 * 0.05 * 0.95)


def test_a_shift_too_small_to_matter_is_not_spoken_of():
    trend = next(t for t in trends(laps_with(0.01 * np.arange(8))) if t.key == "front.travel.median_mm")
    assert not trend.clear


def test_few_laps_slow_laps_and_part_laps_are_no_evidence():
    laps = laps_with(np.arange(6.0), np.random.default_rng(4))
    assert trends(laps[:3]) == ()
    slow = replace(laps[0], time_s=1.2 * laps[0].time_s)
    part = replace(laps[1], complete=False)
    assert {trend.laps for trend in trends([slow, part, *laps[2:]])} == {4}


def test_laps_without_a_trend_rarely_show_one_among_all_the_numbers():
    # one clear trend in twenty outings at most, though many numbers are looked at (Bonferroni 1936): 300 outings
    # with none; 3 sd of a binomial share of 0.05 is 0.038
    rng = np.random.default_rng(11)
    called = sum(any(trend.clear for trend in trends(laps_with(np.zeros(7), rng))) for _ in range(300))
    assert called / 300 <= 0.05 + 0.038
