"""Damping ratios of both ends from the road they share: which end is damped more for its load."""

from collections.abc import Iterator
from functools import cached_property

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
DELAY_BAND_HZ = (1.5, 9.0)
EDGE_SHARE = 0.4  # of a band edge, over which it fades on either side: sharper rings beyond what is cut off
BLOCK_S = 1.0  # blocks of the equations, each with a noise of its own
FRICTION_MM_S = 8.0  # seal friction is in full force above this, at the shaft
KNEE_MM_S = 120.0  # at the wheel: where the second, digressive part of a damper bends
OUT_STEP = 2  # the band kept asks for fewer samples than the dampers do
ROW_STEP = 3
PARTS = 5  # unknowns of a damper: two slopes each way, friction
WHEEL_HZ = (35.0, 50.0)  # what a wheel does ends here; above it is noise
LIFTED_SHARE = 0.1  # of its load standing still: a tyre with less is as good as off the road


class Ground:
    """Road under both wheels over one window, as a linear function of dampers and loads.

    Actions are arrays of shape (4, 1 + n_unknowns, n_lines): forces of front and rear at the wheel, weight of a mass,
    moment (nose down positive). Column 0 is known; then by one unit of each unknown: `PARTS` of the front damper, of
    the rear damper, loads.
    """

    def __init__(self, model: RoadModel, window: Window, band_hz: tuple[float, float] = BAND_HZ) -> None:
        self.model, self.window = model, window
        self._found: dict[End, FloatArray] = {}
        n = len(window.delay_s)
        self._step = OUT_STEP if n % (2 * OUT_STEP) == 0 else 1
        self._clear: dict[End, BoolArray] = {end: np.ones(n, dtype=bool) for end in ENDS}
        frequency = np.fft.rfftfreq(n, 1 / window.rate_hz)
        frequency = frequency[frequency <= WHEEL_HZ[1]]  # no line above it is used
        self._s = 2j * np.pi * frequency
        low, high = band_hz
        self._rise = np.sin(np.pi / 4 * np.clip((frequency / low - 1) / EDGE_SHARE + 1, 0.0, 2.0)) ** 2
        fall = np.sin(np.pi / 4 * np.clip((1 - frequency / high) / EDGE_SHARE + 1, 0.0, 2.0)) ** 2
        # road velocity: as strong at every frequency on most roads (ISO 8608, w = 2)
        self._gain = self._rise * fall * self._s
        self._wheel = 0.5 + 0.5 * np.cos(
            np.pi * np.clip((frequency - WHEEL_HZ[0]) / np.ptp(WHEEL_HZ), 0.0, 1.0)
        )
        rise = np.clip(np.arange(n) / (0.8 * CUT_S * window.rate_hz), 0.0, 1.0)
        self._straight = np.linspace(0.0, 1.0, n)
        self._taper = 0.5 * (1 - np.cos(np.pi * np.minimum(rise, rise[::-1])))

    @property
    def rate_hz(self) -> float:
        """Rate of `under`. [Hz]"""
        return self.window.rate_hz / self._step

    def in_band(self, band_hz: tuple[float, float]) -> "Ground":
        """The same window in another band; spectra that were found already are not found again."""
        other = Ground(self.model, self.window, band_hz)
        other._ratio, other._spring_n = self._ratio, self._spring_n
        other._travel, other._actions = self._travel, self._actions
        return other

    def _spectrum(self, values: FloatArray) -> ComplexArray:
        line = values[0] + (values[-1] - values[0]) * self._straight
        found = np.fft.rfft((values - line) * self._taper)[: len(self._s)]
        return np.asarray(found, dtype=np.complex128)

    @cached_property
    def _ratio(self) -> dict[End, FloatArray]:
        """Leverage ratios."""
        shaft_mm = self.window.shaft_mm
        return {end: leverage_curve(self.model.bike, end).ratio(shaft_mm[end]) for end in ENDS}

    @cached_property
    def _spring_n(self) -> dict[End, FloatArray]:
        """Forces of the springs at the wheel. [N]"""
        shaft_mm = self.window.shaft_mm
        return {end: np.interp(shaft_mm[end], *self.model.spring_n[end]) / self._ratio[end] for end in ENDS}

    @cached_property
    def _travel(self) -> dict[End, ComplexArray]:
        """Spectra of the wheel travels. [m]"""
        return {
            end: self._spectrum(leverage_curve(self.model.bike, end).wheel_travel_mm(shaft) / 1e3)
            for end, shaft in self.window.shaft_mm.items()
        }

    @cached_property
    def _actions(self) -> tuple[ComplexArray, list[tuple[int, int, int]]]:
        """Spectra of all that acts, (n_spectra, n_lines), and of each the places: spectrum, action, unknown.

        One signal acts in several places, and most places of an array of all actions would hold none.
        """
        window, spectra, places = self.window, list[ComplexArray](), list[tuple[int, int, int]]()
        for i, end in enumerate(ENDS):
            places.append((len(spectra), i, 0))
            spectra.append(self._spectrum(self._spring_n[end]))
            ratio = self._ratio[end]
            for j, part in enumerate(damper_parts(window.shaft_mm_s[end], ratio)):
                places.append((len(spectra), i, 1 + PARTS * i + j))
                spectra.append(self._spectrum(part / ratio))
        found: dict[int, int | None] = {}
        for j, load in enumerate((window.known, *window.free)):
            for i, values in enumerate((load.front_n, load.rear_n, load.weight_m_s2, load.moment_n_m)):
                if id(values) not in found:
                    found[id(values)] = len(spectra) if values.any() else None
                    if values.any():
                        spectra.append(self._spectrum(values))
                known = found[id(values)]
                if known is not None:
                    places.append((known, i, 0 if j == 0 else 2 * PARTS + j))
        return np.array(spectra), places

    def _pushes(self, lines: slice) -> ComplexArray:
        """Actions over some lines."""
        spectra, places = self._actions
        some = spectra[:, lines]
        pushes = np.zeros((4, 1 + 2 * PARTS + len(self.window.free), some.shape[1]), dtype=np.complex128)
        for spectrum, action, unknown in places:
            pushes[action, unknown] += some[spectrum]
        return pushes

    def _pushed(self, unknowns: FloatArray) -> ComplexArray:
        """Actions of the known part and so much of each unknown together; shape (4, n_lines)."""
        spectra, places = self._actions
        row, weight = np.append(1.0, unknowns), np.zeros((4, len(spectra)))
        for spectrum, action, unknown in places:
            weight[action, spectrum] += row[unknown]
        return np.asarray(weight @ spectra)

    def _chassis(self, end: End, pushes: ComplexArray) -> ComplexArray:
        """Acceleration of the chassis above one wheel."""
        model, (front, rear, weight, moment) = self.model, pushes
        turning = (model.arm_m["rear"] * rear - model.arm_m["front"] * front + moment) / model.inertia_kg_m2
        arm = -model.arm_m["front"] if end == "front" else model.arm_m["rear"]
        return np.asarray((front + rear) / model.mass_kg + weight + arm * turning)

    def _wheel_inertia(
        self, end: End, chassis: ComplexArray, weight: ComplexArray, travel: ComplexArray, lines: slice
    ) -> ComplexArray:
        """What accelerates a wheel beyond its weight. [N]"""
        return np.asarray(self.model.unsprung_kg[end] * (chassis - weight + self._s[lines] ** 2 * travel))

    def under(self, end: End) -> FloatArray:
        """Road velocity under a wheel, known part then each unknown: (n_samples, 1 + n_unknowns) at `rate_hz`. [m/s]"""
        if end not in self._found:
            kept = np.flatnonzero(self._gain)
            n = len(self.window.delay_s) // self._step
            # of a slow log the gain may end one line beyond the highest of what is answered
            lines = slice(int(kept[0]), min(int(kept[-1]), n // 2) + 1)
            pushes, s = self._pushes(lines), self._s[lines]
            travel = np.zeros_like(pushes[0])
            travel[0] = self._travel[end][lines]
            chassis = self._chassis(end, pushes)
            force = self._wheel_inertia(end, chassis, pushes[2], travel, lines) + pushes[ENDS.index(end)]
            pressed = force / (self.model.tyre_n_m[end] + self.model.tyre_n_s_m[end] * s)
            spectrum = np.zeros((len(travel), n // 2 + 1), dtype=np.complex128)
            spectrum[:, lines] = (chassis / s**2 + travel + pressed) * self._gain[lines] / self._step
            self._found[end] = np.fft.irfft(spectrum, n, axis=1).T
        return self._found[end]

    def leave_out_lifted(self, unknowns: FloatArray) -> None:
        """Leave out samples where a tyre left the road, by the unknowns found so far."""
        reach = round(RING_S * self.window.rate_hz)
        self._clear = {end: ~dilated(off, reach) for end, off in self.lifted(unknowns).items()}

    def lifted(self, unknowns: FloatArray) -> dict[End, BoolArray]:
        """Where each tyre is as good as off the road, by end; bool of shape (n_samples,)."""
        window, n, every = self.window, len(self.window.delay_s), slice(None)
        whole = self._pushed(unknowns)
        found: dict[End, BoolArray] = {}
        for i, end in enumerate(ENDS):
            chassis = self._chassis(end, whole)
            moving = self._wheel_inertia(end, chassis, whole[2], self._travel[end], every)
            parts = self._actions[0][(1 + PARTS) * i + 1 :][:PARTS]  # of the end's own damper
            moving = moving + unknowns[PARTS * i :][:PARTS] @ parts
            # springs and known loads whole: they have what brake, drive and lean shift slowly, which spectra do not
            carried = self._spring_n[end] + getattr(window.known, f"{end}_n")
            carried += self.model.tyre_load_n[end] - self.model.sprung_load_n[end]
            load = carried + np.fft.irfft(moving * self._rise * self._wheel, n)
            found[end] = load < LIFTED_SHARE * self.model.tyre_load_n[end]
        return found

    def rear_later(self, values: FloatArray, extra_s: float = 0.0) -> tuple[IntArray, FloatArray]:
        """Rows in use, and a record of the rear when it meets what the front meets there (cubic interpolation).

        Each end has to be in use and on the road at the moment at which it is over the place.
        """
        front, rear = ((self.window.use & self._clear[end])[:: self._step] for end in ENDS)
        rows = np.flatnonzero(front)
        rows = rows[rows % ROW_STEP == 0].astype(np.int64)
        at = rows + (self.window.delay_s[:: self._step][rows] + extra_s) * self.rate_hz
        inside = (at > 1) & (at < len(rear) - 3)
        rows, at = rows[inside], at[inside]
        there = rear[np.round(at).astype(np.int64)]
        rows, at = rows[there], at[there]
        i = at.astype(np.int64)
        u = (at - i).reshape(-1, *[1] * (values.ndim - 1))
        before, here, after, beyond = (values[i + k] for k in (-1, 0, 1, 2))
        third = (
            -u * (u - 1) * (u - 2) / 6 * before
            + (u + 1) * (u - 1) * (u - 2) / 2 * here
            - (u + 1) * u * (u - 2) / 2 * after
            + (u + 1) * u * (u - 1) / 6 * beyond
        )
        return rows, third


def damper_parts(shaft_mm_s: FloatArray, ratio: FloatArray | float) -> list[FloatArray]:
    """Shaft force [N] by 1 N s/mm of four slopes (two each way), then by 1 N of friction, at shaft speeds [mm/s]."""
    down, up = np.maximum(shaft_mm_s, 0.0), np.minimum(shaft_mm_s, 0.0)
    knee = KNEE_MM_S / ratio
    return [
        down, up, knee * np.tanh(down / knee), knee * np.tanh(up / knee), np.tanh(shaft_mm_s / FRICTION_MM_S),
    ]  # fmt: skip


def equations(grounds: list[Ground], extra_s: float) -> Iterator[FloatArray]:
    """Blocks of "the rear finds the front's road": what is known first, then by one unit of each unknown. [m/s]"""
    for ground in grounds:
        rows, later = ground.rear_later(ground.under("rear"), extra_s)
        unlike = later - ground.under("front")[rows]
        length = max(1, round(BLOCK_S * ground.rate_hz / ROW_STEP))
        for part in np.split(unlike, np.flatnonzero(np.diff(rows) > ROW_STEP) + 1):
            if len(part):
                yield from np.array_split(part, max(1, len(part) // length))


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
    found = windows(motion, track, model, ridden, selected)
    if len(found) < FEWEST_WINDOWS:
        return untold(
            f"only {len(found)} stretches of {WINDOW_S:.0f} s with both ends valid and the speed known, "
            f"{FEWEST_WINDOWS} needed"
        )
    grounds = [Ground(model, window) for window in found]
    few = grounds[:: max(1, len(found) // DELAY_WINDOWS)]
    wide = [ground.in_band(DELAY_BAND_HZ) for ground in few]
    extra_s = 0.0
    for last in (False, False, True):
        blocks = [(block.T @ block, len(block)) for block in equations(grounds, extra_s)]
        if len(blocks) < FEWEST_BLOCKS:
            return untold(
                f"only {len(blocks) * BLOCK_S:.0f} s in which both ends are clear of their stops and both tyres on the "
                f"road, {FEWEST_BLOCKS * BLOCK_S:.0f} s needed"
            )
        total, each, explained = _solve(blocks)
        if not last:
            for ground in (*grounds, *wide):
                ground.leave_out_lifted(total)
            extra_s = _residual_delay_s(wide, total)
    if explained < LEAST_EXPLAINED:
        return untold(_why_not(explained, ridden))
    return _compare(motion, bike, total, each, explained, extra_s, len(found))


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


def _solve(blocks: list[tuple[FloatArray, int]]) -> tuple[FloatArray, FloatArray, float]:
    """Unknowns, the same without each of `GROUPS` of blocks, and the share that the dampers explain.

    Blocks are sums of products of their equations, and how many these are; each is weighted by its own noise. The
    share is of what the loads alone leave unexplained.
    """
    matrices = np.array([products for products, _ in blocks])
    counts = np.array([count for _, count in blocks], dtype=np.float64)
    weight, row = np.ones(len(blocks)), np.empty(0)
    for _ in range(ROUNDS):
        row = np.append(1.0, _least_squares(matrices, weight))
        mean_square = (matrices @ row) @ row / counts
        weight = 1.0 / (median(mean_square) + mean_square)
    group = np.arange(len(blocks)) * GROUPS // len(blocks)
    each = np.array([_least_squares(matrices, np.where(group == g, 0.0, weight)) for g in range(GROUPS)])
    whole = _sum(matrices, weight)
    loads_only = np.append(1.0, _least_squares(matrices, weight, slice(2 * PARTS, None)))
    left, square = float(row @ whole @ row), float(loads_only @ whole @ loads_only)
    return row[1:], each, 1.0 - left / square if square > 0 else 0.0


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
    lags = np.linspace(-SEARCH_S, SEARCH_S, 13)
    likeness = np.zeros(len(lags))
    for ground in grounds:
        front = ground.under("front") @ np.append(1.0, unknowns)
        rear = ground.under("rear") @ np.append(1.0, unknowns)
        for i, lag in enumerate(lags):
            rows, later = ground.rear_later(rear, float(lag))
            likeness[i] += later @ front[rows]
    return vertex(lags, likeness)


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


def _compare(
    motion: Motion,
    bike: Bike,
    total: FloatArray,
    each: FloatArray,
    explained: float,
    extra_s: float,
    n_windows: int,
) -> DampingBalance:
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
        found = []
        for index, end in enumerate(ENDS):
            own = unknowns[PARTS * index : PARTS * (index + 1)].copy()
            own[-1] = 0.0  # without friction
            for speed, part in zip(speeds, parts[end], strict=True):
                found.append(float((part @ own) @ speed / (speed @ speed)) / critical[end])
        return np.array(found)

    whole = damping(total)
    left_out = np.array([damping(unknowns) for unknowns in each])
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
    return DampingBalance(ratios[0], ratios[1], ends, 1e3 * extra_s, explained, n_windows)


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
