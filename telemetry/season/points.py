"""One number of the registry over the runs of a season: its mean and range over laps, in groups."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from statistics import fmean
from typing import Literal

from telemetry.laps import SAME_LENGTH
from telemetry.season.record import RunRecord
from telemetry.summary import MAX_MASKED_SHARE, Metric

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
    """A number of every run that could be reviewed, in order of date and then of the log's path.

    Parameters
    ----------
    metric : Metric
        One of `telemetry.summary.LAP_METRICS`.
    """
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
