"""Channels with clocks of their own, onto one table."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import FloatArray, IntArray
from telemetry.errors import LogError
from telemetry.logs.rawlog import RawLog, split_unit, unique_names
from telemetry.notes import QualityNote, Step

# Stamps of two channels within the same nanosecond are the same moment: they were worked out in different ways.
TICKS_PER_S = 1e9


@dataclass(frozen=True)
class FileChannel:
    """One channel as a file holds it."""

    name: str
    unit: str
    values: FloatArray
    t_s: FloatArray | None = None  # its own time stamps; None if the file gives none


def log_from_channels(
    channels: Sequence[FileChannel],
    *,
    source: str,
    reader: str,
    metadata: dict[str, str],
    notes: Sequence[QualityNote] = (),
) -> RawLog:
    """A row for every moment at which any channel was logged, NaN where one was not; `LogError` without numbers.

    Either all channels have time stamps (then there is a column ``time`` [s]) or none; then the longest kind is taken.
    """
    if not any(np.isfinite(channel.values).any() for channel in channels):
        raise LogError(f"{source}: no channel of numbers found; is this the log?")
    notes = list(notes)
    clocked = [channel for channel in channels if channel.t_s is not None]
    if clocked:
        stamps = _all_stamps(clocked)
        rows: list[tuple[str, str, FloatArray]] = [("time", "s", stamps / TICKS_PER_S)]
        rows += [(c.name, c.unit, _on(stamps, c, notes)) for c in clocked]
        left_out = [channel for channel in channels if channel.t_s is None]
    else:
        length = max(len(channel.values) for channel in channels)
        rows = [(c.name, c.unit, c.values) for c in channels if len(c.values) == length]
        left_out = [channel for channel in channels if len(channel.values) != length]
    for channel in left_out:
        if np.isfinite(channel.values).any():
            message = (
                f"{channel.name!r} has {len(channel.values)} values and no time stamps: when they were logged is "
                f"not known, so it is not used."
            )
            notes.append(QualityNote("warning", "no_clock", message, channel=channel.name))
    pairs = [split_unit(name) for name, _, _ in rows]
    names = unique_names([name for name, _ in pairs])
    return RawLog(
        source=source,
        columns={name: values for name, (_, _, values) in zip(names, rows, strict=True)},
        units={
            name: unit or in_name for name, (_, in_name), (_, unit, _) in zip(names, pairs, rows, strict=True)
        },
        dialect={"reader": reader},
        metadata=metadata,
        notes=tuple(notes),
        history=(Step("read", {"reader": reader, "rows": len(rows[0][2]), "columns": len(rows)}),),
    )


def _ticks(t_s: FloatArray) -> IntArray:
    return np.rint(t_s * TICKS_PER_S).astype(np.int64)


def _usable(channel: FileChannel) -> np.ndarray:
    """Mask of samples with a time stamp that can be counted in ticks."""
    assert channel.t_s is not None
    return np.isfinite(channel.t_s) & (np.abs(channel.t_s) < 0.5 * np.iinfo(np.int64).max / TICKS_PER_S)


def _all_stamps(channels: Sequence[FileChannel]) -> IntArray:
    found: IntArray = np.empty(0, dtype=np.int64)
    seen: list[FloatArray] = []
    for channel in channels:
        assert channel.t_s is not None
        if any(channel.t_s is t_s for t_s in seen):
            continue  # channels of a group share one clock
        seen.append(channel.t_s)
        found = np.union1d(found, _ticks(channel.t_s[_usable(channel)]))
    return found


def _on(stamps: IntArray, channel: FileChannel, notes: list[QualityNote]) -> FloatArray:
    """A channel's values at the stamps it has; of several at one stamp the first."""
    assert channel.t_s is not None
    values = np.full(len(stamps), np.nan)
    usable = _usable(channel)
    places = np.searchsorted(stamps, _ticks(channel.t_s[usable]))
    values[places[::-1]] = channel.values[usable][::-1]
    lost = len(channel.values) - len(np.unique(places))
    if lost:
        message = (
            f"{lost} values of {channel.name!r} have no time or that of another value; they are left out."
        )
        notes.append(QualityNote("warning", "repeated_time", message, channel=channel.name))
    return values
