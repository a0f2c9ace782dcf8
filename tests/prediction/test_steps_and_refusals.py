"""One step of an adjuster and its direction, the search for a setting, what is refused; without a ride."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from telemetry.bike import damper_force_n, spring_of
from telemetry.errors import PredictionError
from telemetry.prediction.checks import (
    acts_on_forces,
    check_change,
    check_log,
    direction_bike,
    refusals,
)
from telemetry.prediction.ways import _clicks_on_dyno, _crossing, _fewest, _step, adjusters_of, changes_of
from telemetry.stand import Changed, apply_changes
from telemetry.summary import Turn
from tests.bike.stand_bike import stand_bike, with_values

ENDS = ("front", "rear")
WAYS = ("compression", "rebound")
SIGN = {"compression": 1.0, "rebound": -1.0}  # of the shaft's speed
AIR = {"oil_level_mm": 110.0, "bore_mm": 40.0, "exponent": 1.2}


def turned(bike, end, adjuster, direction):
    """The bike after the step that a finding advises, and the words for it."""
    changes, words = changes_of(bike, Turn(end, adjuster, direction))
    return apply_changes(bike, changes)[0], words


def table(slope, clicks):
    """Dyno rows of a linear damper, N s/mm by click: the same slope both ways."""
    return [
        (c, sign * v, sign * v * slope(c)) for c in clicks for sign in (1, -1) for v in (100, 200, 300, 400)
    ]


@pytest.mark.parametrize("end", ENDS)
@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize(("direction", "clicks", "words"), [("more", 9, "in"), ("less", 11, "out")])
def test_more_damping_is_one_click_in_and_less_one_click_out(end, way, direction, clicks, words):
    # clicks are counted from fully closed, so that one in is one fewer; the dyno gives 20 N s/mm less 1 for each
    dyno = table(lambda c: 20.0 - c, (5, 10, 15))
    values = {f"{end}__{each}_clicks": 10 for each in WAYS}
    bike = with_values(**values, **{f"{end}__damper": {"dyno": dyno}})
    new, said = turned(bike, end, f"{way} damping", direction)
    other = next(each for each in WAYS if each != way)
    assert getattr(new.end(end), f"{way}_clicks") == clicks
    assert getattr(new.end(end), f"{other}_clicks") == 10
    assert said.startswith(f"One click {words}: {direction} {way} damping at the {end}")
    forces = damper_force_n(200.0 * np.array([SIGN[way], SIGN[other]]), new.end(end).damper)
    assert np.abs(forces) == pytest.approx([200.0 * (20 - clicks), 200.0 * 10], rel=1e-3)


@pytest.mark.parametrize("end", ENDS)
@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize(("direction", "share"), [("more", 1.1), ("less", 0.9)])
def test_without_clicks_more_damping_is_a_tenth_more_force_at_every_speed(end, way, direction, share):
    side = {"low_n_s_per_mm": 4.0, "high_n_s_per_mm": 2.0, "knee_mm_s": 100.0}
    values = {f"{end}__{each}_clicks": None for each in WAYS} | {"adjusters": {}}
    bike = with_values(**values, **{f"{end}__damper": dict.fromkeys(WAYS, side)})
    new, said = turned(bike, end, f"{way} damping", direction)
    speed = SIGN[way] * np.array([20.0, 300.0])
    for at, ratio in ((speed, share), (-speed, 1.0)):
        before, after = (damper_force_n(at, each.end(end).damper) for each in (bike, new))
        assert after / before == pytest.approx([ratio, ratio])
    assert said == f"10 % {direction} {way} damping at the {end}"


@pytest.mark.parametrize(("direction", "word", "sign"), [("more", "higher", 1.0), ("less", "lower", -1.0)])
def test_more_support_late_in_the_stroke_is_more_oil(direction, word, sign):
    # more oil is a shorter column of air above it: the same stroke compresses it more, most of all at its end
    bike = with_values(front__spring={"air": AIR})
    new, said = turned(bike, "front", "support late in the stroke", direction)
    early, late = (
        sign * (spring_of(new, "front").force_n(x) - spring_of(bike, "front").force_n(x)) for x in (40, 110)
    )
    assert 0.0 < early < 0.2 * late
    assert said.startswith(f"Oil 5 mm {word}: {direction} support")
    assert new.front.spring.air.oil_level_mm == 110.0 - 5.0 * sign


@pytest.mark.parametrize(
    ("end", "adjuster", "words"),
    [
        ("front", "support late in the stroke", "no oil level at the front"),
        ("rear", "support late in the stroke", "no bump rubber by its length at the rear"),
        ("front", "rebound damping", "neither clicks nor a damper curve at the front"),
    ],
)
def test_a_step_of_what_the_file_lacks_is_not_predicted(end, adjuster, words):
    bike = with_values(front__spring=None, front__damper=None)
    with pytest.raises(PredictionError, match=words):
        changes_of(bike, Turn(end, adjuster, "more"))


def laps_of(bike, ends=ENDS):
    return SimpleNamespace(file=bike, ends=ends)


def test_the_adjusters_are_those_whose_effect_the_file_tells():
    coils = [f"{end}.{key}" for end in ENDS for key in ("preload_mm", "spring_rate_n_per_mm")]
    clicks = ["rear.compression_clicks", "rear.rebound_clicks"]
    bike = with_values(front__rebound_clicks=10, front__spring={"air": AIR})  # no dyno of the fork
    oil, length = "front.spring.air.oil_level_mm", "rear.shock_length_mm"
    assert set(adjusters_of(laps_of(bike))) == {*coils, *clicks, oil, length}
    assert set(adjusters_of(laps_of(bike, ("front",)))) == {*coils[:2], oil}
    assert set(adjusters_of(laps_of(bike, ("rear",)))) == {*coils[2:], *clicks, length}
    assert adjusters_of(laps_of(bike), [length]) == (length,)
    with pytest.raises(PredictionError, match=r"front\.rebound_clicks: is no adjuster"):
        adjusters_of(laps_of(bike), ["front.rebound_clicks"])


def test_one_step_is_a_turn_or_a_click_of_the_file_else_a_usual_one():
    adjusters = {"front.preload_mm": {"per_turn": 1.25}, "rear.preload_mm": {"per_click": 0.2}}
    bike = with_values(adjusters=adjusters, front__spring={"air": AIR})
    steps = {
        "front.preload_mm": 1.25, "rear.preload_mm": 0.2, "rear.rebound_clicks": 1.0, "rear.shock_length_mm": 1.0,
        "front.spring.air.oil_level_mm": 10.0, "rear.spring_rate_n_per_mm": 70.0 / 20,
    }  # fmt: skip
    assert {key: _step(bike, key) for key in steps} == pytest.approx(steps)


def test_a_clicker_stays_on_the_dyno_and_within_its_limits():
    compression = [row for row in table(lambda c: 20.0 - c, (4, 8, 16)) if row[1] > 0]
    rebound = [row for row in table(lambda c: 20.0 - c, (6, 18)) if row[1] < 0]
    bike = with_values(rear__damper={"dyno": compression + rebound})
    assert _clicks_on_dyno(bike, "rear.compression_clicks", 0.0, 30.0) == (4.0, 16.0)
    assert _clicks_on_dyno(bike, "rear.rebound_clicks", 0.0, 30.0) == (6.0, 18.0)
    assert _clicks_on_dyno(bike, "rear.rebound_clicks", 8.0, 12.0) == (8.0, 12.0)


@pytest.mark.parametrize("turned_round", [1.0, -1.0])
def test_a_crossing_is_found_with_few_rides_or_said_not_to_be(turned_round):
    asked = []

    def cubic(x):
        asked.append(x)
        return turned_round * (x**3 - 27.0)

    found = _crossing(cubic, (0.0, 8.0), 2.0, cubic(2.0), 0.05)
    assert found == pytest.approx(3.0, abs=0.05)
    assert len(asked) <= 1 + 2 + 6
    assert _crossing(cubic, (3.0, 8.0), 3.0, 0.0, 0.05) == 3.0
    assert _crossing(cubic, (4.0, 8.0), 5.0, cubic(5.0), 0.05) == "does not reach it within its limits"


@pytest.mark.parametrize(("limits", "crossing"), [((0.0, 12.0), 2.0), ((-5.0, 10.0), 9.0)])
def test_of_two_crossings_that_towards_the_nearer_limit_is_taken(limits, crossing):
    def two(x):
        return (x - 2.0) * (x - 9.0)

    assert _crossing(two, limits, 5.0, two(5.0), 0.01) == pytest.approx(crossing, abs=0.05)


@pytest.mark.parametrize(
    ("few", "found"),
    [
        (lambda x: x >= 12.35, 12.5),
        (lambda x: x <= 8.9, 8.75),
        (lambda x: x >= 10.1, 10.25),
        (lambda x: x >= 20.0, 20.0),
        (lambda x: x <= 7.0, 7.0),
        (lambda x: False, "does not reach it within its limits"),
    ],
)
def test_the_fewest_steps_to_a_count_no_larger_than_wanted(few, found):
    # quarters of a turn from 10, within 7 to 20
    assert _fewest(lambda x: -1.0 if few(x) else 2.0, (7.0, 20.0), 10.0, 2.0, 0.25) == found


def test_a_count_that_is_low_enough_already_needs_no_step():
    assert _fewest(lambda x: 1.0, (7.0, 20.0), 10.0, 0.0, 0.25) == 10.0


def ride(end, travel_mm, speed_mm_s, valid=None, stroke_mm=70.0):
    valid = np.ones(len(travel_mm), dtype=bool) if valid is None else valid
    own = SimpleNamespace(
        shaft_travel_mm=travel_mm, shaft_speed_mm_s=speed_mm_s, stroke_mm=stroke_mm, valid=valid
    )
    return SimpleNamespace(ends={end: own}, not_judged={}, sample_rate_hz=100.0, source="log.csv")


CLICK = (Changed("rear.rebound_clicks", 12, 11, "-1 click"),)
PRELOAD = (Changed("rear.preload_mm", 12.0, 13.0, "+1 turn"),)


@pytest.mark.parametrize(("sign", "times", "refused"), [(1, 1.4, False), (1, 1.6, True), (-1, 1.6, True)])
def test_a_shaft_far_faster_than_its_dyno_table_is_refused(sign, times, refused):
    # the table ends at 400 mm/s: its curve is drawn on to half as much again; not every sample need be valid
    bike = with_values(rear__damper={"dyno": table(lambda c: 20.0 - c, (5, 15))})
    speed = np.full(100, sign * times * 400.0)
    speed[:40] = 0.0
    valid, everything = np.arange(100) % 10 > 0, np.ones(100, dtype=bool)
    motion = ride("rear", np.full(100, 30.0), speed, valid)
    found = refusals(bike, motion, everything, CLICK, None)
    assert [refusal.keys for refusal in found] == ([("rear.", "balance.")] if refused else [])
    if refused:
        assert "moved at 640 mm/s, the dyno table ends at 400 mm/s" in found[0].reason
        assert found[0].covers("rear.travel.max_mm") and not found[0].covers("front.travel.max_mm")
    assert refusals(bike, motion, everything, PRELOAD, None) == ()  # of the same damper nothing is asked
    assert refusals(bike, motion, np.zeros(100, dtype=bool), CLICK, None) == ()


@pytest.mark.parametrize(("in_stop", "refused"), [(4, False), (6, True)])
def test_an_end_often_in_its_stop_is_refused(in_stop, refused):
    # 100 valid samples on the laps; what is off them, or not valid, was in the stop and does not count
    travel = np.concatenate((np.full(in_stop, 70.0), np.full(100 - in_stop, 69.9), np.full(100, 71.0)))
    valid, selected = np.arange(200) < 150, (np.arange(200) < 100) | (np.arange(200) >= 150)
    found = refusals(stand_bike(), ride("rear", travel, np.zeros(200), valid), selected, PRELOAD, None)
    assert [refusal.reason[:40] for refusal in found] == (
        ["The rear was in its stop for 6 % of the "] if refused else []
    )


@pytest.mark.parametrize(("after", "share"), [(11, 1.1), (13, 0.9)])
@pytest.mark.parametrize("way", WAYS)
def test_the_direction_of_a_click_without_a_dyno_table_is_that_of_its_own_side(way, after, share):
    side = {"low_n_s_per_mm": 4.0, "high_n_s_per_mm": 2.0}
    bike = with_values(rear__damper=dict.fromkeys(WAYS, side))
    made = direction_bike(bike, (Changed(f"rear.{way}_clicks", 12, after, ""),))
    speed = SIGN[way] * np.array([20.0, 300.0])
    for at, ratio in ((speed, share), (-speed, 1.0)):
        before, now = (damper_force_n(at, each.rear.damper) for each in (bike, made))
        assert now / before == pytest.approx([ratio, ratio])
    assert made.front == bike.front


@pytest.mark.parametrize(
    ("key", "acts"),
    [
        ("front.preload_mm", True),
        ("rear.spring_rate_n_per_mm", True),
        ("front.spring.air.oil_level_mm", True),
        ("rear.damper.rebound.low_n_s_per_mm", True),
        ("rear.rebound_clicks", True),
        ("rear.shock_length_mm", True),
        ("front.fork_height_mm", False),
        ("rear.chain.rear_teeth", False),
        ("chassis.rider.mass_kg", False),
        ("wheelbase_mm", False),
    ],
)
def test_what_acts_on_the_forces_of_spring_and_damper(key, acts):
    assert acts_on_forces(key) is acts


@pytest.mark.parametrize(
    ("values", "key", "words"),
    [
        ({}, "rear.chain.rear_teeth", "does not act on the forces"),
        ({}, "front.preload_mm", "the front was not measured"),
        ({"rear__preload_mm": None, "adjusters": {}}, "rear.spring_rate_n_per_mm", "lacks rear.preload_mm"),
        ({}, "rear.spring.second_rate_n_per_mm", "lacks rear.spring.second_rate_n_per_mm"),
        ({}, "rear.damper.rebound.low_n_s_per_mm", "is a dyno table, which this does not change"),
    ],
)
def test_changes_that_cannot_be_predicted_at_all(values, key, words):
    motion = ride("rear", np.zeros(1), np.zeros(1))
    with pytest.raises(PredictionError, match=words):
        check_change(with_values(**values), motion, (Changed(key, None, 1.0, ""),))
    check_change(stand_bike(), motion, PRELOAD + CLICK)  # and those that can


def test_a_length_that_the_file_did_not_have_cannot_be_predicted():
    length = Changed("rear.shock_length_mm", None, 333.0, "")
    motion = ride("rear", np.zeros(1), np.zeros(1))
    with pytest.raises(
        PredictionError, match=r"lacks rear\.shock_length_mm; give the length it was logged with"
    ):
        check_change(stand_bike(), motion, (length,))
    check_change(stand_bike(), motion, (replace(length, before=332.0),))


def test_a_clock_a_little_off_its_rate_is_no_slow_log():
    motion, on_laps = ride("rear", np.zeros(2), np.zeros(2)), np.array([True, False])
    motion.sample_rate_hz = 99.95
    check_log(motion, on_laps, None)
    motion.sample_rate_hz = 99.8
    with pytest.raises(PredictionError, match="a prediction needs 100 Hz"):
        check_log(motion, on_laps, None)
    motion.sample_rate_hz = 200.0
    with pytest.raises(PredictionError, match="holds no riding"):
        check_log(motion, ~np.ones(2, dtype=bool), None)
