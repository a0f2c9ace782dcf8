"""Run: travel and the other channels of a log on one even clock; speed, position, throttle in SI or trade units."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import isfinite
from typing import Literal

import numpy as np

from telemetry.arrays import ENDS, BoolArray, End, FloatArray, IntArray
from telemetry.decimals import Column, Lines, Numbers, Times
from telemetry.errors import ChannelError
from telemetry.logs import UNITS, RawLog, find_unit, to_unit
from telemetry.notes import QualityNote, Severity, Step
from telemetry.numeric import BLOCK
from telemetry.signals.clock import Grid
from telemetry.signals.stamps import find_numbers, similar_hint

# Of a rear shock in road racing (common practice, no source); a fork's is longer. [mm]
USUAL_STROKE_MM = 70.0


@dataclass(frozen=True)
class SensorSetup:
    """Setup of one travel sensor, for `to_run`."""

    channel: str  # column of the log
    points: tuple[tuple[float, float], ...]  # bench points (signal, mm), two or more
    stroke_mm: float  # of the damper; travel beyond it is refused. inf: not known
    zero: float | None = None  # signal at full extension on the bike; shifts the curve
    source: str = "bike file"  # for messages
    shape: Literal["line", "curve"] | None = None  # of the calibration; None: a line if the points lie on one
    zero_interval_s: tuple[float, float] | None = None  # time in the log with the wheels off the ground
    zero_topped_out: bool = False  # take the zero from the moments at which the end is topped out
    supply: str | None = None  # column of the sensor's supply voltage; the signal is a share of it
    supply_reference: float | None = None  # reading of that column when the points were measured
    to_shaft: tuple[
        tuple[float, float], ...
    ] = ()  # (measured mm, shaft mm); empty if the points measure the shaft

    @property
    def scale_mm(self) -> float:
        """Stroke that shares are taken of: a usual one where it is not known. [mm]"""
        return self.stroke_mm if isfinite(self.stroke_mm) else USUAL_STROKE_MM


@dataclass(frozen=True)
class Run:
    """One log on one even clock; arrays of shape (n_samples,), NaN where missing or invalid.

    ``channels`` are the other channels by meaning, in these units: ``speed_m_s``, ``latitude_deg``, ``longitude_deg``,
    ``throttle_pct``, ``brake`` (as logged), ``lean_deg`` (right side down positive), ``lap`` (as logged), ``beacon``
    (as logged). Slower channels are interpolated between their own samples (``lap`` holds its last value).
    """

    source: str
    t_s: Times  # uniform, starting at 0
    sample_rate_hz: float
    shaft_travel_mm: Mapping[
        End, FloatArray
    ]  # 0 at full extension, compression positive; only ends with a sensor
    channels: Mapping[str, FloatArray]
    channel_rate_hz: Mapping[str, float]  # logged rate of each of ``channels``
    sensor_noise_mm: Mapping[
        End, float
    ]  # standard deviation of the noise of travel (quantisation and electronics)
    masked_share: Mapping[End, float]  # share of the run's time in which travel is NaN
    not_judged: Mapping[End, str] = field(default_factory=dict)  # ends without usable travel: why, what to do
    notes: tuple[QualityNote, ...] = ()
    history: tuple[Step, ...] = ()

    @property
    def duration_s(self) -> float:
        """Length of the run. [s]"""
        return float(self.t_s[-1] - self.t_s[0])


# A slower channel is interpolated between its samples, but not over a pause longer than this.
LONGEST_PAUSE_S = 1.5
# Braking and drive stay below this in g; larger numbers without a unit are m/s2. Own choice.
MOST_G = 2.5
# No motorcycle on a circuit is faster; larger numbers without a unit are km/h.
FASTEST_M_S = 110.0
# Larger values, in the unit of the run, are not explained by a wrong unit or scale. Own choice.
MOST: Mapping[str, float] = {"latitude": 90.0, "longitude": 180.0, "speed": 10 * FASTEST_M_S}
MOST_OF_ANY = 1e9

_NO_PLACE = "without it there is no map, and places along the lap rest on speed"
_NO_LAPS = "without it laps are sought in the other channels"

# Conditions, as logged: their unit is only shown.
CONDITIONS = (
    "track_temperature",
    "air_temperature",
    "fuel",
    *(f"{end}_{what}" for what in ("tyre_pressure", "tyre_temperature", "oil_temperature") for end in ENDS),
)

# Share of the bench supply outside which the supply has failed and the signal is invalid. Own choice.
LEAST_SHARE, MOST_SHARE = 0.5, 1.5


@dataclass(frozen=True)
class Meaning:
    """Quantity of a channel."""

    name: str  # in a run
    unit: str  # in a run; "" as logged
    without: str  # consequence for the review if the log has no such channel: the end of a sentence
    between: str = "line"  # interpolation between samples: line, hold or pulse


MEANINGS: Mapping[str, Meaning] = {
    "speed": Meaning(
        "speed_m_s",
        "m/s",
        "without it, and without GPS, distance, corners, both ends on the same bump and lost "
        "damping cannot be judged",
    ),
    "latitude": Meaning("latitude_deg", "deg", _NO_PLACE),
    "longitude": Meaning("longitude_deg", "deg", _NO_PLACE),
    "throttle": Meaning("throttle_pct", "%", "without it, phases of a corner rest on speed alone"),
    "brake": Meaning("brake", "", "without it, phases of a corner rest on speed alone"),
    "lean": Meaning("lean_deg", "deg", "without it, corners are found from GPS or speed, if there is either"),
    "acceleration": Meaning("acceleration_m_s2", "m/s2", "braking and drive are taken from speed instead"),
    "lap": Meaning("lap", "", _NO_LAPS, between="hold"),
    "beacon": Meaning("beacon", "", _NO_LAPS, between="pulse"),
}
MEANINGS = {**MEANINGS, **{name: Meaning(name, "", "comparisons do without it") for name in CONDITIONS}}


@dataclass(frozen=True)
class Channel:
    """One channel on the run's clock, its logged rate, and notes."""

    name: str
    values: Numbers
    rate_hz: float
    notes: tuple[QualityNote, ...]


def read_channel(
    log: RawLog, meaning: str, column: str, row_t_s: FloatArray | Column, grid: Grid
) -> Channel | QualityNote:
    """One channel on the run's clock; a note if its column is absent, empty, or of another quantity.

    ``meaning`` is a key of `MEANINGS`, else `ChannelError`; ``row_t_s`` is NaN where a row has no time. [s]
    """
    if meaning not in MEANINGS:
        raise ChannelError(f"channel {meaning!r} is unknown; the channels are {', '.join(MEANINGS)}.")
    wanted = MEANINGS[meaning]
    name = log.called(column)
    if name is None:
        return _absent_note(log, meaning, column)
    notes: list[QualityNote] = []
    values = _in_unit(log, name, meaning, wanted.unit, notes)
    if values is None:
        return _other_unit_note(log, name, meaning)
    values = _plausible(meaning, name, values, notes)
    placed = on_clock(values, row_t_s, grid, wanted.between)
    return _empty_note(meaning, column) if placed is None else Channel(wanted.name, *placed, tuple(notes))


def on_clock(
    values: Column, row_t_s: FloatArray | Column, grid: Grid, between: str = "line"
) -> tuple[Numbers, float] | None:
    """A column on the run's clock, NaN in pauses, and its logged rate [Hz]; None if it holds fewer than two numbers."""
    row_by_row = grid.is_row_by_row(len(values))
    every_row = row_by_row and not values.missing and len(values) > 1
    if every_row:
        held = _held(values.changes()) if between == "line" else None
        if held is None:
            return values, grid.sample_rate_hz
        own = held
    else:
        own = _own_rows(values.values, row_t_s, grid)
        own = _without_held(values, own) if between == "line" else own
    if len(own) < 2:
        return None
    own_t = row_t_s[own]
    interval = float(np.median(np.diff(own_t)))
    blank = _pauses(grid.t_s, own_t, max(LONGEST_PAUSE_S, 1.5 * interval), 1.5 * interval)
    if between == "line":
        steps = np.diff(own)
        by_row = row_by_row and bool((steps == steps[0]).all())
        at, rate_hz = (own.astype(np.int32), 1.0) if by_row else (own_t, grid.sample_rate_hz)
        return Lines(at, values.some(own), grid.n_samples, blank, rate_hz), 1 / interval
    return Column(_blanked(_on_clock(grid.t_s, own_t, values[own], between), blank)), 1 / interval


def _absent_note(log: RawLog, meaning: str, column: str) -> QualityNote:
    message = (
        f"The log has no column {column!r} ({meaning}): {MEANINGS[meaning].without}.{similar_hint(log, column)} "
        f"If it has another name, use --channels {meaning}=COLUMN."
    )
    # laps are found from other channels too; the review names the source
    severity: Severity = "info" if meaning in ("lap", "beacon") else "warning"
    return QualityNote(severity, "absent_channel", message, channel=column)


def _empty_note(meaning: str, column: str) -> QualityNote:
    message = f"Column {column!r} ({meaning}) holds no numbers; the review does without it."
    return QualityNote("warning", "empty_channel", message, channel=column)


def _other_unit_note(log: RawLog, name: str, meaning: str) -> QualityNote:
    message = (
        f"Column {name!r} ({meaning}) is in {log.units[name]!r}, not in a unit such as {MEANINGS[meaning].unit}: the "
        f"review does without it; {MEANINGS[meaning].without}. Check {meaning} in [channels], or the unit in the log."
    )
    return QualityNote("warning", "other_unit", message, channel=name)


def _in_unit(log: RawLog, name: str, meaning: str, unit: str, notes: list[QualityNote]) -> Column | None:
    """The column in the run's unit, None if its unit is of another quantity."""
    values, written = log.column(name), log.units.get(name, "")
    if not unit:
        return values
    logged_unit = find_unit(written) if written else None
    if logged_unit is not None and logged_unit.quantity == UNITS[unit].quantity:
        return _converted(values, logged_unit.symbol, unit)
    if logged_unit is not None:
        return None
    assumed = _likely_unit(meaning, unit, values)
    why = f"has the unit {written!r}, which is unknown" if written else "has no unit"
    message = f"{name!r} ({meaning}) {why}: assumed to be {assumed}."
    severity: Severity = "info" if assumed == unit else "warning"
    notes.append(QualityNote(severity, "unit_assumed", message, channel=name))
    return _converted(values, assumed, unit)


def _converted(values: Column, unit_from: str, unit_to: str) -> Column:
    return values.times(float(to_unit(np.ones(1), unit_from, unit_to)[0]))


def _largest(values: Column) -> float:
    """Largest size of a number, 0 without any."""
    low, high = values.limits or (0.0, 0.0)
    return max(-low, high)


def _likely_unit(meaning: str, unit: str, values: Column) -> str:
    """The run's unit, or another one if the values are impossible in it."""
    largest = _largest(values)
    if meaning == "speed" and largest > FASTEST_M_S:
        return "km/h"
    if meaning == "throttle" and 0.0 < largest <= 1.05:
        return "1"
    if meaning == "acceleration" and 0.0 < largest <= MOST_G:
        return "g"
    return unit


def _plausible(meaning: str, name: str, values: Column, notes: list[QualityNote]) -> Column:
    """Mask impossible values: GPS without a fix writes 0 or nonsense, a broken line any number."""
    limit = MOST.get(meaning, MOST_OF_ANY)
    no_fix = meaning in ("latitude", "longitude")
    low, high = values.limits or (1.0, 1.0)
    if max(-low, high) <= limit and not (no_fix and low <= 0.0 <= high):
        return values
    wrong = np.abs(values.values) > limit
    if no_fix:
        wrong |= values.values == 0.0
    if not wrong.any():
        return values
    count = int(wrong.sum())
    message = f"{name!r} has no fix in {count} rows (0, or beyond {limit:g} degrees); they are left out."
    if not no_fix:
        message = f"{name!r} ({meaning}) is beyond {limit:g} in {count} rows, which is impossible; they are left out."
    severity: Severity = "info" if no_fix else "warning"
    notes.append(QualityNote(severity, "no_fix" if no_fix else "absurd", message, channel=name))
    return values.blanked(wrong)


def _own_rows(values: FloatArray, row_t_s: FloatArray | Column, grid: Grid) -> IntArray:
    """Rows with a number and a time later than the row before."""
    if grid.is_row_by_row(len(values)):
        return np.flatnonzero(np.isfinite(values)).astype(np.int64, copy=False)
    own = np.flatnonzero(np.isfinite(values) & np.isfinite(row_t_s[:]))
    return own[np.diff(row_t_s[own], prepend=-np.inf) > 0].astype(np.int64, copy=False)


def _without_held(values: Column, own: IntArray) -> IntArray:
    """Of some rows those in which a slow channel does not only repeat."""
    held = _held(values.some(own).changes())
    return own if held is None else np.asarray(own[held])


def _held(changed: BoolArray) -> IntArray | None:
    """One row per period for which a slow channel holds its value, also of a constant one; None if it holds none."""
    hold = _hold_rows(changed)
    if hold == 1:
        return None
    first = np.flatnonzero(changed)
    count = -(-np.diff(first, append=len(changed)) // hold)  # samples of each level
    again = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    return np.asarray(np.repeat(first, count) + hold * again)


def _hold_rows(changed: BoolArray) -> int:
    """Number of rows for which a slow channel holds each value, if it changes at even intervals; else 1."""
    if not 10 <= np.count_nonzero(changed) <= 0.6 * len(changed):
        return 1
    lengths = _step_lengths(changed)
    count = int(lengths.sum())
    middle = np.searchsorted(np.cumsum(lengths), [(count - 1) // 2, count // 2], side="right")
    hold = int(middle.mean())
    return hold if lengths[max(0, hold - 1) : hold + 2].sum() > 0.7 * count else 1


def _step_lengths(changed: BoolArray) -> IntArray:
    """How often changes follow each other after so many rows, by that number; a long one may stand under a lower one.

    Where they are many, long ones are too few to move the median.
    """
    if np.count_nonzero(changed) < 0.01 * len(changed):
        return np.bincount(np.diff(np.flatnonzero(changed)))
    lengths, last = np.zeros(1001, dtype=np.int64), np.empty(0, dtype=np.int64)
    for first in range(0, len(changed), BLOCK):
        at = np.flatnonzero(changed[first : first + BLOCK]) + first
        lengths += np.bincount(np.minimum(np.diff(at, prepend=last), 1000), minlength=1001)
        last = at[-1:] if at.size else last
    return lengths


def _on_clock(t_s: Times, own_t: FloatArray, own: FloatArray, between: str) -> FloatArray:
    """Values that hold until the next one; of pulses each is seen."""
    # the row of a clock tick may be stamped a rounding error after it
    half = 0.5 * (t_s[1] - t_s[0])
    starts = np.searchsorted(t_s, own_t - half)
    held = np.repeat(own, np.diff(starts, append=len(t_s)))
    held = np.concatenate((np.full(len(t_s) - len(held), own[0]), held))
    if between == "pulse":
        # a pulse of one row must not fall between two ticks
        high = own > np.median(own)
        held[np.clip(np.searchsorted(t_s, own_t[high] - half), 0, len(t_s) - 1)] = own[high]
    return held


def _pauses(t_s: Times, own_t: FloatArray, pause_s: float, edge_s: float) -> IntArray:
    """Samples at which pauses, or what lies well before the first or after the last value, begin and end by turns."""
    pauses = np.flatnonzero(np.diff(own_t) > pause_s)
    starts = np.searchsorted(t_s, own_t[pauses], side="right")
    ends = np.searchsorted(t_s, own_t[pauses + 1])
    first, last = np.searchsorted(t_s, own_t[0] - edge_s), np.searchsorted(t_s, own_t[-1] + edge_s, "right")
    edges = np.concatenate(([0, first], np.column_stack((starts, ends)).ravel(), [last, len(t_s)]))
    return edges[np.repeat(edges[::2] < edges[1::2], 2)]


def _blanked(values: FloatArray, blank: IntArray) -> FloatArray:
    """Values without those from each begin to the next end; in place."""
    for start, end in zip(blank[::2], blank[1::2], strict=True):
        values[start:end] = np.nan
    return values


def at_bench_supply(
    signal: Column, log: RawLog, end: End, setup: SensorSetup, row_t_s: FloatArray | Column, grid: Grid
) -> tuple[Column, Step | None, tuple[QualityNote, ...]]:
    """Signal corrected to the bench's supply voltage, NaN if unknown or failed; `ChannelError` if its column lacks."""
    if setup.supply is None or setup.supply_reference is None:
        return signal, None, ()
    name, values = find_numbers(log, setup.supply, meaning=f"supply of the {end} sensor")
    placed = on_clock(values, row_t_s, grid)
    share = np.full(len(signal), np.nan) if placed is None else placed[0].values / setup.supply_reference
    usable = (share > LEAST_SHARE) & (share < MOST_SHARE)
    lost = signal.known() & ~usable
    notes: tuple[QualityNote, ...] = ()
    if lost.any():
        at = np.flatnonzero(lost)
        message = (
            f"{end.capitalize()} travel has no usable supply ({name!r}) in {lost.sum()} samples, first at "
            f"t = {at[0] / grid.sample_rate_hz:.3f} s; they are left out. Check the sensor's wiring."
        )
        start_s, end_s = at[0] / grid.sample_rate_hz, (at[-1] + 1) / grid.sample_rate_hz
        notes = (QualityNote("warning", "supply_lost", message, name, float(start_s), float(end_s)),)
    settings: dict[str, float | int | str | bool] = {"end": end, "channel": name}
    if usable.any():
        settings |= {"least_share": float(share[usable].min()), "most_share": float(share[usable].max())}
    return Column(signal.values / np.where(usable, share, np.nan)), Step("supply", settings), notes
