"""Damping by lap and by shaft speed: whether it falls over the laps, and whether it comes back."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import expm1, log, log1p

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from telemetry.arrays import End, FloatArray, IntArray
from telemetry.damping.equation import OTHER_THEN, Blocks, WheelEquation, blocks
from telemetry.damping.evidence import (
    LEAST_DAMPING,
    SOUND_DAMPING,
    FrontFilter,
    Pole,
    fit_poles,
    stopped_by_bounds,
    take_out,
)
from telemetry.damping.hop import (
    DOUBTFUL_BELOW,
    LOST_BELOW,
    WheelHop,
    band_gain,
    band_window,
    coefficients,
    hop_ratio,
    rise,
)
from telemetry.damping.verdict import DamperCourse, DamperState, DampingTrend, LapDamping, SpeedDamping
from telemetry.laps import Lap
from telemetry.numeric import quantile, student_t

WINDOW_S = 0.5
STEP_S = WINDOW_S / 2  # Hann windows that overlap by half use all of the signal
LEAST_GAIN = 0.01  # of the band, for a frequency to be looked at
PLACES = 12  # of a lap; left out in turn for the interval
LEAST_WINDOWS = 8 * PLACES  # of a lap
# Forces of the other end come through the chassis, whose inertia lets pass less as the square of the frequency; above
# this they hardly show. Chosen on seeds below those of tests/benchmarks/detection.
CHASSIS_HZ = (8.0, 12.0)
# From lap to lap the tyre's frequency changes by so much: 4 % of its rate, by heat and pressure. A choice of ours.
TYRE_SD = 0.02
TYRE_HZ = np.geomspace(9.0, 28.0, 60)  # wider than any hop: foam in the oil stiffens an end
DAMPING = np.geomspace(5.0 * LEAST_DAMPING, SOUND_DAMPING, 50)
# The search for a change: half widths in ln of tyre frequency and damping, and how often it is narrowed to a quarter.
REACH, ROUNDS = np.array([0.4, 1.5]), 4
AROUND = np.linspace(-1.0, 1.0, 13)
NEAR = np.array([0.02, 0.08])  # half widths of the grid on which the last is done
# Student's t at 97.5 % for PLACES - 1 = 11 degrees of freedom (any statistics handbook).
T_975 = 2.201


@dataclass(frozen=True)
class LapSpectra:
    """Mean spectra of a wheel's travel speed by lap and place, every window scaled to the same power.

    ``frequency_hz`` (n_frequencies,) [Hz], ``power`` (n_laps, `PLACES`, n_frequencies), 0 without a window; ``windows``
    (n_laps, `PLACES`) counts them.
    """

    laps: tuple[int, ...]
    frequency_hz: FloatArray
    power: FloatArray
    windows: IntArray

    @property
    def long_enough(self) -> IntArray:
        """Indices of the laps with `LEAST_WINDOWS` or more."""
        return np.flatnonzero(self.windows.sum(axis=1) >= LEAST_WINDOWS)


def lap_spectra(equation: WheelEquation, laps: Sequence[Lap]) -> LapSpectra:
    """Spectra of all usable windows of each lap; a place is a twelfth of the lap's time."""
    length = round(WINDOW_S / equation.step_s)
    frequency_hz: FloatArray = np.asarray(np.fft.rfftfreq(length, equation.step_s), dtype=np.float64)
    inside = band_window(frequency_hz) > LEAST_GAIN
    taper = np.asarray(np.hanning(length + 1)[:length], dtype=np.float64)
    power: FloatArray = np.zeros((len(laps), PLACES, np.count_nonzero(inside)))
    windows = np.zeros((len(laps), PLACES), dtype=np.int64)
    for lap, (here, count) in zip(laps, zip(power, windows, strict=True), strict=True):
        span = equation.span(lap.start_s, lap.end_s)
        speed, usable = equation.own[2, span], equation.usable[span]
        if len(speed) < length:
            continue
        step = round(STEP_S / equation.step_s)
        cut = sliding_window_view(speed, length)[::step]
        good = np.flatnonzero(sliding_window_view(usable, length)[::step].all(axis=1))
        found = np.abs(np.fft.rfft(cut[good] * taper, axis=1)[:, inside]) ** 2
        at = good * step * PLACES // len(speed) == np.arange(PLACES)[:, None]
        here += at @ (found / np.maximum(found.sum(axis=1, keepdims=True), 1e-12))
        count += at.sum(axis=1)
    return LapSpectra(
        tuple(lap.lap for lap in laps),
        frequency_hz[inside],
        power / np.maximum(windows, 1)[..., None],
        windows,
    )


def damping_by_lap(spectra: LapSpectra, hop: WheelHop, ratio: float) -> tuple[LapDamping, ...]:
    """Damping ratio of a wheel hop on each lap, about ``ratio``, their geometric mean; None inside for few windows.

    The change of each lap is the likeliest after P. Whittle, Ark. Mat. 2 (1953) 423-434. Its interval is a jackknife
    over places of the lap (B. Efron, R. Tibshirani, An Introduction to the Bootstrap, Chapman & Hall 1993, ch. 11).
    Every lap meets the same places, so the scatter between laps is the same jackknife without what places have in
    common.
    """
    used = spectra.long_enough
    if len(used) < 2:
        return tuple(LapDamping(lap, None, None) for lap in spectra.laps)
    windows, relative = spectra.windows[used], _relative(spectra, used)
    wheel = _wheel_on_white_road(spectra, used, hop)
    change = _changes(relative, windows, spectra.frequency_hz, hop, wheel)
    whole = change[:, 0] - change[:, 0].mean()
    without = change[:, 1:] - change[:, 1:].mean(axis=1, keepdims=True)
    spare = len(used) / (len(used) - 1)  # the laps' own mean is taken from them
    found = {}
    for i, lap in enumerate(used):
        value, spread = ratio * float(np.exp(whole[i])), float(np.exp(T_975 * _jackknife_sd(without[i])))
        scatter = _jackknife_sd(without[i] - without.mean(axis=0)) * float(np.sqrt(spare))
        found[int(lap)] = LapDamping(spectra.laps[lap], value, (value / spread, value * spread), scatter)
    return tuple(found.get(i, LapDamping(lap, None, None)) for i, lap in enumerate(spectra.laps))


def _relative(spectra: LapSpectra, used: IntArray) -> FloatArray:
    """Spectra of these laps over the mean of those that were measured at the same place."""
    power, there = spectra.power[used], spectra.windows[used] > 0
    mean = power.sum(axis=0) / np.maximum(there.sum(axis=0), 1)[:, None]
    return np.asarray(power / np.maximum(mean, 1e-12))


def _wheel_on_white_road(spectra: LapSpectra, used: IntArray, hop: WheelHop) -> tuple[float, float]:
    """Likeliest tyre frequency [Hz] and damping, at most that of sound wheels; ISO 8608 roads are white in velocity."""
    weight = band_window(spectra.frequency_hz) ** 2
    windows = spectra.windows[used]
    mean = np.einsum("lpf,lp->f", spectra.power[used], windows) / windows.sum()
    tyre_hz, damping = (axis.ravel() for axis in np.meshgrid(TYRE_HZ, DAMPING, indexing="ij"))
    gain = band_gain(coefficients(hop, tyre_hz, damping), spectra.frequency_hz)
    best = np.argmin(_unlikely(gain, (mean / weight)[None], weight))
    return float(tyre_hz[best]), float(damping[best])


def _unlikely(gain: FloatArray, power: FloatArray, weight: FloatArray) -> FloatArray:
    """Twice the negative log-likelihood per value after Whittle, shape (..., n_poles, n_spectra).

    ``gain`` (..., n_poles, n_frequencies) is |A|^2 of the wheel's equation, ``power`` (..., n_spectra, n_frequencies).
    """
    weight = weight / weight.sum()
    return np.asarray(np.log(gain @ np.swapaxes(weight * power, -1, -2)) - (np.log(gain) @ weight)[..., None])


def _changes(
    relative: FloatArray,
    windows: IntArray,
    frequency_hz: FloatArray,
    hop: WheelHop,
    wheel: tuple[float, float],
) -> FloatArray:
    """Change of ln(damping) on each lap, over all places and then without each; shape (n_laps, 1 + PLACES)."""
    by_place = relative * windows[..., None]
    none = np.zeros_like(by_place[:, :1])
    spectra = by_place.sum(axis=1, keepdims=True) - np.concatenate([none, by_place], axis=1)
    weight = (
        band_window(frequency_hz) * rise((frequency_hz - CHASSIS_HZ[0]) / (CHASSIS_HZ[1] - CHASSIS_HZ[0]))
    ) ** 2
    inside = weight > LEAST_GAIN**2
    frequency_hz, spectra, weight = frequency_hz[inside], spectra[..., inside], weight[inside]
    # independent values behind a spectrum: twice bandwidth times time
    freedom = 2.0 * float(weight.sum()) * (frequency_hz[1] - frequency_hz[0]) * STEP_S * windows.sum(axis=1)
    before = band_gain(coefficients(hop, *np.array(wheel)[:, None]), frequency_hz)

    def unlikely(at: FloatArray, power: FloatArray) -> FloatArray:
        row = coefficients(hop, wheel[0] * np.exp(at[..., 0]), wheel[1] * np.exp(at[..., 1]))
        held = at[..., 0] ** 2 / (freedom[:, None] * TYRE_SD**2)
        return np.asarray(_unlikely(band_gain(row, frequency_hz) / before, power, weight) + held[..., None])

    laps = np.arange(len(spectra))
    centre, half = np.zeros((len(spectra), 2)), REACH
    for _ in range(ROUNDS):
        at = centre[:, None] + half * _grid(AROUND)
        centre = at[laps, unlikely(at, spectra[:, :1])[..., 0].argmin(axis=1)]
        half = half / 4.0
    near = NEAR * _grid(AROUND[::3])
    value = unlikely(centre[:, None] + near, spectra)
    # the lowest point of the paraboloid through the values near by
    tyre, damping = near.T
    terms = np.stack([np.ones_like(tyre), tyre, damping, tyre**2, tyre * damping, damping**2], axis=1)
    _, a, b, c, d, e = np.tensordot(np.linalg.pinv(terms), value, axes=(1, 1))
    lowest = (d * a - 2 * c * b) / np.maximum(4 * c * e - d**2, 1e-12)
    return np.asarray(centre[:, 1:] + np.clip(lowest, -2 * NEAR[1], 2 * NEAR[1]))


def _grid(steps: FloatArray) -> FloatArray:
    """Points of a square grid, (n, 2)."""
    return np.stack(np.meshgrid(steps, steps, indexing="ij"), axis=-1).reshape(-1, 2)


def _jackknife_sd(away: FloatArray) -> float:
    return float(np.sqrt((PLACES - 1) / PLACES * (away**2).sum()))


LEAST_LAPS_FOR_TREND = 4
# Over five laps the readings of sound dampers drift by 4 % (standard deviation; 21 outings of `telemetry.simulate` with
# every confounder, choosing seeds 1510005 to 1520039): so much is usual, and three times it the least that is told.
LEAST_FALL_PCT = 12.0
USUAL_DRIFT_PCT = 4.0
# Of sound outings so many may be called falling, both ends and every shape that is looked for together.
FALSE_CALLS = 1.0 / 150.0
ENDS_LOOKED_AT = 2
SHAPES = 2.0  # a line that falls, and all bends together
_LEVEL = FALSE_CALLS / ENDS_LOOKED_AT / SHAPES
# The scatter within a lap counts as so many laps beside what the laps themselves scatter about their line.
PRIOR_LAPS = 4
# Two laps of a sound damper differ by this at least: fuel, line and pace. [ln of the ratio; a choice of ours]
LEAST_SCATTER = 0.01
# Laps on each side of the turn of a damper that recovers, the turn among them.
LEAST_SIDE = 3
# With the masses not known a lost damper is called by this share of the usual ratio. A choice of ours.
SCALE_UNKNOWN = 2.0 / 3.0
# Through the chassis a damper that changes moves the other end's reading the other way, by up to 0.19 of its own change
# in simulation; by less than this share nothing is known to have changed there.
LEAK_SHARE = 0.25
_TOO_FEW = f"A course over the laps needs {LEAST_LAPS_FOR_TREND} complete laps at pace."


def damping_trend(fade: tuple[LapDamping, ...]) -> DampingTrend | None:
    """Change of the damping ratio per lap, by a line through its logarithm; None below `LEAST_LAPS_FOR_TREND` laps."""
    known = [lap for lap in fade if lap.damping_ratio is not None]
    if len(known) < LEAST_LAPS_FOR_TREND:
        return None
    lap = np.array([float(entry.lap) for entry in known])
    value = np.log([entry.damping_ratio for entry in known if entry.damping_ratio is not None])
    lap = lap - lap.mean()
    slope = float((lap * value).sum() / (lap**2).sum())
    left = value - value.mean() - slope * lap
    freedom = len(known) - 2
    sd = float(np.sqrt((left**2).sum() / freedom / (lap**2).sum()))
    half = student_t(0.975, freedom) * sd
    low, middle, high = (100.0 * float(np.expm1(x)) for x in (slope - half, slope, slope + half))
    return DampingTrend(middle, (low, high))


@dataclass(frozen=True)
class Change:
    """A change beyond a sound damper's: laps of start, turn and end; ln(ratio) falls to the turn and rises after it."""

    first: int
    turn: int
    last: int
    fall: float
    rise: float = 0.0


def find_change(laps: tuple[LapDamping, ...]) -> Change | None:
    """A fall as `find_fall` finds it, or a rise that is as sure and does not turn back."""
    fall = find_fall(laps)
    if fall is not None:
        return fall
    turned = tuple(lap if lap.damping_ratio is None else _inverse(lap, lap.damping_ratio) for lap in laps)
    rise = find_fall(turned)
    if rise is None or rise.rise:
        return None
    return Change(rise.first, rise.first, rise.last, 0.0, rise.fall)


def _inverse(lap: LapDamping, ratio: float) -> LapDamping:
    ci95 = None if lap.ci95 is None else (1.0 / lap.ci95[1], 1.0 / lap.ci95[0])
    return replace(lap, damping_ratio=1.0 / ratio, ci95=ci95)


def without_leaks(change: Mapping[End, Change | None]) -> dict[End, Change | None]:
    """The changes of both ends, without one that a larger change of the other end the other way accounts for."""
    told = dict(change)
    pairs: tuple[tuple[End, End], ...] = (("rear", "front"), ("front", "rear"))
    for end, other in pairs:
        here, there = change.get(end), change.get(other)
        if here is None or there is None or (here.fall and here.rise):
            continue
        total, beside = here.rise - here.fall, there.rise - there.fall
        if total * beside < 0 and abs(total) < LEAK_SHARE * abs(beside):
            told[end] = None
    return told


def find_fall(laps: tuple[LapDamping, ...]) -> Change | None:
    """A fall of the damping ratio that stays or recovers, where the laps show one beyond chance and drift.

    ln(ratio) over the laps is fitted with a line and with every line of one bend. The change of each fit is tested
    one-sided against `USUAL_DRIFT_PCT`, at a level that `FALSE_CALLS` leaves for each (Bonferroni). The scatter about
    the fit is pooled with the scatter inside the laps, so that four laps that lie on a line by chance prove little.
    """
    found = _known_laps(laps)
    if found is None:
        return None
    x, value, within, number = found
    count, first, last = len(number), number[0], number[-1]
    line = _fit((x,), value, within, _LEVEL)
    falls = (
        [(line.residual, Change(first, last, last, -line.change(x[-1] - x[0])))]
        if line.falls(x[-1] - x[0])
        else []
    )
    recoveries = []
    turns = range(LEAST_SIDE - 1, count - LEAST_SIDE + 1)
    for turn in turns:
        bend = x - x[turn]
        fit = _fit((np.minimum(bend, 0.0), np.maximum(bend, 0.0)), value, within, _LEVEL / len(turns))
        before, after = x[turn] - x[0], x[-1] - x[turn]
        if fit.falls(before, 0.0) and fit.falls(0.0, -after):
            here = Change(first, number[turn], last, -fit.change(before, 0.0), fit.change(0.0, after))
            recoveries.append((fit.residual, here))
        elif fit.falls(before, after):
            falls.append((fit.residual, Change(first, last, last, -fit.change(before, after))))
    told = recoveries or falls
    return min(told, key=lambda pair: pair[0])[1] if told else None


def _known_laps(
    laps: tuple[LapDamping, ...],
) -> tuple[FloatArray, FloatArray, FloatArray, tuple[int, ...]] | None:
    """Laps, ln(ratio), scatter and lap numbers where the ratio is known; None with too few."""
    known = [
        (lap.lap, log(lap.damping_ratio), _scatter(lap, lap.damping_ratio))
        for lap in laps
        if lap.damping_ratio is not None
    ]
    if len(known) < LEAST_LAPS_FOR_TREND:
        return None
    number, value, scatter = zip(*known, strict=True)
    return np.array(number, dtype=np.float64), np.array(value), np.array(scatter), number


def _scatter(lap: LapDamping, ratio: float) -> float:
    """Standard deviation of ln(ratio) from lap to lap; that of the lap itself where a stored review has no other."""
    if lap.scatter is not None:
        return max(lap.scatter, LEAST_SCATTER)
    return LEAST_SCATTER if lap.ci95 is None else max(log(lap.ci95[1] / ratio) / T_975, LEAST_SCATTER)


def least_fall_pct(laps: tuple[LapDamping, ...]) -> float | None:
    """The even fall over the laps that would have been found in 9 of 10 cases; None with too few laps. [%]"""
    found = _known_laps(laps)
    if found is None:
        return None
    x, value, within, _ = found
    fit = _fit((x,), value, within, _LEVEL)
    half = fit.half(float(x[-1] - x[0]))
    least = half * (1.0 + student_t(0.9, fit.freedom) / fit.t) - log1p(-USUAL_DRIFT_PCT / 100.0)
    return max(-100.0 * expm1(-least), LEAST_FALL_PCT)


@dataclass(frozen=True)
class _Fit:
    """Least squares: slopes, covariance, degrees of freedom, Student's t of the level, the sum of squares left."""

    slope: FloatArray
    covariance: FloatArray
    freedom: int
    t: float
    residual: float

    def change(self, *span: float) -> float:
        """Change over so many laps along each slope."""
        return float(np.array(span) @ self.slope)

    def falls(self, *span: float) -> bool:
        """Whether that change is surely a fall beyond drift, and worth a word."""
        change, half = self.change(*span), self.half(*span)
        return change + half < log1p(-USUAL_DRIFT_PCT / 100.0) and change < log1p(-LEAST_FALL_PCT / 100.0)

    def half(self, *span: float) -> float:
        """Half of the interval of that change, at the level asked for."""
        return self.t * float(np.sqrt(np.array(span) @ self.covariance @ np.array(span)))


def _fit(terms: tuple[FloatArray, ...], value: FloatArray, within: FloatArray, level: float) -> _Fit:
    table = np.stack([np.ones_like(value), *terms], axis=1)
    found, *_ = np.linalg.lstsq(table, value)
    residual = float(((value - table @ found) ** 2).sum())
    freedom = len(value) - table.shape[1] + PRIOR_LAPS
    variance = (residual + PRIOR_LAPS * float((within**2).mean())) / freedom
    covariance = variance * np.linalg.inv(table.T @ table)
    return _Fit(
        np.asarray(found[1:], dtype=np.float64),
        covariance[1:, 1:],
        freedom,
        student_t(1.0 - level, freedom),
        residual,
    )


def level_state(pole: Pole, ratio: float, hop: WheelHop) -> DamperState:
    """State of a damper ("worn all along", "doubtful", "sound") by its ratio over an outing, as from `pole_ratio`.

    Without masses and tyre rate in the bike file the scale of the ratio is less certain; a pole at the band's edge is
    not found.
    """
    lost_below = LOST_BELOW * (1.0 if hop.from_bike else SCALE_UNKNOWN)
    if ratio <= lost_below and not any(stopped_by_bounds(pole, hop)):
        return "worn all along"
    return "doubtful" if ratio < DOUBTFUL_BELOW else "sound"


def damper_course(
    laps: tuple[LapDamping, ...],
    ratio: float,
    end: End,
    level: DamperState,
    *,
    knows_road: bool,
    change: Change | None,
) -> DamperCourse:
    """Course of one end's damping ratio over the outing, in a word and a sentence; ``ratio`` is of the whole outing.

    Without ``knows_road`` the ratio depends on the road, and only its change can be judged.
    """
    trend = damping_trend(laps)
    if change is not None:
        return DamperCourse(_change_state(change), _change_words(change, trend, end), laps, trend)
    if not knows_road:
        if trend is None:
            return DamperCourse("cannot tell", _TOO_FEW, laps, trend)
        return DamperCourse(
            "steady",
            f"The damping ratio of the {end} wheel hop shows no change over the laps; whether its level is sound "
            "cannot be told from one end alone.",
            laps,
            trend,
        )
    if level == "worn all along":
        return DamperCourse(
            "worn all along",
            f"The damping ratio of the {end} wheel hop was only {ratio:.2f} from the start: this suggests a worn "
            "damper or one set far too soft.",
            laps,
            trend,
        )
    if level == "doubtful":
        return DamperCourse(
            "doubtful",
            f"The damping ratio of the {end} wheel hop was {ratio:.2f}: a worn damper and a very rough road both look "
            "like this.",
            laps,
            trend,
        )
    least = least_fall_pct(laps)
    over = (
        "" if least is None else f"; a fall of {least:.0f} % over the laps would be detected in 9 of 10 cases"
    )
    return DamperCourse(
        "sound", f"The damping ratio of the {end} wheel hop was near {ratio:.2f}{over}.", laps, trend
    )


def _change_state(change: Change) -> DamperState:
    if not change.fall:
        return "recovering"
    return "lost damping and recovered" if change.rise else "losing damping"


def _change_words(change: Change, trend: DampingTrend | None, end: End) -> str:
    """How far it fell, whether it came back, and what does that."""
    down_pct, up_pct = -100.0 * expm1(-change.fall), 100.0 * expm1(change.rise)
    ratio = f"the damping ratio of the {end} wheel hop"
    if not change.fall:
        return (
            f"From lap {change.first} to lap {change.last} {ratio} rose by {up_pct:.0f} %: this suggests a {end} "
            "damper that had lost damping before and recovers; a tyre gaining pressure or a pace that falls from lap "
            "to lap can look like it."
        )
    words = f"From lap {change.first} to lap {change.turn} {ratio} fell by {down_pct:.0f} %"
    if change.rise:
        return (
            f"{words} and recovered by {up_pct:.0f} % to lap {change.last}: this suggests a {end} damper that loses "
            "damping when it is worked hard and recovers when it is not, by heat or by gas in its oil."
        )
    if trend is not None:
        low, high = trend.ci95_pct_per_lap
        words += f" ({trend.change_pct_per_lap:.1f} % a lap, 95 % {low:.1f} to {high:.1f} %)"
    return (
        f"{words}: this suggests a {end} damper that is losing its damping, by heat, by gas in its oil or by a leak; a "
        "tyre losing pressure or a pace that rises from lap to lap can look like it."
    )


BY_SPEED_WINDOW_S = 0.5
KEPT_SHARE = 0.95
# Edges of the ranges of shaft speed, RMS, doubling; a range needs 10 s of a lap. Choices of ours.
SPEED_EDGES_MM_S = (0.0, 25.0, 50.0, 100.0, 200.0, 1e4)
LEAST_WINDOWS_OF_A_SPEED = 20
# The outing's weights on the road count as so much of a lap's own; what a damper of the other end or a clock would
# change of them is free. Chosen on seeds below those of tests/benchmarks/detection.
OUTING_PRIOR = 0.3
SMALL_STEP = 0.01  # of the other end's damping, for the direction in which its weights change


@dataclass(frozen=True)
class LapSums:
    """Usable windows of a lap, weighted by the residual of the outing's equation, summed by shaft speed.

    ``windows`` (n_ranges,) counts them in the ranges of `SPEED_EDGES_MM_S`; ``products`` (n_ranges, k, k) are of the
    signals less the road's part; the last ``free`` signals have weights of the lap, not of the outing.
    """

    lap: int
    windows: IntArray
    products: FloatArray
    free: int

    def left(self, speed: int, prior: float) -> FloatArray:
        """Products in one range (5 + k, 5 + k) with what is known taken out; shape (5, 5)."""
        held = np.full(self.products.shape[1] - 5 - self.free, prior)
        return take_out(self.products[speed], np.concatenate([held, np.zeros(self.free)]))[1]


def read_laps(
    equation: WheelEquation,
    fitted: FrontFilter,
    laps: Sequence[Lap],
    leverage: float,
    other: tuple[WheelHop, Pole] | None = None,
) -> tuple[LapSums, ...]:
    """Every lap as the sums that tell its damping by shaft speed; ``leverage`` is wheel over shaft travel.

    The road weights are the outing's, except for what changes from lap to lap: the damping of the ``other`` end, which
    turns its travel into the road, and a drifting clock.
    """
    changing = None if other is None or not equation.knows_road else _with_damping(*other)
    return tuple(_lap_sums(equation, fitted, lap, leverage, changing) for lap in laps)


def _with_damping(hop: WheelHop, pole: Pole) -> FloatArray:
    """What one step of damping adds to the coefficients of a wheel's equation; shape (5,)."""
    tyre_hz = np.array(pole.tyre_hz)
    less, more = (
        coefficients(hop, tyre_hz, np.array(pole.damping * part)) for part in (1.0, 1.0 + SMALL_STEP)
    )
    return more - less


def _lap_sums(
    equation: WheelEquation, fitted: FrontFilter, lap: Lap, leverage: float, changing: FloatArray | None
) -> LapSums:
    inside = equation.span(lap.start_s, lap.end_s)
    own, known = equation.own[:, inside].copy(), equation.known(inside)
    free = np.empty((0, own.shape[1]))
    if equation.knows_road and own.shape[1] > 1:
        own[0] -= fitted.weights @ known
        then = known[: len(OTHER_THEN)]
        free = np.gradient(fitted.weights[: len(then)] @ then)[None]
        if changing is not None:
            free = np.concatenate([free, (changing @ then)[None]])
    cut = blocks((own, known, free), equation.usable[inside], equation.step_s, BY_SPEED_WINDOW_S)
    speed = np.searchsorted(SPEED_EDGES_MM_S, np.sqrt(cut.products[:, 2, 2]) / leverage, side="right") - 1
    ranges = np.arange(len(SPEED_EDGES_MM_S) - 1)[:, None]
    inside_range = (speed == ranges) & cut.whole
    k = cut.products.shape[1]
    products = (inside_range * _weights(cut, fitted)) @ cut.products.reshape(-1, k * k)
    return LapSums(lap.lap, inside_range.sum(axis=1), products.reshape(-1, k, k), len(free))


def _weights(cut: Blocks, fitted: FrontFilter) -> FloatArray:
    """Weights of windows by their own residual; 0 for the few that fit worst."""
    if not cut.whole.any():
        return np.zeros(len(cut.whole))
    residual = np.maximum(np.einsum("i,bij,j->b", fitted.row, cut.products[:, :5, :5], fitted.row), 1e-9)
    relative = residual / np.maximum(cut.products[:, 2, 2], 1e-9)
    return np.asarray((relative <= quantile(relative[cut.whole], KEPT_SHARE)) / residual)


def damping_by_speed(laps: Sequence[LapSums], hop: WheelHop) -> tuple[SpeedDamping, ...]:
    """Pole of a wheel on every lap, by shaft speed of its windows; ranges that no lap has enough of are left out."""
    ranges = range(len(SPEED_EDGES_MM_S) - 1)
    enough = [(k, lap) for k in ranges for lap in laps if lap.windows[k] >= LEAST_WINDOWS_OF_A_SPEED]
    poles = fit_poles([lap.left(k, OUTING_PRIOR) for k, lap in enough], hop)
    found: dict[int, list[LapDamping]] = {}
    for (k, lap), pole in zip(enough, poles, strict=True):
        if not stopped_by_bounds(pole, hop)[1]:
            found.setdefault(k, []).append(LapDamping(lap.lap, pole_ratio(pole, hop), None))
    return tuple(
        SpeedDamping(SPEED_EDGES_MM_S[k], SPEED_EDGES_MM_S[k + 1], tuple(there)) for k, there in found.items()
    )


def pole_ratio(pole: Pole, hop: WheelHop) -> float:
    """Damping ratio of a pole as `hop_ratio` gives it."""
    return float(hop_ratio(hop, np.array([pole.tyre_hz]), np.array([pole.damping]))[0])
