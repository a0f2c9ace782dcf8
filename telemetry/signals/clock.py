"""The clock of a log: time stamps in seconds, checked, and the even grid that the travel samples lie on."""

from dataclasses import dataclass

import numpy as np

from telemetry.arrays import BoolArray, FloatArray, IntArray
from telemetry.errors import LogError
from telemetry.logs.rawlog import RawLog
from telemetry.logs.units import find_unit, to_unit
from telemetry.notes import QualityNote
from telemetry.signals.lookup import find_numbers

# A log of suspension travel slower than this is one whose time is not in seconds.
SLOWEST_RATE_HZ = 5.0
# Stamps that go back further than this, or this often, are a second recording in the same file.
RESTART_S = 1.0
MOST_BACKWARD_SHARE = 0.01
FEWEST_SAMPLES = 10
# More missing samples than this in a row are a gap of the clock.
GAP_SAMPLES = 3
# Stamps this far off an even grid, in sample intervals, are uneven; nearer, they are an even clock written
# with few digits.
UNEVEN_SHARE = 0.1


@dataclass(frozen=True)
class TimeStamps:
    """The time of every row: seconds since the first stamp, NaN where the row has no usable stamp."""

    t_s: FloatArray
    notes: tuple[QualityNote, ...]


@dataclass(frozen=True)
class Grid:
    """An even clock through time stamps.

    Parameters
    ----------
    sample_rate_hz : float
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
    """

    sample_rate_hz: float
    start_s: float
    stamps_s: FloatArray
    rows: IntArray
    index: IntArray
    even: bool
    jitter_s: float

    @property
    def n_samples(self) -> int:
        """Length of the grid."""
        return int(self.index[-1]) + 1

    @property
    def t_s(self) -> FloatArray:
        """Time of every sample, from 0. [s]"""
        return np.arange(self.n_samples) / self.sample_rate_hz

    def row_of(self, sample: int) -> int:
        """Row of the log that a sample comes from, from 0; the next one for a sample in a gap."""
        return int(self.rows[min(int(np.searchsorted(self.index, sample)), len(self.rows) - 1)])


def read_stamps(log: RawLog, time_channel: str) -> TimeStamps:
    """Time stamps in seconds; rows without one, or with one that goes backward, are NaN and noted.

    Parameters
    ----------
    log : RawLog
    time_channel : str
        Column of time. Its unit is the file's; without one, seconds, or milliseconds if that alone makes sense.

    Returns
    -------
    TimeStamps

    Raises
    ------
    ChannelError
        If there is no such column.
    LogError
        If its unit is none of time, or the file holds more than one recording.
    """
    name, values = find_numbers(log, time_channel, meaning="time")
    notes: list[QualityNote] = []
    t_s = _in_seconds(log, name, values, notes)
    blank = np.isnan(t_s)
    if blank.any():
        row = log.first_row + int(np.argmax(blank))
        message = f"{int(blank.sum())} rows have no time (first: row {row}); they are left out."
        notes.append(QualityNote("warning", "no_time", message, channel=name))
    t_s = t_s - t_s[~blank][0]
    _leave_out_backward(log, name, t_s, notes)
    return TimeStamps(t_s, tuple(notes))


def _in_seconds(log: RawLog, name: str, values: FloatArray, notes: list[QualityNote]) -> FloatArray:
    written = log.units.get(name, "")
    unit = find_unit(written) if written else None
    if unit is not None and unit.quantity == "time":
        return to_unit(values, unit.symbol, "s")
    if written:
        raise LogError(
            f"{log.source}, column {name!r}: unit {written!r} is not one of time; use s, ms or us, or check "
            f"time in [channels]."
        )
    steps = np.diff(values[np.isfinite(values)])
    step = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    for symbol in ("s", "ms", "us"):
        if to_unit(np.array([step]), symbol, "s")[0] <= 1 / SLOWEST_RATE_HZ:
            break
    if symbol != "s":
        message = (
            f"{name!r} has no unit and steps by {step:g}: taken for {symbol}. Write the unit to be sure."
        )
        notes.append(QualityNote("warning", "time_unit_assumed", message, channel=name))
    return to_unit(values, symbol, "s")


def _leave_out_backward(log: RawLog, name: str, t_s: FloatArray, notes: list[QualityNote]) -> None:
    """Set stamps that lie before an earlier one to NaN; refuse a clock that starts again."""
    latest = np.fmax.accumulate(t_s)
    backward = t_s < latest
    if not backward.any():
        return
    first = int(np.argmax(backward))
    row, share = log.first_row + first, float(backward.mean())
    if share > MOST_BACKWARD_SHARE and float(np.nanmax(latest - t_s)) > RESTART_S:
        raise LogError(
            f"{log.source}, row {row}: {name} goes back from {latest[first]:.3f} to {t_s[first]:.3f} s after the "
            f"first stamp and goes on from there; the file holds more than one recording. Split it at that row."
        )
    notes.append(
        QualityNote(
            "warning",
            "backward_time",
            f"Time goes backward in {int(backward.sum())} rows (first: row {row}); they are left out.",
            channel=name,
            start_s=float(latest[first]),
            end_s=float(latest[first]),
        )
    )
    t_s[backward] = np.nan


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

    Returns
    -------
    Grid

    Raises
    ------
    LogError
        If there are fewer than ten stamps.
    """
    rows = np.flatnonzero(wanted & ~np.isnan(t_s))
    new = (
        np.diff(t_s[rows], prepend=-np.inf) > 0
    )  # two rows may share a stamp: front in one, rear in the other
    rows, stamps_s = rows[new], t_s[rows[new]]
    if len(rows) < FEWEST_SAMPLES:
        raise LogError(
            f"{source}: only {len(rows)} samples of travel with a time of their own; is this the log of an outing?"
        )
    steps = np.diff(stamps_s)
    interval = float(np.mean(steps[steps < 2.5 * np.median(steps)]))
    for _ in range(3):
        count = np.maximum(1, np.rint(steps / interval)).astype(np.int64)
        whole = count <= GAP_SAMPLES + 1
        interval = float(steps[whole].sum() / count[whole].sum())
    segment = np.concatenate(([0], np.cumsum(~whole)))
    in_order = np.concatenate(([0], np.cumsum(np.where(whole, count, 0))))
    # Where a segment starts on the grid: the mean over its stamps, so that rounding of single ones averages out.
    start = np.bincount(segment, stamps_s - in_order * interval) / np.bincount(segment)
    late = stamps_s - in_order * interval - start[segment]
    begin = np.rint((start - start[0]) / interval).astype(np.int64)
    begin = np.maximum.accumulate(begin - np.arange(len(begin))) + np.arange(
        len(begin)
    )  # rising, come what may
    resolution = _resolution_s(stamps_s)
    allowed = max(UNEVEN_SHARE * interval, 0.75 * resolution)
    return Grid(
        sample_rate_hz=_nominal(1 / interval, 2e-6 + 2 * resolution / float(stamps_s[-1] - stamps_s[0])),
        start_s=float(start[0]),
        stamps_s=stamps_s,
        rows=rows.astype(np.int64),
        index=in_order + begin[segment],
        even=float(np.quantile(np.abs(late), 0.995)) <= allowed,
        jitter_s=float(np.std(late)),
    )


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
