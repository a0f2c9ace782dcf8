"""Damping where the suspension moves as fast: a textbook oscillator of one mass, its damping known."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.signal import bilinear, lfilter

from telemetry.damping.equation import BLOCK_S, ORDERS, OWN
from telemetry.damping.evidence import fit_pole, pole_grid
from telemetry.damping.hop import REFERENCE_HZ, WheelHop, band_signals
from telemetry.damping.questions import ratio_elsewhere, slow_speed, speed_check

RATE_HZ, HOP_HZ, SECONDS = 500.0, 16.0, 240.0
SOUND, GOING_DOWN, LOST = 0.35, 0.10, 0.04
EVERY_S, RAMP_S, RAMP_MM_S = 6.0, 0.75, 100.0
LOST_S = 100.5  # between two ramps
ONE_MASS = WheelHop(mass_ratio=1e-9, spring_share=1e-9, tyre_damping=0.02)


def answer(road, ratio):
    """Travel of a mass on a spring and a damper of this ratio; [mm]."""
    w = 2 * np.pi * HOP_HZ
    return lfilter(*bilinear([w**2], [1.0, 2 * ratio * w, w**2], RATE_HZ), road)


def run(going_down):
    """A run in which the suspension goes down every 6 s, damped so much then, and has lost its damping once."""
    t = np.arange(0.0, SECONDS, 1.0 / RATE_HZ)
    phase = t % EVERY_S
    speed = np.where(phase < RAMP_S, RAMP_MM_S, -RAMP_MM_S * RAMP_S / (EVERY_S - RAMP_S))
    road = 3.0 * np.random.default_rng(5).standard_normal(len(t))
    ringing = (t >= LOST_S) & (t < LOST_S + RAMP_S)
    hop = np.where(phase < RAMP_S, answer(road, going_down), answer(road, SOUND))
    hop = np.where(ringing, answer(road, LOST), hop)
    travel = hop + np.cumsum(speed) / RATE_HZ
    step_s, orders = band_signals(travel, RATE_HZ, ORDERS, reference_hz=REFERENCE_HZ)
    own = orders[OWN]
    count = own.shape[1]
    pole = fit_pole(own @ own.T / count, ONE_MASS)
    grid = pole_grid(ONE_MASS, pole)
    equation = SimpleNamespace(t_s=step_s * np.arange(count), step_s=step_s, own=own)
    likely = grid.row[
        np.argmin(np.abs(grid.damping_ratio - SOUND) + np.abs(grid.frequency_hz / HOP_HZ - 1.0))
    ]
    model = SimpleNamespace(
        end="rear",
        equation=equation,
        hop=ONE_MASS,
        grid=grid,
        reference=SimpleNamespace(row=likely),
        predicted=np.zeros(count),
        whole_blocks=np.ones(count // round(BLOCK_S / step_s), dtype=bool),
    )
    return model, SimpleNamespace(t_s=t, ends={"rear": SimpleNamespace(wheel_travel_mm=travel)})


def inside(model, start_s):
    first, last = np.searchsorted(model.equation.t_s, [start_s, start_s + RAMP_S])
    return slice(int(first), int(last))


def test_the_slow_speed_is_that_of_the_ramps():
    model, motion = run(GOING_DOWN)
    slow = slow_speed(model, motion)
    at = np.searchsorted(model.equation.t_s, np.arange(2, 30) * EVERY_S + 0.5 * RAMP_S)
    # a ramp of 0.75 s is longer than what it is smoothed over; what is left of the hop scatters
    assert np.median(slow.sample_mm_s[at]) == pytest.approx(RAMP_MM_S, rel=0.05)


def test_the_ratio_elsewhere_is_that_of_the_other_ramps():
    model, motion = run(GOING_DOWN)
    slow = slow_speed(model, motion)
    # 8 s say a ratio of 0.1 to 0.011: sqrt(ratio / (2 pi f T)); edges of the ramps lie in some blocks
    assert ratio_elsewhere(model, slow, inside(model, 20 * EVERY_S)) == pytest.approx(GOING_DOWN, abs=0.05)
    assert ratio_elsewhere(model, slow, inside(model, LOST_S)) == pytest.approx(SOUND, abs=0.08)


def test_a_damper_that_holds_less_going_down_explains_a_stretch_there_and_no_loss_elsewhere():
    model, motion = run(GOING_DOWN)
    slow = slow_speed(model, motion)
    checks = [speed_check(model, slow, inside(model, n * EVERY_S), 0.0)[-1] for n in range(5, 35)]
    assert np.mean([check.against for check in checks]) > 0.5
    assert not speed_check(model, slow, inside(model, LOST_S), 0.0)[-1].against


def test_a_damper_that_holds_everywhere_explains_nothing():
    model, motion = run(SOUND)
    slow = slow_speed(model, motion)
    starts = [LOST_S, *(n * EVERY_S for n in range(5, 35))]
    assert not any(speed_check(model, slow, inside(model, start), 0.0)[-1].against for start in starts)


def test_a_stretch_whose_own_interval_reaches_the_ratio_elsewhere_is_damped_as_much():
    model, motion = run(SOUND)
    slow, here = slow_speed(model, motion), inside(model, LOST_S)
    elsewhere = ratio_elsewhere(model, slow, here)
    assert not speed_check(model, slow, here, 0.98 * elsewhere)[-1].against
    assert speed_check(model, slow, here, 1.02 * elsewhere)[-1].against


def test_without_riding_to_compare_nothing_is_asked():
    model, motion = run(SOUND)
    model.whole_blocks[:] = False
    assert speed_check(model, slow_speed(model, motion), inside(model, LOST_S), 1.0) == ()
