"""Calibration against certified and independent fits, and what it refuses."""

from importlib import resources

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from telemetry.errors import CalibrationError
from telemetry.signals.calibrate import LINEAR_WITHIN_MM, fit_calibration, fit_line


def calibrate(signal, points, zero=None):
    """Travel of a signal by bench points."""
    return fit_calibration(points, zero).travel_mm(signal)


def norris():
    """NIST StRD Norris: calibration of ozone monitors, 36 points; a copy lies in SciPy's wheel."""
    path = resources.files("scipy.stats") / "tests/data/nist_linregress/Norris.dat"
    lines = path.read_text().splitlines()
    return np.array([[float(x) for x in line.split()] for line in lines[60:96]])[:, ::-1].T


def test_line_against_nist_certified_values():
    # https://www.itl.nist.gov/div898/strd/lls/data/Norris.shtml
    line = fit_line(*norris())
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-10)
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-8)
    assert line.residual_sd == pytest.approx(0.884796396144373, rel=1e-8)
    assert line.slope_error == pytest.approx(0.429796848199937e-3, rel=1e-8)
    assert line.intercept_error == pytest.approx(0.232818234301152, rel=1e-8)


bench = st.lists(
    st.tuples(st.integers(0, 400).map(lambda i: i / 100), st.floats(-0.1, 0.1)),
    min_size=3,
    max_size=12,
    unique_by=lambda p: p[0],
)


@given(bench, st.sampled_from([-30.0, 30.0]), st.floats(-20, 20))
def test_line_against_numpy_polyfit(points, slope, offset):
    volts, scatter = np.array(sorted(points)).T
    travel = offset + slope * volts + scatter
    calibration = fit_calibration(list(zip(volts, travel, strict=True)))
    assert calibration.kind == "line"
    wanted = np.polyfit(volts, travel, 1)
    np.testing.assert_allclose(
        [calibration.line.slope, calibration.line.intercept], wanted, rtol=1e-6, atol=1e-6
    )
    np.testing.assert_allclose(calibration.travel_mm(volts), np.polyval(wanted, volts), atol=1e-6)


@given(st.floats(-5, 5), st.floats(-5, 5), st.floats(0.1, 5), st.floats(10, 200), st.floats(-1, 1))
def test_two_points_are_met_exactly(signal, low, step, travel, blend):
    points = [(low, 0.0), (low + step, travel)]
    read = calibrate(np.array([low, low + step, low + blend * step]), points)
    np.testing.assert_allclose(read, [0.0, travel, blend * travel], atol=1e-9)


@given(st.floats(-10, 10), st.floats(-10, 10), st.floats(0, 1))
def test_linear_in_the_signal(one, other, share):
    points = [(0.5, 0.0), (2.5, 60.3), (4.5, 120.0)]
    mixed = calibrate(np.array([share * one + (1 - share) * other]), points)
    parts = calibrate(np.array([one, other]), points)
    np.testing.assert_allclose(mixed, share * parts[0] + (1 - share) * parts[1], atol=1e-9)


def test_falling_signal_and_any_order_of_points():
    points = [(0.6, 120.0), (4.4, 0.0), (2.5, 60.0)]
    np.testing.assert_allclose(
        calibrate(np.array([4.4, 2.5, 0.6, 3.45]), points), [0, 60, 120, 30], atol=1e-9
    )


@pytest.mark.parametrize("points", [[(1.0, 0.0), (4.0, 120.0)], [(0.0, 0.0), (1.0, 20.0), (4.0, 120.0)]])
def test_zero_shifts_the_curve(points):
    signal = np.linspace(0.5, 4.0, 30)
    plain, shifted = calibrate(signal, points), calibrate(signal, points, zero=1.25)
    assert calibrate(np.array([1.25]), points, zero=1.25)[0] == pytest.approx(0.0, abs=1e-12)
    np.testing.assert_allclose(plain - shifted, calibrate(np.array([1.25]), points)[0], atol=1e-9)


def test_nan_stays():
    for points in ([(0.0, 0.0), (1.0, 10.0)], [(0.0, 0.0), (1.0, 10.0), (2.0, 40.0)]):
        read = calibrate(np.array([np.nan, 1.0]), points)
        assert np.isnan(read[0])
        assert read[1] == pytest.approx(10.0)


def test_a_sensor_that_is_not_linear_gets_a_curve_without_overshoot():
    # swingarm sensor: travel goes with the sine of its angle
    volts = np.linspace(0.5, 4.5, 9)
    travel = 130 * np.sin(np.linspace(0, np.pi / 2.2, 9))
    calibration = fit_calibration(list(zip(volts, travel, strict=True)))
    assert calibration.kind == "curve"
    assert calibration.line.largest_residual > LINEAR_WITHIN_MM
    np.testing.assert_allclose(calibration.travel_mm(volts), travel, atol=1e-9)
    fine = np.linspace(0.0, 5.0, 2001)
    read = calibration.travel_mm(fine)
    assert (np.diff(read) > 0).all()
    between = read[(fine > volts[3]) & (fine < volts[4])]
    assert between.min() > travel[3] and between.max() < travel[4]
    # true curve, not just the points: PCHIP is of third order inside
    truth = 130 * np.sin((fine - 0.5) / 4.0 * np.pi / 2.2)
    inside = (fine >= 0.5) & (fine <= 4.5)
    assert np.abs(read - truth)[inside].max() < 0.3
    # beyond the points the slope of the end segment goes on
    slope = (travel[-1] - travel[-2]) / (volts[-1] - volts[-2])
    assert calibration.travel_mm(np.array([4.8]))[0] == pytest.approx(travel[-1] + 0.3 * slope)


@pytest.mark.parametrize(
    ("points", "message"),
    [
        ([(1.0, 0.0)], r"\[front.sensor\] points: 1 given, a calibration needs at least two"),
        ([], "0 given"),
        ([(2.0, 0.0), (2.0, 120.0)], "all signals are 2; the sensor did not move"),
        ([(1.0, 0.0), (2.0, 0.0)], "all travels are 0 mm"),
        (
            [(1.0, 0.0), (2.0, 40.0), (3.0, 30.0), (4.0, 120.0)],
            "between signals 2 and 3 it goes from 40 to 30 mm, against the others",
        ),
        ([(1.0, 0.0), (2.0, 40.0), (2.0, 55.0), (4.0, 120.0)], "signal 2 is given for 40 mm and for 55 mm"),
        ([(1.0, 0.0), (float("nan"), 40.0)], "must be a finite number"),
    ],
)
def test_points_that_make_no_calibration(points, message):
    with pytest.raises(CalibrationError, match=message) as caught:
        fit_calibration(points, key="bike.toml: [front.sensor]")
    assert str(caught.value).startswith("bike.toml: [front.sensor] points:")
    assert "\n" not in str(caught.value)
