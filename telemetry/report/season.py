"""A season as a document: one number over dates, bikes and circuits, as a picture and a table."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from statistics import fmean

from telemetry.report.blocks import (
    Cell,
    Column,
    Document,
    Figure,
    Number,
    Row,
    RunName,
    Section,
    Sentence,
    notes,
    section,
    table,
)
from telemetry.season import GroupBy, RunRecord, SeasonGroup, SeasonPoint, season_groups, season_points
from telemetry.summary import UNKNOWN, Metric, count_word

READING = (
    "Mean over the laps at pace of a run, with its lowest and highest lap; a run without such a lap shows the number "
    "of the whole run. Change: from the run before, of the same bike on the same circuit."
)
COMPARE = (
    "Runs differ by circuit, tyres, weather and rider as well. Whether two of them differ is asked of 'bothends "
    "compare', which gives intervals."
)


@dataclass(frozen=True)
class SeasonPicture:
    """One number of every run, side by side in groups.

    Parameters
    ----------
    title, y_title : str
        What it shows; the number with its unit.
    unit, decimals : str, int
        Of the number.
    groups : tuple of SeasonGroup
        From left to right, without runs whose number is unknown.
    bikes : tuple of str
        Each has a mark of its own, in this order.
    """

    title: str
    y_title: str
    unit: str
    decimals: int
    groups: tuple[SeasonGroup, ...]
    bikes: tuple[str, ...]

    @property
    def places(self) -> tuple[tuple[float, ...], ...]:
        """Place of every point along the picture by group: whole numbers, one left free between groups."""
        start, found = 0, []
        for group in self.groups:
            found.append(tuple(float(start + k) for k in range(len(group.points))))
            start += len(group.points) + 1
        return tuple(found)

    @property
    def width(self) -> float:
        """How many places there are."""
        return float(sum(len(group.points) for group in self.groups) + len(self.groups) - 1)

    @property
    def range(self) -> tuple[float, float]:
        """Lowest and highest of all laps, with a margin."""
        points = [point for group in self.groups for point in group.points]
        values = [one for point in points for one in (point.value, point.low, point.high) if one is not None]
        margin = 0.06 * (max(values) - min(values)) or 0.05 * abs(values[0]) or 1.0
        return min(values) - margin, max(values) + margin

    def labels(self, most: int) -> tuple[tuple[float, str], ...]:
        """Names of groups at their middle, every second or third one where there are more than ``most``."""
        every = -(-len(self.groups) // most)
        named = zip(self.groups, self.places, strict=True)
        return tuple((fmean(at), group.name) for k, (group, at) in enumerate(named) if k % every == 0)


def season_picture(groups: Sequence[SeasonGroup], metric: Metric) -> SeasonPicture | None:
    """Picture of a number; None where no run has it."""
    known = [
        SeasonGroup(group.name, tuple(point for point in group.points if point.value is not None))
        for group in groups
    ]
    there = tuple(group for group in known if group.points)
    if not there:
        return None
    bikes = dict.fromkeys(point.bike for group in there for point in group.points)
    label = metric.label[0].upper() + metric.label[1:]
    return SeasonPicture(
        f"{label}, a run a mark", metric.heading, metric.unit, metric.digits, there, tuple(bikes)
    )


def season_document(records: Iterable[RunRecord], metric: Metric, by: GroupBy = "circuit") -> Document:
    """One number over a season.

    Parameters
    ----------
    metric : Metric
        One of `telemetry.summary.LAP_METRICS`.
    by : {"circuit", "bike", "date"}
        What the runs are put together by.
    """
    records = tuple(records)
    points = season_points(records, metric)
    groups = season_groups(points, by)
    title = f"Season: {metric.label}"
    if not points:
        nothing = section("season", "Season", Sentence("There is no run to show."))
        return Document(title, "", _there(nothing))
    picture = season_picture(groups, metric)
    errors = [record for record in records if record.error]
    left_out = f"{count_word(len(errors), 'log')} could not be used." if errors else ""
    return Document(
        title,
        _facts(points),
        _there(
            section(
                "season",
                metric.heading[0].upper() + metric.heading[1:],
                Sentence("No run has this number.") if picture is None else Figure("season", picture, _how(picture)),
                table(_group_columns(by), [_group_row(group, metric) for group in groups]),
                *notes(READING, COMPARE, left_out),
            ),
            section("runs", "Every run", table(_columns(by), _rows(groups, metric, by))),
        ),
    )  # fmt: skip


def _there(*sections: Section | None) -> tuple[Section, ...]:
    return tuple(one for one in sections if one is not None)


def _facts(points: Sequence[SeasonPoint]) -> str:
    dates = sorted(point.date for point in points if point.date)
    when = f", {dates[0]} to {dates[-1]}" if dates else ""
    bikes, circuits = len({point.bike for point in points}), len({point.circuit for point in points})
    return f"{count_word(len(points), 'run')}, {count_word(bikes, 'bike')}, {count_word(circuits, 'circuit')}{when}"


def _how(picture: SeasonPicture) -> str:
    named = ", ".join(f"{mark} {bike}" for mark, bike in zip(MARK_WORDS, picture.bikes, strict=False))
    marks = f" Marks: {named}." if 1 < len(picture.bikes) <= len(MARKS) else ""
    return (
        "A mark is the mean over the laps of a run, its line reaches from the lowest to the highest lap; within a "
        f"group runs stand in order of date. The level line is the mean of the group.{marks}"
    )


# Names of marks, in the order of the bikes: those of plotly, which the paper draws as well.
MARKS = ("circle", "diamond", "square", "triangle-up", "cross", "star")
MARK_WORDS = ("circle", "diamond", "square", "triangle", "cross", "star")


def _group_columns(by: GroupBy) -> tuple[Column, ...]:
    return (
        Column(by, words=True),
        *(Column(label) for label in ("runs", "mean of the runs", "lowest run", "highest run")),
    )


def _group_row(group: SeasonGroup, metric: Metric) -> Row:
    values = [point.value for point in group.points if point.value is not None]
    mean = fmean(values) if values else None
    numbers = (mean, min(values, default=None), max(values, default=None))
    return (group.name, str(len(group.points)), *(_number(value, metric) for value in numbers))


def _columns(by: GroupBy) -> tuple[Column, ...]:
    words = [Column(label, words=True) for label in ("run", "date", "bike", "circuit")]
    first = next(column for column in words if column.label == by)
    return (
        first,
        *(column for column in words if column is not first),
        Column("laps"),
        *(Column(label) for label in ("mean", "lowest lap", "highest lap")),
        Column("change"),
    )


def _rows(groups: Sequence[SeasonGroup], metric: Metric, by: GroupBy) -> list[Row]:
    before: dict[tuple[str, str], float] = {}
    changes: dict[SeasonPoint, float | None] = {}
    in_order = sorted((p for group in groups for p in group.points), key=lambda point: point.date or "9999")
    for point in in_order:
        last = before.get((point.bike, point.circuit))
        changes[point] = None if last is None or point.value is None else point.value - last
        if point.value is not None:
            before[point.bike, point.circuit] = point.value
    rows: list[Row] = []
    for group in groups:
        for point in group.points:
            words: dict[str, Cell] = {
                "run": RunName(point.run_id, point.name),
                "date": point.date or UNKNOWN,
                "bike": point.bike,
                "circuit": point.circuit,
            }
            change = changes[point]
            rows.append(
                (
                    words[by],
                    *(cell for label, cell in words.items() if label != by),
                    str(point.laps) if point.laps else "whole run",
                    *(_number(value, metric) for value in (point.value, point.low, point.high)),
                    UNKNOWN if change is None else f"{change:+.{metric.digits}f}".replace("-", "−"),
                )
            )
    return rows


def _number(value: float | None, metric: Metric) -> Number:
    return Number(value, replace(metric, read=lambda number: number))
