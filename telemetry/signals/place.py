"""Values of a log's rows onto its even clock."""

import numpy as np

from telemetry.arrays import FloatArray, IntArray
from telemetry.signals.clock import GAP_SAMPLES, Grid
from telemetry.signals.gaps import bridge, longest_bridge, runs
from telemetry.signals.rates import OTHER_RATE
from telemetry.signals.resample import resample_at

# A spline rings over several samples on either side of a jump, as of a spike or a wire that opens. Where a signal bends
# this many times more than in 95 % of its rows straight lines take its place. A choice of ours: where it is wrong, a
# hard contact is drawn straight from row to row.
RINGS_ABOVE = 20.0


def place_on_grid(values: FloatArray, t_s: FloatArray, grid: Grid) -> FloatArray:
    """A channel that is logged at the clock's rate, on the clock.

    On an even clock every value keeps its own: it is put in its place, not interpolated. On an uneven one a cubic
    spline goes through each stretch without a gap. A stretch that was logged faster than the clock is filtered for
    the clock's rate, one that was logged slower is left out.

    Parameters
    ----------
    values : ndarray of shape (n_rows,)
        NaN where the row has none.
    t_s : ndarray of shape (n_rows,)
        Time stamps; NaN where the row has none. [s]
    grid : Grid

    Returns
    -------
    ndarray of shape (grid.n_samples,)
        NaN where the log has nothing.
    """
    if grid.parts:
        return _from_parts(values, t_s, grid)
    if grid.is_row_by_row(len(values)):
        return values.copy()
    rows = np.flatnonzero(np.isfinite(values) & np.isfinite(t_s))
    rows = rows[np.diff(t_s[rows], prepend=-np.inf) > 0]
    stamps_s, signal = t_s[rows], values[rows]
    on_grid = np.full(grid.n_samples, np.nan)
    if grid.even:
        on_grid[grid.index[np.searchsorted(grid.stamps_s, stamps_s)]] = signal
        return on_grid
    clock_s = grid.start_s + grid.t_s
    pause = np.diff(stamps_s) > (GAP_SAMPLES + 1.5) / grid.sample_rate_hz
    for part in np.split(np.arange(len(stamps_s)), np.flatnonzero(pause) + 1):
        begin_s, end_s = stamps_s[part[0]], stamps_s[part[-1]]
        half_s = 0.5 / grid.sample_rate_hz  # so near to its first and last row a stretch has a sample
        first, last = np.searchsorted(clock_s, [begin_s - half_s, end_s + half_s])
        wanted_s = np.clip(clock_s[first:last], begin_s, end_s)
        on_grid[first:last] = _spline(stamps_s[part], signal[part], wanted_s)
    return on_grid


def _from_parts(values: FloatArray, t_s: FloatArray, grid: Grid) -> FloatArray:
    clock_s = grid.start_s + grid.t_s
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


def _spline(t_s: FloatArray, values: FloatArray, wanted_s: FloatArray) -> FloatArray:
    from scipy.interpolate import CubicSpline  # loads for half a second; most clocks are even

    if len(t_s) < 4:
        return np.interp(wanted_s, t_s, values)
    on_clock = np.asarray(CubicSpline(t_s, values)(wanted_s), dtype=np.float64)
    bend = np.abs(np.diff(values, 2))
    jumps = np.flatnonzero(bend > RINGS_ABOVE * np.quantile(bend, 0.95)) + 1
    if jumps.size:
        on_clock = _straight_at(jumps, on_clock, t_s, values, wanted_s)
    return on_clock


def _straight_at(
    jumps: IntArray, on_clock: FloatArray, t_s: FloatArray, values: FloatArray, wanted_s: FloatArray
) -> FloatArray:
    """Straight lines beside jumps, and about them the spline through what lies on their own side."""
    from scipy.interpolate import CubicSpline

    on_clock = on_clock.copy()
    cut = np.zeros(len(t_s) - 1, dtype=bool)  # steps from a row to the next
    cut[jumps - 1] = cut[jumps] = True
    starts, ends = runs(~cut)
    begin, end = np.searchsorted(wanted_s, [t_s[jumps[0] - 1], t_s[jumps[-1] + 1]])
    on_clock[begin:end] = np.interp(wanted_s[begin:end], t_s, values)
    for first, last in zip(starts, ends, strict=True):
        if last - first >= 3:
            here = slice(*np.searchsorted(wanted_s, [t_s[first], t_s[last]]))
            on_clock[here] = CubicSpline(t_s[first : last + 1], values[first : last + 1])(wanted_s[here])
    return on_clock
