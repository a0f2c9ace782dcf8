"""From sensor signal to shaft travel, by the points measured at the bench."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.errors import CalibrationError

# Points that lie this close to one line are a line: what a calliper at the bench can tell, and what a sound
# slide potentiometer keeps. Common practice, no source.
LINEAR_WITHIN_MM = 0.3


@dataclass(frozen=True)
class Line:
    """A least-squares line with its standard errors.

    ``residual_sd`` has n - 2 degrees of freedom; the errors are NaN for two points.
    """

    slope: float
    intercept: float
    residual_sd: float
    slope_error: float
    intercept_error: float
    largest_residual: float


@dataclass(frozen=True)
class Calibration:
    """A curve from signal to travel.

    Parameters
    ----------
    kind : {"line", "curve"}
        A least-squares line where the points lie on one, else a curve through every point that keeps their
        shape (PCHIP), extended beyond the first and the last by the slope of the end segment.
    line : Line
        The best line, also when the curve is used: its residuals are the sensor's linearity error. [mm]
    lowest, highest : float
        Range of signal that was measured at the bench.
    span_mm : float
        Range of travel that was measured at the bench. [mm]
    travel_mm : callable
        Travel from signal; both ndarray of shape (n_samples,). [mm]
    """

    kind: Literal["line", "curve"]
    line: Line
    lowest: float
    highest: float
    span_mm: float
    travel_mm: Callable[[FloatArray], FloatArray]

    @property
    def linearity_pct(self) -> float:
        """Largest distance of a bench point from the best line, as a share of the span measured. [%]"""
        return 100 * self.line.largest_residual / self.span_mm


def fit_line(signal: FloatArray, value: FloatArray) -> Line:
    """Least-squares line value = intercept + slope x signal.

    Parameters
    ----------
    signal, value : ndarray of shape (n_points,)
        At least two, the signals not all equal.

    References
    ----------
    .. [1] N. R. Draper, H. Smith, Applied Regression Analysis, 3rd ed., Wiley, 1998, ch. 1.
    """
    count = len(signal)
    centred = signal - signal.mean()
    spread = float(centred @ centred)
    slope = float(centred @ (value - value.mean())) / spread
    intercept = float(value.mean() - slope * signal.mean())
    residual = value - (intercept + slope * signal)
    sd = float(np.sqrt(residual @ residual / (count - 2))) if count > 2 else float("nan")
    return Line(
        slope=slope,
        intercept=intercept,
        residual_sd=sd,
        slope_error=sd / float(np.sqrt(spread)),
        intercept_error=sd * float(np.sqrt(1 / count + signal.mean() ** 2 / spread)),
        largest_residual=float(np.abs(residual).max()),
    )


def fit_calibration(
    points: Sequence[tuple[float, float]],
    zero: float | None = None,
    *,
    shape: Literal["line", "curve"] | None = None,
    key: str = "[sensor]",
) -> Calibration:
    """The calibration that bench points make.

    Parameters
    ----------
    points : sequence of (signal, mm)
        Two or more, in any order. Signal may rise or fall with travel.
    zero : float, optional
        Signal at full extension on the bike: shifts the curve so that it is 0 mm there.
    shape : {"line", "curve"}, optional
        Insist on the line, or on the curve through every point; otherwise the points decide.
    key : str
        Where the points stand, for messages, such as ``"bike.toml: [front.sensor]"``.

    Raises
    ------
    CalibrationError
        For fewer than two points, equal signals, or points that neither lie on a line nor rise or fall
        throughout.
    """
    if len(points) < 2:
        raise CalibrationError(
            f"{key} points: {len(points)} given, a calibration needs at least two [signal, mm]; measure at full "
            f"extension and near full compression."
        )
    table = np.array(sorted(points, key=lambda point: point[0]), dtype=np.float64)
    if not np.isfinite(table).all():
        raise CalibrationError(f"{key} points: every signal and every mm must be a finite number.")
    signal, travel = table.T
    if signal[0] == signal[-1]:
        raise CalibrationError(
            f"{key} points: all signals are {signal[0]:g}; the sensor did not move between the points."
        )
    line = fit_line(signal, travel)
    if line.slope == 0.0:
        raise CalibrationError(
            f"{key} points: all travels are {travel[0]:g} mm; move the end between the points."
        )
    straight = line.largest_residual <= LINEAR_WITHIN_MM if shape is None else shape == "line"
    if straight:
        kind: Literal["line", "curve"] = "line"
        curve = _line_curve(line)
    else:
        _check_monotone(signal, travel, key)
        kind, curve = "curve", _shape_preserving_curve(signal, travel)
    offset = 0.0 if zero is None else float(curve(np.array([zero]))[0])
    return Calibration(
        kind,
        line,
        float(signal[0]),
        float(signal[-1]),
        float(np.ptp(travel)),
        lambda values: curve(values) - offset,
    )


def calibrate(
    signal: FloatArray,
    points: Sequence[tuple[float, float]],
    zero: float | None = None,
    *,
    key: str = "[sensor]",
) -> FloatArray:
    """Travel from a sensor's signal.

    Parameters
    ----------
    signal : ndarray of shape (n_samples,)
        As logged; NaN where missing.
    points, zero, key
        As in `fit_calibration`.

    Returns
    -------
    ndarray of shape (n_samples,)
        0 at full extension, compression positive; NaN where the signal is. [mm]

    Raises
    ------
    CalibrationError
        If the points make no calibration.
    """
    return fit_calibration(points, zero, key=key).travel_mm(np.asarray(signal, dtype=np.float64))


def through_curve(values: FloatArray, pairs: Sequence[tuple[float, float]]) -> FloatArray:
    """Values taken through a table by a shape-preserving curve, straight beyond its ends.

    Parameters
    ----------
    values : ndarray of shape (n_samples,)
        NaN where missing.
    pairs : sequence of (from, to)
        Two or more, both rising.

    Returns
    -------
    ndarray of shape (n_samples,)
    """
    before, after = np.array(pairs, dtype=np.float64).T
    return _shape_preserving_curve(before, after)(values)


def _line_curve(line: Line) -> Callable[[FloatArray], FloatArray]:
    return lambda values: line.intercept + line.slope * values


def _check_monotone(signal: FloatArray, travel: FloatArray, key: str) -> None:
    """A curve must tell one travel for one signal, and rise or fall throughout."""
    equal = np.flatnonzero(np.diff(signal) == 0)
    if equal.size:
        i = int(equal[0])
        raise CalibrationError(
            f"{key} points: signal {signal[i]:g} is given for {travel[i]:g} mm and for {travel[i + 1]:g} mm; "
            f"keep one."
        )
    steps = np.diff(travel)
    wrong = np.flatnonzero(np.sign(steps) != np.sign(steps.sum()))
    if wrong.size:
        i = int(wrong[0])
        raise CalibrationError(
            f"{key} points: travel must rise or fall throughout with the signal, but between signals "
            f"{signal[i]:g} and {signal[i + 1]:g} it goes from {travel[i]:g} to {travel[i + 1]:g} mm, against the "
            f"others; measure that point again."
        )


def _shape_preserving_curve(signal: FloatArray, travel: FloatArray) -> Callable[[FloatArray], FloatArray]:
    """PCHIP through the points, straight beyond them."""
    from scipy.interpolate import PchipInterpolator  # loads for half a second; most sensors are linear

    inside = PchipInterpolator(signal, travel)
    slopes = np.diff(travel) / np.diff(signal)

    def curve(values: FloatArray) -> FloatArray:
        result = np.asarray(inside(np.clip(values, signal[0], signal[-1])), dtype=np.float64)
        result += slopes[0] * np.minimum(values - signal[0], 0.0)
        result += slopes[-1] * np.maximum(values - signal[-1], 0.0)
        return result

    return curve
