"""Calibration: sensor signal to shaft travel by the bench points."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from telemetry.arrays import End, FloatArray
from telemetry.decimals import Column
from telemetry.errors import CalibrationError
from telemetry.notes import QualityNote, Step
from telemetry.numeric import BLOCK, quantile, shape_preserving
from telemetry.signals.channels import SensorSetup
from telemetry.signals.clock import runs

# Points this close to one line are a line: the accuracy of a calliper at the bench, and the linearity of a sound
# slide potentiometer. Common practice, no source.
LINEAR_WITHIN_MM = 0.3

# With the wheels off the ground nothing moves: readings that vary more are not of a bike on its stand.
STILL_MM = 1.0
FEWEST_STILL_S = 0.5
# A topped-out end reads its minimum. Block length for minima, and least time between two contacts.
ZERO_BLOCK_S, SEPARATE_S = 0.03, 0.5
# Number of lowest readings and their range that make a stop. Turning points of a ride scatter more.
FEWEST_TOP_OUTS, AGREE_MM = 3, 0.3
# Largest height above the lowest reading of a topped-out end.
NEAR_MM = 3.0
# The topped-out level is estimated from many contacts. On a stop the lower turning points of travel cluster:
# at least this number within this range, hardly any below, and denser by this factor than in the millimetres above.
# Without a stop they scatter; on simulated outings such clusters then hold fewer than twenty.
CONTACT_S, LEAVES_MM, LEAVES_S = 0.15, 2.0, 0.4
CLUSTER_MM, FEWEST_IN_CLUSTER, MOST_BELOW, ABOVE_MM, CLUSTER_DENSER = 0.4, 20, 0.1, 2.0, 1.3
NEAR_LOWEST_MM = 6.0
# The topped-out level is the median of the readings within this distance of the cluster; impacts go deeper briefly.
REST_MM = 0.3
# Pressed on its stop by the spring an end rests up to 0.4 mm below full extension, or up to 0.6 mm above it if a
# ring supports it (from simulated stops). Beyond that the zero is wrong; beyond the last limit it is no stop.
REST_LOWEST_MM, REST_HIGHEST_MM, ZERO_WITHIN_MM = -0.5, 0.65, 4.0
# No end rests below 0. Above 0 travel may turn at the same level at the same places of every lap, which gives some
# twenty contacts without a stop; this many are needed before a zero is called too high. Own choice.
FEWEST_ABOVE = 100
# One long stay below 0 counts like many contacts: impacts pass full extension for hundredths of a second only.
STAYS_S = 0.2
# Drift over a run is the slope with the densest cluster of contacts: limits on its density against no slope, and alone.
# On simulated outings without drift the best slope is below 0.3 mm.
SHORTEST_DRIFT_S, MOST_DRIFT_MM, DRIFT_STEP_MM, DRIFT_MM = 180.0, 4.0, 0.1, 0.8
DRIFT_BETTER, DRIFT_DENSER = 1.5, 1.6


@dataclass(frozen=True)
class Line:
    """Least-squares line with its standard errors, NaN for two points; ``residual_sd`` has n - 2 degrees of freedom."""

    slope: float
    intercept: float
    residual_sd: float
    slope_error: float
    intercept_error: float
    largest_residual: float


@dataclass(frozen=True)
class Calibration:
    """Curve from signal to travel: a least-squares line, or PCHIP through every point with straight continuations."""

    kind: Literal["line", "curve"]
    line: Line  # best line, also for a curve: its residuals are the linearity error [mm]
    lowest: float  # of the signals at the bench
    highest: float
    span_mm: float  # range of travel at the bench
    travel_mm: Callable[[FloatArray], FloatArray]  # travel [mm] from signal, shape (n_samples,)

    @property
    def linearity_pct(self) -> float:
        """Largest residual of a bench point as a share of the measured span. [%]"""
        return 100 * self.line.largest_residual / self.span_mm


def fit_line(signal: FloatArray, value: FloatArray) -> Line:
    """Least-squares line value = intercept + slope x signal (Draper, Smith, Applied Regression Analysis, ch. 1)."""
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
    """Calibration fitted to bench points (signal, mm), rising or falling; ``zero`` is the signal at 0 mm.

    `CalibrationError`, naming the section ``key``, for too few points, equal signals, or neither a line nor monotone.
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


def through_curve(values: FloatArray, pairs: Sequence[tuple[float, float]]) -> FloatArray:
    """Values interpolated by PCHIP in a table of (from, to), both rising; linear beyond its ends."""
    before, after = np.array(pairs, dtype=np.float64).T
    return _shape_preserving_curve(before, after)(values)


def _line_curve(line: Line) -> Callable[[FloatArray], FloatArray]:
    return lambda values: line.intercept + line.slope * values


def _check_monotone(signal: FloatArray, travel: FloatArray, key: str) -> None:
    """Raise `CalibrationError` for repeated signals or travel that is not monotone in the signal."""
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
    """PCHIP through the points, linear beyond them."""
    inside = shape_preserving(signal, travel)
    slopes = np.diff(travel) / np.diff(signal)

    def curve(values: FloatArray) -> FloatArray:
        result = inside(np.clip(values, signal[0], signal[-1]))
        result += slopes[0] * np.minimum(values - signal[0], 0.0)
        result += slopes[-1] * np.maximum(values - signal[-1], 0.0)
        return result

    return curve


@dataclass(frozen=True)
class TopOutLevel:
    """Level at which an end tops out, half width of its 95 % interval [mm], and number of contacts."""

    level_mm: float
    within_mm: float
    contacts: int


@dataclass(frozen=True)
class _Cluster:
    """Cluster of the lowest turning points: index of its first, their number, and its density over that above."""

    first: int
    count: int
    denser: float


@dataclass(frozen=True)
class TopOuts:
    """Times and readings at which an end may have topped out. [s, mm]"""

    time_s: FloatArray
    level_mm: FloatArray

    @property
    def stop_mm(self) -> float | None:
        """Level at which the lowest readings agree, None if they do not. [mm]"""
        ranked = np.sort(self.level_mm)
        if len(ranked) < FEWEST_TOP_OUTS or ranked[FEWEST_TOP_OUTS - 1] - ranked[0] > AGREE_MM:
            return None
        return float(np.median(ranked[ranked <= ranked[0] + AGREE_MM]))


def find_top_outs(travel_mm: FloatArray, sample_rate_hz: float) -> TopOuts:
    """Lowest readings, one per contact; the zero of ``travel_mm`` [mm] does not matter."""
    length = max(1, round(ZERO_BLOCK_S * sample_rate_hz))
    low = travel_mm[: len(travel_mm) // length * length].reshape(-1, length).min(axis=1)  # NaN where any is
    near = np.flatnonzero(low < np.min(low, initial=np.inf, where=np.isfinite(low)) + NEAR_MM)
    if not near.size:
        return TopOuts(np.empty(0), np.empty(0))
    contact = np.cumsum(np.diff(near, prepend=near[0]) * length > SEPARATE_S * sample_rate_hz)
    lowest = np.full(contact[-1] + 1, np.inf)
    np.minimum.at(lowest, contact, low[near])
    first = np.flatnonzero(np.diff(contact, prepend=-1))
    return TopOuts(near[first] * length / sample_rate_hz, lowest)


def zero_mm(measured_mm: FloatArray, sample_rate_hz: float, setup: SensorSetup, *, key: str) -> float:
    """Sensor reading at full extension by the log; 0 if the bench or bike file gives it. [mm]

    `CalibrationError` if travel moves in the given interval, the log lacks it, or the end never tops out.
    """
    if setup.zero_interval_s is not None:
        return _still_mm(measured_mm, sample_rate_hz, setup.zero_interval_s, key)
    if setup.zero_topped_out:
        stop_mm = find_top_outs(measured_mm, sample_rate_hz).stop_mm
        if stop_mm is None:
            raise CalibrationError(
                f"{key} zero_topped_out: no level at which this end tops out was found in the log; give zero or "
                f"zero_interval_s."
            )
        return stop_mm
    return 0.0


def _still_mm(
    measured_mm: FloatArray, sample_rate_hz: float, interval_s: tuple[float, float], key: str
) -> float:
    start, end = (round(at_s * sample_rate_hz) for at_s in interval_s)
    part = measured_mm[start : end + 1]
    part = part[np.isfinite(part)]
    words = f"{key} zero_interval_s = [{interval_s[0]:g}, {interval_s[1]:g}]"
    if len(part) < FEWEST_STILL_S * sample_rate_hz:
        raise CalibrationError(
            f"{words}: the log has {len(part) / sample_rate_hz:.1f} s of readings there, and lasts "
            f"{len(measured_mm) / sample_rate_hz:.1f} s; give at least {FEWEST_STILL_S:g} s with the wheels off "
            f"the ground."
        )
    low, high = quantile(part, 0.05), quantile(part, 0.95)
    if high - low > STILL_MM:
        raise CalibrationError(
            f"{words}: travel moves by {high - low:.1f} mm there; it must be still, with the wheels off the ground."
        )
    return float(np.median(part))


def _find_top_out_level(travel_mm: FloatArray, turned_mm: FloatArray) -> TopOutLevel | None:
    """Level at which an end tops out, from many contacts; None unless its lowest turning points cluster."""
    levels = np.sort(turned_mm)
    best = _densest_cluster(levels)
    if best is None or best.denser < CLUSTER_DENSER:
        return None
    cluster = levels[best.first : best.first + best.count]
    middle = np.median(cluster)
    blocks = (values for _, values in Column(travel_mm).blocks())
    near = np.concatenate([part[np.abs(part - middle) <= REST_MM] for part in blocks])  # NaN is near nothing
    return TopOutLevel(
        float(np.median(near)), 1.96 * float(np.std(cluster)) / np.sqrt(len(cluster)), len(cluster)
    )


def _find_drift_mm(lasts_s: float, time_s: FloatArray, levels: FloatArray) -> float | None:
    """Rise of the topped-out level from the start to the end of a run, None with too few contacts. [mm]"""
    if lasts_s < SHORTEST_DRIFT_S:
        return None

    def denser(drift_mm: float) -> float:
        best = _densest_cluster(np.sort(levels - drift_mm * time_s / lasts_s))
        return 0.0 if best is None else best.denser

    slopes = np.arange(-MOST_DRIFT_MM, MOST_DRIFT_MM + DRIFT_STEP_MM / 2, DRIFT_STEP_MM)
    density = np.array([denser(slope) for slope in slopes])
    if density.max() < DRIFT_DENSER:
        return None
    if density.max() < DRIFT_BETTER * denser(0.0):
        return 0.0
    return float(np.mean(slopes[density > 0.9 * density.max()]))


def _densest_cluster(levels_mm: FloatArray) -> _Cluster | None:
    """Densest cluster of sorted levels with hardly any level below it, relative to the levels above."""
    below = np.arange(len(levels_mm))  # number of levels below a cluster that starts at each level
    count = np.searchsorted(levels_mm, levels_mm + CLUSTER_MM, side="right") - below
    above = np.searchsorted(levels_mm, levels_mm + CLUSTER_MM + ABOVE_MM) - count - below
    denser = np.where(
        (count >= FEWEST_IN_CLUSTER) & (below <= MOST_BELOW * count),
        count / (above * CLUSTER_MM / ABOVE_MM + 1.0),
        0.0,
    )
    if not denser.any():
        return None
    best = int(np.argmax(denser))
    return _Cluster(best, int(count[best]), float(denser[best]))


def _turning_points(travel_mm: FloatArray, sample_rate_hz: float) -> tuple[FloatArray, FloatArray]:
    """Times and levels at which travel turns near its minimum, coming from well above and returning. [s, mm]"""
    none = np.empty(0), np.empty(0)
    length = round(LEAVES_S * sample_rate_hz)
    lowest = float(np.fmin.reduce(travel_mm, initial=np.inf))
    if not np.isfinite(lowest) or not length:  # too slow to show a contact
        return none
    reach = max(1, round(0.5 * CONTACT_S * sample_rate_hz))
    about, last = np.arange(-reach, reach + 1), len(travel_mm) - 1
    near = np.flatnonzero(travel_mm < lowest + NEAR_LOWEST_MM)
    here, before, after = (travel_mm[np.clip(near + k, 0, last)] for k in (0, -1, 1))
    near = near[~(here > before) & ~(after < here) | (near == last)]
    blocks = (near[first : first + BLOCK] for first in range(0, len(near), BLOCK))
    at = np.concatenate(
        [
            here[
                travel_mm[here] <= np.fmin.reduce(travel_mm[np.clip(here[:, None] + about, 0, last)], axis=1)
            ]
            for here in blocks
        ]
    )
    at = at[np.diff(at, prepend=-2 * reach) > reach]
    at = at[(at >= length) & (at < len(travel_mm) - length)]
    if not at.size:
        return none
    steps = np.arange(1, length + 1)
    before, after = (np.fmax.reduce(travel_mm[at[:, None] + way * steps], axis=1) for way in (-1, 1))
    at = at[np.minimum(before, after) > travel_mm[at] + LEAVES_MM]  # False where all are missing
    return at / sample_rate_hz, travel_mm[at]


def check_zero(
    travel_mm: FloatArray, sample_rate_hz: float, end: End, setup: SensorSetup
) -> tuple[tuple[Step, ...], tuple[QualityNote, ...]]:
    """Topped-out level over a run and its drift: a step, and notes ``zero_moved`` and ``zero_drift``."""
    settings: dict[str, float | int | str | bool] = {"end": end}
    notes = []
    turned_s, turned_mm = _turning_points(travel_mm, sample_rate_hz)
    rest = _find_top_out_level(travel_mm, turned_mm)
    drift = _find_drift_mm(len(travel_mm) / sample_rate_hz, turned_s, turned_mm)
    stays = runs(travel_mm < REST_LOWEST_MM)
    longest = int(np.argmax(stays[1] - stays[0])) if stays[0].size else 0
    if rest is not None and rest.level_mm > REST_HIGHEST_MM and rest.contacts < FEWEST_ABOVE:
        rest = None
    if rest is not None and abs(rest.level_mm) <= ZERO_WITHIN_MM:
        settings |= {"top_outs": rest.contacts, "topped_out_mm": rest.level_mm, "within_mm": rest.within_mm}
    else:
        top_outs = find_top_outs(travel_mm, sample_rate_hz)
        if top_outs.stop_mm is not None and abs(top_outs.stop_mm) <= NEAR_MM:
            settings |= {"top_outs": len(top_outs.level_mm), "topped_out_mm": top_outs.stop_mm}
        rest = None
    if drift is not None:
        settings["drift_mm"] = drift
    if drift is not None and abs(drift) >= DRIFT_MM:
        notes.append(_drift_note(drift, len(travel_mm) / sample_rate_hz, end, setup))
    elif rest is not None and not REST_LOWEST_MM <= rest.level_mm <= REST_HIGHEST_MM:
        by = f"{rest.contacts} contacts; 95 % within {max(rest.within_mm, 0.05):.1f} mm"
        notes.append(_zero_note(rest.level_mm, by, end, setup))
    elif stays[0].size and stays[1][longest] - stays[0][longest] >= STAYS_S * sample_rate_hz:
        start, stop = int(stays[0][longest]), int(stays[1][longest])
        by = f"for {(stop - start) / sample_rate_hz:.1f} s from t = {start / sample_rate_hz:.3f} s"
        notes.append(_zero_note(float(np.median(travel_mm[start:stop])), by, end, setup))
    return ((Step("zero", settings),) if len(settings) > 1 else ()), tuple(notes)


def _zero_note(level_mm: float, by: str, end: End, setup: SensorSetup) -> QualityNote:
    message = (
        f"{end.capitalize()} rests at {level_mm:+.1f} mm when it tops out ({by}), where full extension is 0: its zero "
        f"is off by about as much, and travel with it. Set the zero in [{end}.sensor] with the wheel off the ground, "
        f"and check the sensor's mount."
    )
    return QualityNote("warning", "zero_moved", message, channel=setup.channel)


def _drift_note(drift_mm: float, lasts_s: float, end: End, setup: SensorSetup) -> QualityNote:
    message = (
        f"{end.capitalize()} tops out {abs(drift_mm):.1f} mm {'higher' if drift_mm > 0 else 'lower'} at the end of the "
        f"run than at its start: its zero drifts. Check the sensor's mount and set the zero again."
    )
    return QualityNote("warning", "zero_drift", message, channel=setup.channel, start_s=0.0, end_s=lasts_s)


def drift_between_mm(earlier: Sequence[Step], later: Sequence[Step], end: End) -> float | None:
    """Difference of an end's topped-out level between two histories, later minus earlier; None without one. [mm]"""
    before, after = _topped_out_mm(earlier, end), _topped_out_mm(later, end)
    return None if before is None or after is None else after - before


def _topped_out_mm(history: Sequence[Step], end: End) -> float | None:
    for step in history:
        if step.name == "zero" and step.settings.get("end") == end and "topped_out_mm" in step.settings:
            return float(step.settings["topped_out_mm"])
    return None
