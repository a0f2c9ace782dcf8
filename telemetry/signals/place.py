"""Values of a log's rows onto its even clock."""

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.signals.clock import GAP_SAMPLES, Grid
from telemetry.signals.gaps import bridge, longest_bridge
from telemetry.signals.rates import OTHER_RATE
from telemetry.signals.resample import resample_at


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
    if not len(rows):
        return on_grid
    if grid.even:
        on_grid[grid.index[np.searchsorted(grid.stamps_s, stamps_s)]] = signal
        return on_grid
    clock_s = grid.start_s + grid.t_s
    pause = np.diff(stamps_s) > (GAP_SAMPLES + 1.5) / grid.sample_rate_hz
    for part in np.split(np.arange(len(stamps_s)), np.flatnonzero(pause) + 1):
        first, last = np.searchsorted(clock_s, [stamps_s[part[0]], stamps_s[part[-1]]])
        on_grid[first:last] = _spline(stamps_s[part], signal[part], clock_s[first:last])
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
    return np.asarray(CubicSpline(t_s, values)(wanted_s), dtype=np.float64)
