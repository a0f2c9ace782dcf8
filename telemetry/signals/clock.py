"""The even clock that the time stamps of travel belong to."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from telemetry.arrays import BoolArray, FloatArray, IntArray
from telemetry.errors import LogError
from telemetry.signals.rates import Stretch, common_rate_hz, find_stretches

FEWEST_SAMPLES = 10
# More missing samples than this in a row are a gap of the clock.
GAP_SAMPLES = 3
# A grid longer than this for its stamps is one whose clock jumped: most of it would be empty.
MOST_SAMPLES_PER_STAMP, ALWAYS_ALLOWED_SAMPLES = 20, 1_000_000
# Stamps this far off an even grid, in sample intervals, are uneven; nearer, they are an even clock written
# with few digits.
UNEVEN_SHARE = 0.1


@dataclass(frozen=True)
class Grid:
    """An even clock through time stamps.

    Parameters
    ----------
    start_s : float
        Stamp of sample 0. [s]
    stamps_s : ndarray of shape (n_stamps,)
        Strictly rising. [s]
    rows : ndarray of int, shape (n_stamps,)
        Row of the log of each stamp, from 0.
    index : ndarray of int, shape (n_stamps,)
        Sample of the grid that each stamp belongs to.
    even : bool
        Whether the stamps lie on the grid; if not, values must be interpolated onto it.
    jitter_s : float
        Standard deviation of the stamps about the grid. [s]
    parts : tuple of Grid
        Of a log whose rate changes: the grid of each stretch at one rate, on the way to this one.
    """

    sample_rate_hz: float
    start_s: float
    stamps_s: FloatArray
    rows: IntArray
    index: IntArray
    even: bool
    jitter_s: float
    parts: tuple["Grid", ...] = ()

    @property
    def n_samples(self) -> int:
        """Length of the grid."""
        return int(self.index[-1]) + 1

    @cached_property
    def t_s(self) -> FloatArray:
        """Time of every sample, from 0. [s]"""
        return np.arange(self.n_samples) / self.sample_rate_hz

    @cached_property
    def gaps(self) -> tuple[tuple[int, int], ...]:
        """Where the log has no rows for more than `GAP_SAMPLES` samples: first sample, and the one after the last."""
        steps_s = np.diff(self.stamps_s)
        wide = np.flatnonzero(steps_s > (GAP_SAMPLES + 1.5) / self._own_rate_hz)
        return tuple((int(self.index[i]) + 1, int(self.index[i + 1])) for i in wide)

    @property
    def _own_rate_hz(self) -> float:
        """The slowest rate that rows come at."""
        return min((part.sample_rate_hz for part in self.parts), default=self.sample_rate_hz)

    def is_row_by_row(self, n_rows: int) -> bool:
        """Whether a log of so many rows has exactly one row for each sample."""
        return self.even and n_rows == len(self.rows) == self.n_samples

    def at_rate(self, sample_rate_hz: float) -> "Grid":
        """The clock of another rate over the same time. [Hz]"""
        last_s = (self.n_samples - 1) / self.sample_rate_hz
        count = int(np.floor(last_s * sample_rate_hz * (1 + 1e-12))) + 1
        index = np.rint((self.stamps_s - self.start_s) * sample_rate_hz).astype(np.int64)
        index = np.minimum(index, count - 1)
        index[-1] = count - 1
        return Grid(
            sample_rate_hz, self.start_s, self.stamps_s, self.rows, index, even=False, jitter_s=self.jitter_s
        )

    def row_of(self, sample: int) -> int:
        """Row of the log that a sample comes from, from 0; the next one for a sample in a gap."""
        return int(self.rows[min(int(np.searchsorted(self.index, sample)), len(self.rows) - 1)])


def even_grid(t_s: FloatArray, wanted: BoolArray, *, source: str = "log") -> Grid:
    """The even clock that time stamps belong to.

    The interval is that of the stamps themselves, over all stretches without a gap. Stamps written with few
    digits (milliseconds at 600 Hz) are still an even clock: they are put on the grid in order.

    Parameters
    ----------
    t_s : ndarray of shape (n_rows,)
        Never falling; NaN where a row has no stamp. [s]
    wanted : ndarray of bool, shape (n_rows,)
        Rows that hold a sample of travel.
    source : str
        The log, for messages.

    Raises
    ------
    LogError
        If there are fewer than ten stamps.
    """
    rows = np.flatnonzero(wanted & ~np.isnan(t_s))
    # two rows may share a stamp: front in one, rear in the other
    new = np.diff(t_s[rows], prepend=-np.inf) > 0
    rows, stamps_s = rows[new], t_s[rows[new]]
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


def _grid_of_stretches(stamps_s: FloatArray, rows: IntArray, stretches: tuple[Stretch, ...]) -> Grid:
    """One clock for a log whose rate changes: the slowest rate that is worth keeping."""
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
    course = _steady_course(stamps_s) or _course(stamps_s)
    resolution = _resolution_s(stamps_s)
    allowed = max(UNEVEN_SHARE * course.interval_s, 0.75 * resolution)
    in_order = bool(np.all(np.diff(course.in_order) + np.diff(course.segment) > 0))
    if not in_order or float(np.quantile(np.abs(course.late_s), 0.995)) > allowed:
        return _uneven_grid(stamps_s, rows)
    begin = np.rint((course.start_s - course.start_s[0]) / course.interval_s).astype(np.int64)
    order = np.arange(len(begin))
    begin = np.maximum.accumulate(begin - order) + order  # each after the one before, come what may
    return Grid(
        sample_rate_hz=_nominal(1 / course.interval_s, 2e-6 + 2 * resolution / float(np.ptp(stamps_s))),
        start_s=float(course.start_s[0]),
        stamps_s=stamps_s,
        rows=rows,
        index=course.in_order + begin[course.segment],
        even=True,
        jitter_s=float(np.std(course.late_s)),
    )


def _uneven_grid(stamps_s: FloatArray, rows: IntArray) -> Grid:
    """A grid of the stamps' mean rate; values will be interpolated onto it, so a round rate will do."""
    steps = np.diff(stamps_s)
    rate_hz = _nominal(1 / float(np.mean(steps[steps < 2.5 * np.median(steps)])), 0.01)
    # scatter of a step is that of two stamps; the median leaves lost rows out
    jitter_s = 1.4826 * float(np.median(np.abs(steps - np.median(steps)))) / np.sqrt(2)
    index = np.rint((stamps_s - stamps_s[0]) * rate_hz).astype(np.int64)
    return Grid(rate_hz, float(stamps_s[0]), stamps_s, rows, index, even=False, jitter_s=float(jitter_s))


@dataclass(frozen=True)
class _Course:
    """Stamps as start of the segment + interval x count + late: the count goes on in each segment without a gap."""

    interval_s: float
    segment: IntArray
    in_order: IntArray
    start_s: FloatArray
    late_s: FloatArray


def _steady_course(stamps_s: FloatArray) -> _Course | None:
    """The course of a tidy log, which has neither gaps nor lost rows; None if it is not so tidy."""
    order = np.arange(len(stamps_s))
    interval = float(stamps_s[-1] - stamps_s[0]) / order[-1]
    late = stamps_s - stamps_s[0] - order * interval
    if np.abs(late).max() > UNEVEN_SHARE * interval:
        return None
    start = float(late.mean())
    return _Course(
        interval, np.zeros(len(order), dtype=np.int64), order, np.array([stamps_s[0] + start]), late - start
    )


def _course(stamps_s: FloatArray) -> _Course:
    """The course that leaves least over, of two readings of the steps between stamps.

    Either every step is one sample, however long (jitter, few digits), or each is the nearest whole number of
    samples (lost rows).
    """
    steps = np.diff(stamps_s)
    interval = float(np.mean(steps[steps < 2.5 * np.median(steps)]))
    gap = steps > (GAP_SAMPLES + 1.5) * interval
    counts = [np.ones(len(steps), dtype=np.int64)]
    for _ in range(3):
        counts.append(np.rint(steps / interval).astype(np.int64))
        interval = float(steps[~gap].sum() / counts[-1][~gap].sum())
    return min((_follow(stamps_s, steps, count, gap) for count in (counts[0], counts[-1])), key=_left_over)


def _follow(stamps_s: FloatArray, steps: FloatArray, count: IntArray, gap: BoolArray) -> _Course:
    interval = float(steps[~gap].sum() / count[~gap].sum())
    segment = np.concatenate(([0], np.cumsum(gap))).astype(np.int64)
    in_order = np.concatenate(([0], np.cumsum(np.where(gap, 0, count)))).astype(np.int64)
    # Where a segment starts: the mean over its stamps, so that the rounding of single ones averages out.
    start = np.bincount(segment, stamps_s - in_order * interval) / np.bincount(segment)
    return _Course(interval, segment, in_order, start, stamps_s - in_order * interval - start[segment])


def _left_over(course: _Course) -> float:
    return float(np.std(course.late_s)) / course.interval_s


def _nominal(rate_hz: float, tolerance: float) -> float:
    """The round rate that a logger means, where the rounding of its stamps explains the difference."""
    nominal = round(rate_hz)
    return float(nominal) if nominal and abs(rate_hz / nominal - 1) < tolerance else rate_hz


def _resolution_s(stamps_s: FloatArray) -> float:
    """The decimal step that all stamps are multiples of; 0 if they have more than five decimals. [s]"""
    for digits in range(6):
        scaled = stamps_s[:10_000] * 10.0**digits
        if np.all(np.abs(scaled - np.rint(scaled)) < 1e-3):
            return float(10.0**-digits)
    return 0.0
