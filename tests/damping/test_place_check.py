"""How far the wheel swings at one place on other laps: laps made up block by block, with what is known of each."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from telemetry.damping.equation import BLOCK_S
from telemetry.damping.evidence import Swing
from telemetry.damping.questions import MOST_OF_A_PLACE, place_check, swing_by_place

SPEED_M_S, LAP_S, LAPS, RATE_HZ = 40.0, 60.0, 4, 100.0
BLOCKS = round(LAP_S / BLOCK_S)


def run(swing: Swing, speed_share=(1.0,) * LAPS):
    """A run of laps at even speeds, as `swing_by_place` reads it; one at a share of the speed takes longer."""
    seconds = [LAP_S / share for share in speed_share]
    t = np.arange(0.0, sum(seconds) + 1.0, 1.0 / RATE_HZ)
    starts = np.cumsum([0.0, *seconds])
    lap = np.searchsorted(starts, t, side="right")
    lap[lap > LAPS] = 0
    since = t - starts[np.maximum(lap, 1) - 1]
    distance_m = np.where(lap > 0, since * SPEED_M_S * np.array([1.0, *speed_share])[lap], np.nan)
    model = SimpleNamespace(
        swing=swing,
        whole_blocks=np.ones(len(swing.own), dtype=bool),
        equation=SimpleNamespace(start_s=0.0),
    )
    motion = SimpleNamespace(t_s=t, sample_rate_hz=RATE_HZ)
    return model, motion, SimpleNamespace(laps=("",) * LAPS, lap=lap, distance_m=distance_m)


def usual(seed=1, blocks=LAPS * BLOCKS):
    rng = np.random.default_rng(seed)
    road = np.exp(rng.standard_normal(blocks))
    return Swing(2.0 * road * np.exp(0.1 * rng.standard_normal(blocks)), road)


def with_more(swing: Swing, laps, factor: float) -> Swing:
    """The same, further by ``factor`` in mean square for a second at 800 m of these laps."""
    own = swing.own.copy()
    for lap in laps:
        first = (lap - 1) * BLOCKS + round(20.0 / BLOCK_S)
        own[first : first + 4] *= factor
    return replace(swing, own=own)


def beyond(swing: Swing, lap: int) -> float:
    start_s = (lap - 1) * LAP_S + 20.0
    found = swing_by_place(*run(swing)).beyond_place(start_s, start_s + 1.0)
    assert found is not None
    return found


def test_what_fails_on_one_lap_stands_out_of_its_place_by_all_of_it():
    # twice the amplitude is four times the mean square, as of a resonance with a quarter of its damping
    assert beyond(with_more(usual(), (2,), 4.0), 2) == pytest.approx(np.log(4.0), abs=0.2)


def test_a_place_explains_a_little_but_never_a_loss_on_every_lap():
    half_more = beyond(with_more(usual(), (1, 2, 3, 4), 1.45), 2)
    assert half_more == pytest.approx(0.0, abs=0.2)
    assert beyond(with_more(usual(), (1, 2, 3, 4), 4.0), 2) == pytest.approx(
        np.log(4.0) - MOST_OF_A_PLACE, abs=0.2
    )


def test_the_same_place_is_one_of_the_road_and_not_of_the_clock():
    shares = (1.0, 1.0, 0.8, 1.0)
    swing = usual(blocks=BLOCKS * 2 + round(BLOCKS / 0.8) + BLOCKS)
    first = 2 * BLOCKS + round(25.0 / BLOCK_S)  # 800 m of the slow lap
    swing.own[first : first + 5] *= 9.0
    by_place = swing_by_place(*run(swing, shares))
    others = by_place.over_on_other_laps(20.0, 21.0)
    assert len(others) == LAPS - 1
    assert np.argmax(others) == 1  # laps 2, 3, 4
    assert others[1] == pytest.approx(np.log(9.0), abs=0.25)


def test_without_another_lap_there_nothing_is_said():
    model, motion, track = run(usual())
    assert swing_by_place(model, motion, SimpleNamespace(**{**vars(track), "laps": ("",)})) is None
    elsewhere = SimpleNamespace(**{**vars(track), "lap": np.where(track.lap == 2, 2, 0)})
    by_place = swing_by_place(model, motion, elsewhere)
    assert by_place.beyond_place(80.0, 81.0) is None
    assert place_check(by_place, "rear", 80.0, 81.0) == ()


@pytest.mark.parametrize(("laps", "factor", "against"), [((2,), 4.0, False), ((1, 2, 3, 4), 1.45, True)])
def test_the_question_of_the_place(laps, factor, against):
    by_place = swing_by_place(*run(with_more(usual(), laps, factor)))
    (check,) = place_check(by_place, "rear", 80.0, 81.0)
    assert check.against == against


@pytest.mark.parametrize(("laps", "every"), [((1, 2, 3, 4), True), ((1, 2, 4), False), ((2,), False)])
def test_what_rings_as_far_on_every_lap_may_be_a_ridge(laps, every):
    by_place = swing_by_place(*run(with_more(usual(), laps, 9.0)))
    assert by_place.on_every_lap(80.0, 81.0) == every


def test_a_damper_that_fails_on_every_lap_but_never_alike_is_no_ridge():
    swing = usual()
    for lap, factor in enumerate((4.0, 9.0, 6.0, 12.0), 1):
        swing = with_more(swing, (lap,), factor)
    assert not swing_by_place(*run(swing)).on_every_lap(80.0, 81.0)
