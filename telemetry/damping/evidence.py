"""Pole of the rear wheel with its scatter, and evidence for lost damping, block by block.

Every block of a quarter of a second says how likely each pole of a grid is, with a noise level of its own, so
that one bump cannot decide for two seconds. Blocks add up; what counts over a window is the mean likelihood
of the lost poles against that of the healthy ones.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from telemetry.arrays import BoolArray, FloatArray, IntArray
from telemetry.damping.equation import BLOCK_S, CHUNK, Blocks, WheelEquation, blocks, whole_blocks
from telemetry.damping.hop import (
    FREEDOM_PER_S,
    HEALTHY_ABOVE,
    LOST_BELOW,
    ComplexArray,
    WheelHop,
    band_response,
    coefficients,
    fast_length,
    hop_mode,
    hop_modes,
    lines_between,
    log_gain,
    rise,
    tyre_hz_of,
)
from telemetry.numeric import median, quantile
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
POLES_TOGETHER = 32  # for memory
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
    """Square grids of poles, one or many: ``axes`` (2, n_grids, n_steps) are ln of tyre frequency and of damping.

    ``row`` (n_grids, n_poles, 5) and ``gain`` (n_grids, n_poles) are as of `coefficients` and `log_gain`.
    """

    axes: FloatArray
    row: FloatArray
    gain: FloatArray


def _search(hop: WheelHop, axes: FloatArray) -> _Search:
    tyre_hz, damping = np.exp(axes)
    row = coefficients(hop, tyre_hz[:, :, None], damping[:, None, :]).reshape(len(tyre_hz), -1, 5)
    return _Search(axes, row, log_gain(row))


def _bounds(hop: WheelHop, most_damping: float = MOST_DAMPING) -> FloatArray:
    low, high = (np.log(tyre_hz_of(hop, hz)) for hz in hop.band_hz)
    return np.array([[low, high], [np.log(LEAST_DAMPING), np.log(most_damping)]])


@lru_cache(maxsize=8)
def _whole_band(hop: WheelHop, most_damping: float) -> _Search:
    """Where every search begins."""
    low, high = _bounds(hop, most_damping).T
    return _search(hop, np.linspace(low, high, SEARCH_POINTS).T[:, None])


def fit_pole(products: FloatArray, hop: WheelHop, most_damping: float = MOST_DAMPING) -> Pole:
    """Likeliest pole within the hop's band, by a grid refined around its best point, up to ``most_damping``.

    ``products`` (5, 5) are mean products of the wheel's signals, what is known taken out.
    """
    return fit_poles([products], hop, most_damping)[0]


def fit_poles(
    products: Sequence[FloatArray], hop: WheelHop, most_damping: float = MOST_DAMPING
) -> list[Pole]:
    """`fit_pole` of each of several mean products."""
    found: list[Pole] = []
    for first in range(0, len(products), POLES_TOGETHER):
        found += _fit_poles(np.stack(products[first : first + POLES_TOGETHER]), hop, most_damping)
    return found


def _fit_poles(products: FloatArray, hop: WheelHop, most_damping: float) -> list[Pole]:
    bounds, grid = _bounds(hop, most_damping)[:, :, None, None], _whole_band(hop, most_damping)
    half = 0.5 * (bounds[:, 1] - bounds[:, 0])
    centre, least = _best(products, grid)
    for _ in range(SEARCH_ROUNDS - 1):
        half = half / 4.0
        axes = np.minimum(np.maximum(centre[..., None] + half * AROUND, bounds[:, 0]), bounds[:, 1])
        centre, least = _best(products, _search(hop, axes))
    tyre_hz, damping = np.exp(centre)
    values = tyre_hz, damping, *hop_modes(hop, tyre_hz, damping), least
    return [Pole(*one) for one in np.stack(values, axis=1).tolist()]


def stopped_by_bounds(pole: Pole, hop: WheelHop) -> tuple[bool, bool]:
    """Whether the search ended at an edge of the band, and at an edge of the damping.

    At an edge of the band the damping is right but for an unknown scale; at an edge of the damping nothing was found.
    """
    here = np.log([pole.tyre_hz, pole.damping])
    low, high = _bounds(hop).T
    at_bound = (here < low + AT_BOUND) | (here > high - AT_BOUND)
    return bool(at_bound[0]), bool(at_bound[1])


def _best(products: FloatArray, grid: _Search) -> tuple[FloatArray, FloatArray]:
    """The points (2, n) of grids with the least residuals, and ln of those less their gain (n,)."""
    square = ((grid.row @ products) * grid.row).sum(axis=-1)
    value = np.log(np.maximum(square, 1e-12)) - grid.gain
    each, best = np.arange(len(value)), value.argmin(axis=1)
    point = np.divmod(best, SEARCH_POINTS)
    here = each if len(grid.row) > 1 else 0  # the first grid is the same for all
    return np.stack([axis[here, at] for axis, at in zip(grid.axes, point, strict=True)]), value[each, best]


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
class FitWindows:
    """What a fit needs of a run: mean products of its signals over windows of `WINDOW_S`. [mm2/s2]

    ``products`` (n, k (k + 1) / 2) are of each signal with itself and those after it; ``whole`` (n,) are usable.
    ``own_past`` and ``noise`` are as of `WheelEquation`; the own past is left out where ``of_news``.
    """

    products: FloatArray
    whole: BoolArray
    seconds: float
    own_past: int
    noise: FloatArray
    of_news: bool = False

    @property
    def past(self) -> int:
        """How many of the signals are the wheel's own past."""
        return 0 if self.of_news else self.own_past

    @property
    def size(self) -> FloatArray:
        """Mean square of the wheel's speed, (n,)."""
        return self.products[:, 2 * len(self.noise) - 1]

    def mean(self, weight: FloatArray) -> FloatArray:
        """Mean products of the signals, weighted by window; shape (k, k)."""
        k = len(self.noise)
        square = np.empty((k, k))
        i, j = np.triu_indices(k)
        square[i, j] = square[j, i] = weight @ self.products / weight.sum()
        return self._used(square)

    def mean_square(self, row: FloatArray) -> FloatArray:
        """Of a sum of the signals, weighted by ``row`` (k,), in every window; shape (n,)."""
        k = len(self.noise)
        row = np.pad(row, (0, k - len(row)))
        i, j = np.triu_indices(k)
        return np.asarray(self.products @ (row[i] * row[j] * np.where(i == j, 1.0, 2.0)))

    def without_noise(self, products: FloatArray) -> FloatArray:
        """Mean products less the sensors' noise."""
        return without_noise(products, self._used(self.noise))

    def _used(self, square: FloatArray) -> FloatArray:
        used = len(square) - (self.own_past - self.past)
        return square[:used, :used]


def fit_windows(
    equation: WheelEquation, parts: Sequence[slice], owns: Sequence[FloatArray] = ()
) -> list[FitWindows]:
    """Windows of some parts of a run, for each of ``owns``: other signals (5, n) in place of the wheel's own."""
    owns = owns or (equation.own,)
    length = round(WINDOW_S / equation.step_s)
    together = (
        CHUNK * length
    )  # some at a time: what is known of a whole run takes more memory than its products
    pieces = [
        slice(first, min(first + together, part.stop))
        for part in parts
        for first in range(part.start, part.stop - length + 1, together)
    ]
    columns = len(equation.noise) * (len(equation.noise) + 1) // 2
    count = sum((piece.stop - piece.start) // length for piece in pieces)
    products, whole = [np.empty((count, columns)) for _ in owns], np.empty(count, dtype=bool)
    first = 0
    for piece in pieces:
        known, usable = equation.known(piece), equation.usable[piece]
        here = slice(first, first + (piece.stop - piece.start) // length)
        for own, into in zip(owns, products, strict=True):
            cut = blocks((own[:, piece], known), usable, equation.step_s, WINDOW_S)
            into[here], whole[here] = _triangle(cut.products), cut.whole
        first = here.stop
    seconds = int(whole.sum()) * length * equation.step_s
    return [FitWindows(some, whole, seconds, equation.own_past, equation.noise) for some in products]


def _triangle(products: FloatArray) -> FloatArray:
    """Of square matrices (n, k, k) each row from the diagonal on, (n, k (k + 1) / 2)."""
    i, j = np.triu_indices(products.shape[1])
    return np.asarray(products.reshape(len(products), -1).take(i * products.shape[1] + j, axis=1))


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
        return equation.predicted(self.road_weights, equation.whole)


def fit_front_filter(
    cut: FitWindows, hop: WheelHop, most_damping: float = MOST_DAMPING, *, less_noise: bool = False
) -> FrontFilter | None:
    """Fit front part and pole over short windows, weighted by their residuals, the worst left out; None if too few.

    ``less_noise`` takes the sensors' noise out of the products before the pole is fitted: noise in a regressor pulls
    the hop up by several hertz (T. Söderström, Errors-in-Variables Methods in System Identification, Springer 2018,
    bias-compensated least squares). The road weights stay those of the noisy signals, which predict best.
    """
    whole, size = cut.whole, np.maximum(cut.size, 1e-9)
    weight = whole / size
    for _ in range(ROUNDS):
        mean = cut.mean(weight)
        if whole.sum() < 2 * len(mean):
            return None
        response, left = take_out(cut.without_noise(mean) if less_noise else mean)
        pole = fit_pole(left, hop, most_damping)
        row = coefficients(hop, np.array(pole.tyre_hz), np.array(pole.damping))
        full = np.concatenate([row, -(response @ row)])
        residual = np.maximum(cut.mean_square(full), 1e-9)
        relative = residual / size
        weight = (whole & (relative <= quantile(relative[whole], KEPT_SHARE))) / (
            beside(residual, whole) if less_noise else residual
        )
    road = road_weights(mean, row, cut.past)
    explained = 1.0 - float((full @ mean @ full) / (row @ mean[:5, :5] @ row))
    return FrontFilter(pole, row, response @ row, road, max(explained, 0.0), cut.seconds)


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
    products = _products(equation, inside, fitted)
    freer, held = fit_poles([take_out(products, prior)[1] for prior in (RATIO_PRIOR, FREQUENCY_PRIOR)], hop)
    shown, seen_hz = freer.damping_ratio, held.frequency_hz
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


def _products(equation: WheelEquation, inside: slice, fitted: FrontFilter) -> FloatArray:
    """Mean products of a stretch, the outing's road taken out, with what is known but the wheel's own past."""
    left, known = equation.own[:, inside].copy(), equation.known(inside)
    if equation.knows_road:
        left[0] -= fitted.road_weights @ known
    signals = np.concatenate([left, known[: len(known) - equation.own_past]])
    return np.asarray(signals @ signals.T / left.shape[1])


# Near the hop: a little beyond where it may lie, with smooth edges that ring no longer than a block.
BEYOND = (0.82, 1.17)
EDGE_HZ = 2.3
# The road is never smoother than this share of its median, as far as the front can tell.
LEAST_ROAD = 0.15
# ln of mean square, own over road, of a wheel that has lost its damping: twice as far is ln 4 = 1.39, and most lose
# more. Its healthy scatter is the outing's own, but not less than that of a second of a resonance. The rare bump that
# only this wheel has met counts as `RARE`. Chosen on the tuning seeds of tests/benchmarks/detection.
LOST_SWING, LOST_SPREAD = 1.8, 0.45
MORE_SCATTER, LEAST_SCATTER = 1.1, 0.25
RARE, RARE_RANGE = 0.003, 5.0
# With less than this the wheel swings no further than with half of its damping: a sound damper too is damped less
# at some loads and speeds (oil and hose give, valves are digressive, seals hold), and its pole then looks lost.
LEAST_SWING = float(np.log(2.0))
UPPER_QUARTILE = 0.6745  # of a normal distribution


@dataclass(frozen=True)
class Swing:
    """Mean square speed near the hop by block, (n_blocks,): the wheel's own, and what the road makes of it. [mm2/s2]"""

    own: FloatArray
    road: FloatArray


def find_swing(equation: WheelEquation, fitted: FrontFilter, predicted: FloatArray, hop: WheelHop) -> Swing:
    """Swing of a wheel over a run; ``predicted`` (n,) is the right side of the equation from the other wheel."""
    n, step_s = len(predicted), equation.step_s
    padded = fast_length(n)
    low, high = (share * edge for share, edge in zip(BEYOND, hop_near(fitted.pole, hop), strict=True))
    inside, hz = lines_between(padded, step_s, low - 0.5 * EDGE_HZ, high + 0.5 * EDGE_HZ)
    near = rise((hz - low) / EDGE_HZ + 0.5) * rise((high - hz) / EDGE_HZ + 0.5)
    length = round(BLOCK_S / step_s)
    count = n // length

    def of_blocks(signal: FloatArray, gain: FloatArray | ComplexArray) -> FloatArray:
        spectrum = np.fft.rfft(signal, padded)
        spectrum[: inside.start] = spectrum[inside.stop :] = 0.0
        spectrum[inside] *= gain
        swing = np.fft.irfft(spectrum, padded)
        return np.asarray(np.square(swing, out=swing)[: count * length].reshape(count, length).mean(axis=1))

    return Swing(of_blocks(equation.own[2], near), of_blocks(predicted, near / band_response(fitted.row, hz)))


@dataclass(frozen=True)
class Usual:
    """Usual swing of windows of one length; ``least`` is added to the road's part. [mm2/s2]

    ``middle`` is the median of ln(own / road), ``scatter`` the standard deviation of healthy stretches about it.
    """

    least: float
    middle: float
    scatter: float


def usual_swing(swing: Swing, whole: BoolArray, n_blocks: int) -> Usual:
    """Usual swing of windows of ``n_blocks`` blocks; ``whole`` (n,) are the usable ones."""
    if not whole.any():
        return Usual(0.0, 0.0, LEAST_SCATTER)
    least = LEAST_ROAD * median(swing.road[whole])
    usable = runs_of(whole, n_blocks)
    if not usable.any():
        return Usual(least, 0.0, LEAST_SCATTER)
    over = swing_over(swing, Usual(least, 0.0, 0.0), n_blocks)[usable]
    middle, upper = median(over), quantile(over, 0.75)
    scatter = MORE_SCATTER * (upper - middle) / UPPER_QUARTILE
    return Usual(least, middle, max(scatter, LEAST_SCATTER))


def swing_over(swing: Swing, usual: Usual, n_blocks: int) -> FloatArray:
    """ln(own / road) of mean squares less the usual, for every run of ``n_blocks`` blocks, by first block."""
    if len(swing.own) < n_blocks:
        return np.empty(0)
    box = np.full(n_blocks, 1.0 / n_blocks)
    own, road = (np.convolve(part, box, mode="valid") for part in (swing.own, swing.road))
    return np.asarray(np.log(np.maximum(own, 1e-12) / np.maximum(road + usual.least, 1e-12)) - usual.middle)


def swing_evidence(over: FloatArray, scatter: float) -> FloatArray:
    """Log likelihood ratio, lost over healthy, of a swing over the usual; -inf below `LEAST_SWING`.

    At most about ln(`RARE_RANGE` / `RARE`): a wheel may meet what the other has not.
    """
    normal = np.sqrt(2 * np.pi)
    lost = -0.5 * ((np.minimum(over, LOST_SWING) - LOST_SWING) / LOST_SPREAD) ** 2 - np.log(
        LOST_SPREAD * normal
    )
    healthy = (1.0 - RARE) * np.exp(-0.5 * (over / scatter) ** 2) / (scatter * normal)
    found = lost - np.log(healthy + RARE / RARE_RANGE)
    return np.asarray(np.where(over < LEAST_SWING, -np.inf, found))


BLOCKS_TOGETHER = 512
GRID_HZ = 0.5
GRID_DAMPING = np.geomspace(0.03, 1.4, 15)
# A damper that is weak all the time is its own reference: healthy starts at this share of the learned ratio. One that
# fails in one direction only, or in part, leaves more than rubber does: about half of the learned ratio.
HEALTHY_SHARE, LOST_SHARE = 0.75, 0.55
# A sound, digressive damper works at a ratio near 0.2 on a rough stretch (common practice, no source): whatever was
# learned, more than a little above it is not lost. Chosen on the tuning seeds.
LOST_AT_MOST = 0.22


@dataclass(frozen=True)
class PoleGrid:
    """Poles to compare; ``row`` (n_poles, 5) are coefficients of the wheel's signals, ``gain`` their `log_gain`."""

    frequency_hz: FloatArray
    damping_ratio: FloatArray
    row: FloatArray
    gain: FloatArray
    lost: BoolArray
    healthy: BoolArray


def pole_grid(hop: WheelHop, fitted: Pole) -> PoleGrid:
    """Grid of poles over the hop's band, narrowed by the tyre frequency of the outing's pole."""
    low, high = hop_near(fitted, hop)
    # a working damper may stiffen the wheel beyond where it hops without one
    top = max(high, hop_mode(hop, fitted.tyre_hz, 0.0)[0])
    hz = np.linspace(low, top, max(3, round((top - low) / GRID_HZ) + 1))
    tyre = np.array([tyre_hz_of(hop, f) for f in hz])
    tyre, damping = (a.ravel() for a in np.meshgrid(tyre, GRID_DAMPING, indexing="ij"))
    mode_hz, ratio = hop_modes(hop, tyre, damping)
    row = coefficients(hop, tyre, damping)
    lost_below = max(LOST_BELOW, min(LOST_AT_MOST, LOST_SHARE * fitted.damping_ratio))
    healthy_above = max(1.3 * lost_below, min(HEALTHY_ABOVE, HEALTHY_SHARE * fitted.damping_ratio))
    hops = np.repeat(hz <= high + 1e-9, len(GRID_DAMPING))
    stiffened = ~hops & (ratio >= HEALTHY_SHARE * fitted.damping_ratio)
    return PoleGrid(
        mode_hz,
        ratio,
        row,
        log_gain(row),
        hops & (ratio <= lost_below),
        hops & (ratio >= healthy_above) | stiffened,
    )


def block_log_likelihood(
    equation: WheelEquation, input_signal: FloatArray, grid: PoleGrid, chosen: IntArray
) -> FloatArray:
    """Log likelihood (n_poles, n_blocks) of every pole in some blocks of `BLOCK_S`.

    ``input_signal`` (n,) is the right side of the equation from the other wheel.
    """
    cut = _blocks(equation, input_signal, chosen)
    return _log_likelihood(cut, grid.row, grid.gain)


def _blocks(equation: WheelEquation, input_signal: FloatArray, chosen: IntArray) -> Blocks:
    length = round(BLOCK_S / equation.step_s)
    samples: slice | IntArray = slice(int(chosen[0]) * length, (int(chosen[-1]) + 1) * length)
    if chosen[-1] - chosen[0] >= len(chosen):  # others lie between
        samples = (chosen[:, None] * length + np.arange(length)).ravel()
    signals = (equation.own[:, samples], input_signal[None, samples])
    return blocks(signals, equation.usable[samples], equation.step_s, BLOCK_S)


def _log_likelihood(cut: Blocks, row: FloatArray, gain: FloatArray) -> FloatArray:
    """Log likelihood of poles by block, (n_poles, n_blocks)."""
    rows = np.concatenate([row, -np.ones((len(row), 1))], axis=1)
    i, j = np.triu_indices(6)
    weights = rows[:, i] * rows[:, j] * np.where(i == j, 1.0, 2.0)
    found = np.asarray(weights @ _triangle(cut.products).T)
    np.log(np.maximum(found, 1e-9, out=found), out=found)
    np.subtract(gain[:, None], found, out=found)
    found *= 0.5 * FREEDOM_PER_S * cut.seconds
    return found


def _summed(cut: Blocks, row: FloatArray, gain: FloatArray) -> FloatArray:
    """Log likelihood of poles, summed from the first block on, starting with 0."""
    total: FloatArray = np.zeros((len(row), len(cut.whole) + 1))
    np.cumsum(_log_likelihood(cut, row, gain), axis=1, out=total[:, 1:])
    return total


def _mean_likelihood(values: FloatArray) -> FloatArray:
    """For each column ln of the mean of exp; ``values`` are overwritten."""
    top = values.max(axis=0)
    values -= top
    return np.asarray(top + np.log(np.exp(values, out=values).mean(axis=0)))


def runs_of(whole: BoolArray, n_blocks: int) -> BoolArray:
    """Runs of ``n_blocks`` blocks that are all whole, by first block."""
    bad = np.concatenate([[0], np.cumsum(~whole)])
    return np.asarray(bad[n_blocks:] == bad[:-n_blocks])


def class_evidence(
    equation: WheelEquation,
    input_signal: FloatArray,
    grid: PoleGrid,
    wanted: Mapping[int, BoolArray],
    least: float = -np.inf,
) -> dict[int, FloatArray]:
    """Evidence of runs of blocks, by their number and first block: ln of mean likelihood, lost over healthy.

    ``wanted`` are the runs of each number of blocks to look at; -inf for all others, and for those that cannot have
    ``least``. ``input_signal`` (n,) is the right side of the equation from the other wheel.
    """
    marks = np.zeros(max((n + len(runs) for n, runs in wanted.items()), default=0), dtype=np.int64)
    for n_blocks, runs in wanted.items():
        marks[: len(runs)] += runs
        marks[n_blocks : n_blocks + len(runs)] -= runs
    # only blocks of a run are looked at; those of one run stay side by side
    blocks_of_runs = np.flatnonzero(np.cumsum(marks))
    found = {n_blocks: np.full(len(runs), -np.inf) for n_blocks, runs in wanted.items()}
    for low in range(0, len(blocks_of_runs), BLOCKS_TOGETHER):  # for memory
        some = blocks_of_runs[low : low + BLOCKS_TOGETHER + max(wanted) - 1]
        cut = _blocks(equation, input_signal, some)
        lost, healthy = (_summed(cut, grid.row[kind], grid.gain[kind]) for kind in (grid.lost, grid.healthy))
        for n_blocks, runs in wanted.items():
            begins = some[:BLOCKS_TOGETHER][some[:BLOCKS_TOGETHER] < len(runs)]
            at = np.flatnonzero(runs[begins])
            found[n_blocks][begins[at]] = _evidence(lost, healthy, at, n_blocks, least)
    return found


def _evidence(
    lost: FloatArray, healthy: FloatArray, first: IntArray, n_blocks: int, least: float
) -> FloatArray:
    """Evidence of runs from log likelihoods of both classes, summed over the blocks."""
    in_lost, in_healthy = (_over_runs(summed, first, n_blocks) for summed in (lost, healthy))
    found = np.full(len(first), -np.inf)
    # a class is no likelier than its likeliest pole, and no less likely than that one of all of them
    most = in_lost.max(axis=0) - in_healthy.max(axis=0) + np.log(len(healthy))
    kept = np.flatnonzero(most > least)
    found[kept] = _mean_likelihood(in_lost[:, kept]) - _mean_likelihood(in_healthy[:, kept])
    return found


def _over_runs(summed: FloatArray, first: IntArray, n_blocks: int) -> FloatArray:
    """What is added up over runs of blocks from each first one on."""
    if len(first) and first[-1] - first[0] == len(first) - 1:  # one after the other: nothing is copied
        start, stop = int(first[0]), int(first[-1]) + 1
        return summed[:, start + n_blocks : stop + n_blocks] - summed[:, start:stop]
    return summed.take(first + n_blocks, axis=1) - summed.take(first, axis=1)


def best_run(gain: FloatArray) -> tuple[int, int]:
    """First and one past last index of the run with the largest sum (Kadane)."""
    total = np.concatenate([[0.0], np.cumsum(gain)])
    lowest = np.minimum.accumulate(total)
    last = int(np.argmax(total - lowest))
    return int(np.argmin(total[: last + 1])), last


@dataclass(frozen=True)
class Windows:
    """Evidence of all windows of one length, by first block, and how much of it such a window needs.

    ``usual`` is the usual swing of such windows; None without a road.
    """

    n_blocks: int
    evidence: FloatArray
    needed: float
    usual: Usual | None = None


def windows(
    equation: WheelEquation,
    input_signal: FloatArray,
    grid: PoleGrid,
    thresholds: Mapping[float, float],
    swing: Swing | None = None,
) -> tuple[Windows, ...]:
    """Windows of several lengths over their ``thresholds`` (by length [s]), by pole and swing (None without a road).

    Without a road only those that reach their threshold are told. ``input_signal`` is as of `class_evidence`.
    """
    whole = whole_blocks(equation.usable, equation.step_s, BLOCK_S)
    needed = {round(seconds / BLOCK_S): least for seconds, least in thresholds.items()}
    runs = {n_blocks: runs_of(whole, n_blocks) for n_blocks in needed}
    if swing is None:
        evidence = class_evidence(equation, input_signal, grid, runs, min(needed.values()))
        return tuple(Windows(n_blocks, evidence[n_blocks], least) for n_blocks, least in needed.items())
    usual = {n_blocks: usual_swing(swing, whole, n_blocks) for n_blocks in needed}
    of_swing = {n: swing_evidence(swing_over(swing, usual[n], n), usual[n].scatter) for n in needed}
    # most windows swing too little for any pole to be called lost
    evidence = class_evidence(
        equation, input_signal, grid, {n: runs[n] & np.isfinite(of_swing[n]) for n in needed}
    )
    return tuple(Windows(n, of_swing[n] + evidence[n], least, usual[n]) for n, least in needed.items())


def over_threshold(
    looked_at: tuple[Windows, ...], threshold_offset: float = 0.0
) -> list[tuple[int, int, float]]:
    """Windows over their threshold less ``threshold_offset``: first block, one past the last, evidence above it."""
    found = []
    for window in looked_at:
        over = window.evidence - window.needed
        found += [
            (int(i), int(i) + window.n_blocks, float(over[i]))
            for i in np.flatnonzero(over > -threshold_offset)
        ]
    return sorted(found)


def joined(found: list[tuple[int, int, float]]) -> list[list[tuple[int, int, float]]]:
    """Windows, sorted by first block, in groups of those that overlap or touch."""
    groups: list[list[tuple[int, int, float]]] = []
    end = -1
    for window in found:
        if groups and window[0] <= end:
            groups[-1].append(window)
        else:
            groups.append([window])
        end = max(end, window[1])
    return groups
