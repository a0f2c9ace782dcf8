"""Even clock of the time stamps: rates, runs and gaps of samples, resampling onto it."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from telemetry.arrays import BoolArray, FloatArray, IntArray
from telemetry.decimals import Column, EvenTimes
from telemetry.errors import LogError
from telemetry.numeric import median, quantile

# Time steps per block, and the factor between two rates from which they differ.
BLOCK = 50
OTHER_RATE = 1.25
# A rate held for less time is a logger error.
SHORTEST_S = 1.0
# The clock takes the slowest rate with at least this share of the time; slower stretches are left out.
LEAST_SHARE = 0.10

FEWEST_SAMPLES = 10
# Number of consecutive missing samples above which the clock has a gap.
GAP_SAMPLES = 3
# Largest length of a grid; a longer one would be mostly empty: the clock jumped.
MOST_SAMPLES_PER_STAMP, ALWAYS_ALLOWED_SAMPLES = 20, 1_000_000
# Deviation from an even grid, in sample intervals, above which stamps are uneven; smaller ones are rounding.
UNEVEN_SHARE = 0.1
# Stamps that stay this close to a line from the first to the last are within the other limit of the best line too.
STEADY_SHARE = 0.5 * UNEVEN_SHARE

# A bridge spans at most this many missing samples and this time between valid samples: 10 ms is a fifth of
# a wheel-hop period, where a cubic through the neighbours is still within a few percent of the motion.
BRIDGE_SAMPLES = 3
BRIDGE_S = 0.010

# Kernel: a sinc of this many zero crossings to each side under a Kaiser window. With beta 8 it passes up to
# 0.39 of the lower rate within 0.1 % and stops 80 dB from half of it on (Kaiser's formula for the transition).
ZERO_CROSSINGS = 24
KAISER_BETA = 8.0
CUTOFF = 0.448  # of the lower rate
# A stretch shorter than this share of the kernel gives no sample at the new rate.
SHORTEST_KERNEL_SHARE = 0.25
_CHUNK = 20_000

# A cubic overshoots beside a jump such as a spike or an open wire. Rows that bend this many times more than the 95th
# percentile are interpolated linearly. Own choice: if wrong, a hard contact is interpolated linearly.
RINGS_ABOVE = 20.0


@dataclass(frozen=True)
class RateStretch:
    """Range of stamps at one rate, ``start`` to ``end`` (exclusive)."""

    start: int
    end: int
    rate_hz: float


def find_stretches(stamps_s: FloatArray) -> tuple[RateStretch, ...]:
    """Consecutive stretches of different rates in rising stamps [s]; empty if the log has one rate."""
    n_blocks = (len(stamps_s) - 1) // BLOCK
    if n_blocks < 6:
        return ()
    mean = np.diff(stamps_s[: n_blocks * BLOCK + 1 : BLOCK])
    usual = median(mean)
    if np.count_nonzero((mean > OTHER_RATE * usual) | (mean < usual / OTHER_RATE)) < 3:
        return ()
    steps = np.diff(stamps_s)
    # median of a block: few digits and jitter move single steps to both sides
    trimmed = np.sort(steps[: n_blocks * BLOCK].reshape(n_blocks, BLOCK), axis=1)[:, BLOCK // 5 : -BLOCK // 5]
    interval = trimmed.mean(axis=1)
    edges = _edges(interval, steps)
    stretches = [
        RateStretch(a, b, 1 / _interval_s(steps[a : max(a + 1, b - 1)]))
        for a, b in zip(edges[:-1], edges[1:], strict=True)
    ]
    return tuple(stretches) if len(stretches) > 1 else ()


def common_rate_hz(stretches: tuple[RateStretch, ...], stamps_s: FloatArray) -> float:
    """Slowest rate with a sufficient share of the time, for all stretches. [Hz]"""
    rates = np.array([part.rate_hz for part in stretches])
    lasts = np.array([stamps_s[part.end - 1] - stamps_s[part.start] for part in stretches])
    return min(
        float(rate)
        for rate in rates
        if lasts[(rates < OTHER_RATE * rate) & (rates > rate / OTHER_RATE)].sum() >= LEAST_SHARE * lasts.sum()
    )


def _interval_s(steps: FloatArray) -> float:
    """Mean time step of one sample, without lost rows and pauses. [s]"""
    return float(np.mean(steps[steps < 1.5 * median(steps)]))


def _edges(interval: FloatArray, steps: FloatArray) -> list[int]:
    """Stamps at which the rate changes, with 0 and the number of stamps."""
    edges, level = [0], interval[0]
    block = 1
    while block < len(interval):
        after = interval[block : block + 3]
        other = (after > OTHER_RATE * level) | (after < level / OTHER_RATE)
        lasts_s = float(after.mean()) * BLOCK * 3
        if other.all() and len(after) == 3 and np.ptp(after[1:]) < 0.2 * after[2]:
            edges.append(_exactly(steps, block, level, float(after[2])))
            level = after[2]
            block += max(3, int(SHORTEST_S / max(lasts_s / 3, 1e-9)))
        else:
            block += 1
    return [*edges, len(steps) + 1]


def _exactly(steps: FloatArray, block: int, before: float, after: float) -> int:
    """Stamp of a rate change, inside the block before the first one fully at the new rate."""
    start = max(0, (block - 1) * BLOCK)
    near = steps[start : (block + 1) * BLOCK]
    new = np.abs(near - after) < np.abs(near - before)
    # best split: most old steps before it, most new ones after
    score = np.cumsum(np.where(new, -1, 1))
    return start + int(np.argmax(score)) + 1


@dataclass(frozen=True)
class Grid:
    """Even clock through time stamps."""

    sample_rate_hz: float
    start_s: float  # stamp of sample 0
    stamps_s: FloatArray | Column  # strictly rising
    rows: IntArray | range  # row of the log of each stamp, from 0
    index: IntArray | range  # sample of the grid that each stamp belongs to
    even: bool  # True if the stamps lie on the grid; otherwise values are interpolated onto it
    jitter_s: float  # standard deviation of the stamps about the grid
    parts: tuple["Grid", ...] = ()  # for a log whose rate changes: the grid of each stretch at one rate

    @property
    def n_samples(self) -> int:
        """Number of samples of the grid."""
        return int(self.index[-1]) + 1

    @property
    def t_s(self) -> EvenTimes:
        """Time of every sample, from 0. [s]"""
        return EvenTimes(self.sample_rate_hz, range(self.n_samples))

    @cached_property
    def gaps(self) -> tuple[tuple[int, int], ...]:
        """Gaps of more than `GAP_SAMPLES` samples without rows: first sample, and the one after the last."""
        if isinstance(self.index, range):
            return ()
        steps_s = np.diff(self.stamps_s[:])
        wide = np.flatnonzero(steps_s > (GAP_SAMPLES + 1.5) / self._own_rate_hz)
        return tuple((int(self.index[i]) + 1, int(self.index[i + 1])) for i in wide)

    @property
    def _own_rate_hz(self) -> float:
        """Slowest logged rate."""
        return min((part.sample_rate_hz for part in self.parts), default=self.sample_rate_hz)

    def is_row_by_row(self, n_rows: int) -> bool:
        """True if a log of so many rows has exactly one row per sample."""
        return self.even and n_rows == len(self.rows) == self.n_samples

    def at_rate(self, sample_rate_hz: float) -> "Grid":
        """Clock of another rate over the same time. [Hz]"""
        last_s = (self.n_samples - 1) / self.sample_rate_hz
        count = int(np.floor(last_s * sample_rate_hz * (1 + 1e-12))) + 1
        index = np.rint((self.stamps_s[:] - self.start_s) * sample_rate_hz).astype(np.int64)
        index = np.minimum(index, count - 1)
        index[-1] = count - 1
        return Grid(
            sample_rate_hz, self.start_s, self.stamps_s, self.rows, index, even=False, jitter_s=self.jitter_s
        )

    def row_of(self, sample: int) -> int:
        """Row of the log for a sample, from 0; in a gap the next row."""
        if isinstance(self.index, range):
            return min(sample, len(self.index) - 1)
        return int(self.rows[min(int(np.searchsorted(self.index, sample)), len(self.rows) - 1)])


@dataclass(frozen=True)
class Steady:
    """Stamps one after the other without a gap, all near a straight line: stamp i is start + interval x i + late."""

    interval: float
    start: float
    jitter: float  # standard deviation of what they are late

    def in_unit(self, factor: float) -> "Steady":
        """The same in another unit of time."""
        return Steady(self.interval * factor, self.start * factor, self.jitter * factor)


def steadiness(stamps: Column) -> Steady | None:
    """How steady stamps in any unit of time are, None if a row lacks one or they are not near a straight line."""
    count = len(stamps)
    if count < FEWEST_SAMPLES or stamps.missing:
        return None
    (first, last), before = stamps[np.array([0, count - 1])], -np.inf
    interval = float(last - first) / (count - 1)
    total, squares = 0.0, 0.0
    for rows, here in stamps.blocks():
        late = here - first
        late -= interval * np.arange(rows.start, rows.stop)
        if not np.abs(late).max() <= STEADY_SHARE * interval or not here[0] > before:
            return None
        if not (here[1:] > here[:-1]).all():
            return None
        before = here[-1]
        total += float(late.sum())
        squares += float(late @ late)
    mean = total / count
    return Steady(interval, float(first) + mean, float(np.sqrt(max(0.0, squares / count - mean**2))))


def steady_grid(stamps_s: Column, steady: Steady) -> Grid:
    """Even clock with one sample for each of steady stamps [s]."""
    span_s = steady.interval * (len(stamps_s) - 1)
    resolution = _resolution_s(stamps_s[:10_000])
    each = range(len(stamps_s))
    rate_hz = _nominal(1 / steady.interval, 2e-6 + 2 * resolution / span_s)
    return Grid(rate_hz, steady.start, stamps_s, each, each, even=True, jitter_s=steady.jitter)


def even_grid(t_s: FloatArray, wanted: BoolArray, *, source: str = "log") -> Grid:
    """Even clock of never-falling stamps [s] over rows with travel; `LogError` with fewer than ten.

    The interval is fitted to all stretches without a gap, so rounded stamps (ms at 600 Hz) still give an even clock.
    """
    rows = np.flatnonzero(wanted & ~np.isnan(t_s))
    # front and rear may be in two rows with the same stamp
    stamps_s = t_s if len(rows) == len(t_s) else t_s[rows]
    new = np.append(True, stamps_s[1:] > stamps_s[:-1])
    if not new.all():
        rows, stamps_s = rows[new], stamps_s[new]
    if len(rows) < FEWEST_SAMPLES:
        raise LogError(
            f"{source}: only {len(rows)} samples of travel with a time of their own; is this the log of an outing?"
        )
    stretches = find_stretches(stamps_s)
    if stretches:
        grid = _grid_of_stretches(stamps_s, rows.astype(np.int64), stretches)
    else:
        grid = _grid(stamps_s, rows.astype(np.int64))
    if grid.n_samples > MOST_SAMPLES_PER_STAMP * len(rows) + ALWAYS_ALLOWED_SAMPLES:
        raise LogError(
            f"{source}: its clock jumps ahead by {np.diff(stamps_s).max():.0f} s, so that nearly all of its time is "
            f"empty; split the log there or correct the time."
        )
    return grid


def _grid_of_stretches(stamps_s: FloatArray, rows: IntArray, stretches: tuple[RateStretch, ...]) -> Grid:
    """Clock of a log whose rate changes: the slowest rate with a sufficient share of the time."""
    parts = tuple(
        _grid(stamps_s[part.start : part.end], rows[part.start : part.end])
        for part in stretches
        if part.end - part.start >= FEWEST_SAMPLES
    )
    rate_hz = common_rate_hz(stretches, stamps_s)
    rate_hz = min((part.sample_rate_hz for part in parts), key=lambda own: abs(own - rate_hz))
    index = np.rint((stamps_s - stamps_s[0]) * rate_hz).astype(np.int64)
    jitter_s = max(part.jitter_s for part in parts)
    return Grid(rate_hz, float(stamps_s[0]), stamps_s, rows, index, False, jitter_s, parts)


def _grid(stamps_s: FloatArray, rows: IntArray) -> Grid:
    model = _gapless_model(stamps_s) or _best_model(stamps_s)
    resolution = _resolution_s(stamps_s)
    allowed = max(UNEVEN_SHARE * model.interval_s, 0.75 * resolution)
    late_s = np.abs(model.late_s)
    in_order = bool(np.all(np.diff(model.in_order) + np.diff(model.segment) > 0))
    if not in_order or (late_s.max() > allowed and quantile(late_s, 0.995) > allowed):
        return _uneven_grid(stamps_s, rows)
    begin = np.rint((model.start_s - model.start_s[0]) / model.interval_s).astype(np.int64)
    order = np.arange(len(begin))
    begin = np.maximum.accumulate(begin - order) + order  # strictly rising
    return Grid(
        sample_rate_hz=_nominal(1 / model.interval_s, 2e-6 + 2 * resolution / float(np.ptp(stamps_s))),
        start_s=float(model.start_s[0]),
        stamps_s=stamps_s,
        rows=rows,
        index=model.in_order + begin[model.segment],
        even=True,
        jitter_s=float(np.std(model.late_s)),
    )


def _uneven_grid(stamps_s: FloatArray, rows: IntArray) -> Grid:
    """Grid at the stamps' mean rate, rounded if possible, since values are interpolated anyway."""
    steps = np.diff(stamps_s)
    rate_hz = _nominal(1 / float(np.mean(steps[steps < 2.5 * median(steps)])), 0.01)
    # a step has the scatter of two stamps; the median excludes lost rows
    jitter_s = 1.4826 * median(np.abs(steps - median(steps))) / np.sqrt(2)
    index = np.rint((stamps_s - stamps_s[0]) * rate_hz).astype(np.int64)
    return Grid(rate_hz, float(stamps_s[0]), stamps_s, rows, index, even=False, jitter_s=float(jitter_s))


@dataclass(frozen=True)
class _ClockModel:
    """Model of the stamps: segment start + interval x count + late; the count runs on within a segment."""

    interval_s: float
    segment: IntArray
    in_order: IntArray
    start_s: FloatArray
    late_s: FloatArray


def _gapless_model(stamps_s: FloatArray) -> _ClockModel | None:
    """Model of a log without gaps or lost rows, None if it has any."""
    order = np.arange(len(stamps_s))
    interval = float(stamps_s[-1] - stamps_s[0]) / order[-1]
    late = order * -interval
    late += stamps_s
    late -= stamps_s[0]
    if max(late.max(), -late.min()) > UNEVEN_SHARE * interval:
        return None
    start = float(late.mean())
    late -= start
    return _ClockModel(
        interval, np.zeros(len(order), dtype=np.int64), order, np.array([stamps_s[0] + start]), late
    )


def _best_model(stamps_s: FloatArray) -> _ClockModel:
    """Model with the smaller residual: every step is one sample, or the nearest whole number of samples (lost rows)."""
    steps = np.diff(stamps_s)
    interval = float(np.mean(steps[steps < 2.5 * median(steps)]))
    gap = steps > (GAP_SAMPLES + 1.5) * interval
    counts = [np.ones(len(steps), dtype=np.int64)]
    for _ in range(3):
        counts.append(np.rint(steps / interval).astype(np.int64))
        interval = float(steps[~gap].sum() / counts[-1][~gap].sum())
    return min(
        (_fitted_model(stamps_s, steps, count, gap) for count in (counts[0], counts[-1])),
        key=_relative_residual,
    )


def _fitted_model(stamps_s: FloatArray, steps: FloatArray, count: IntArray, gap: BoolArray) -> _ClockModel:
    interval = float(steps[~gap].sum() / count[~gap].sum())
    segment = np.concatenate(([0], np.cumsum(gap))).astype(np.int64)
    in_order = np.concatenate(([0], np.cumsum(np.where(gap, 0, count)))).astype(np.int64)
    # Start of a segment: mean over its stamps, so that rounding averages out.
    start = np.bincount(segment, stamps_s - in_order * interval) / np.bincount(segment)
    return _ClockModel(interval, segment, in_order, start, stamps_s - in_order * interval - start[segment])


def _relative_residual(model: _ClockModel) -> float:
    return float(np.std(model.late_s)) / model.interval_s


def _nominal(rate_hz: float, tolerance: float) -> float:
    """Round rate of the logger, if stamp rounding explains the difference."""
    nominal = round(rate_hz)
    return float(nominal) if nominal and abs(rate_hz / nominal - 1) < tolerance else rate_hz


def _resolution_s(stamps_s: FloatArray) -> float:
    """Decimal step of the stamps, 0 with more than five decimals. [s]"""
    for digits in range(6):
        scaled = stamps_s[:10_000] * 10.0**digits
        if np.all(np.abs(scaled - np.rint(scaled)) < 1e-3):
            return float(10.0**-digits)
    return 0.0


def runs(mask: BoolArray) -> tuple[IntArray, IntArray]:
    """Start and end (exclusive) of each run of True.

    Parameters
    ----------
    mask : ndarray of bool, shape (n_samples,)

    Examples
    --------
    >>> runs(np.array([True, False, True, True]))
    (array([0, 2]), array([1, 4]))
    """
    edges = np.flatnonzero(mask[1:] != mask[:-1]) + 1
    starts_and_ends = np.concatenate(([0] * bool(mask[:1].any()), edges, [len(mask)] * bool(mask[-1:].any())))
    return starts_and_ends[0::2].astype(np.int64), starts_and_ends[1::2].astype(np.int64)


def block_range(values: FloatArray, length: int) -> FloatArray:
    """Maximum minus minimum of each whole block of samples, shape (n_samples // length,); NaN if any sample is NaN."""
    blocks = values[: len(values) // length * length].reshape(-1, length)
    return np.asarray(blocks.max(axis=1) - blocks.min(axis=1))


def longest_bridge(sample_rate_hz: float) -> int:
    """Most consecutive missing samples that may be bridged at this rate; 0 for a slow log."""
    return max(0, min(BRIDGE_SAMPLES, int(BRIDGE_S * sample_rate_hz * (1 + 1e-9)) - 1))


def bridge(
    values: FloatArray, longest: int, *, within_mm: tuple[float, float] = (-np.inf, np.inf)
) -> tuple[FloatArray, BoolArray]:
    """Gaps up to ``longest`` filled by the cubic through two samples either side within ``within_mm``; and where.

    The array itself where nothing is missing.
    """
    missing = np.isnan(values)
    if not missing.any():
        return values, missing
    filled = values.copy()
    starts, ends = runs(missing)
    for length in range(1, longest + 1):
        at = starts[(ends - starts == length) & (starts >= 2) & (ends <= len(values) - 2)]
        banks = values[at[:, None] + np.array([-2, -1, length, length + 1])]
        inside = np.stack([banks @ cubic_weights(length, k) for k in range(length)], axis=1)
        all_of_it = np.concatenate([banks, inside], axis=1)  # NaN is within no range
        whole = ((all_of_it >= within_mm[0]) & (all_of_it <= within_mm[1])).all(axis=1)
        for k in range(length):
            filled[at[whole] + k] = inside[whole, k]
    return filled, missing & ~np.isnan(filled)


def cubic_weights(length: int, k: int) -> FloatArray:
    """Lagrange weights at sample k of a gap, for the samples at -2, -1, length and length + 1."""
    nodes = np.array([-2.0, -1.0, length, length + 1.0])
    weights = np.ones(4)
    for i, node in enumerate(nodes):
        others = np.delete(nodes, i)
        weights[i] = np.prod((k - others) / (node - others))
    return weights


def resample(values: FloatArray, from_hz: float, to_hz: float) -> FloatArray:
    """Signal at another rate, sample 0 keeps its time; NaN unless both neighbours are valid. [Hz]

    Windowed sinc (Oppenheim, Schafer, Discrete-Time Signal Processing, 3rd ed., 2010, 4.6 and 7.6).
    """
    count = int(np.floor((len(values) - 1) / from_hz * to_hz * (1 + 1e-12))) + 1
    return resample_at(values, from_hz, np.arange(count) / to_hz, to_hz)


def resample_at(values: FloatArray, from_hz: float, wanted_s: FloatArray, to_hz: float) -> FloatArray:
    """Evenly sampled signal at rising instants [s], filtered for a rate of ``to_hz``; NaN outside and in gaps."""
    place = wanted_s * from_hz
    result = np.full(len(place), np.nan)
    half = int(np.ceil(ZERO_CROSSINGS * max(1.0, from_hz / to_hz)))
    slack = 1e-6  # of a sample: rounding of the instants
    for start, end in zip(*runs(~np.isnan(values)), strict=True):
        if end - start < max(2, SHORTEST_KERNEL_SHARE * half):
            continue
        first, last = np.searchsorted(place, [start - slack, end - 1 + slack])
        padded = _mirrored(values[start:end], half)
        for low in range(first, last, _CHUNK):
            high = min(low + _CHUNK, last)
            result[low:high] = _filtered(padded, place[low:high] - start + half, half, to_hz / from_hz)
    return result


def _mirrored(values: FloatArray, half: int) -> FloatArray:
    """Signal extended beyond both ends by point reflection in its end values."""
    reach = min(half, len(values) - 1)
    before = 2 * values[0] - values[reach:0:-1]
    after = 2 * values[-1] - values[-2 : -reach - 2 : -1]
    return np.pad(np.concatenate((before, values, after)), half - reach, mode="edge")


def _filtered(padded: FloatArray, place: FloatArray, half: int, ratio: float) -> FloatArray:
    """Windowed-sinc interpolation at each place, weights normalised to a sum of 1."""
    nearest = np.floor(place).astype(np.int64)
    offsets = np.arange(-half, half + 1)
    index = np.clip(nearest[:, None] + offsets, 0, len(padded) - 1)
    away = (place - nearest)[:, None] - offsets
    cutoff = 2 * CUTOFF * min(1.0, ratio)
    inside = 1 - (away / half) ** 2
    window = np.where(inside >= 0, np.i0(KAISER_BETA * np.sqrt(np.maximum(inside, 0))), 0.0)
    weights = np.sinc(cutoff * away) * window
    return np.asarray((weights * padded[index]).sum(axis=1) / weights.sum(axis=1))


def read_only(values: FloatArray) -> FloatArray:
    """The same numbers, not to be written to: copies of all columns would be half a log more."""
    kept = values.view()
    kept.flags.writeable = False
    return kept


def place_on_grid(values: FloatArray, t_s: FloatArray, grid: Grid) -> FloatArray:
    """Column logged at the clock's rate, on the clock; NaN where the log has nothing.

    Even clock: placed, not interpolated. Uneven: a cubic through two rows on either side, within stretches without a
    gap. A stretch logged faster is low-pass filtered; one logged slower is left out.
    """
    if grid.parts:
        return _from_parts(values, t_s, grid)
    if grid.is_row_by_row(len(values)):
        return read_only(values)
    rows = np.flatnonzero(np.isfinite(values) & np.isfinite(t_s))
    rows = rows[np.diff(t_s[rows], prepend=-np.inf) > 0]
    stamps_s, signal = t_s[rows], values[rows]
    on_grid = np.full(grid.n_samples, np.nan)
    if not len(rows):
        return on_grid
    if grid.even:
        on_grid[np.asarray(grid.index)[np.searchsorted(grid.stamps_s[:], stamps_s)]] = signal
        return on_grid
    clock_s = grid.start_s + grid.t_s[:]
    pause = np.diff(stamps_s) > (GAP_SAMPLES + 1.5) / grid.sample_rate_hz
    for part in np.split(np.arange(len(stamps_s)), np.flatnonzero(pause) + 1):
        begin_s, end_s = stamps_s[part[0]], stamps_s[part[-1]]
        half_s = 0.5 / grid.sample_rate_hz  # a stretch reaches half a sample beyond its rows
        first, last = np.searchsorted(clock_s, [begin_s - half_s, end_s + half_s])
        wanted_s = np.clip(clock_s[first:last], begin_s, end_s)
        on_grid[first:last] = _between(stamps_s[part], signal[part], wanted_s)
    return on_grid


def _from_parts(values: FloatArray, t_s: FloatArray, grid: Grid) -> FloatArray:
    clock_s = grid.start_s + grid.t_s[:]
    on_grid = np.full(grid.n_samples, np.nan)
    for part in grid.parts:
        if part.sample_rate_hz < grid.sample_rate_hz / OTHER_RATE:
            continue
        own = slice(int(part.rows[0]), int(part.rows[-1]) + 1)
        here = place_on_grid(values[own], t_s[own], part)
        here, _ = bridge(here, longest_bridge(part.sample_rate_hz))
        first, last = np.searchsorted(clock_s, [part.start_s - 1e-9, part.start_s + part.t_s[-1] + 1e-9])
        wanted_s = clock_s[first:last] - part.start_s
        on_grid[first:last] = resample_at(here, part.sample_rate_hz, wanted_s, grid.sample_rate_hz)
    return on_grid


def _between(t_s: FloatArray, values: FloatArray, wanted_s: FloatArray) -> FloatArray:
    """Cubic through the two rows on either side of each instant; linear if one of them jumps."""
    if len(t_s) < 4:
        return np.interp(wanted_s, t_s, values)
    first = np.clip(np.searchsorted(t_s, wanted_s, side="right") - 2, 0, len(t_s) - 4)
    rows = first[:, None] + np.arange(4)
    nodes, at = t_s[rows], values[rows]
    cubic = np.zeros(len(wanted_s))
    for i in range(4):
        others = [k for k in range(4) if k != i]
        away = [(wanted_s - nodes[:, k]) / (nodes[:, i] - nodes[:, k]) for k in others]
        cubic += at[:, i] * away[0] * away[1] * away[2]
    bend = np.abs(np.diff(values, 2))
    jumps = np.zeros(len(values), dtype=bool)
    jumps[1:-1] = bend > RINGS_ABOVE * quantile(bend, 0.95)
    straight = jumps[rows].any(axis=1)
    cubic[straight] = np.interp(wanted_s[straight], t_s, values)
    return cubic
