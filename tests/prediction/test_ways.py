"""Ways to a wanted number, one step of every adjuster, the expected effect of advice; a hand-made ride answers them."""

from types import SimpleNamespace

import pytest

from telemetry.errors import PredictionError
from telemetry.findings import HOW_MUCH
from telemetry.prediction.results import Expected, TryRow
from telemetry.prediction.ways import _sized, expected_effect, parse_wish, reach, steps
from telemetry.summary import Turn
from tests.bike.stand_bike import stand_bike, with_values

LEFT, DEEPEST, MEDIAN, NEAR = (
    f"rear.{name}" for name in ("travel.left_mm", "travel.max_mm", "travel.median_mm", "near_stop")
)
# Travel left, in mm, for each mm of preload, N/mm of the spring and click; the demo's shock: 12 mm, 70 N/mm, 12 clicks
EFFECT = {"rear.preload_mm": 1.0, "rear.spring_rate_n_per_mm": 0.5, "rear.compression_clicks": -0.2}
NOW = {"rear.preload_mm": 12.0, "rear.spring_rate_n_per_mm": 70.0, "rear.compression_clicks": 12.0}
BEFORE = {LEFT: 10.0, DEEPEST: 115.0, MEDIAN: 40.0, NEAR: 4.0}


def answer(key, setting):
    """Numbers of the hand-made ride with one adjuster at a setting: straight lines."""
    by = EFFECT.get(key, 0.0) * (setting - NOW.get(key, setting))
    worth = {"rear.preload_mm": 3.0, "rear.spring_rate_n_per_mm": 0.8}.get(key, 0.1)
    near = 4.0 if by < 1.1 else 0.0
    return {LEFT: 10.0 + by, DEEPEST: 115.0 - by, MEDIAN: 40.0 - worth * by, NEAR: near}


def row(key, after, reason=""):
    before = BEFORE[key]
    if reason:
        return TryRow(key, key, "mm", before, reason=reason)
    return TryRow(key, key, "mm", before, after, after - before, after - before - 1.0, after - before + 1.5)


@pytest.fixture
def laps(monkeypatch):
    def ridden(laps, changes):
        (change,) = changes
        setting = change.value + (NOW[change.key] if change.relative else 0.0)
        return answer(change.key, setting)

    def predicted(laps, changes, *, draws=0):
        rows = tuple(row(key, value) for key, value in ridden(laps, changes).items())
        return SimpleNamespace(prediction=SimpleNamespace(rows=rows))

    monkeypatch.setattr("telemetry.prediction.ways.ridden_values", ridden)
    monkeypatch.setattr("telemetry.prediction.ways.predict", predicted)
    return SimpleNamespace(file=stand_bike(), ends=("front", "rear"), values=BEFORE)


def test_ways_to_a_number_are_rounded_to_what_can_be_set_and_tell_what_it_gives(laps):
    wish = reach(laps, LEFT, 11.6, only=tuple(EFFECT))
    assert (wish.wanted, wish.now) == (11.6, 10.0)
    ways = {way.key: way for way in wish.ways}
    # 1.6 mm: of preload 1.6 mm, set in quarters of a turn of 1 mm; of the spring 3.2 N/mm; 8 clicks
    preload, rate, clicks = (ways[key] for key in EFFECT)
    assert (preload.set_to, preload.steps) == (13.5, "+1.5 turns") and preload.gives == pytest.approx(11.5)
    assert (preload.low, preload.high) == pytest.approx((10.5, 13.0))
    assert rate.set_to == pytest.approx(73.2) and rate.gives == pytest.approx(11.6)
    assert (clicks.set_to, clicks.steps) == (4.0, "-8 clicks") and clicks.gives == pytest.approx(11.6)
    # what else moves, where it is worth telling: the median; the deepest says the same as what is left
    assert dict(preload.also) == pytest.approx({MEDIAN: -4.5, NEAR: -4.0})
    # the mean in changes worth telling (1 mm, two times): (4.5 + 2) / 2; least first
    assert preload.side == pytest.approx(3.25)
    assert rate.side == pytest.approx((1.28 + 2.0) / 2) and clicks.side == pytest.approx((0.16 + 2.0) / 2)
    assert [way.key for way in wish.ways] == [clicks.key, rate.key, preload.key]
    assert dict(clicks.also) == {NEAR: -4.0}


def test_ways_beyond_the_limits_stand_last_with_the_reason(laps):
    wish = reach(laps, LEFT, 15.0, only=("rear.compression_clicks", "rear.preload_mm", "rear.rebound_clicks"))
    assert [way.set_to is None for way in wish.ways] == [False, True, True]
    assert wish.ways[0].set_to == 17.0
    assert {way.reason for way in wish.ways[1:]} == {"does not reach it within its limits"}


@pytest.mark.parametrize(
    ("limits", "wanted", "set_to"), [({"max": 13.2}, 11.14, 13.0), ({"min": 10.8}, 8.86, 11.0)]
)
def test_a_way_is_rounded_inside_its_limits(laps, limits, wanted, set_to):
    laps.file = with_values(adjusters={"rear.preload_mm": {"per_turn": 1.0} | limits})
    (way,) = reach(laps, LEFT, wanted, only=("rear.preload_mm",)).ways
    assert way.set_to == pytest.approx(set_to)


def test_a_count_is_met_by_the_least_step(laps):
    # within 3 mm of the stop four times, none from 1.1 mm more travel left on: 1.25 mm of preload, 2.2 N/mm
    ways = {way.key: way for way in reach(laps, NEAR, 0.0, only=tuple(EFFECT)).ways}
    assert ways["rear.preload_mm"].set_to == pytest.approx(13.25)
    assert ways["rear.spring_rate_n_per_mm"].set_to == pytest.approx(72.2)
    assert ways["rear.compression_clicks"].set_to == 6.0


def test_the_adjusters_of_the_other_end_are_not_asked(laps):
    assert {way.key.split(".")[0] for way in reach(laps, LEFT, 11.0).ways} == {"rear"}
    with pytest.raises(PredictionError, match=r"front\.travel\.left_mm: this log does not give its value"):
        reach(laps, "front.travel.left_mm", 8.0)


@pytest.mark.parametrize("text", ["rear.travel.left_mm=8", "rear.travel_left_mm=8"])
def test_a_wish_is_read(text):
    assert parse_wish(text) == (LEFT, 8.0)


@pytest.mark.parametrize(
    ("text", "words"), [("rear.sag=8", "is no number of a prediction"), (f"{LEFT}=high", "needs a number")]
)
def test_a_wish_that_is_none(text, words):
    with pytest.raises(PredictionError, match=words):
        parse_wish(text)


def test_one_step_moves_every_number_by_the_difference(laps, monkeypatch):
    preload, clicks = steps(laps, tuple(EFFECT)[::2])
    assert (preload.key, preload.step, preload.words) == ("rear.preload_mm", 1.0, "+1 turn")
    assert preload.changes == pytest.approx({LEFT: 1.0, DEEPEST: -1.0, MEDIAN: -3.0, NEAR: 0.0})
    assert clicks.step == 1.0 and clicks.changes[LEFT] == pytest.approx(-0.2)

    def only_back(laps, changes):
        if changes[0].value > 0:
            raise PredictionError("past its limit")
        return answer(changes[0].key, NOW[changes[0].key] + changes[0].value)

    monkeypatch.setattr("telemetry.prediction.ways.ridden_values", only_back)
    (back,) = steps(laps, ("rear.preload_mm",))
    assert (back.step, back.words) == (-1.0, "-1 turn") and back.changes[LEFT] == pytest.approx(-1.0)


REBOUND, COMPRESSION = Turn("rear", "rebound damping", "less"), Turn("rear", "compression damping", "more")


def test_an_effect_is_told_by_the_numbers_that_tell_it_first(laps):
    found = expected_effect(laps, (COMPRESSION,))
    assert found.words == "One click in: more compression damping at the rear" and found.reason == ""
    assert [each.key for each in found.rows] == [LEFT]  # the median is not among those of damping
    assert found.rows[0].after == pytest.approx(10.2)


def test_a_step_that_is_refused_says_why_and_the_next_is_told(laps, monkeypatch):
    def predicted(laps, changes):
        if changes[0].key.endswith("rebound_clicks"):
            raise PredictionError("it is refused.")
        return SimpleNamespace(prediction=SimpleNamespace(rows=(row(LEFT, 10.2),)))

    monkeypatch.setattr("telemetry.prediction.ways.predict", predicted)
    both = expected_effect(laps, (REBOUND, COMPRESSION))
    assert both.rows[0].key == LEFT and both.words.startswith("One click in")
    assert both.reason == "Less rebound damping at the rear: it is refused."
    assert expected_effect(laps, (REBOUND,)) == Expected(reason=both.reason)


@pytest.mark.parametrize(
    ("rows", "told", "reason"),
    [
        ((row(LEFT, 0.0, "It is unknown."),), 0, "More compression damping at the rear: It is unknown."),
        ((), 0, "More compression damping at the rear: nothing that would tell it moves."),
        (
            (TryRow(LEFT, LEFT, "mm", 0.0, 0.0, 0.0),),
            0,
            "More compression damping at the rear: nothing that would",
        ),
        ((TryRow(LEFT, LEFT, "mm", 0.0, 1.0, 1.0),), 1, ""),
        ((TryRow(LEFT, LEFT, "mm", 5.0, 0.0, -5.0),), 1, ""),
        ((TryRow(LEFT, LEFT, "mm", 5.0, direction="more"),), 1, ""),
    ],
)
def test_what_tells_an_effect(laps, monkeypatch, rows, told, reason):
    tried = SimpleNamespace(prediction=SimpleNamespace(rows=rows))
    monkeypatch.setattr("telemetry.prediction.ways.predict", lambda laps, changes: tried)
    found = expected_effect(laps, (COMPRESSION,))
    assert len(found.rows) == told
    assert found.reason.startswith(reason) and bool(found.reason) == bool(reason)


def test_advice_ends_in_what_two_numbers_come_to():
    rows = tuple(TryRow(MEDIAN, name, "mm", 40.0, 41.0, 1.0, 0.5, 1.5) for name in ("one", "two", "three"))
    said = _sized("One click.", Expected("One click in", rows, "Less: it is refused."))
    assert said.startswith("One click. ") and "with one click in: one from 40.0" in said
    assert "; two from 40.0" in said and "three" not in said
    assert said.endswith(f"{HOW_MUCH} is not predicted: less: it is refused.")
    assert HOW_MUCH not in _sized("One click.", Expected("One click in", rows))
