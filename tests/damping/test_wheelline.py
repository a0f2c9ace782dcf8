"""What turns with the wheel: the path of its factor over a long outing, and the line taken out of the signals."""

from itertools import product

import numpy as np
import pytest

from telemetry.damping import equation
from telemetry.damping.equation import Line, likeliest_paths, smooth_paths

STATES = 35


def test_the_likeliest_path_is_the_best_of_all():
    gain = np.random.default_rng(1).exponential(2.0, size=(1, 4, 9))

    def worth(path):
        steps = np.minimum(np.abs(np.diff(path)), equation.MOST_STEPS)
        return gain[0, np.arange(4), path].sum() - equation.STEP_COST * steps.sum()

    best = max(product(range(9), repeat=4), key=lambda path: worth(np.array(path)))
    assert tuple(likeliest_paths(gain)[0]) == best


def test_a_long_path_searched_in_pieces_is_the_one_of_the_whole():
    rng = np.random.default_rng(2)
    count = 3 * equation.TOGETHER + 41
    true = np.clip(17 + np.cumsum(rng.integers(-1, 2, count)), 0, STATES - 1)
    gain = rng.exponential(1.0, size=(2, count, STATES))
    gain[0, np.arange(count), true] += 4.0
    gain[:, 700:760] = 0.0  # a stop in the pits, over the end of a piece
    path, total = smooth_paths(gain)
    whole = likeliest_paths(gain)
    told = gain[0].max(axis=1) > 0
    np.testing.assert_array_equal(path[0, told], whole[0, told])
    assert np.mean(np.abs(path[0] - true)[told] <= 1) > 0.9
    # of a band in which nothing turns too, what a piece loses is at most a change of path
    lost = np.take_along_axis(gain, whole[:, :, None], axis=2)[:, :, 0].sum(axis=1) - total
    assert lost[0] == pytest.approx(0.0, abs=1e-9)
    assert abs(lost[1]) <= 4 * equation.STEP_COST * equation.MOST_STEPS


def test_bands_in_which_nothing_turns_lie_next_to_the_wheels_and_apart_from_it():
    """Noise is not the same at all frequencies, so chance is taken close to the wheel's band, on both sides."""
    low, high = equation.FACTORS
    below, above = equation.NOTHING_TURNS_FROM
    assert 0 < low - (below + high - low) < 0.05 and 0 < above - high < 0.05


def test_the_line_is_taken_out_and_what_lies_beside_it_is_left():
    step_s, n = 0.01, 20_000
    speed = 25.0 + 5.0 * np.sin(2 * np.pi * 0.01 * step_s * np.arange(n))  # turns 12 to 18 times a second
    turns = np.cumsum(speed / 1.9) * step_s
    line = Line(turns, turns, speed / 1.9, np.ones(n, dtype=bool))
    beside = np.cos(2 * np.pi * 1.4 * turns)
    signals = np.stack([3.0 * np.cos(2 * np.pi * turns + 0.7) + beside, 0.5 * np.sin(2 * np.pi * turns)])
    left = line.without_line(signals)
    inside = slice(500, n - 500)
    assert np.std(left[0, inside] - beside[inside]) < 0.1
    assert np.std(left[1, inside]) < 0.02


def test_of_paths_worth_the_same_the_last_digit_of_a_gain_does_not_choose():
    rng = np.random.default_rng(3)
    many, count = 60, 90
    gain = rng.exponential(2.0, size=(many, count, STATES))
    alike = np.arange(count) % 6 < 4  # all factors gain as much: the steps over it may lie anywhere
    gain[:, alike] = rng.uniform(10.0, 70.0, (many, alike.sum(), 1))
    path, _ = smooth_paths(gain)
    for _ in range(5):
        nearly, _ = smooth_paths(gain * (1.0 + 1e-15 * rng.standard_normal((many, count, 1))))
        np.testing.assert_array_equal(nearly, path)
