"""Damping ratios of both ends from the road they share: which end is damped more for its load."""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from telemetry.arrays import ENDS, BoolArray, End, FloatArray, IntArray
from telemetry.balance.balance import DampingBalance, EndDamping, Ratio, half_width
from telemetry.balance.road import (
    CUT_S,
    RING_S,
    WINDOW_S,
    Riding,
    RoadModel,
    Window,
    dilated,
    find_riding,
    road_model,
    usual_shaft_mm,
    windows,
)
from telemetry.bike import Bike, leverage_curve, sprung_load_n, wheel_rate_n_per_mm
from telemetry.constants import GRAVITY_M_S2
from telemetry.laps import Track
from telemetry.motion import Motion
from telemetry.numeric import median, quantiles

ComplexArray = npt.NDArray[np.complex128]

# Below, what the rider does is in it and not known well enough; above, the tyre's contact and what the wheel weighs
# decide.
BAND_HZ = (1.5, 8.0)
DELAY_TO_HZ = 9.0  # of the band in which the residual delay is read
EDGE_SHARE = 0.4  # of a band edge, over which it fades on either side: sharper rings beyond what is cut off
BLOCK_S = 1.0  # blocks of the equations, each with a noise of its own
FRICTION_MM_S = 8.0  # seal friction is in full force above this, at the shaft
KNEE_MM_S = 120.0  # at the wheel: where the second, digressive part of a damper bends
OUT_STEP = 2  # the band kept asks for fewer samples than the dampers do
ROW_STEP = 3
PARTS = 5  # unknowns of a damper: two slopes each way, friction
WHEEL_HZ = (35.0, 50.0)  # what a wheel does ends here; above it is noise
LIFTED_SHARE = 0.1  # of its load standing still: a tyre with less is as good as off the road


@dataclass(frozen=True)
class Lines:
    """Lines of the spectra of windows of one length, up to where a wheel's motion ends, and their taper.

    ``s`` is 2 pi i times the frequency; gains by line: ``rise`` from where riding is known, ``road`` and ``delay`` of
    road velocity in `BAND_HZ` and up to `DELAY_TO_HZ`, ``wheel`` up to where noise begins.
    """

    s: ComplexArray
    rise: FloatArray
    road: ComplexArray
    delay: ComplexArray
    wheel: FloatArray
    straight: FloatArray
    taper: FloatArray

    def spectra(self, signals: FloatArray) -> ComplexArray:
        """Spectra of signals of shape (k, n_samples), less the line from first to last sample."""
        signals = signals - (signals[:, :1] + (signals[:, -1:] - signals[:, :1]) * self.straight)
        signals *= self.taper
        return np.fft.rfft(signals)[:, : len(self.s)].copy()


@lru_cache(maxsize=2)
def lines_of(n_samples: int, rate_hz: float) -> Lines:
    """Lines of windows of so many samples. [Hz]"""
    frequency: FloatArray = np.asarray(np.fft.rfftfreq(n_samples, 1 / rate_hz), dtype=np.float64)
    frequency = frequency[frequency <= WHEEL_HZ[1]]
    s = np.asarray(2j * np.pi * frequency, dtype=np.complex128)

    rise = _faded(frequency / BAND_HZ[0] - 1)
    # road velocity: as strong at every frequency on most roads (ISO 8608, w = 2)
    road, delay = (rise * _faded(1 - frequency / high) * s for high in (BAND_HZ[1], DELAY_TO_HZ))
    wheel = 0.5 + 0.5 * np.cos(np.pi * np.clip((frequency - WHEEL_HZ[0]) / np.ptp(WHEEL_HZ), 0.0, 1.0))
    edge = np.clip(np.arange(n_samples) / (0.8 * CUT_S * rate_hz), 0.0, 1.0)
    taper = 0.5 * (1 - np.cos(np.pi * np.minimum(edge, edge[::-1])))
    return Lines(s, rise, road, delay, wheel, np.linspace(0.0, 1.0, n_samples), taper)


def _faded(inside: FloatArray) -> FloatArray:
    """Gain from 0 to 1 about a band edge, by how far inside it a frequency is as a share of the edge."""
    return np.asarray(np.sin(np.pi / 4 * np.clip(inside / EDGE_SHARE + 1, 0.0, 2.0)) ** 2)


class Ground:
    """Road under both wheels over one window, as a linear function of dampers and loads.

    Actions are arrays of shape (4, 1 + n_unknowns, n_lines): forces of front and rear at the wheel, weight of a mass,
    moment (nose down positive). Column 0 is known; then by one unit of each unknown: `PARTS` of the front damper, of
    the rear damper, loads. Of all that acts only the spectra are kept, of the road only what may be in use.
    """

    def __init__(self, model: RoadModel, window: Window) -> None:
        self.model, n = model, len(window.delay_s)
        self._window_rate_hz, self._lines = window.rate_hz, lines_of(n, window.rate_hz)
        self._step = OUT_STEP if n % (2 * OUT_STEP) == 0 else 1
        self.rate_hz = window.rate_hz / self._step  # of the road
        self._delay_s, self._use = window.delay_s[:: self._step].copy(), window.use[:: self._step]
        self._clear = dict.fromkeys(ENDS, self._use)
        self._columns = 1 + 2 * PARTS + len(window.free)
        signals, self._places = _actions(model, window)
        self._spectra = self._lines.spectra(np.array(signals))
        # springs and known loads whole: they have what brake, drive and lean shift slowly, which spectra do not
        self._carried = {
            end: signals[_spring_at(end)]
            + getattr(window.known, f"{end}_n")
            + (model.tyre_load_n[end] - model.sprung_load_n[end])
            for end in ENDS
        }
        # a window's edges are not in use: `windows` leaves them out
        edge = max(int(CUT_S * self.rate_hz) // ROW_STEP - 1, 0) * ROW_STEP
        self._kept = slice(edge, n // self._step - edge)
        lines = self._in_use(self._lines.road)
        pushes = self._pushes(lines)
        front, rear = (self._road(end, pushes, self._lines.road, lines) for end in ENDS)
        self.front, self.rear = front[:, ::ROW_STEP].copy(), rear.copy()

    def _in_use(self, gain: ComplexArray) -> slice:
        """Lines at which there is a gain."""
        kept, half = np.flatnonzero(gain), len(self._delay_s) // 2
        # of a slow log the gain may end one line beyond the highest of what is answered
        return slice(int(kept[0]), min(int(kept[-1]), half) + 1)

    def _pushes(self, lines: slice) -> ComplexArray:
        """Actions over some lines."""
        some = self._spectra[:, lines]
        pushes = np.zeros((4, self._columns, some.shape[1]), dtype=np.complex128)
        for spectrum, action, unknown in self._places:
            pushes[action, unknown] += some[spectrum]
        return pushes

    def _pushed(self, unknowns: FloatArray, lines: slice) -> ComplexArray:
        """Actions of the known part and so much of each unknown together; shape (4, 1, n_lines)."""
        row, weight = np.append(1.0, unknowns), np.zeros((4, len(self._spectra)))
        for spectrum, action, unknown in self._places:
            weight[action, spectrum] += row[unknown]
        return np.asarray(weight @ self._spectra[:, lines])[:, None]

    def _chassis(self, end: End, pushes: ComplexArray) -> ComplexArray:
        """Acceleration of the chassis above one wheel."""
        model, (front, rear, weight, moment) = self.model, pushes
        turning = (model.arm_m["rear"] * rear - model.arm_m["front"] * front + moment) / model.inertia_kg_m2
        arm = -model.arm_m["front"] if end == "front" else model.arm_m["rear"]
        return np.asarray((front + rear) / model.mass_kg + weight + arm * turning)

    def _wheel_inertia(
        self, end: End, chassis: ComplexArray, weight: ComplexArray, lines: slice
    ) -> ComplexArray:
        """What accelerates a wheel beyond its weight. [N]"""
        found = chassis - weight
        found[0] += self._lines.s[lines] ** 2 * self._spectra[ENDS.index(end), lines]
        return np.asarray(self.model.unsprung_kg[end] * found)

    def _road(self, end: End, pushes: ComplexArray, gain: ComplexArray, lines: slice) -> FloatArray:
        """Road velocity under a wheel by row of ``pushes``, of what is kept at `rate_hz`: (n_rows, n_kept). [m/s]"""
        s, n = self._lines.s[lines], len(self._delay_s)
        chassis = self._chassis(end, pushes)
        force = self._wheel_inertia(end, chassis, pushes[2], lines) + pushes[ENDS.index(end)]
        spectrum = np.zeros((len(force), lines.stop), dtype=np.complex128)
        found = chassis / s**2 + force / (self.model.tyre_n_m[end] + self.model.tyre_n_s_m[end] * s)
        found[0] += self._spectra[ENDS.index(end), lines]  # the travel
        np.multiply(found, gain[lines] / self._step, out=spectrum[:, lines])
        return np.asarray(np.fft.irfft(spectrum, n)[:, self._kept])

    def leave_out_lifted(self, unknowns: FloatArray) -> None:
        """Leave out samples where a tyre left the road, by the unknowns found so far."""
        reach = round(RING_S * self._window_rate_hz)
        for end, off in self.lifted(unknowns).items():
            self._clear[end] = self._use & ~dilated(off, reach)[:: self._step]

    def lifted(self, unknowns: FloatArray) -> dict[End, BoolArray]:
        """Where each tyre is as good as off the road, by end; bool of shape (n_samples,)."""
        every = slice(None)
        whole, moving = self._pushed(unknowns, every), np.empty((2, len(self._lines.s)), dtype=np.complex128)
        for i, end in enumerate(ENDS):
            own = slice(_spring_at(end) + 1, _spring_at(end) + 1 + PARTS)  # of the end's own damper
            moving[i] = self._wheel_inertia(end, self._chassis(end, whole), whole[2], every)[0]
            moving[i] += unknowns[PARTS * i :][:PARTS] @ self._spectra[own]
        more = np.fft.irfft(moving * self._lines.rise * self._lines.wheel, len(self._carried["front"]))
        return {
            end: self._carried[end] + load < LIFTED_SHARE * self.model.tyre_load_n[end]
            for end, load in zip(ENDS, more, strict=True)
        }

    def meeting(self, extra_s: float | FloatArray) -> tuple[IntArray, FloatArray, BoolArray]:
        """Rows of the front, where the rear meets the same place (in samples of what is kept), and whether both count.

        Each end has to be in use and on the road at the moment at which it is over the place. The rear is later by
        ``extra_s`` than by the speed, a number or of shape (n_lags, 1).
        """
        rows = np.flatnonzero(self._clear["front"])
        rows = rows[rows % ROW_STEP == 0].astype(np.int64)
        at = rows + (self._delay_s[rows] + extra_s) * self.rate_hz
        inside = (at > 1) & (at < len(self._delay_s) - 3)
        inside &= self._clear["rear"][np.round(np.where(inside, at, 0.0)).astype(np.int64)]
        first = self._kept.start
        return rows - first, np.where(inside, at - first, 1.0), inside

    def unlike(self, extra_s: float) -> tuple[IntArray, FloatArray]:
        """Rows, and by how much the rear finds another road there than the front: (1 + n_unknowns, n_rows). [m/s]"""
        rows, at, inside = self.meeting(extra_s)
        rows = rows[inside]
        return rows, cubic(self.rear, at[inside]) - self.front.take(rows // ROW_STEP, axis=1)

    def likeness(self, unknowns: FloatArray, lags_s: FloatArray) -> FloatArray:
        """Products of the road under both wheels, the rear's read later by each lag, summed. [m2/s2]"""
        gain = self._lines.delay
        lines = self._in_use(gain)
        pushed = self._pushed(unknowns, lines)
        front, rear = (self._road(end, pushed, gain, lines)[0] for end in ENDS)
        rows, at, inside = self.meeting(lags_s[:, None])
        return np.asarray((cubic(rear, at) * inside) @ front[rows])


def _spring_at(end: End) -> int:
    """Place of an end's spring among what acts; its damper's parts follow."""
    return 2 + (1 + PARTS) * ENDS.index(end)


def _actions(model: RoadModel, window: Window) -> tuple[list[FloatArray], list[tuple[int, int, int]]]:
    """Wheel travels [m], then all that acts; and of that the places: signal, action, unknown.

    One signal acts in several places, and most places of an array of all actions would hold none.
    """
    travels, signals, places = list[FloatArray](), list[FloatArray](), list[tuple[int, int, int]]()
    for i, end in enumerate(ENDS):
        shaft_mm = window.shaft_mm[end]
        wheel_mm, ratio = leverage_curve(model.bike, end).wheel_and_ratio(shaft_mm)
        travels.append(wheel_mm / 1e3)
        signals.append(np.interp(shaft_mm, *model.spring_n[end]) / ratio)
        signals += [part / ratio for part in damper_parts(window.shaft_mm_s[end], ratio)]
        places.append((_spring_at(end), i, 0))
        places += [(_spring_at(end) + 1 + j, i, 1 + PARTS * i + j) for j in range(PARTS)]
    signals = travels + signals
    found: dict[int, int | None] = {}
    for j, load in enumerate((window.known, *window.free)):
        for i, values in enumerate((load.front_n, load.rear_n, load.weight_m_s2, load.moment_n_m)):
            if id(values) not in found:
                found[id(values)] = len(signals) if values.any() else None
                if values.any():
                    signals.append(values)
            known = found[id(values)]
            if known is not None:
                places.append((known, i, 0 if j == 0 else 2 * PARTS + j))
    return signals, places


def cubic(values: FloatArray, at: FloatArray) -> FloatArray:
    """Signals of shape (..., n) between samples, by the cubic through four; shape (..., *at.shape)."""
    first = at.astype(np.int64)
    u = at - first
    weights = (
        -u * (u - 1) * (u - 2) / 6,
        (u + 1) * (u - 1) * (u - 2) / 2,
        -(u + 1) * u * (u - 2) / 2,
        (u + 1) * u * (u - 1) / 6,
    )
    found = weights[0] * values.take(first - 1, axis=-1)
    for k, weight in enumerate(weights[1:]):
        found += weight * values.take(first + k, axis=-1)
    return found


def damper_parts(shaft_mm_s: FloatArray, ratio: FloatArray | float) -> list[FloatArray]:
    """Shaft force [N] by 1 N s/mm of four slopes (two each way), then by 1 N of friction, at shaft speeds [mm/s]."""
    down, up = np.maximum(shaft_mm_s, 0.0), np.minimum(shaft_mm_s, 0.0)
    knee = KNEE_MM_S / ratio
    return [
        down, up, knee * np.tanh(down / knee), knee * np.tanh(up / knee), np.tanh(shaft_mm_s / FRICTION_MM_S),
    ]  # fmt: skip


def equations(grounds: list[Ground], extra_s: float) -> Iterator[FloatArray]:
    """Blocks of "the rear finds the front's road": what is known first, then by one unit of each unknown. [m/s]

    Of shape (1 + n_unknowns, n_equations).
    """
    for ground in grounds:
        rows, unlike = ground.unlike(extra_s)
        length = max(1, round(BLOCK_S * ground.rate_hz / ROW_STEP))
        breaks = np.flatnonzero(np.diff(rows) > ROW_STEP) + 1
        for first, last in pairwise((0, *breaks.tolist(), len(rows))):
            if last > first:
                yield from np.array_split(unlike[:, first:last], max(1, (last - first) // length), axis=1)


FEWEST_WINDOWS = 2
# What an honest bike file leaves open, as a standard deviation of the logarithm of the ratio: measured on 70 simulated
# rides with tyre rates off by 7 %, unsprung masses by 5 %, sprung mass by 3 % and inertia by 8 % (standard deviations).
FILE_SD = 0.03
# Both ends are "even" when the ratio is within this of 1: half of a difference of 15 %. A choice of ours.
EVEN_LOG = 0.07
SEARCH_S = 0.012  # the residual delay is looked for this far on either side
DELAY_WINDOWS = 12  # enough to read a delay from
LEAST_EXPLAINED = 0.7
FEWEST_BLOCKS = 20  # about 1 s each
GROUPS = 24  # of blocks, each left out once for the interval
ROUNDS = 6  # of weighting
LOOKS = 3  # the first knows neither the residual delay nor where a tyre left the road
QUANTILES = np.linspace(0.05, 0.99, 48)


def damping_balance(
    motion: Motion,
    track: Track,
    bike: Bike,
    selected: BoolArray | None = None,
    ridden: Riding | None = None,
) -> DampingBalance:
    """Damping ratios of both ends and their ratio, from how both met the same road; a reason where it cannot be told.

    The ratio is c / (2 sqrt(k m)) at the wheel: c the damping that takes as much work out of the motion as the damper
    does over the wheel speeds that both ends meet in that direction, k the spring rate where the end mostly sits, m the
    sprung mass it carries. The bike file needs [chassis], unsprung masses and tyre rates; its dampers are not used.
    """
    model = road_model(bike)
    if isinstance(model, str):
        return untold(f"{model}, so damping cannot be told apart from weight and spring")
    for end in ENDS:
        if end not in motion.ends:
            return untold(f"no {end} travel was measured ([{end}.sensor] of the bike file names its column)")
    ridden = ridden or find_riding(track, motion.sample_rate_hz)
    found = _dampers([Ground(model, window) for window in windows(motion, track, model, ridden, selected)])
    if isinstance(found, str):
        return untold(found)
    if found.explained < LEAST_EXPLAINED:
        return untold(_why_not(found.explained, ridden))
    return _compare(motion, bike, found)


@dataclass(frozen=True)
class Dampers:
    """Dampers with which both wheels find the same road, in ``n_windows`` windows.

    ``total`` (n_unknowns,) is of all blocks of equations, ``each`` (`GROUPS`, n_unknowns) without each of the groups;
    ``explained`` the share that the dampers explain of what the loads alone leave unexplained; ``extra_s`` by how much
    later than wheelbase / speed the rear is. [s]
    """

    total: FloatArray
    each: FloatArray
    explained: float
    extra_s: float
    n_windows: int


def _dampers(grounds: list[Ground]) -> Dampers | str:
    """Dampers by the road of several windows, or why there are none."""
    if len(grounds) < FEWEST_WINDOWS:
        return (
            f"only {len(grounds)} stretches of {WINDOW_S:.0f} s with both ends valid and the speed known, "
            f"{FEWEST_WINDOWS} needed"
        )
    few = grounds[:: max(1, len(grounds) // DELAY_WINDOWS)]
    total, products, extra_s = np.empty(0), np.empty(0), 0.0
    for look in range(LOOKS):
        if look:
            del products  # a tenth of all that is held
            for ground in grounds:
                ground.leave_out_lifted(total)
            extra_s = _residual_delay_s(few, total)
        products, counts = _products(grounds, extra_s)
        if len(counts) < FEWEST_BLOCKS:
            return (
                f"only {len(counts) * BLOCK_S:.0f} s in which both ends are clear of their stops and both tyres on the "
                f"road, {FEWEST_BLOCKS * BLOCK_S:.0f} s needed"
            )
        total, weight = _solve(products, counts)
    explained = _explained(products, weight, total)
    return Dampers(total, _without_each(products, weight), explained, extra_s, len(grounds))


def _why_not(explained: float, ridden: Riding) -> str:
    """Why dampers do not explain what both ends say of their road: what of the riding is not known comes first."""
    found = f"the dampers explain {100 * explained:.0f} % of how the two ends differ over the same road"
    missing = [name for name in ("acceleration", "lean") if name not in ridden.sources]
    if missing:
        return (
            f"{found}: the loads of the rider are not known without {' and '.join(missing)} (a lean channel or "
            "positions, and the speed, would give them)"
        )
    return (
        f"{found}, with the loads of braking, drive and lean taken out; a damper that changes on the way looks like "
        "this, and so do masses, springs or tyres of the bike file or a sensor's scale that are not what is on the bike"
    )


def untold(reason: str) -> DampingBalance:
    """A damping balance that cannot be told."""
    return DampingBalance(Ratio(None), Ratio(None), {}, None, None, 0, reason)


def _products(grounds: list[Ground], extra_s: float) -> tuple[FloatArray, FloatArray]:
    """Sums of products of the equations of every block, (n_blocks, k, k), and how many equations a block has."""
    blocks = [(block @ block.T, block.shape[1]) for block in equations(grounds, extra_s)]
    return np.array([product for product, _ in blocks]), np.array([float(count) for _, count in blocks])


def _solve(products: FloatArray, counts: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Unknowns, and the weights of the blocks: each by its own noise.

    ``products`` and ``counts`` are as of `_products`.
    """
    weight, unknowns = np.ones(len(products)), np.empty(0)
    for _ in range(ROUNDS):
        unknowns = _least_squares(products, weight)
        row = np.append(1.0, unknowns)
        mean_square = (products @ row) @ row / counts
        weight = 1.0 / (median(mean_square) + mean_square)
    return unknowns, weight


def _without_each(products: FloatArray, weight: FloatArray) -> FloatArray:
    """Unknowns without each of `GROUPS` of blocks."""
    group = np.arange(len(products)) * GROUPS // len(products)
    return np.array([_least_squares(products, np.where(group == g, 0.0, weight)) for g in range(GROUPS)])


def _explained(products: FloatArray, weight: FloatArray, unknowns: FloatArray) -> float:
    """Share that the dampers explain of what the loads alone leave unexplained."""
    whole = _sum(products, weight)
    loads_only = _least_squares(products, weight, slice(2 * PARTS, None))
    left, square = (float(row @ whole @ row) for row in (np.append(1.0, x) for x in (unknowns, loads_only)))
    return 1.0 - left / square if square > 0 else 0.0


def _sum(matrices: FloatArray, weight: FloatArray) -> FloatArray:
    """Weighted sum of matrices."""
    return np.asarray(weight @ matrices.reshape(len(matrices), -1)).reshape(matrices.shape[1:])


def _least_squares(matrices: FloatArray, weight: FloatArray, only: slice = slice(None)) -> FloatArray:
    """Unknowns of weighted blocks; those outside ``only`` are 0."""
    whole = _sum(matrices, weight)
    matrix, side = whole[1:, 1:][only, only], -whole[1:, 0][only]
    scale = 1.0 / np.sqrt(np.maximum(np.diagonal(matrix), 1e-30))
    unknowns = np.zeros(len(whole) - 1)
    unknowns[only] = scale * np.linalg.lstsq(matrix * np.outer(scale, scale), side * scale, rcond=1e-10)[0]
    return unknowns


def _residual_delay_s(grounds: list[Ground], unknowns: FloatArray) -> float:
    """By how much later than wheelbase / speed the rear meets the front's road: the peak of their correlation."""
    lags_s = np.linspace(-SEARCH_S, SEARCH_S, 13)
    return vertex(lags_s, np.sum([ground.likeness(unknowns, lags_s) for ground in grounds], axis=0))


def vertex(x: FloatArray, y: FloatArray) -> float:
    """Where the parabola through the highest point and its neighbours is highest; at either end the point itself.

    >>> round(vertex(np.array([0.0, 1.0, 2.0, 3.0]), -(np.array([0.0, 1.0, 2.0, 3.0]) - 1.3) ** 2), 6)
    1.3
    """
    i = int(np.argmax(y))
    if i in (0, len(x) - 1):
        return float(x[i])
    below, here, above = y[i - 1 : i + 2]
    return float(x[i] + 0.5 * (x[1] - x[0]) * (below - above) / (below - 2 * here + above))


def _compare(motion: Motion, bike: Bike, found: Dampers) -> DampingBalance:
    speeds = _shared_speeds(motion)
    critical: dict[End, float] = {}
    parts: dict[End, list[FloatArray]] = {}  # force at the wheel by each unknown, for each direction
    for end in ENDS:
        shaft = usual_shaft_mm(motion, end)
        ratio = leverage_curve(bike, end).ratio_at(shaft)
        mass = sprung_load_n(bike, end) / GRAVITY_M_S2
        critical[end] = 2e-3 * float(np.sqrt(1e3 * wheel_rate_n_per_mm(bike, end, shaft) * mass))
        parts[end] = [np.column_stack(damper_parts(speed / ratio, ratio)) / ratio for speed in speeds]

    def damping(unknowns: FloatArray) -> FloatArray:
        """Damping ratios: front compression, front rebound, rear compression, rear rebound."""
        ratios = []
        for index, end in enumerate(ENDS):
            own = unknowns[PARTS * index : PARTS * (index + 1)].copy()
            own[-1] = 0.0  # without friction
            for speed, part in zip(speeds, parts[end], strict=True):
                ratios.append(float((part @ own) @ speed / (speed @ speed)) / critical[end])
        return np.array(ratios)

    whole = damping(found.total)
    left_out = np.array([damping(unknowns) for unknowns in found.each])
    if (whole <= 0).any() or (left_out <= 0).any():
        return untold("the two ends do not agree on a road that damped ends could have met")
    n = len(left_out)
    logs = np.log(left_out)
    spread = np.sqrt((n - 1) / n * np.sum((logs - logs.mean(axis=0)) ** 2, axis=0))
    ratios = []
    for side in (0, 1):
        log = float(np.log(whole[2 + side] / whole[side]))
        apart = logs[:, 2 + side] - logs[:, side]
        own_sd = float(np.sqrt((n - 1) / n * np.sum((apart - apart.mean()) ** 2)))
        half = float(np.hypot(half_width(own_sd, n), 1.96 * FILE_SD))
        ratios.append(Ratio(float(np.exp(log)), (float(np.exp(log - half)), float(np.exp(log + half)))))
    ends = {
        end: EndDamping(*(float(x) for x in (*whole[2 * i : 2 * i + 2], *spread[2 * i : 2 * i + 2])))
        for i, end in enumerate(ENDS)
    }
    return DampingBalance(ratios[0], ratios[1], ends, 1e3 * found.extra_s, found.explained, found.n_windows)


def _shared_speeds(motion: Motion) -> tuple[FloatArray, FloatArray]:
    """Wheel speeds both ends meet, compression then rebound (negative), as quantiles of both together."""
    step = max(1, round(motion.sample_rate_hz / 50.0))
    both = np.concatenate([motion.ends[end].wheel_speed_mm_s[::step] for end in ENDS])
    both = np.sort(both[np.abs(both) > 5.0])  # leaves NaN out
    up = int(both.searchsorted(0.0))
    return quantiles(both[up:], QUANTILES), -quantiles(-both[:up][::-1], QUANTILES)


def verdict(ratio: Ratio) -> str:
    """A damping ratio, rear over front, in a word: even, rear more, rear less or cannot tell."""
    if ratio.value is None or ratio.ci95 is None:
        return "cannot tell"
    value, (low, high) = np.log(ratio.value), np.log(ratio.ci95)
    if abs(value) > EVEN_LOG and (low > 0 or high < 0):
        return "rear more" if value > 0 else "rear less"
    return "even" if abs(value) <= EVEN_LOG and high - low <= 4 * EVEN_LOG else "cannot tell"
