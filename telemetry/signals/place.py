"""Values of a log's rows onto its even clock."""

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.signals.clock import GAP_SAMPLES, Grid
from telemetry.signals.gaps import bridge, longest_bridge
from telemetry.signals.rates import OTHER_RATE
from telemetry.signals.resample import resample_at

# A cubic makes a fault larger than it is beside a jump, as of a spike or a wire that opens. Where a signal bends this
# many times more than in 95 % of its rows straight lines take its place. A choice of ours: where it is wrong, a hard
# contact is drawn straight from row to row.
RINGS_ABOVE = 20.0


def place_on_grid(values: FloatArray, t_s: FloatArray, grid: Grid) -> FloatArray:
    """A channel that is logged at the clock's rate, on the clock.

    On an even clock every value keeps its own: it is put in its place, not interpolated. On an uneven one a cubic
    goes through the two rows on either side, within each stretch without a gap. A stretch that was logged faster than
    the clock is filtered for the clock's rate, one that was logged slower is left out.

    Parameters
    ----------
    values : ndarray of shape (n_rows,)
        NaN where the row has none.
    t_s : ndarray of shape (n_rows,)
        Time stamps; NaN where the row has none. [s]

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
        begin_s, end_s = stamps_s[part[0]], stamps_s[part[-1]]
        half_s = 0.5 / grid.sample_rate_hz  # so near to its first and last row a stretch has a sample
        first, last = np.searchsorted(clock_s, [begin_s - half_s, end_s + half_s])
        wanted_s = np.clip(clock_s[first:last], begin_s, end_s)
        on_grid[first:last] = _between(stamps_s[part], signal[part], wanted_s)
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


def _between(t_s: FloatArray, values: FloatArray, wanted_s: FloatArray) -> FloatArray:
    """The cubic through the two rows on either side of each instant; a straight line where one of them jumps."""
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
    jumps[1:-1] = bend > RINGS_ABOVE * np.quantile(bend, 0.95)
    straight = jumps[rows].any(axis=1)
    cubic[straight] = np.interp(wanted_s[straight], t_s, values)
    return cubic
