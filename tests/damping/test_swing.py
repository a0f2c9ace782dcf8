"""How far the wheel swings, and how a hit dies away: against theory of one resonator."""

from types import SimpleNamespace

import numpy as np
import pytest

from telemetry.damping.evidence import LEAST_SWING, Swing, swing_evidence, swing_over, usual_swing
from telemetry.damping.hop import band_signals
from telemetry.damping.questions import decay_ratio


@pytest.mark.parametrize("hz", [12.0, 16.0, 20.0])
@pytest.mark.parametrize("ratio", [0.05, 0.08, 0.3, 0.4])
def test_a_free_decay_shows_its_damping_ratio(hz, ratio):
    # exp(-ratio w t) sin(w_d t) from a kick, the textbook's free vibration of one mass
    t = np.arange(0.0, 6.0, 0.005)
    after, w = np.clip(t - 3.0, 0.0, None), 2 * np.pi * hz
    travel = np.exp(-ratio * w * after) * np.sin(w * np.sqrt(1 - ratio**2) * after)
    step_s, own = band_signals(travel, 200.0, (2, 1, 0, -1, -2), reference_hz=15.0)
    inside = slice(round(2.9 / step_s), round(3.4 / step_s))
    found = decay_ratio(SimpleNamespace(own=own, step_s=step_s), inside, hz)
    assert found == pytest.approx(ratio, rel=0.6)
    assert (found > 0.2) == (ratio > 0.2)


def test_a_wheel_that_swings_twice_as_far_stands_out_and_one_at_its_usual_does_not():
    rng = np.random.default_rng(1)
    road = np.exp(0.5 * rng.standard_normal(2000))
    own = 3.0 * road * np.exp(0.3 * rng.standard_normal(2000))
    own[1000:1004] *= 6.0
    whole = np.ones(2000, dtype=bool)
    usual = usual_swing(Swing(own, road), whole, 4)
    over = swing_over(Swing(own, road), usual, 4)
    assert over[1000] == pytest.approx(np.log(6.0), abs=0.6)
    evidence = swing_evidence(over, usual.scatter)
    assert evidence[1000] > 3.0
    healthy = np.delete(evidence, slice(997, 1004))
    assert np.median(np.isfinite(healthy)) == 0.0
    assert (healthy > 0.0).mean() < 0.02
    assert swing_evidence(np.array([LEAST_SWING - 0.01]), 0.25)[0] == -np.inf


def test_swing_is_of_the_road_and_not_of_its_level():
    rng = np.random.default_rng(2)
    road = np.exp(rng.standard_normal(400))
    swing, whole = Swing(2.0 * road, road), np.ones(400, dtype=bool)
    rougher = Swing(2.0 * 9.0 * road, 9.0 * road)
    overs = [swing_over(one, usual_swing(one, whole, 4), 4) for one in (swing, rougher)]
    assert overs[0] == pytest.approx(overs[1], abs=1e-9)
