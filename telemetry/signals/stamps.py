"""The time stamps of a log: in seconds, and checked."""

from dataclasses import dataclass

import numpy as np

from telemetry.arrays import FloatArray
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
# Rows of one channel that share a stamp: this many are a slip of the logger, more are stamps with too few digits.
MOST_REPEATED_SHARE = 0.05
# What to do with a log that has no clock.
STATE_RATE = "A log without time needs its rate: rate_hz in [channels], or --channels rate_hz=HZ."


@dataclass(frozen=True)
class TimeStamps:
    """The time of every row: seconds since the first stamp, NaN where the row has no usable stamp."""

    t_s: FloatArray
    notes: tuple[QualityNote, ...]


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
    name, values = find_numbers(log, time_channel, meaning="time", cure=STATE_RATE)
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
    """Set stamps out of order to NaN, as few as will do; refuse a clock that starts again."""
    latest = np.fmax.accumulate(t_s)
    backward = t_s < latest
    if not backward.any():
        return
    first = int(np.argmax(backward))
    row = log.first_row + first
    ahead = t_s > np.fmin.accumulate(t_s[::-1])[::-1]
    wrong = min(backward, ahead, key=np.count_nonzero)
    if wrong.mean() > MOST_BACKWARD_SHARE and float(np.nanmax(latest - t_s)) > RESTART_S:
        raise LogError(
            f"{log.source}, row {row}: {name} goes back from {latest[first]:.3f} to {t_s[first]:.3f} s after the "
            f"first stamp and goes on from there; the file holds more than one recording. Split it at that row."
        )
    first = int(np.argmax(wrong))
    row, place_s = log.first_row + first, float(latest[max(0, first - 1)])
    message = f"Time is out of order in {int(wrong.sum())} rows (first: row {row}); they are left out."
    notes.append(
        QualityNote("warning", "backward_time", message, channel=name, start_s=place_s, end_s=place_s)
    )
    t_s[wrong] = np.nan


def check_repeated(log: RawLog, channel: str, values: FloatArray, t_s: FloatArray) -> tuple[QualityNote, ...]:
    """Say how often two values of one channel share a time stamp; only the first of them is used.

    Parameters
    ----------
    log : RawLog
    channel : str
        Its column.
    values, t_s : ndarray of shape (n_rows,)
        The channel, and the time stamps; NaN where there is none.

    Returns
    -------
    tuple of QualityNote

    Raises
    ------
    LogError
        If it is so often that the stamps cannot tell the samples apart.
    """
    rows = np.flatnonzero(np.isfinite(values) & np.isfinite(t_s))
    repeated = rows[1:][np.diff(t_s[rows]) == 0]
    if not repeated.size:
        return ()
    row, share = log.first_row + int(repeated[0]), repeated.size / len(rows)
    if share > MOST_REPEATED_SHARE:
        raise LogError(
            f"{log.source}, row {row}: {100 * share:.0f} % of the samples of {channel!r} have the same time as the "
            f"one before; export the log with more decimals of time."
        )
    message = (
        f"{repeated.size} samples have the same time as the one before (first: row {row}); they are left out."
    )
    return (QualityNote("warning", "repeated_time", message, channel=channel),)
