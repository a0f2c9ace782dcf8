"""The channels beside travel: speed, position, throttle and the like, in known units on the run's clock."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import BoolArray, FloatArray
from telemetry.errors import ChannelError
from telemetry.logs.rawlog import RawLog
from telemetry.logs.units import UNITS, find_unit, to_unit
from telemetry.notes import QualityNote
from telemetry.signals.lookup import find_column

# A slower channel is interpolated between its own samples, but not over a pause longer than this.
LONGEST_PAUSE_S = 1.5
# No motorcycle on a circuit is faster: such numbers without a unit are km/h.
FASTEST_M_S = 110.0


@dataclass(frozen=True)
class Meaning:
    """What a channel means: its name in a run, its unit there ("" as logged), and how it goes between samples."""

    name: str
    unit: str
    between: str = "line"


MEANINGS: Mapping[str, Meaning] = {
    "speed": Meaning("speed_m_s", "m/s"),
    "latitude": Meaning("latitude_deg", "deg"),
    "longitude": Meaning("longitude_deg", "deg"),
    "throttle": Meaning("throttle_pct", "%"),
    "brake": Meaning("brake", ""),
    "lean": Meaning("lean_deg", "deg"),
    "lap": Meaning("lap", "", between="hold"),
    "beacon": Meaning("beacon", "", between="pulse"),
}


@dataclass(frozen=True)
class Channel:
    """One channel on the run's clock, the rate it was logged at, and what was found."""

    name: str
    values: FloatArray
    rate_hz: float
    notes: tuple[QualityNote, ...]


def read_channel(
    log: RawLog, meaning: str, column: str, row_t_s: FloatArray, t_s: FloatArray
) -> Channel | None:
    """One channel of the log on the run's clock.

    Parameters
    ----------
    log : RawLog
    meaning : str
        A key of `MEANINGS`.
    column : str
        Its column in the log.
    row_t_s : ndarray of shape (n_rows,)
        Time of each row on the run's clock; NaN where a row has none. [s]
    t_s : ndarray of shape (n_samples,)
        The run's clock. [s]

    Returns
    -------
    Channel or None
        None if the column holds no numbers, with nothing to say but that: see `empty_note`.

    Raises
    ------
    ChannelError
        If there is no such column or meaning, or its unit measures something else.
    """
    if meaning not in MEANINGS:
        raise ChannelError(f"channel {meaning!r} is not known; known are {', '.join(MEANINGS)}.")
    wanted = MEANINGS[meaning]
    name = find_column(log, column, meaning=meaning)
    notes: list[QualityNote] = []
    values = _in_unit(log, name, meaning, wanted.unit, notes)
    values = _plausible(meaning, name, values, notes)
    own = np.flatnonzero(np.isfinite(values) & np.isfinite(row_t_s))
    if len(own) < 2:
        return None
    if wanted.between == "line":
        own = own[_new_values(values[own])]
    own_t, own_values = row_t_s[own], values[own]
    new = np.diff(own_t, prepend=-np.inf) > 0
    own_t, own_values = own_t[new], own_values[new]
    if len(own_t) < 2:
        return None
    interval = float(np.median(np.diff(own_t)))
    on_clock = _on_clock(t_s, own_t, own_values, wanted.between)
    on_clock[_far_from_samples(t_s, own_t, max(LONGEST_PAUSE_S, 1.5 * interval), interval)] = np.nan
    return Channel(wanted.name, on_clock, 1 / interval, tuple(notes))


def empty_note(meaning: str, column: str) -> QualityNote:
    """What to say of a channel without numbers: the review does without it."""
    message = f"Column {column!r} ({meaning}) holds no numbers; the review does without it."
    return QualityNote("warning", "empty_channel", message, channel=column)


def _in_unit(log: RawLog, name: str, meaning: str, unit: str, notes: list[QualityNote]) -> FloatArray:
    values, written = log.columns[name], log.units.get(name, "")
    if not unit:
        return values
    found = find_unit(written) if written else None
    if found is not None and found.quantity == UNITS[unit].quantity:
        return to_unit(values, found.symbol, unit)
    if found is not None:
        raise ChannelError(
            f"{log.source}, column {name!r}: {meaning} must be in a unit such as {unit}, not {written!r}; check "
            f"{meaning} in [channels], or take it out."
        )
    assumed = _likely_unit(meaning, unit, values)
    why = f"has the unit {written!r}, which is not known" if written else "has no unit"
    notes.append(
        QualityNote(
            "info" if assumed == unit else "warning",
            "unit_assumed",
            f"{name!r} ({meaning}) {why}: taken for {assumed}.",
            channel=name,
        )
    )
    return to_unit(values, assumed, unit)


def _likely_unit(meaning: str, unit: str, values: FloatArray) -> str:
    """The unit wanted, unless the numbers cannot be in it."""
    largest = float(np.max(np.abs(values), initial=0.0, where=np.isfinite(values)))
    if meaning == "speed" and largest > FASTEST_M_S:
        return "km/h"
    if meaning == "throttle" and 0.0 < largest <= 1.05:
        return "1"
    return unit


def _plausible(meaning: str, name: str, values: FloatArray, notes: list[QualityNote]) -> FloatArray:
    """GPS without a fix writes 0 or nonsense: mask it."""
    limit = {"latitude": 90.0, "longitude": 180.0}.get(meaning)
    if limit is None:
        return values
    wrong = (values == 0.0) | (np.abs(values) > limit)
    if not wrong.any():
        return values
    message = (
        f"{name!r} has no fix in {int(wrong.sum())} rows (0, or beyond {limit:g} degrees); they are left out."
    )
    notes.append(QualityNote("info", "no_fix", message, channel=name))
    return np.where(wrong, np.nan, values)


def _new_values(values: FloatArray) -> BoolArray:
    """Which samples are new, where a slow channel is held and written in every row.

    Held means that values change at even distances of two rows or more; between two changes every such distance
    counts as a sample, so that a standing value is one that was measured, not a pause.
    """
    changes = np.flatnonzero(np.diff(values) != 0) + 1
    every = np.ones(len(values), dtype=bool)
    if len(changes) < 10:
        return every
    steps = np.diff(changes)
    hold = int(np.median(steps))
    if hold < 2 or np.mean(np.abs(steps - hold) <= 1) < 0.7:
        return every
    place = np.arange(len(values))
    since_change = place - np.maximum.accumulate(np.where(np.isin(place, changes), place, 0))
    return np.asarray(since_change % hold == 0)


def _on_clock(t_s: FloatArray, own_t: FloatArray, own: FloatArray, between: str) -> FloatArray:
    if between == "line":
        return np.interp(t_s, own_t, own)
    # the row of a clock tick may be stamped a rounding error after it
    half = 0.5 * (t_s[1] - t_s[0])
    held: FloatArray = own[np.clip(np.searchsorted(own_t, t_s + half, side="right") - 1, 0, len(own) - 1)]
    if between == "pulse":
        # a pulse of one row must not fall between two ticks
        high = own > np.median(own)
        nearest = np.clip(np.rint((own_t[high] - t_s[0]) / (2 * half)).astype(np.int64), 0, len(t_s) - 1)
        held[nearest] = own[high]
    return held


def _far_from_samples(t_s: FloatArray, own_t: FloatArray, pause_s: float, interval_s: float) -> BoolArray:
    """Ticks inside a pause of the channel, or before its first or after its last sample."""
    right = np.clip(np.searchsorted(own_t, t_s), 1, len(own_t) - 1)
    in_pause = own_t[right] - own_t[right - 1] > pause_s
    beyond = (t_s < own_t[0] - 1.5 * interval_s) | (t_s > own_t[-1] + 1.5 * interval_s)
    return np.asarray((in_pause & (t_s > own_t[right - 1]) & (t_s < own_t[right])) | beyond)
