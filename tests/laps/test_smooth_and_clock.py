"""The thin clock and the smoothers, against general libraries and closed forms."""

import numpy as np
import pandas as pd
import pytest
from scipy.interpolate import make_smoothing_spline

from telemetry.laps.gps import fit_line
from telemetry.laps.smooth import moving_mean, penalised_fit
from telemetry.laps.speed import PLACE_HZ, Thin


def test_moving_mean_is_that_of_pandas():
    values = np.random.default_rng(1).normal(size=500)
    values[[0, 17, 18, 19, 300, 499]] = np.nan
    rolled = pd.Series(values).rolling(9, center=True, min_periods=1).mean().to_numpy()
    np.testing.assert_allclose(moving_mean(values, 9), np.where(np.isnan(values), np.nan, rolled), atol=1e-12)


def test_a_moving_mean_wider_than_the_values_is_their_mean():
    np.testing.assert_allclose(moving_mean(np.array([1.0, np.nan, 5.0]), 99), [3.0, np.nan, 3.0])
    assert len(moving_mean(np.empty(0), 9)) == 0


def test_penalised_fit_is_the_smoothing_spline_on_a_fine_grid():
    # scipy's cubic smoothing spline minimises squares + lam x integral of f''^2; differences on a grid of step h
    # stand for f'' h^2, so that the penalty is lam / h^3 (Eilers 2003)
    rng, every, step = np.random.default_rng(2), 20, 0.05
    x = np.arange(0.0, 30.0, every * step)
    y = np.sin(x / 2) + rng.normal(0.0, 0.2, len(x))
    n = every * (len(x) - 1) + 1
    weight, right = np.zeros(n), np.zeros(n)
    weight[::every], right[::every] = 1.0, y
    fitted = penalised_fit(weight, None, right, 0.5 / step**3, 2)
    np.testing.assert_allclose(fitted[::every], make_smoothing_spline(x, y, lam=0.5)(x), atol=2e-3)


def test_penalised_fit_goes_straight_on_over_a_gap():
    weight, right = np.ones(100), 3.0 + 0.5 * np.arange(100.0)
    weight[30:70] = right[30:70] = 0.0
    np.testing.assert_allclose(
        penalised_fit(weight, None, right, 10.0, 2), 3.0 + 0.5 * np.arange(100.0), atol=1e-4
    )


@pytest.mark.parametrize(
    ("n", "rate_hz"), [(1000, 200.0), (1003, 200.0), (1001, 1000.0), (777, 20.0), (501, 50.0)]
)
def test_the_thin_clock_and_back(n, rate_hz):
    thin, t = Thin(n, rate_hz, max(1, int(rate_hz / PLACE_HZ))), np.arange(n) / rate_hz
    # a straight line comes back exactly, beyond the last thin sample too
    np.testing.assert_allclose(thin.lines((2.0 + 3.0 * t)[thin.rows]), 2.0 + 3.0 * t, atol=1e-9)
    # the trapezoidal rule is exact for a straight line: integral of 2 + 3 t
    np.testing.assert_allclose(thin.integral(2.0 + 3.0 * t), (2.0 * t + 1.5 * t**2)[thin.rows], atol=1e-9)
    held = thin.hold(np.arange(len(thin.samples)))
    assert len(held) == n
    assert np.abs(thin.samples[held] - np.arange(n)).max() <= thin.step


@pytest.mark.parametrize("noise_m", [0.0, 0.3])
def test_centre_line_of_a_circle(noise_m):
    # a circle of 60 m: circumference 2 pi r, curvature 1 / r everywhere, to the left when ridden anticlockwise
    rng, radius, lap_s = np.random.default_rng(3), 60.0, 20.0
    t = np.arange(0.0, 6 * lap_s, 0.1)
    angle = 2 * np.pi * t / lap_s
    east, north = (radius * f(angle) + rng.normal(0.0, noise_m, len(t)) for f in (np.cos, np.sin))
    line = fit_line(t % lap_s, east, north, lap_s, 2 * np.pi * radius)
    assert line.length_m == pytest.approx(2 * np.pi * radius, rel=2e-3)
    assert np.mean(line.curvature_1_m) == pytest.approx(-1 / radius, rel=2e-3)
    # places along it, and how far aside: 2 m inside the circle is to the left
    place, aside = line.project(
        58.0 * np.cos(angle[:150]), 58.0 * np.sin(angle[:150]), radius * angle[:150] + 5.0, 20.0
    )
    np.testing.assert_allclose(place - place[0], radius * angle[:150], atol=0.2 + noise_m)
    np.testing.assert_allclose(aside, -2.0, atol=0.05 + noise_m)
