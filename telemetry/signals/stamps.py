"""Time stamps of a log: conversion to seconds, checks, and the names of columns that are close to a wanted one."""

import difflib
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from telemetry.arrays import BoolArray, FloatArray, IntArray
from telemetry.decimals import Column
from telemetry.errors import ChannelError, LogError
from telemetry.logs import RawLog, each_column, find_unit, to_unit
from telemetry.notes import QualityNote
from telemetry.numeric import median, quantile
from telemetry.signals.clock import (
    ALWAYS_ALLOWED_SAMPLES,
    MOST_SAMPLES_PER_STAMP,
    UNEVEN_SHARE,
    Steady,
    steadiness,
)

# Least rate of a travel log; a slower one has a time that is not in seconds, if its travel is smooth as well.
SLOWEST_RATE_HZ = 5.0
# Travel is smooth if its steps are small against its spread: mean square of the steps over twice the variance.
# For travel logged at 1 Hz it is 0.4 to 0.6, at 20 Hz 0.01 to 0.03, and lower for higher rates (a simulated
# ride, fork and shock); white noise has 1.
MOST_STEPS, MOST_STEPS_TIMES_HZ = 0.1, 20.0
# The signal is clipped to these quantiles first, against single wrong cells.
OUTLIERS = (0.01, 0.99)
# Most jumps of a clock within the limit of its empty time.
MOST_JUMPS = 9
# Stamps that go back further than this and more often than this are a second recording in the file.
RESTART_S = 1.0
MOST_BACKWARD_SHARE = 0.01
# Share of rows with a repeated stamp: fewer are a logger error, more are stamps with too few digits.
MOST_REPEATED_SHARE = 0.05
# Number of stamp changes over which rows are spread evenly.
SPREAD_OVER = 10
# Advice for a log without time.
STATE_RATE = "A log without time needs its rate: rate_hz in [channels], or --channels rate_hz=HZ."


def similar_hint(log: RawLog, name: str, *, but: Collection[str | None] = ()) -> str:
    """Suggestion "Did you mean ...?" with the closest column names, "" if none is close; ``but`` are left out."""
    free = [column for column in log.columns if column not in but]
    close = difflib.get_close_matches(name.lower(), [n.lower() for n in free], n=3, cutoff=0.5)
    similar = [n for n in free if n.lower() in close]
    return f" Did you mean {' or '.join(map(repr, similar))}?" if similar else ""


def find_numbers(log: RawLog, name: str, *, meaning: str, cure: str = "") -> tuple[str, Column]:
    """Column for a name, with or without its unit, and its values; `ChannelError` names the closest, use and cure."""
    column = log.called(name)
    if column is None:
        raise ChannelError(
            f"{log.source}: has no column {name!r} ({meaning}).{similar_hint(log, name)} Its columns are "
            f"{', '.join(log.columns)}.{cure and ' ' + cure}"
        )
    values = log.column(column)
    if not values.any_known:
        raise ChannelError(
            f"{log.source}, column {column!r} ({meaning}): holds no numbers; check the sensor and its wiring."
        )
    return column, values


@dataclass(frozen=True)
class TimeStamps:
    """Time of every row in seconds since the first stamp, NaN if the row has no usable stamp."""

    t_s: FloatArray
    notes: tuple[QualityNote, ...]


def in_order(log: RawLog, time_channel: str, travel: Sequence[str]) -> RawLog:
    """Log sorted by time, with a note, if that makes ``travel`` smooth (one recording out of order); else unchanged."""
    name, stamps = find_numbers(log, time_channel, meaning="time", cure=STATE_RATE)
    if not stamps.missing and (stamps.kept[1:] >= stamps.kept[:-1]).all():
        return log
    values = stamps.values
    stamped = np.flatnonzero(np.isfinite(values))
    back = np.diff(values[stamped]) < 0
    if np.count_nonzero(back) <= MOST_BACKWARD_SHARE * len(stamped):
        return log
    order = np.argsort(values, kind="stable")  # NaN stamps sort last
    called = (log.called(channel) for channel in travel)
    columns = (log.columns[column] for column in called if column is not None)
    if not any(_steps_share(values[order]) <= MOST_STEPS for values in columns):
        return log
    row = log.first_row + int(stamped[1:][back][0])
    message = (
        f"{np.count_nonzero(back)} rows have an earlier time than the one before (first: row {row}): the rows are put "
        "in order of time, and rows named here are counted in that order. Export the log in order."
    )
    return replace(
        log,
        columns=each_column(log, lambda column: column.some(order)),
        notes=(*log.notes, QualityNote("warning", "rows_out_of_order", message, channel=name)),
    )


def read_stamps(log: RawLog, time_channel: str, travel: Sequence[FloatArray | Column] = ()) -> TimeStamps:
    """Time stamps; missing or impossible ones are NaN, with a note. [s]

    Parameters
    ----------
    time_channel : str
        Column of time. Unit from the file; if missing, seconds, or milliseconds if seconds are impossible.
    travel : sequence of ndarray of shape (n_rows,)
        Travel signals; they distinguish milliseconds labelled seconds from a slow log.

    Returns
    -------
    TimeStamps
        Of the longest part, if the file holds several recordings or the clock jumps far.

    Raises
    ------
    ChannelError
        If there is no such column.
    LogError
        If its unit is not a unit of time.
    """
    stamps = row_stamps(log, time_channel, travel)
    return TimeStamps(stamps.seconds.values, stamps.notes)


@dataclass(frozen=True)
class RowStamps:
    """Time of every row since the first stamp [s], NaN without a usable one; and how steady they are, if they are."""

    seconds: Column
    notes: tuple[QualityNote, ...]
    steady: Steady | None = None


def row_stamps(log: RawLog, time_channel: str, travel: Sequence[FloatArray | Column] = ()) -> RowStamps:
    """Time stamps as of `read_stamps`, and whether there is one for each row, all evenly apart."""
    name, stamps = find_numbers(log, time_channel, meaning="time", cure=STATE_RATE)
    notes: list[QualityNote] = []
    steady = steadiness(stamps)
    factor = float(to_unit(np.ones(1), _symbol(log, name, stamps, steady, travel, notes), "s")[0])
    seconds = stamps.times(factor)
    if steady is not None:
        first_s = float(seconds[:1][0])
        steady = steady.in_unit(factor)
        return RowStamps(seconds.less(first_s), tuple(notes), replace(steady, start=steady.start - first_s))
    t_s = seconds.values
    blank = np.isnan(t_s)
    if blank.any():
        row = log.first_row + int(np.argmax(blank))
        message = f"{int(blank.sum())} rows have no time (first: row {row}); they are left out."
        notes.append(QualityNote("warning", "no_time", message, channel=name))
    t_s = t_s - t_s[~blank][0]
    if not (t_s[1:] > t_s[:-1]).all():  # else they are all there, each later than the one before
        _leave_out_copies(log, name, t_s, notes)
        _leave_out_backward(log, name, t_s, notes)
        _keep_longest_part(log, name, t_s, notes)
        _spread_repeated(name, t_s, travel, notes)
    else:
        _keep_longest_part(log, name, t_s, notes)
    return RowStamps(Column(t_s), tuple(notes))


def _symbol(
    log: RawLog,
    name: str,
    stamps: Column,
    steady: Steady | None,
    travel: Sequence[FloatArray | Column],
    notes: list[QualityNote],
) -> str:
    """Unit of a column of time, by the file or by what is likely."""
    written = log.units.get(name, "")
    unit = find_unit(written) if written else None
    if unit is not None and unit.quantity != "time":
        raise LogError(
            f"{log.source}, column {name!r}: unit {written!r} is not one of time; use s, ms or us, or check "
            f"time in [channels]."
        )
    if written and unit is None:
        message = f"The unit {written!r} of {name!r} is unknown: it is estimated from the step between rows."
        notes.append(QualityNote("warning", "time_unit_unknown", message, channel=name))
    if unit is not None and unit.symbol != "s":
        return unit.symbol
    if steady is not None and steady.interval * (1 + UNEVEN_SHARE) <= 1 / SLOWEST_RATE_HZ:
        return "s"  # no step is longer than that
    values = stamps.values
    steps = np.diff(values[np.isfinite(values)])
    forward = steps[steps > 0]  # rows that share a stamp divide the step to the next stamp
    step = median(forward) * len(forward) / len(steps) if len(forward) else 0.0
    symbol = _likely_symbol(step, travel)
    if symbol != "s":
        label = "is labelled seconds" if written else "has no unit"
        message = (
            f"{name!r} {label} and has steps of {step:g}, too long for a log of travel, but the travel is smooth from "
            f"row to row: assumed to be {symbol}. Write the correct unit to be sure."
        )
        notes.append(QualityNote("warning", "time_unit_assumed", message, channel=name))
    return symbol


def _likely_symbol(step: float, travel: Sequence[FloatArray | Column]) -> str:
    """Unit of time that gives a plausible sample rate; seconds if the travel itself is that slow."""
    for symbol in ("s", "ms", "us"):
        step_s = float(to_unit(np.array([step]), symbol, "s")[0])
        if step_s <= 1 / SLOWEST_RATE_HZ:
            most = min(MOST_STEPS, MOST_STEPS_TIMES_HZ * step_s)
            slow = symbol != "s" and travel and all(_steps_share(signal[:]) > most for signal in travel)
            return "s" if slow else symbol
    return "s"


def _steps_share(signal: FloatArray) -> float:
    """Mean square step over twice the variance: 1 for white noise, near 0 for a smooth curve (J. von Neumann, 1941)."""
    valid = signal[np.isfinite(signal)]
    if len(valid) < 2:
        return 1.0
    valid = np.clip(valid, quantile(valid, OUTLIERS[0]), quantile(valid, OUTLIERS[1]))
    spread = float(np.var(valid))
    return float(np.mean(np.diff(valid) ** 2)) / (2 * spread) if spread > 0 else 1.0


def _same_as_before(log: RawLog, rows: IntArray) -> BoolArray:
    """Mask of rows equal in every column to the row before; shape (len(rows) - 1,)."""
    same = np.ones(max(len(rows) - 1, 0), dtype=bool)
    for name in log.columns:
        there = np.flatnonzero(same)
        if not there.size:
            break
        before, after = (log.column(name)[rows[there + k]] for k in (0, 1))
        same[there] = (before == after) | (np.isnan(before) & np.isnan(after))
    return same


def _leave_out_copies(log: RawLog, name: str, t_s: FloatArray, notes: list[QualityNote]) -> None:
    """Set the time of duplicated rows to NaN, except the first."""
    rows = np.flatnonzero(np.isfinite(t_s))
    alike = np.flatnonzero(np.diff(t_s[rows]) == 0)
    if not alike.size:
        return
    pairs = np.column_stack((rows[alike], rows[alike + 1])).reshape(-1)
    copies = pairs[1::2][_same_as_before(log, pairs)[::2]]
    if not copies.size:
        return
    row = log.first_row + int(copies[0])
    message = f"{copies.size} rows are copies of the one before (first: row {row}); they are left out."
    notes.append(QualityNote("warning", "repeated_rows", message, channel=name))
    t_s[copies] = np.nan


def _spread_repeated(
    name: str, t_s: FloatArray, travel: Sequence[FloatArray | Column], notes: list[QualityNote]
) -> None:
    """Spread rows that share a rounded stamp evenly, if the stamps agree with an even clock."""
    stamped = [np.isfinite(t_s) & np.isfinite(signal[:]) for signal in travel or (t_s,)]
    shares = [float(np.mean(np.diff(t_s[rows]) == 0)) for rows in stamped if np.count_nonzero(rows) > 1]
    rows = np.flatnonzero(np.isfinite(t_s))
    steps = np.diff(t_s[rows])
    if max(shares, default=0.0) <= MOST_REPEATED_SHARE or (steps < 0).any():
        return
    repeated = np.count_nonzero(steps == 0)
    stamps_s, place = t_s[rows], np.arange(len(rows))
    new = np.flatnonzero(steps > 0) + 1  # a changed stamp is exact to one row
    if len(new) <= SPREAD_OVER:
        return  # `check_repeated` adds the note
    digit_s = median(steps[steps > 0])
    far = stamps_s[new[SPREAD_OVER:]] - stamps_s[new[:-SPREAD_OVER]]
    interval_s = median(far / (new[SPREAD_OVER:] - new[:-SPREAD_OVER]))
    # The delay against an even clock changes at lost rows; a median keeps this step sharp.
    late = stamps_s[new] - interval_s * new
    around = np.pad(late, SPREAD_OVER // 2, mode="edge")
    late = np.median(np.lib.stride_tricks.sliding_window_view(around, SPREAD_OVER + 1), axis=1)
    group = np.clip(np.searchsorted(new, place, side="right") - 1, 0, None)
    even = np.maximum.accumulate(interval_s * place + late[group])
    off = np.abs(even - stamps_s) > 2 * digit_s
    if off.mean() > MOST_REPEATED_SHARE or np.mean(np.diff(even) <= 0) > MOST_REPEATED_SHARE:
        return
    even[off] = np.nan
    t_s[rows] = even
    message = (
        f"{repeated} rows have the same time as the one before, which has too few digits: the rows between two times "
        "are spread evenly. Export the log with more decimals of time."
    )
    notes.append(QualityNote("warning", "few_digits", message, channel=name))


def _leave_out_backward(log: RawLog, name: str, t_s: FloatArray, notes: list[QualityNote]) -> None:
    """Set out-of-order stamps to NaN, as few as possible; if the clock restarts keep the longest part."""
    latest = np.fmax.accumulate(t_s)
    backward = t_s < latest
    if not backward.any():
        return
    ahead = t_s > np.fmin.accumulate(t_s[::-1])[::-1]
    wrong = min(backward, ahead, key=np.count_nonzero)
    if wrong.mean() > MOST_BACKWARD_SHARE and float(np.nanmax(latest - t_s)) > RESTART_S:
        _keep_longest_recording(log, name, t_s, notes)
        _leave_out_backward(log, name, t_s, notes)
        return
    first = int(np.argmax(wrong))
    row, place_s = log.first_row + first, float(latest[max(0, first - 1)])
    message = f"Time is out of order in {int(wrong.sum())} rows (first: row {row}); they are left out."
    notes.append(
        QualityNote("warning", "backward_time", message, channel=name, start_s=place_s, end_s=place_s)
    )
    t_s[wrong] = np.nan


def _keep_longest_recording(log: RawLog, name: str, t_s: FloatArray, notes: list[QualityNote]) -> None:
    """If the clock goes back and runs on from there, keep the longest stretch between such steps."""
    rows = np.flatnonzero(np.isfinite(t_s))
    steps = np.diff(t_s[rows])
    # a single wrong stamp goes there and back: it starts no recording
    alone = (steps[:-1] * steps[1:] < 0) & (np.abs(steps[:-1] + steps[1:]) <= RESTART_S)
    alone &= np.abs(steps[1:]) > RESTART_S
    t_s[rows[1:-1][alone]] = np.nan
    rows = np.flatnonzero(np.isfinite(t_s))
    edges = np.flatnonzero(np.diff(t_s[rows]) < -RESTART_S) + 1
    if not edges.size:  # many small steps back that add up: no order can be trusted
        edges = np.flatnonzero(np.diff(t_s[rows]) < 0) + 1
    if edges.size:
        _keep_part(log, name, t_s, np.split(rows, edges), "goes back", "holds more than one recording", notes)


def _keep_longest_part(log: RawLog, name: str, t_s: FloatArray, notes: list[QualityNote]) -> None:
    """If the clock jumps so far ahead that nearly all of its time is empty, keep the longest part."""
    rows = np.flatnonzero(np.isfinite(t_s))
    steps = np.diff(t_s[rows])
    if not (steps > 0).any():
        return
    usual = median(steps[steps > 0])
    most_s = (MOST_SAMPLES_PER_STAMP * len(rows) + ALWAYS_ALLOWED_SAMPLES) * usual
    if t_s[rows[-1]] - t_s[rows[0]] <= most_s:
        return
    edges = np.flatnonzero(steps > most_s / (MOST_JUMPS + 1)) + 1
    if edges.size:
        _keep_part(log, name, t_s, np.split(rows, edges), "jumps ahead", "has a clock that jumps", notes)


def _keep_part(
    log: RawLog,
    name: str,
    t_s: FloatArray,
    parts: list[IntArray],
    does: str,
    so: str,
    notes: list[QualityNote],
) -> None:
    """Set all stamps except those of the longest part to NaN, with a note."""
    kept = max(parts, key=len)
    before, after = parts[0][-1], parts[1][0]
    message = (
        f"{name} {does} at row {log.first_row + int(after)}, from {t_s[before]:.3f} to {t_s[after]:.3f} s after the "
        f"first stamp: the file {so}. Rows {log.first_row + int(kept[0])} to {log.first_row + int(kept[-1])} are used, "
        f"the longest of {len(parts)} parts; split the file there to use the others."
    )
    notes.append(QualityNote("warning", "several_recordings", message, channel=name))
    left_out = np.ones(len(t_s), dtype=bool)
    left_out[kept] = False
    t_s[left_out] = np.nan


def check_repeated(log: RawLog, channel: str, values: FloatArray, t_s: FloatArray) -> tuple[QualityNote, ...]:
    """Note on repeated time stamps of a column: only the first value is used; `LogError` if too many repeat."""
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
