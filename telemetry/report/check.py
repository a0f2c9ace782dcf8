"""What a log holds, for the person who asks whether it can be trusted: columns, faults, what can be judged."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from pydantic import TypeAdapter
from rich.console import Console

from telemetry.arrays import ENDS, End, FloatArray, Number
from telemetry.decimals import as_kept
from telemetry.errors import BothEndsError
from telemetry.logs import LIKELY, Proposal, RawLog, stated_rate_hz
from telemetry.motion import Motion
from telemetry.notes import QualityNote, Step
from telemetry.report.blocks import (
    Column,
    Document,
    Section,
    Sentence,
    document,
    notes,
    section,
    table,
    words_columns,
)
from telemetry.report.document import quality_section
from telemetry.report.printers import print_document
from telemetry.signals import STATE_RATE, read_stamps
from telemetry.summary import UNKNOWN, number

if TYPE_CHECKING:
    from telemetry.review import Measured


HEADINGS = (
    *words_columns("", "column", "fit"), Column("mm/unit"), Column("off line [mm]"), Column("of span [%]"),
    Column("zero from", words=True), Column("tops out [mm]"), Column("drift [mm]"),
    Column("supply [% of the bench]"),
)  # fmt: skip


@dataclass(frozen=True)
class SensorCheck:
    """One travel sensor: ``fit`` is line or curve with its number of points, ``mm_per_signal`` the best line's slope.

    ``largest_residual_mm`` and ``linearity_pct`` (of the span) are of the bench point farthest from that line, None for
    two points. ``topped_out_mm`` is where the end tops out in the log, 0 if the zero is right, ``zero_from`` how the
    zero is known: bench, signal, log interval or topped out. ``drift_mm``: lowest reading in the last third of the run
    less that in the first. ``supply_pct``: least and most supply voltage, of the bench's [%], None where it is not
    logged.
    """

    end: str
    column: str
    fit: str
    mm_per_signal: float
    largest_residual_mm: float | None
    linearity_pct: float | None
    zero_from: str
    topped_out_mm: float | None
    drift_mm: float | None
    supply_pct: tuple[float, float] | None = None


def sensor_checks(history: Sequence[Step]) -> tuple[SensorCheck, ...]:
    """The travel sensors of a run; none for a history without calibration."""
    zeros, supplies = (
        {step.settings["end"]: step.settings for step in history if step.name == name}
        for name in ("zero", "supply")
    )
    return tuple(
        _sensor(step.settings, zeros.get(step.settings["end"], {}), supplies.get(step.settings["end"], {}))
        for step in history
        if step.name == "calibrate" and "zero_from" in step.settings
    )


Settings = Mapping[str, float | int | str | bool]


def _sensor(calibration: Settings, zero: Settings, supply: Settings) -> SensorCheck:
    points = calibration["points"]

    def known(values: Settings, key: str, *, there: bool = True) -> float | None:
        return float(values[key]) if there and key in values else None

    return SensorCheck(
        end=str(calibration["end"]),
        column=str(calibration["channel"]),
        fit=f"{calibration['kind']}, {points} points",
        mm_per_signal=float(calibration["mm_per_signal"]),
        largest_residual_mm=known(calibration, "largest_residual_mm", there=int(points) > 2),
        linearity_pct=known(calibration, "linearity_pct", there=int(points) > 2),
        zero_from=str(calibration["zero_from"]),
        topped_out_mm=known(zero, "topped_out_mm"),
        drift_mm=known(zero, "drift_mm"),
        supply_pct=(100 * float(supply["least_share"]), 100 * float(supply["most_share"]))
        if "least_share" in supply
        else None,
    )


def sensor_rows(sensors: Iterable[SensorCheck]) -> list[tuple[str, ...]]:
    """Cells of a table under `HEADINGS`."""
    return [
        (
            sensor.end,
            sensor.column,
            sensor.fit,
            f"{sensor.mm_per_signal:.4g}",
            number(sensor.largest_residual_mm, 2),
            number(sensor.linearity_pct, 2),
            sensor.zero_from,
            UNKNOWN if sensor.topped_out_mm is None else number(sensor.topped_out_mm, 1),
            UNKNOWN if sensor.drift_mm is None else number(sensor.drift_mm, 1),
            "" if sensor.supply_pct is None else " to ".join(number(x, 1) for x in sensor.supply_pct),
        )
        for sensor in sensors
    ]


WANTED = ("time", *ENDS)  # without these no log can be reviewed
SCHEMA = "bothends.check/1"
_STEPS = 100_000  # of a long log, so many steps tell the rate


@dataclass(frozen=True)
class ColumnCheck:
    """One column: its unit as written, the rate it was logged at, its range, and the share of blank cells."""

    name: str
    unit: str
    rate_hz: float | None
    least: Number
    most: Number
    blank_share: float


@dataclass(frozen=True)
class Judgement:
    """Whether something can be judged from this log, and why or how well."""

    what: str
    can: bool
    reason: str


@dataclass(frozen=True)
class LogCheck:
    """What a log holds; ``judged`` is empty without a bike file: it depends on which sensor is where.

    ``not_found`` are meanings that a review needs and no column has; ``stated_rate_hz`` stands in for time.
    """

    source: str
    rows: int
    duration_s: float | None
    dialect: dict[str, str]
    columns: tuple[ColumnCheck, ...]
    meanings: tuple[Proposal, ...]
    quality: tuple[QualityNote, ...]
    judged: tuple[Judgement, ...]
    sensors: tuple[SensorCheck, ...] = ()
    not_found: tuple[str, ...] = ()
    stated_rate_hz: float | None = None
    schema: str = SCHEMA


def check_log(
    log: RawLog,
    *,
    meanings: tuple[Proposal, ...] = (),
    measured: "Measured | None" = None,
    wanted: tuple[str, ...] = WANTED,
) -> LogCheck:
    """What a log holds and, once it was ``measured``, what can be judged from it.

    ``meanings`` of its columns: rates are not known without that of time. ``wanted`` are those that a review needs; the
    ones without a column are told.
    """
    t_s = _time_s(log, next((p.column for p in meanings if p.meaning == "time"), None))
    not_found = tuple(name for name in wanted if name not in {p.meaning for p in meanings})
    quality = measured.quality if measured else log.notes
    if "time" in not_found and measured is None:
        quality = (*quality, QualityNote("warning", "no_clock", f"No column of time was found. {STATE_RATE}"))
    return LogCheck(
        source=log.source,
        rows=log.n_rows,
        duration_s=float(np.nanmax(t_s) - np.nanmin(t_s)) if t_s is not None else None,
        dialect=dict(log.dialect),
        columns=tuple(
            _column(name, log.units.get(name, ""), values, t_s) for name, values in log.columns.items()
        ),
        meanings=meanings,
        quality=quality,
        judged=judgements(measured) if measured else (),
        sensors=sensor_checks(measured.run.history) if measured else (),
        not_found=not_found,
        stated_rate_hz=stated_rate_hz(log),
    )


def _time_s(log: RawLog, time_column: str | None) -> FloatArray | None:
    """Seconds since the start, None where the log has no usable clock."""
    if time_column is None:
        return None
    try:
        t_s = read_stamps(log, time_column).t_s
    except BothEndsError:
        return None
    return t_s if np.isfinite(t_s).any() else None


def _column(name: str, unit: str, values: FloatArray, t_s: FloatArray | None) -> ColumnCheck:
    filled = np.isfinite(values)
    full = bool(filled.all())
    known = values if full else values[filled]
    rate = None
    if t_s is not None:
        stamps = t_s if full else t_s[filled]
        steps = np.diff(stamps)
        steps = steps[:: max(1, len(steps) // _STEPS)]
        steps = steps[np.isfinite(steps)]
        rate = float(1.0 / np.median(steps)) if len(steps) and np.median(steps) > 0 else None
    nan = float("nan")
    return ColumnCheck(
        name,
        unit,
        rate,
        float(known.min()) if len(known) else nan,
        float(known.max()) if len(known) else nan,
        float(1.0 - np.mean(filled)) if len(filled) else 1.0,
    )


def judgements(measured: "Measured") -> tuple[Judgement, ...]:
    """What can be judged from a log and what not, each with its reason."""
    from telemetry.damping import refusal

    motion, track = measured.motion, measured.track
    both = all(name in motion.ends and motion.ends[name].valid.any() for name in ENDS)
    rolls = both and as_kept(track.speed_m_s).any_known
    complete, sources = sum(lap.complete for lap in track.laps), ", ".join(track.phase_sources)
    why_not = refusal(motion) or ("" if rolls else "without both ends and ground speed a kerb looks the same")

    def judged(what: str, can: bool, why: str, why_cannot: str) -> Judgement:
        return Judgement(what, can, why if can else why_cannot)

    return (
        *(_end_judged(motion, end) for end in ENDS),
        Judgement(
            "laps",
            complete > 0,
            f"{complete} complete, found from: {track.lap_source}" if track.laps else "no laps found",
        ),
        judged("corner phases", bool(sources), f"from {sources}", "needs speed or throttle"),
        judged("balance", both, "both ends were measured", "needs travel of both ends"),
        judged(
            "both ends on the same bump",
            rolls,
            "speed says when the rear meets the front's bump",
            "needs both ends and ground speed",
        ),
        judged("lost rear damping", not why_not, "fast enough to try; a review tells more", why_not),
    )


def _end_judged(motion: Motion, name: End) -> Judgement:
    what = f"{name} travel and speed"
    if name not in motion.ends:
        return Judgement(what, False, motion.not_judged[name])
    end = motion.ends[name]
    usable = float(np.mean(end.valid))
    reason = (
        f"{100 * usable:.1f} % of the time usable; speed up to {end.bandwidth_hz:.0f} Hz "
        f"with {end.wheel_noise_mm_s:.0f} mm/s noise at the wheel"
    )
    return Judgement(what, usable > 0, reason)


def print_check(check: LogCheck, console: Console, *, bike_given: bool = False) -> None:
    """Print what a log holds."""
    print_document(check_document(check, bike_given=bike_given), console)


def check_document(check: LogCheck, *, bike_given: bool = False) -> Document:
    """What a log holds; without a bike file it says that one is needed to judge."""
    lasts = f", {number(check.duration_s / 60, 1, 'min')}" if check.duration_s is not None else ""
    dialect = "; ".join(f"{key}: {value}" for key, value in check.dialect.items())
    to_say = ",".join(_to_say(check))
    judged = [(row.what, "yes" if row.can else "NO", row.reason) for row in check.judged]
    needs_bike = not (bike_given or check.judged)
    found = (
        Section("dialect", "", tuple(notes(dialect))),
        section("columns", "Columns", table(COLUMNS, _column_rows(check))),
        section(
            "meanings",
            "What the columns mean",
            table(MEANING_COLUMNS, _meaning_rows(check)),
            *(
                (Sentence("To confirm this, or to change it:"), Sentence(f"  --channels '{to_say}'", "copy"))
                if to_say and (check.meanings or check.not_found)
                else ()
            ),
        ),
        section("sensors", "Travel sensors", table(HEADINGS, sensor_rows(check.sensors))),
        section("judged", "What can be judged", table(words_columns("", "", "why"), judged)),
        quality_section(check.quality),
        section("bike", "The bike file", Sentence("What can be judged depends on the bike: give its file with --bike."))
        if needs_bike
        else None,
    )  # fmt: skip
    return document(check.source, f"{check.rows} rows{lasts}", *found)


COLUMNS = (
    *words_columns("column", "unit"), Column("rate [Hz]"), Column("from"), Column("to"), Column("blank [%]"),
)  # fmt: skip
MEANING_COLUMNS = words_columns("", "column", "", "why")


def _column_rows(check: LogCheck) -> Iterable[tuple[str, ...]]:
    for column in check.columns:
        yield (
            column.name,
            column.unit or UNKNOWN,
            number(column.rate_hz, 0 if (column.rate_hz or 0) >= 10 else 2),
            _figure(column.least),
            _figure(column.most),
            number(100 * column.blank_share, 1),
        )


def _meaning_rows(check: LogCheck) -> Iterable[tuple[str, ...]]:
    for proposal in check.meanings:
        c = proposal.confidence
        sure = "said" if c == 1 else "sure" if proposal.sure else "likely" if c >= LIKELY else "a guess"
        yield proposal.meaning, proposal.column, sure, "; ".join(proposal.reasons)
    for name in check.not_found:
        rate = "; a log without time needs its rate, rate_hz=HZ" if name == "time" else ""
        yield name, UNKNOWN, "not found", f"say it with {name}=COLUMN{rate}"


def _to_say(check: LogCheck) -> Iterable[str]:
    """What is open, as ``--channels`` takes it; HZ is for the person to fill in."""
    if check.stated_rate_hz is not None:
        yield f"rate_hz={check.stated_rate_hz:g}"
    elif "time" in check.not_found:
        yield "rate_hz=HZ"
    for proposal in check.meanings:
        needs_word = proposal.confidence < 1 and not (proposal.sure and proposal.meaning not in ENDS)
        if needs_word and not (proposal.meaning == "time" and check.stated_rate_hz is not None):
            yield f"{proposal.meaning}={proposal.column}"


def _figure(value: float) -> str:
    return f"{value:.6g}" if np.isfinite(value) else UNKNOWN


def check_to_json(check: LogCheck) -> str:
    """The check as indented JSON text, schema ``bothends.check/1``; what is not known is null."""
    return TypeAdapter(LogCheck).dump_json(check, indent=1).decode()
