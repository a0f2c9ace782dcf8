"""Two runs against each other as a document: what came of the change, then every number with its spread."""

import math
from collections.abc import Sequence

from telemetry.report.blocks import (
    Answer,
    Caution,
    Column,
    Document,
    Medium,
    Row,
    Section,
    Sentence,
    Table,
    fold,
    section,
    table,
    words_columns,
)
from telemetry.setup import Comparison, LapValues, MetricComparison
from telemetry.summary import decimals_of, half_width, headed, number, plus_minus

CORNER = "place.corner_"
CLEAR = ("higher", "lower")
CHANGE_COLUMNS = words_columns("what", "before", "after", "kind")
CONDITION_COLUMNS = (Column("", words=True), Column("before"), Column("after"), Column("from", words=True))
COLUMNS = (
    Column("", words=True),
    Column("before ± SD"),
    Column("after ± SD"),
    Column("change ± 95 %"),
    Column("verdict", words=True),
    Column("why", words=True, medium=Medium.SCREEN),
)
# Ratios of the ends that are 1 where both move alike, and what a change may cost.
_ALIKE = "balance."
_WATCHED = (
    "front.travel.max_mm",
    "rear.travel.max_mm",
    "front.travel.median_mm",
    "rear.travel.median_mm",
    "lap.time_s",
)
_RUN = {"a": "Before", "b": "After"}


def comparison_document(comparison: Comparison) -> Document:
    """A comparison in the order in which it is read."""
    found = (
        _verdict(comparison),
        _changed(comparison),
        _conditions(comparison),
        section(
            "numbers",
            "After against before: mean over laps ± standard deviation between them",
            _numbers(comparison.metrics, laps_words(comparison)),
        ),
        _places(comparison),
        _untold(comparison),
        section("sections", "Sections of the lap", _numbers(comparison.sections)),
        section("excluded", "Left out", *map(Sentence, excluded_words(comparison))),
        section(
            "method", "How it was judged", *(Sentence(text) for text in (comparison.method, comparison.basis) if text)
        ),
    )  # fmt: skip
    return Document(
        f"Before: {comparison.a_name}",
        f"After: {comparison.b_name}",
        tuple(one for one in found if one is not None),
    )


def _verdict(comparison: Comparison) -> Section | None:
    return section(
        "verdict",
        "The verdict",
        Caution(comparison.first) if comparison.first else None,
        _answer(comparison) if comparison.sentences else None,
        Caution(comparison.cautions, word="NOTE") if comparison.cautions else None,
    )


def _answer(comparison: Comparison) -> Answer:
    said = (*worked_words(comparison), *comparison.sentences)
    changed = "; ".join(f"{one.what} {one.before} → {one.after}" for one in comparison.changes)
    return Answer(said[0], f"Changed: {changed}." if changed else "", others=said[1:])


def worked_words(comparison: Comparison) -> tuple[str, ...]:
    """Whether the change did what it should, from what to what, and what else it kept or cost.

    Returns
    -------
    tuple of str
        The first is the answer; empty where it is not known what the change should move.
    """
    wanted = [row for row in comparison.metrics if row.expected and row.difference is not None]
    if not wanted:
        return ()
    moved = [row for row in wanted if row.verdict in CLEAR]
    right = [row for row in moved if (row.difference or 0.0) * row.expected > 0]
    wrong = [row for row in moved if row not in right]
    if wrong:
        answer = f"The change did the opposite of what it should: {_first_of(wrong)}."
    elif not right:
        answer = (
            f"Whether the change worked cannot be told. Within chance: {_first_of(wanted)}. More laps, and the "
            "first set-up again, would tell."
        )
    elif any(_leaves_aim(row) for row in right):
        answer = f"The change moved the ends as it should, but away from each other: {_first_of(right)}."
    elif len(right) == len(wanted):
        answer = f"The change did what it should: {_first_of(right)}."
    else:
        rest = [row for row in wanted if row not in right]
        answer = (
            f"The change did a part of what it should: {_first_of(right)}. Within chance: {_first_of(rest)}."
        )
    return (answer, *_kept_and_cost(comparison))


def _from_to(rows: Sequence[MetricComparison]) -> str:
    """Numbers from before to after, and the aim where there is one: both ends alike."""
    return "; ".join(
        f"{row.label} {number(row.a.mean, _digits(row))} → {number(row.b.mean, _digits(row), row.unit)}"
        + (" (aim 1)" if row.key.startswith(_ALIKE) else "")
        for row in rows
    )


def _first_of(rows: Sequence[MetricComparison]) -> str:
    """One number from before to after, one with an aim first, and how many more; each has its sentence or row below."""
    more = len(rows) - 1
    return _from_to(sorted(rows, key=lambda row: not row.key.startswith(_ALIKE))[:1]) + (
        f", and {more} more number{'s' if more > 1 else ''}" if more else ""
    )


def _leaves_aim(row: MetricComparison) -> bool:
    """Whether a ratio of the ends lies further from 1 after than before, either way."""
    if not row.key.startswith(_ALIKE) or not row.a.mean or not row.b.mean:
        return False
    return abs(math.log(row.b.mean)) > abs(math.log(row.a.mean))


def _digits(row: MetricComparison) -> int:
    return decimals_of(row.unit) if row.unit else 2


def _kept_and_cost(comparison: Comparison) -> tuple[str, ...]:
    """What of travel and lap time stayed within chance, and what of them moved."""
    watched = [row for row in comparison.metrics if row.key in _WATCHED and row.difference is not None]
    kept = [row.label for row in watched if row.verdict == "no clear difference"]
    moved = [row for row in watched if row.verdict in CLEAR and not row.expected]
    said = [f"No clear change of {', '.join(kept)}."] if kept else []
    return (*said, *([f"It also moved: {_from_to(moved)}."] if moved else []))


def _untold(comparison: Comparison) -> Section | None:
    """What cannot be told, what the change should move first, and how many laps more would tell it."""
    rows = [row for row in comparison.metrics if row.verdict not in CLEAR and row.difference is not None]
    rows.sort(key=lambda row: (not row.expected, row.further_laps or math.inf))
    by_laps = [row for row in rows if row.further_laps or row.expected]
    others = [row.label for row in rows if row not in by_laps]
    return section(
        "untold",
        "What cannot be told",
        table(
            (Column("", words=True), Column("change ± 95 %"), Column("more laps of each run", words=True)),
            [
                (
                    headed(row.label, row.unit),
                    plus_minus(row.difference, half_width(row.ci95), decimals_of(row.unit)),
                    number(row.further_laps) if row.further_laps else "laps alone do not tell",
                )
                for row in by_laps
            ],
        ),
        Sentence(
            "Laps alone do not tell it; each set-up ridden again would narrow the interval: "
            f"{'; '.join(others)}."
        )
        if others
        else None,
        note="So many more laps of each run would make the difference clear if it stays as it is."
        if by_laps
        else "",
        medium=Medium.SCREEN,
    )


def _changed(comparison: Comparison) -> Section | None:
    rows = [(change.what, change.before, change.after, change.kind) for change in comparison.changes]
    nothing = Sentence("Nothing that a setup sheet or bike file says.")
    return section("changed", "What was changed", table(CHANGE_COLUMNS, rows) or nothing)


def _conditions(comparison: Comparison) -> Section | None:
    rows = [
        (headed(each.what, each.unit), number(each.before, 1), number(each.after, 1), each.source)
        for each in comparison.conditions
    ]
    return section("conditions", "Conditions", table(CONDITION_COLUMNS, rows))


def _places(comparison: Comparison) -> Section | None:
    phases = [row for row in comparison.places if not row.key.startswith(CORNER)]
    corners = [row for row in comparison.places if row.key.startswith(CORNER)]
    clear = [row for row in corners if row.verdict in CLEAR]
    return section(
        "places",
        "By phase and corner",
        _numbers(phases, "By phase"),
        _numbers(clear, "By corner, what is clear"),
        Sentence(f"{len(corners) - len(clear)} of {len(corners)} numbers by corner are not clear.")
        if corners
        else None,
        fold("Every number by corner", _numbers(corners), medium=Medium.SCREEN),
    )


def _numbers(rows: Sequence[MetricComparison], caption: str = "") -> Table | None:
    return table(COLUMNS, map(comparison_row, rows), caption)


def comparison_row(row: MetricComparison) -> Row:
    """What, mean and spread before and after, change with interval, verdict, reason."""
    digits = decimals_of(row.unit)

    def spread(side: LapValues) -> str:
        return plus_minus(side.mean, side.sd, digits)

    return (
        headed(row.label, row.unit),
        spread(row.a),
        spread(row.b),
        plus_minus(row.difference, half_width(row.ci95), digits),
        row.verdict,
        row.reason,
    )


def laps_words(comparison: Comparison) -> str:
    """How many laps stand behind a mean, at the most."""
    before, after = (
        max((len(getattr(row, side).values) for row in comparison.metrics), default=0) for side in ("a", "b")
    )
    return f"{before} laps before, {after} after"


def excluded_words(comparison: Comparison) -> tuple[str, ...]:
    """The laps that were left out, a line each."""
    return tuple(
        f"{_RUN[row.run]}, lap {row.lap}{f' ({row.end} only)' if row.end else ''}: {row.reason}"
        for row in comparison.excluded
    )
