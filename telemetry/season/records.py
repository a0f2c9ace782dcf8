"""Records of runs for a season, with the numbers of each lap; and one number of them over dates, bikes and circuits."""

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from math import isfinite
from pathlib import PurePosixPath
from statistics import fmean
from typing import Literal

from telemetry.arrays import ENDS, End
from telemetry.laps import SAME_LENGTH, lap_length_m, laps_at_pace
from telemetry.plaintext import plain
from telemetry.summary import LAP_METRICS, MAX_MASKED_SHARE, LapSummary, Metric, Summary, limits_words

_DATE = re.compile(r"(?<!\d)(20\d\d)([-_.]?)(\d\d)\2(\d\d)(?!\d)")


@dataclass(frozen=True)
class LapRecord:
    """Numbers of one lap, or of the whole run.

    Parameters
    ----------
    lap : int or None
        None for the whole run.
    at_pace : bool
        Whether it counts in a mean (`telemetry.laps.laps_at_pace`).
    masked_share : mapping of End to float
        Share of the time without valid samples.
    values : mapping of str to float or None
        By the keys of `telemetry.summary.LAP_METRICS`; None where unknown.
    """

    lap: int | None
    complete: bool
    at_pace: bool
    masked_share: Mapping[End, float]
    values: Mapping[str, float | None]


@dataclass(frozen=True)
class RunRecord:
    """One run of a season, or a log that could not be used.

    Parameters
    ----------
    log : str
        Path or address of the log.
    name : str
        Short name of the run.
    date : str
        ISO 8601, "" where unknown.
    circuit : str
        "" where unknown.
    lap_length_m : float or None
        Median of the complete laps. [m]
    laps : int
        Complete laps.
    damping : str
        Verdict on the dampers as a list prints it; ``oscillation`` is the bare verdict.
    limits : tuple of str
        Which end was not judged, and why.
    rows : tuple of LapRecord
        The whole run first, then its laps; empty where the log could not be used.
    error : str
        Why the log could not be used, "" if it could.
    run_id : str
        Of a run in a logbook, else "".
    log_sha256, inputs : str
        Hash of the log's bytes; of everything that the numbers depend on. "" where not known.
    """

    log: str
    name: str
    bike: str
    date: str = ""
    circuit: str = ""
    lap_length_m: float | None = None
    laps: int = 0
    quickest_lap_s: float | None = None
    oscillation: str = ""
    damping: str = ""
    limits: tuple[str, ...] = ()
    rows: tuple[LapRecord, ...] = field(default=(), repr=False)
    error: str = ""
    run_id: str = ""
    log_sha256: str = ""
    inputs: str = ""


def record_of(summary: Summary, log: str, *, name: str, date: str = "", circuit: str = "") -> RunRecord:
    """Record of a reviewed run; date and circuit are "" where unknown."""
    complete = [lap.time_s for lap in summary.laps if lap.complete]
    at_pace = {lap.lap for lap in laps_at_pace(summary.laps)}
    whole = LapSummary(
        lap=0, start_s=0.0, end_s=summary.run.duration_s, time_s=float("nan"), distance_m=summary.run.distance_m,
        complete=False, masked_share={end: 1.0 - summary.ends[end].valid_share for end in ENDS}, ends=summary.ends,
        balance=summary.balance,
    )  # fmt: skip
    return RunRecord(
        log=plain(log),
        name=plain(name),
        bike=summary.run.bike,
        date=date,
        circuit=circuit,
        lap_length_m=lap_length_m(summary.laps),
        laps=len(complete),
        quickest_lap_s=min(complete, default=None),
        oscillation=summary.oscillation.verdict,
        limits=tuple(limits_words(summary.ends)),
        rows=(
            LapRecord(None, False, False, whole.masked_share, _values(whole)),
            *(
                LapRecord(lap.lap, lap.complete, lap.lap in at_pace, lap.masked_share, _values(lap))
                for lap in summary.laps
            ),
        ),
    )


def failed(log: str, bike: str, error: str) -> RunRecord:
    """Record of a log that could not be used."""
    return RunRecord(plain(log), plain(PurePosixPath(log).name), bike, error=plain(" ".join(error.split())))


def date_in(*texts: str) -> str:
    """The first date written in one of several texts, as ISO 8601; "" where none is.

    Examples
    --------
    >>> date_in("run 3.csv", "2026-05-01 Vellmoor/run 3.csv")
    '2026-05-01'
    >>> date_in("20260501_1404.csv")
    '2026-05-01'
    >>> date_in("20261345.csv")
    ''
    """
    for text in texts:
        for found in _DATE.finditer(text):
            try:
                return date(int(found[1]), int(found[3]), int(found[4])).isoformat()
            except ValueError:
                continue
    return ""


def _values(lap: LapSummary) -> dict[str, float | None]:
    read = {metric.key: metric.read(lap) for metric in LAP_METRICS}
    return {
        key: float(value) if value is not None and isfinite(value) else None for key, value in read.items()
    }


GroupBy = Literal["circuit", "bike", "date"]
GROUPS: tuple[GroupBy, ...] = ("circuit", "bike", "date")
UNDATED = "no date"


@dataclass(frozen=True)
class SeasonPoint:
    """A number of one run.

    Parameters
    ----------
    laps : int
        How many laps at pace the number is the mean of; 0 where there is none: it is then that of the whole run.
    value : float or None
        None where unknown.
    low, high : float or None
        Lowest and highest of the laps; None without laps.
    circuit : str
        Its name; else its length of lap in words.
    """

    name: str
    date: str
    bike: str
    circuit: str
    laps: int
    value: float | None
    low: float | None = None
    high: float | None = None
    run_id: str = ""


@dataclass(frozen=True)
class SeasonGroup:
    """Points of one circuit, bike or date, in order of date."""

    name: str
    points: tuple[SeasonPoint, ...]


def season_points(records: Iterable[RunRecord], metric: Metric) -> tuple[SeasonPoint, ...]:
    """One of `telemetry.summary.LAP_METRICS` of every run that could be reviewed, by date and then the log's path."""
    by_bytes = {one.log_sha256 or one.log: one for one in records if one.rows}  # the same bytes are one run
    kept = sorted(by_bytes.values(), key=lambda one: (one.date or "9999", one.log))
    circuits = _circuit_names(kept)
    return tuple(
        _point(record, circuit, metric) for record, circuit in zip(kept, circuits, strict=True)
    )  # fmt: skip


def _point(record: RunRecord, circuit: str, metric: Metric) -> SeasonPoint:
    whole, *laps = record.rows
    values = [
        value
        for lap in laps
        if lap.at_pace
        and all(lap.masked_share.get(end, 0.0) <= MAX_MASKED_SHARE for end in metric.ends)
        and (value := lap.values.get(metric.key)) is not None
    ]
    return SeasonPoint(
        record.name,
        record.date,
        record.bike,
        circuit,
        len(values),
        fmean(values) if values else whole.values.get(metric.key),
        min(values, default=None),
        max(values, default=None),
        record.run_id,
    )


def _circuit_names(records: list[RunRecord]) -> list[str]:
    """Name of each run's circuit; runs without one are put together by the length of their laps."""
    lengths = sorted(
        length for one in records if not one.circuit and (length := one.lap_length_m) is not None
    )
    groups: list[list[float]] = []
    for length in lengths:
        if groups and length <= groups[-1][-1] * (1.0 + SAME_LENGTH):
            groups[-1].append(length)
        else:
            groups.append([length])
    named = {length: f"lap of {fmean(group) / 1000:.2f} km" for group in groups for length in group}
    return [one.circuit or named.get(one.lap_length_m or 0.0, "circuit not known") for one in records]


def season_groups(points: Iterable[SeasonPoint], by: GroupBy) -> tuple[SeasonGroup, ...]:
    """Points by circuit, bike or date: groups in the order in which they first appear."""
    key: Callable[[SeasonPoint], str] = {
        "circuit": lambda point: point.circuit,
        "bike": lambda point: point.bike,
        "date": lambda point: point.date or UNDATED,
    }[by]
    groups: dict[str, list[SeasonPoint]] = {}
    for point in points:
        groups.setdefault(key(point), []).append(point)
    return tuple(SeasonGroup(name, tuple(found)) for name, found in groups.items())
