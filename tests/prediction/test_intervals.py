"""Intervals of a predicted change by hand, what counts as an approach to the stop, and what is said of it."""

from types import SimpleNamespace

import numpy as np
import pytest

from telemetry.prediction.prediction import _drawn_span, _moved, _peaks, _wider
from telemetry.prediction.results import TryRow
from telemetry.prediction.values import (
    COVERED,
    FLOOR_DEEPEST_MM,
    FLOOR_MM,
    FLOOR_SAME_BUMP,
    FLOOR_SHARE,
    FULL_MM,
    FULL_SPEED_SHARE,
    NEAR_STOP_MM,
    contact_values,
    floor_of,
    half_widths,
    next_deepest_half,
    next_outing_half,
    outing_sd,
)
from telemetry.prediction.ways import _same, _worth
from telemetry.summary import OUTING_MM, OUTING_PITCH_DEG, OUTING_RATIO_SHARE, OUTING_SPEED_SHARE

# Two-sided 90 %: quantiles 0.95 of the normal distribution, and of Student's t with 1, 2 and 3 degrees of freedom (any
# table of them)
NORMAL, T1, T2, T3 = 1.644854, 6.313752, 2.919986, 2.353363
MEDIAN, LEFT, NEAR = "front.travel.median_mm", "rear.travel.left_mm", "front.near_stop"
SPEED, RATIO, BUMP = (
    "rear.speed.rebound.rms_mm_s",
    "balance.speed_ratio.rebound",
    "balance.same_bump.rebound_ratio",
)
PITCH = "balance.pitch.mean_deg"


@pytest.mark.parametrize(
    ("key", "value", "floor"),
    [
        (MEDIAN, 40.0, FLOOR_MM),
        (LEFT, 40.0, FLOOR_DEEPEST_MM),
        ("front.travel.max_mm", 110.0, FLOOR_DEEPEST_MM),
        (NEAR, 3.0, 0.5),
        (PITCH, -0.4, 0.01),
        (SPEED, 200.0, 200.0 * FLOOR_SHARE),
        (RATIO, 1.1, 1.1 * FLOOR_SHARE),
        (BUMP, -1.1, 1.1 * FLOOR_SAME_BUMP),
    ],
)
def test_the_error_of_the_model_grows_with_how_far_the_rides_differ(key, value, floor):
    assert [floor_of(key, value, moved) for moved in (0.0, 0.25, 1.0)] == pytest.approx(
        [0.0, 0.25 * floor, floor]
    )


def test_half_widths_are_of_draws_and_model_together():
    # draws 1, 2, 3, 4: standard deviation sqrt(5 / 3); the model's own as above, both independent
    changes = [{MEDIAN: x, LEFT: 1.0} for x in (1.0, 2.0, 3.0, 4.0)]
    before, moved = {MEDIAN: 40.0, LEFT: 9.0, BUMP: 1.0}, {"front": 0.5, "rear": 1.0, "balance": 0.2}
    found = half_widths(before, changes, moved)
    assert found[MEDIAN] == pytest.approx(NORMAL * np.hypot(np.sqrt(5 / 3), 0.5 * FLOOR_MM), rel=1e-6)
    assert found[LEFT] == pytest.approx(NORMAL * FLOOR_DEEPEST_MM, rel=1e-6)
    assert found[BUMP] == pytest.approx(NORMAL * 0.2 * FLOOR_SAME_BUMP, rel=1e-6)  # drawn nowhere
    three, two = (half_widths(before, changes[:count], moved)[MEDIAN] for count in (3, 2))
    assert three == pytest.approx(NORMAL * np.hypot(1.0, 0.5 * FLOOR_MM), rel=1e-6)
    assert two == pytest.approx(NORMAL * 0.5 * FLOOR_MM, rel=1e-6)  # two draws give no spread
    assert COVERED == 0.90  # as every word of it says


def test_outings_differ_by_what_a_comparison_takes_them_to():
    found = [outing_sd(key, -2.0) for key in (MEDIAN, PITCH, RATIO, SPEED)]
    assert found == pytest.approx(
        [OUTING_MM, OUTING_PITCH_DEG, 2 * OUTING_RATIO_SHARE, 2 * OUTING_SPEED_SHARE]
    )


def test_the_next_outing_has_laps_of_its_own():
    # two laps, 10 and 12: standard deviation sqrt 2; two outings of two laps: variance of the difference of their means
    # 2 / 2 of it; outings differ by sqrt 2 times what one does
    laps = T1 * np.sqrt(2.0)
    between = NORMAL * np.sqrt(2.0) * OUTING_MM
    assert next_outing_half(MEDIAN, 0.3, [10.0, 12.0], 11.0, 12.0) == pytest.approx(
        np.sqrt(0.3**2 + laps**2 + between**2), rel=1e-6
    )
    # four laps with a variance of 2 / 3
    values = [9.0, 11.0, 10.0, 10.0]
    spread = T3 * np.sqrt(2.0 / 3.0)
    assert next_outing_half(MEDIAN, 0.3, values, 10.0, 11.0) == pytest.approx(
        np.sqrt(0.3**2 + 0.5 * spread**2 + between**2), rel=1e-6
    )
    assert next_outing_half(MEDIAN, 0.3, [10.0], 10.0, 11.0) is None


def test_rare_events_are_two_counts_by_chance():
    # Poisson: the variance of a count is the count; one more, since none so far does not mean none
    assert next_outing_half(NEAR, 0.0, [0.0, 0.0], 0.0, 0.0) == pytest.approx(NORMAL, rel=1e-6)
    assert next_outing_half(NEAR, 0.0, [4.0, 4.0], 8.0, 7.0) == pytest.approx(NORMAL * 4.0, rel=1e-6)
    assert next_outing_half(NEAR, 3.0, [4.0, 4.0], 8.0, 7.0) == pytest.approx(
        np.hypot(3.0, NORMAL * 4.0), rel=1e-6
    )
    # laps that scatter more than chance: the sum over 2 laps, of two outings, sqrt(2 n)
    assert next_outing_half(NEAR, 0.0, [0.0, 8.0], 8.0, 7.0) == pytest.approx(
        T1 * np.sqrt(32.0) * 2.0, rel=1e-6
    )


def test_the_next_deepest_moment_by_the_scatter_at_its_places():
    # places with 3, 2 and 1 laps: sums of squares 2 and 0.5 over 2 + 1 degrees of freedom
    peaks = [[99.0, 100.0, 101.0], [90.0, 91.0], [120.0]]
    spread = T3 * np.sqrt(2.0) * np.sqrt(2.5 / 3.0)
    assert next_deepest_half(0.4, peaks) == pytest.approx(np.hypot(0.4, spread), rel=1e-6)
    assert next_deepest_half(0.0, [[99.0, 100.0, 101.0]]) == pytest.approx(T2 * np.sqrt(2.0), rel=1e-6)
    assert next_deepest_half(0.4, [[99.0], [101.0]]) is None


def test_a_number_and_what_says_the_same_of_it_are_one():
    assert set(_same("rear.travel.max_mm")) == set(_same(LEFT)) == {LEFT, "rear.travel.max_mm"}
    assert _same(MEDIAN) == (MEDIAN,)


def test_a_change_worth_telling():
    laps = SimpleNamespace(values={SPEED: -300.0, RATIO: 0.0})
    worth = [_worth(key, laps) for key in (MEDIAN, NEAR, PITCH, SPEED)]
    assert worth == pytest.approx([1.0, 2.0, 0.1, 6.0])  # 1 mm, two times, a tenth of a degree, 2 %
    assert _worth(RATIO, laps) == 1.0  # of nothing a share is nothing, and would be divided by


def end_of(wheel_mm, speed=None, valid=None, name="front"):
    n = len(wheel_mm)
    return SimpleNamespace(
        end=name, wheel_travel_mm=np.asarray(wheel_mm, dtype=float), wheel_stroke_mm=120.0,
        wheel_speed_mm_s=np.zeros(n) if speed is None else np.asarray(speed, dtype=float),
        valid=np.ones(n, dtype=bool) if valid is None else valid,
    )  # fmt: skip


def test_approaches_to_the_stop_are_counted_once_each(monkeypatch):
    # within 3 mm of the wheel's stroke of 120; what falls together in time is one
    travel = np.full(400, 60.0)
    travel[[50, 52, 200]] = 120.0 - NEAR_STOP_MM
    travel[300] = 119.9 - NEAR_STOP_MM
    travel[350] = 119.0
    selected = np.arange(400) < 340
    monkeypatch.setattr("telemetry.prediction.values.find_stops", lambda *of_end: [
        SimpleNamespace(kind=kind) for kind in ("bottomed", "topped out", "bottomed")
    ])  # fmt: skip
    motion = SimpleNamespace(t_s=np.arange(400) / 100.0, sample_rate_hz=100.0)
    found = contact_values(motion, end_of(travel), selected)
    assert found == {"front.near_stop": 2.0, "front.stop_contacts": 2.0}


def moved(front, rear, selected=None):
    """Shares of the difference: old rides at 60 mm and 100 mm/s, new ones off by (travel, speed)."""
    before, after = {}, {}
    for end, off in (("front", front), ("rear", rear)):
        if off is not None:
            before[end] = end_of(np.full(100, 60.0), np.full(100, 100.0))
            after[end] = end_of(np.full(100, 60.0 + off[0]), np.full(100, 100.0 + off[1]))
    selected = np.ones(100, dtype=bool) if selected is None else selected
    laps = SimpleNamespace(ends=tuple(before), before=SimpleNamespace(ends=before), selected=selected)
    return _moved(laps, SimpleNamespace(ends=after), np.zeros((2, 100)))


def test_how_far_two_rides_differ_is_the_larger_of_travel_and_speed():
    by_speed = 0.25 * FULL_SPEED_SHARE * 100.0
    found = moved((0.5 * FULL_MM, by_speed), (0.1 * FULL_MM, by_speed))
    assert found == pytest.approx({"front": 0.5, "rear": 0.25, "balance": 0.5})
    assert moved((0.0, 0.0), (9.0, 0.0)) == {"front": 0.0, "rear": 1.0, "balance": 1.0}
    assert moved(None, (0.2 * FULL_MM, 0.0)) == pytest.approx({"front": 0.0, "rear": 0.2, "balance": 0.2})


def row(change, high, next_high, key=MEDIAN):
    return TryRow(key, "front travel, median", "mm", 40.0, 40.0 + change, change, 2 * change - high, high,
                  2 * change - next_high, next_high)  # fmt: skip


@pytest.mark.parametrize(
    ("rows", "source"),
    [
        ([row(2.0, 3.0, 3.2)], "the bike file"),  # 1.0 of 1.2 mm: laps sqrt(1.44 - 1) = 0.66
        ([row(2.0, 3.0, 3.5)], "the laps themselves"),  # of 1.5 mm: sqrt(2.25 - 1) = 1.12
        ([row(2.0, 3.0, 3.2), row(2.0, 2.5, 3.5)], "the laps themselves"),  # the surest change tells it
        ([row(-2.0, -1.5, -0.5), row(0.1, 3.0, 3.0)], "the laps themselves"),
        ([row(0.0, 1.0, 2.0)], None),
        ([TryRow(MEDIAN, "front travel, median", "mm", 40.0, reason="It is refused.")], None),
    ],
)
def test_the_larger_uncertainty_of_the_next_outing(rows, source):
    assert _wider(rows) == ("" if source is None else f"Largest uncertainty of the next outing: {source}.")


def outing(lap, rate_hz=10.0, corner=None, wheel_mm=None):
    lap = np.asarray(lap)
    track = SimpleNamespace(lap=lap, corner=np.zeros(len(lap), dtype=int) if corner is None else corner)
    numbers = tuple(int(each) for each in np.unique(lap[lap > 0]))
    ends = {} if wheel_mm is None else {"front": end_of(wheel_mm), "rear": end_of(wheel_mm, name="rear")}
    before = SimpleNamespace(sample_rate_hz=rate_hz, ends=ends)
    return SimpleNamespace(selected=lap > 0, laps=numbers, before=before, track=track)


def test_a_short_outing_is_drawn_whole():
    # 59 s at 10 Hz, with 2 s before and after that are no lap
    lap = np.concatenate((np.zeros(20), np.repeat([1, 2], 295), np.zeros(20))).astype(int)
    assert _drawn_span(outing(lap)) == (20, 610)


def test_of_a_long_outing_so_many_laps_from_its_middle_are_drawn():
    # seven laps of 35 s: 60 s are reached with the second, from the fourth on
    lap = np.repeat(np.arange(1, 8), 350)
    assert _drawn_span(outing(lap)) == (3 * 350, 5 * 350)
    # one long lap is drawn whole
    assert _drawn_span(outing(np.ones(2000, dtype=int))) == (0, 2000)


def test_peaks_of_every_lap_at_the_deepest_places():
    # two laps of eight places, place p as deep as p mm, 0.5 mm deeper in the second lap: the six deepest stay
    lap, corner = np.repeat([1, 2], 80), np.tile(np.repeat(np.arange(8), 10), 2)
    wheel = corner + 0.5 * (lap == 2) + 0.01 * (np.arange(160) % 10 == 3) - 0.01
    found = _peaks(outing(lap, corner=corner, wheel_mm=wheel), "rear.travel.max_mm")
    assert np.array(found) == pytest.approx(np.array([[p, p + 0.5] for p in range(7, 1, -1)]))


def test_a_row_in_words():
    words = "front travel, median from 40.0 to 42.0 mm (change +1.0 to +3.0 mm, 90 % interval)"
    outing_words = "front travel, median from 40.0 to 42.0 mm (change +0.5 to +3.5 mm, 90 % interval)"
    assert row(2.0, 3.0, 3.5).in_words() == outing_words
    alone = TryRow(MEDIAN, "front travel, median", "mm", 40.0, 42.0, 2.0, 1.0, 3.0)
    assert alone.in_words() == words
    assert (
        TryRow(NEAR, "front, near the stop", "times", 1.0, direction="more").in_words()
        == "front, near the stop more"
    )
    share = TryRow(RATIO, "ratio", "", 1.0, 1.1, 0.1, 0.05, 0.15)
    assert share.in_words() == "ratio from 1.00 to 1.10 (change +0.05 to +0.15, 90 % interval)"
