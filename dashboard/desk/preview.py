"""What a log looks like before it is reviewed: its columns with a small trace each, and what they probably mean."""

from contextlib import closing
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from telemetry.arrays import ENDS, FloatArray
from telemetry.batch import run_here
from telemetry.errors import BothEndsError, LogError
from telemetry.logs import LIKELY, RawLog, compression_fits, read_log
from telemetry.numeric import finite
from telemetry.report import check_log, thinned
from telemetry.review import column_meanings
from telemetry.signals import read_stamps

# A small trace is drawn this wide and high; enough to see braking from standing still in an outing.
TRACE_WIDTH, TRACE_HEIGHT = 600, 40
_POINTS = 600
# From this size on a process of its own starts faster than it reads. Own choice.
LARGE_BYTES = 100 * 1024**2


def preview_apart(path: Path) -> dict[str, Any]:
    """`preview_of`; of a large log in another process, which gives its memory back when it ends. Raises likewise."""
    if path.stat().st_size < LARGE_BYTES:
        return preview_of(path)
    with closing(run_here([path], _preview_or_fault, _lost, workers=1)) as done:
        ((_, found),) = done
    if isinstance(found, str):
        raise LogError(found)
    return found


def _preview_or_fault(path: Path) -> dict[str, Any] | str:
    try:
        return preview_of(path)
    except BothEndsError as error:
        return str(error)


def _lost(path: Path) -> str:
    return f"{path.name}: there is not enough memory to read it; cut the log and bring its parts in."


def preview_of(path: Path) -> dict[str, Any]:
    """Read a log and say what is in it, as JSON values.

    Raises
    ------
    BothEndsError
        One of its kinds, if the log cannot be read.
    """
    log = read_log(path)
    meanings = column_meanings(log, {}, None)
    check = check_log(log, meanings=meanings)
    at, duration_s = _times(log, next((p.column for p in meanings if p.meaning == "time"), None))
    columns = {p.meaning: p.column for p in meanings}
    ends = {end: columns[end] for end in ENDS if end in columns}
    fits = compression_fits(log, ends, columns["speed"]) if "speed" in columns else {}
    return {
        "rows": check.rows,
        "compression": {end: finite(fit) for end, fit in fits.items()},
        "duration_s": duration_s,
        "dialect": check.dialect,
        "columns": [
            {
                "name": column.name,
                "unit": column.unit,
                "rate_hz": column.rate_hz,
                "least": finite(column.least),
                "most": finite(column.most),
                "blank_share": column.blank_share,
                "trace": _trace(at, log.columns[column.name]),
            }
            for column in check.columns
        ],
        "meanings": [
            {
                "meaning": p.meaning,
                "column": p.column,
                "reasons": list(p.reasons),
                "said": p.confidence == 1,
                "likely": p.confidence >= LIKELY,
            }
            for p in meanings
        ],
        "notes": [asdict(note) for note in check.quality],
    }


def _times(log: RawLog, column: str | None) -> tuple[FloatArray, float | None]:
    """Where each row lies from 0 to 1, by the clock where there is one; and how long the log is. [s]"""
    even = np.linspace(0.0, 1.0, max(log.n_rows, 1))
    if column is None:
        return even, None
    try:
        t_s = read_stamps(log, column).t_s
    except BothEndsError:
        return even, None
    good = np.isfinite(t_s)
    if np.count_nonzero(good) < 2 or np.nanmax(t_s) <= np.nanmin(t_s):
        return even, None
    t_s = np.maximum.accumulate(np.interp(np.arange(len(t_s)), np.flatnonzero(good), t_s[good]))
    return (t_s - t_s[0]) / (t_s[-1] - t_s[0]), float(t_s[-1] - t_s[0])


def _trace(at: FloatArray, values: FloatArray) -> str:
    """Path of a column's trace in a box of `TRACE_WIDTH` by `TRACE_HEIGHT`, "" where it holds no number."""
    good = np.isfinite(values)
    if np.count_nonzero(good) < 2:
        return ""
    x, y = thinned(at[good], values[good], _POINTS)
    low, high = float(y.min()), float(y.max())
    share = (y - low) / (high - low) if high > low else np.full(len(y), 0.5)
    places = zip(TRACE_WIDTH * x, 2 + (TRACE_HEIGHT - 4) * (1 - share), strict=True)
    return "M" + " ".join(f"{a:.0f},{b:.0f}" for a, b in places)
