"""Pole of the rear wheel with its scatter, the filter from front to rear, and the pole of one event."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from telemetry.arrays import BoolArray, FloatArray
from telemetry.damping.equation import WheelEquation, blocks
from telemetry.damping.hop import WheelHop, coefficients, hop_mode, log_gain, tyre_hz_of
from telemetry.signals import damping_scatter

# (c + c_t)/m over 2 pi 15 Hz: from less than any tyre gives to a damper that hardly moves.
LEAST_DAMPING, MOST_DAMPING = 0.02, 1.7
SEARCH_POINTS = 13
# The tyre frequency learned from the road is this close to the one the wheel rings at.
TYRE_SHARE = 0.15
# As much as a sound damper has: a ratio of 0.5 at 14 Hz (common practice, no source).
SOUND_DAMPING = 0.9
# Above this ratio there is no hop to be found. A choice of ours.
NO_MODE = 0.8
SEARCH_ROUNDS = 4
AROUND = np.linspace(-1.0, 1.0, SEARCH_POINTS)
AT_BOUND = 0.01  # in ln of tyre frequency and damping: a step of the last round


@dataclass(frozen=True)
class Pole:
    """A point of the two-parameter family of `coefficients`, with frequency and damping ratio of its hop mode. [Hz]

    ``log_residual`` is ln of the mean square residual less `log_gain`: smaller is likelier.
    """

    tyre_hz: float
    damping: float
    frequency_hz: float
    damping_ratio: float
    log_residual: float


@dataclass(frozen=True)
class _Search:
    """A grid of poles over ln of tyre frequency and damping, with `coefficients` and `log_gain` of each."""

    axes: tuple[FloatArray, FloatArray]
    row: FloatArray
    gain: FloatArray


def _search(hop: WheelHop, axes: tuple[FloatArray, FloatArray]) -> _Search:
    tyre_hz, damping = map(np.exp, axes)
    row = coefficients(hop, tyre_hz[:, None], damping)
    return _Search(axes, row, log_gain(row))


def _bounds(hop: WheelHop, most_damping: float = MOST_DAMPING) -> FloatArray:
    low, high = (np.log(tyre_hz_of(hop, hz)) for hz in hop.band_hz)
    return np.array([[low, high], [np.log(LEAST_DAMPING), np.log(most_damping)]])


@lru_cache(maxsize=8)
def _whole_band(hop: WheelHop, most_damping: float) -> _Search:
    """Where every search begins."""
    tyre, damping = (np.linspace(low, high, SEARCH_POINTS) for low, high in _bounds(hop, most_damping))
    return _search(hop, (tyre, damping))


def fit_pole(products: FloatArray, hop: WheelHop, most_damping: float = MOST_DAMPING) -> Pole:
    """Likeliest pole within the hop's band, by a grid refined around its best point, up to ``most_damping``.

    ``products`` (5, 5) are mean products of the wheel's signals, what is known taken out.
    """
    bounds, grid = _bounds(hop, most_damping), _whole_band(hop, most_damping)
    half = 0.5 * np.diff(bounds, axis=1)[:, 0]
    centre, least = _best(products, grid)
    for _ in range(SEARCH_ROUNDS - 1):
        half = half / 4.0
        tyre, damping = (
            np.minimum(np.maximum(c + h * AROUND, low), high)
            for c, h, (low, high) in zip(centre, half, bounds.tolist(), strict=True)
        )
        centre, least = _best(products, _search(hop, (tyre, damping)))
    tyre_hz, found = map(float, np.exp(centre))
    return Pole(tyre_hz, found, *hop_mode(hop, tyre_hz, found), least)


def stopped_by_bounds(pole: Pole, hop: WheelHop) -> tuple[bool, bool]:
    """Whether the search ended at an edge of the band, and at an edge of the damping.

    At an edge of the band the damping is right but for an unknown scale; at an edge of the damping nothing was found.
    """
    here = np.log([pole.tyre_hz, pole.damping])
    low, high = _bounds(hop).T
    at_bound = (here < low + AT_BOUND) | (here > high - AT_BOUND)
    return bool(at_bound[0]), bool(at_bound[1])


def _best(products: FloatArray, grid: _Search) -> tuple[FloatArray, float]:
    """The point of a grid with the least residual, and ln of that less its gain."""
    square = ((grid.row @ products) * grid.row).sum(axis=-1)
    value = np.log(np.maximum(square, 1e-12)) - grid.gain
    i, j = np.unravel_index(np.argmin(value), value.shape)
    return np.array([grid.axes[0][i], grid.axes[1][j]]), float(value[i, j])


def found_mode(pole: Pole, hop: WheelHop) -> bool:
    """Whether a hop was found: within its bounds, and not so damped that wheel and chassis move as one."""
    return pole.damping_ratio <= NO_MODE and not stopped_by_bounds(pole, hop)[1]


def hop_near(pole: Pole, hop: WheelHop) -> tuple[float, float]:
    """Where an undamped hop may lie: `TYRE_SHARE` to either side of the outing's pole. [Hz]

    The whole band if the pole stopped at a bound, or is so damped that wheel and chassis move as one.
    """
    if pole.damping_ratio > NO_MODE or any(stopped_by_bounds(pole, hop)):
        return hop.band_hz
    own_hz, _ = hop_mode(hop, pole.tyre_hz, 0.0)
    return max(hop.band_hz[0], (1 - TYRE_SHARE) * own_hz), min(hop.band_hz[1], (1 + TYRE_SHARE) * own_hz)


def frequency_scatter(damping_ratio: float, frequency_hz: float, seconds: float) -> float:
    """Standard deviation of the frequency, sqrt(f ratio / (2 pi T)); see `damping_scatter` of signals. [Hz]"""
    return float(np.sqrt(frequency_hz * damping_ratio / (2 * np.pi * seconds)))


def take_out(products: FloatArray, prior: float | FloatArray = 0.0) -> tuple[FloatArray, FloatArray]:
    """Regression of the five signals on the known ones: response (k, 5), and mean products (5, 5) of the residual.

    ``products`` is (5 + k, 5 + k), the wheel's first. ``prior``: general weights were taken out before, and count as
    this share of the products (ridge regression).
    """
    k = len(products) - 5
    if k == 0:
        return np.empty((0, 5)), products
    known = products[5:, 5:].copy()
    # a little weight on the diagonal: neighbouring taps are nearly the same signal
    diagonal = known.ravel()[:: k + 1]
    diagonal += prior * diagonal + 1e-6 * diagonal.sum() / k
    response = np.asarray(np.linalg.solve(known, products[5:, :5]))
    left = products[:5, :5] - products[:5, 5:] @ response
    return response, 0.5 * (left + left.T)


WINDOW_S = 0.5
KEPT_SHARE = 0.85  # windows that fit worst are left out: lost stretches, stops, faults of a sensor
ROUNDS = 4


@dataclass(frozen=True)
class FrontFilter:
    """The equation fitted over the whole outing.

    ``row`` (5,) are coefficients of the wheel's signals at the pole, ``weights`` (k,) those on what is known,
    ``road_weights`` (k,) the same without the wheel's own past; ``explained`` is the share of the left side that the
    other wheel explains, 0 to 1, 0 without it; ``seconds`` the time used [s].
    """

    pole: Pole
    row: FloatArray
    weights: FloatArray
    road_weights: FloatArray
    explained: float
    seconds: float

    def predicted(self, equation: WheelEquation) -> FloatArray:
        """Right side of the equation from the road alone; 0 where nothing is known.

        The wheel's own past explains a part of its ringing: over a short stretch it would stand in for the pole that is
        sought.
        """
        if not equation.knows_road:
            return np.zeros(len(equation.t_s))
        return np.asarray(self.road_weights @ equation.known)


def fit_front_filter(
    equation: WheelEquation, hop: WheelHop, most_damping: float = MOST_DAMPING, *, less_noise: bool = False
) -> FrontFilter | None:
    """Fit front part and pole over short windows, weighted by their residuals, the worst left out; None if too few.

    ``less_noise`` takes the sensors' noise out of the products before the pole is fitted: noise in a regressor pulls
    the hop up by several hertz (T. Söderström, Errors-in-Variables Methods in System Identification, Springer 2018,
    bias-compensated least squares). The road weights stay those of the noisy signals, which predict best.
    """
    cut = blocks((equation.own, equation.known), equation.usable, equation.step_s, WINDOW_S)
    k, whole = cut.products.shape[1], cut.whole
    if whole.sum() < 2 * k:
        return None
    flat = cut.products.reshape(len(whole), k * k)
    size = np.maximum(cut.products[:, 2, 2], 1e-9)
    weight = whole / size
    for _ in range(ROUNDS):
        mean = (weight @ flat / weight.sum()).reshape(k, k)
        response, left = take_out(without_noise(mean, equation.noise) if less_noise else mean)
        pole = fit_pole(left, hop, most_damping)
        row = coefficients(hop, np.array(pole.tyre_hz), np.array(pole.damping))
        full = np.concatenate([row, -(response @ row)])
        residual = np.maximum(flat @ np.outer(full, full).ravel(), 1e-9)
        relative = residual / size
        weight = (whole & (relative <= np.quantile(relative[whole], KEPT_SHARE))) / (
            beside(residual, whole) if less_noise else residual
        )
    road = road_weights(mean, row, equation.own_past)
    explained = 1.0 - float((full @ mean @ full) / (row @ mean[:5, :5] @ row))
    return FrontFilter(pole, row, response @ row, road, max(explained, 0.0), int(whole.sum()) * cut.seconds)


def beside(values: FloatArray, whole: BoolArray) -> FloatArray:
    """Mean of the whole windows to either side; a window's own value where neither is whole.

    Weighting by the own residual favours windows whose noise is small by chance; the neighbours' does not.
    """
    padded, there = np.pad(values * whole, 1), np.pad(whole.astype(np.float64), 1)
    total, count = padded[:-2] + padded[2:], there[:-2] + there[2:]
    return np.asarray(np.where(count > 0, total / np.maximum(count, 1.0), values))


def without_noise(products: FloatArray, noise: FloatArray) -> FloatArray:
    """Mean products less those of noise, which may be estimated too high: not below zero in any direction (Frisch)."""
    most = float(np.linalg.eigvals(np.linalg.solve(products, noise)).real.max())
    return products - noise / max(most, 1.0)


def road_weights(products: FloatArray, row: FloatArray, own_past: int) -> FloatArray:
    """Weights (k,) on what is known without the wheel's own past, which over a short stretch stands in for the pole."""
    count = len(products) - own_past
    if count <= 5:
        return np.empty(0)
    response, _ = take_out(products[:count, :count])
    return np.concatenate([response @ row, np.zeros(own_past)])


# The front's part is let free, but not far: the prior counts as so much of the stretch's own products. The ratio
# wants it freer than the frequency; both chosen on the tuning seeds of tests/benchmarks/detection.
RATIO_PRIOR, FREQUENCY_PRIOR = 0.1, 10.0
# What is known of a lost damper's ratio before the stretch is seen: rubber leaves 0.03-0.12, a tenth of a damper
# adds about 0.03. Two in three lie within a factor of exp(0.5).
USUAL_LOST, USUAL_SPREAD = 0.08, 0.5
Z_95 = 1.96
# The tyre that the outing taught puts the hop within this: 0.4 on the tuning seeds of tests/benchmarks/detection,
# 0.9 on the bikes of `telemetry.simulate`, whose dampers are less linear. [Hz]
FITTED_SD_HZ = 0.8


@dataclass(frozen=True)
class Ringing:
    """What one stretch shows: undamped hop [Hz], damping ratio, RMS wheel travel in the band [mm]."""

    frequency_hz: float
    frequency_sd_hz: float
    damping_ratio: float
    damping_ratio_ci95: tuple[float, float]
    amplitude_mm: float


def estimate(equation: WheelEquation, inside: slice, fitted: FrontFilter, hop: WheelHop) -> Ringing:
    """Fit the rear pole to one stretch, with the front's part free around that of the outing.

    The ratio is the mean, on ln(ratio), of what the stretch shows, with the scatter of its length (`damping_scatter`),
    and of what a lost damper usually leaves, weighted by precision; the interval is that mean's. Likewise the
    frequency, of the stretch and of the outing's tyre.
    """
    shown = _fit(equation, inside, fitted, hop, RATIO_PRIOR).damping_ratio
    seen_hz = _fit(equation, inside, fitted, hop, FREQUENCY_PRIOR).frequency_hz
    seconds = (inside.stop - inside.start) * equation.step_s
    variance = frequency_scatter(shown, seen_hz, seconds) ** 2
    fitted_hz, _ = hop_mode(hop, fitted.pole.tyre_hz, hop.tyre_damping)
    # a working damper that stiffens the wheel says nothing of where it hops without one
    stiffened = stopped_by_bounds(fitted.pole, hop)[0]
    trust = 1.0 if stiffened else FITTED_SD_HZ**2 / (FITTED_SD_HZ**2 + variance)
    frequency_hz = trust * seen_hz + (1.0 - trust) * fitted_hz
    scatter = damping_scatter(shown, frequency_hz, seconds) / shown
    weight = USUAL_SPREAD**2 / (USUAL_SPREAD**2 + scatter**2)
    ratio = float(shown**weight * USUAL_LOST ** (1.0 - weight))
    spread = float(np.exp(Z_95 * scatter * np.sqrt(weight)))
    # at the hop, travel is speed over 2 pi f; speed leaves out the slow movement of the chassis
    speed = float(np.sqrt(np.mean(equation.own[2, inside] ** 2)))
    return Ringing(
        frequency_hz=frequency_hz,
        frequency_sd_hz=float(np.sqrt(trust * variance)),
        damping_ratio=ratio,
        damping_ratio_ci95=(ratio / spread, ratio * spread),
        amplitude_mm=speed / (2 * np.pi * frequency_hz),
    )


def _fit(equation: WheelEquation, inside: slice, fitted: FrontFilter, hop: WheelHop, prior: float) -> Pole:
    left = equation.own[:, inside].copy()
    if equation.knows_road:
        left[0] -= fitted.road_weights @ equation.known[:, inside]
    known = equation.known[: len(equation.known) - equation.own_past, inside]
    signals = np.concatenate([left, known])
    return fit_pole(take_out(signals @ signals.T / left.shape[1], prior)[1], hop)
