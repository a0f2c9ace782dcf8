"""Where a stretch of lost damping begins and ends: on one mass whose damping is known at every moment."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.signal import lfilter

from telemetry.damping.equation import ORDERS, OWN, WheelEquation
from telemetry.damping.evidence import (
    Pole,
    Ringing,
    block_log_likelihood,
    joined,
    over_threshold,
    pole_grid,
    windows,
)
from telemetry.damping.hop import WheelHop, band_signals
from telemetry.damping.judge import _cannot_tell, _still_damped, candidates

# No sprung mass and no spring beside the tyre's: the equation of one mass, m x'' + c x' + k x = w.
ONE_MASS = WheelHop(mass_ratio=0.0, spring_share=0.0)
HZ, RATE_HZ, SECONDS = 16.0, 1000.0, 40.0
SOUND, LOST = 0.35, 0.04
NEEDED = {0.75: 4.5, 1.0: 3.5, 1.5: 2.0, 2.0: 1.0}


def equation_with_losses(*losses: tuple[float, float], seed: int) -> WheelEquation:
    """One mass driven by white noise in speed; its damper is lost in these stretches. [s]"""
    w, step = 2 * np.pi * HZ, 1.0 / RATE_HZ
    kick = np.sqrt(step) * np.random.default_rng(seed).standard_normal(round(SECONDS * RATE_HZ))
    speed, state = np.empty(len(kick)), np.zeros(2)
    edges = np.unique([0, *(round(at * RATE_HZ) for loss in losses for at in loss), len(kick)])
    for first, last in zip(edges[:-1], edges[1:], strict=True):
        lost = any(start <= first * step < end for start, end in losses)
        r = np.exp(-(LOST if lost else SOUND) * w * step)
        damped = w * np.sqrt(1 - (LOST if lost else SOUND) ** 2)
        a = [1.0, -2 * r * np.cos(damped * step), r**2]
        # what was before enters as the filter's state (direct form II transposed)
        before = [-a[1] * state[0] - a[2] * state[1], -a[2] * state[0]]
        here, _ = lfilter([1.0], a, kick[first:last], zi=before)
        speed[first:last] = here
        state = here[-1], here[-2]
    step_s, orders = band_signals(1e4 * np.cumsum(speed) * step, RATE_HZ, ORDERS, reference_hz=15.0)
    n = orders.shape[1]
    usable = np.ones(n, dtype=bool)
    return WheelEquation(0.0, step_s, orders[OWN], usable, None, None, np.zeros((5, 5)))


def found_in(equation: WheelEquation):
    grid = pole_grid(ONE_MASS, Pole(HZ, 2 * SOUND * HZ / 15.0, HZ, SOUND, 0.0))
    no_road = np.zeros(len(equation.t_s))
    return candidates(equation, no_road, grid, over_threshold(windows(equation, no_road, grid, NEEDED)))


def test_a_loss_is_found_where_it_is():
    found = [found_in(equation_with_losses((20.0, 21.5), seed=seed)) for seed in range(3, 15)]
    at = [max(some, key=lambda one: one.over) for some in found]
    # the envelope comes and goes over 1 / (2 pi f ratio) = 0.25 s: by chance a little of it is missed or too much
    assert np.median([abs(one.start_s - 20.0) for one in at]) < 0.25
    assert np.median([abs(one.end_s - 21.5) for one in at]) < 0.25
    assert all(one.start_s < 21.0 and one.end_s > 20.5 for one in at)


@pytest.mark.parametrize("seed", [3, 4, 5, 6])
def test_two_losses_that_nearly_touch_are_both_found(seed):
    losses = (20.0, 21.5), (22.0, 23.5)
    found = found_in(equation_with_losses(*losses, seed=seed))
    for start, end in losses:
        covered = sum(max(0.0, min(one.end_s, end) - max(one.start_s, start)) for one in found)
        assert covered > 0.5 * (end - start)
    assert all(one.end_s <= after.start_s + 0.02 for one, after in zip(found, found[1:], strict=False))


def test_windows_that_overlap_or_touch_are_one_group():
    windows_over = [(0, 4, 1.0), (2, 5, 3.0), (5, 8, 0.5), (9, 12, 2.0)]
    assert joined(windows_over) == [windows_over[:3], windows_over[3:]]
    assert joined([]) == []


def test_a_stretch_whose_own_damping_lies_where_a_damper_works_is_no_loss():
    # poles of a usual grid: lost up to 0.22, sound from 0.29 on
    ratio = np.array([0.05, 0.12, 0.2, 0.25, 0.3, 0.5])
    grid = SimpleNamespace(damping_ratio=ratio, healthy=ratio >= 0.29)
    usual = SimpleNamespace(pole=SimpleNamespace(damping_ratio=0.52))
    model = SimpleNamespace(end="rear", grid=grid, reference=usual)
    words = _still_damped(model, Ringing(15.0, 0.3, 0.36, (0.31, 0.45), 0.7))
    assert "0.36" in words and "worked" in words
    assert _still_damped(model, Ringing(15.0, 0.3, 0.36, (0.28, 0.45), 0.7)) is None  # it may be lost as well
    assert (
        _still_damped(model, Ringing(15.0, 0.3, 0.89, (0.73, 1.1), 0.7)) is None
    )  # the fit describes nothing
    assert _still_damped(model, Ringing(15.0, 0.3, 0.10, (0.07, 0.15), 2.0)) is None


@pytest.mark.parametrize("met_before", [0.0, 0.1, 0.6, 1.0])
def test_a_wheel_that_the_known_road_did_not_drive_may_have_met_another(met_before):
    """Road noise that the other wheel met to a known share of its power; the wheel rings over it with a lost damper."""
    equation = equation_with_losses((0.0, SECONDS), seed=5)
    grid = pole_grid(ONE_MASS, Pole(HZ, 2 * SOUND * HZ / 15.0, HZ, SOUND, 0.0))
    likelihood = block_log_likelihood(equation, np.zeros(len(equation.t_s)), grid, np.arange(20, 40))
    lost = int(np.argmax(np.where(grid.lost, likelihood.sum(axis=1), -np.inf)))
    inside = equation.span(10.0, 20.0)
    model = SimpleNamespace(
        end="rear",
        grid=grid,
        equation=equation,
        predicted=(1 - np.sqrt(1 - met_before)) * grid.row[lost] @ equation.own,
    )
    why = _cannot_tell(model, SimpleNamespace(lost=lost, start_s=10.0, end_s=20.0), inside, None)
    assert bool(why) == (met_before < 0.3)
    assert not why or f"explains {100 * met_before:.0f} %" in why
