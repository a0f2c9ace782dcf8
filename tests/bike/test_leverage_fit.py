"""A smooth leverage curve through noisy points: monotone whatever the noise, faithful where there is none."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.bike import leverage_curve, parse_bike
from telemetry.bike.leverage import LinkageError, fit_leverage
from tests.bike.stand_bike import stand_bike_data

SHOCK = np.arange(0.0, 71.0, 5.0)
WHEEL = 2.0 * SHOCK - 7.5 / 2450.0 * SHOCK**2  # ratio 2 falling evenly to 1.571429, 125 mm at 70


def points(noise):
    return tuple((float(s), float(w)) for s, w in zip(SHOCK, WHEEL + noise, strict=True))


def test_points_on_a_curve_give_the_curve():
    found = fit_leverage(points(0.0), 70.0)
    at = np.array(found.shaft_mm)
    np.testing.assert_allclose(found.ratio, 2.0 - 15.0 / 2450.0 * at, atol=1e-5)
    np.testing.assert_allclose(found.wheel_mm, 2.0 * at - 7.5 / 2450.0 * at**2, atol=1e-4)
    assert found.residual_sd_mm < 1e-5


def test_noise_of_a_tape_is_smoothed_as_well_as_by_the_right_polynomial():
    # outside: numpy.polyfit of second order, which knows the true shape; the smooth curve does not. Mean over noise.
    at, truth = np.linspace(0.0, 70.0, 71), 2.0 - 15.0 / 2450.0 * np.linspace(0.0, 70.0, 71)
    ours, best = [], []
    for seed in range(60):
        noise = np.random.default_rng(seed).normal(0.0, 0.5, len(SHOCK))
        found = fit_leverage(points(noise), 70.0)
        ours.append(np.sqrt(np.mean((np.interp(at, found.shaft_mm, found.ratio) - truth) ** 2)))
        quadratic = np.polynomial.Polynomial.fit(SHOCK, WHEEL + noise, 2).deriv()
        best.append(np.sqrt(np.mean((quadratic(at) - truth) ** 2)))
    assert np.mean(ours) < 3.0 * np.mean(best)
    raw = (
        np.sqrt(2) * 0.5 / 5.0
    )  # scatter of the ratio between neighbouring points: what no smoothing would give
    assert np.mean(ours) < raw / 3.0


def test_residuals_are_what_the_points_lie_off_and_name_an_outlier():
    noise = np.random.default_rng(4).normal(0.0, 0.2, len(SHOCK))
    noise[6] += 4.0  # read at the wrong mark
    found = fit_leverage(points(noise), 70.0)
    assert int(np.argmax(np.abs(found.residual_mm))) == 6
    curve = np.interp(SHOCK, found.shaft_mm, found.wheel_mm)  # straight between knots: within 0.004 mm
    np.testing.assert_allclose(WHEEL + noise - found.offset_mm - curve, found.residual_mm, atol=0.01)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-12.0, 12.0), min_size=len(SHOCK), max_size=len(SHOCK)))
def test_always_rises(noise):
    found = fit_leverage(points(np.array(noise)), 70.0)
    assert min(found.ratio) > 0.0
    assert np.all(np.diff(found.wheel_mm) > 0.0)
    assert np.all(np.isfinite(found.residual_mm))


def test_in_the_bike_file_it_is_the_leverage_of_the_rear():
    data = stand_bike_data()
    rear = data["rear"]
    for key in ("linkage", "mount_insert"):
        del rear[key]
    rear["leverage_points_mm"] = points(np.random.default_rng(1).normal(0.0, 0.3, len(SHOCK)))
    curve = leverage_curve(parse_bike(data), "rear")
    assert curve.wheel_stroke_mm == pytest.approx(125.0, abs=1.0)
    assert curve.wheel_travel_mm(np.zeros(1))[0] == 0.0


@pytest.mark.parametrize(
    ("given_points", "message"),
    [
        (tuple((float(s), -float(s)) for s in SHOCK), "do not rise"),
        (tuple((float(s), 2.0 * s) for s in SHOCK[:8]), "over the whole 70 mm stroke"),
    ],
)
def test_points_that_make_no_curve(given_points, message):
    with pytest.raises(LinkageError, match=message):
        fit_leverage(given_points, 70.0)
