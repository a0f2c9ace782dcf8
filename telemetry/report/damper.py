"""A damper as documents: whether it is back after a service, ridden or pushed by hand, and what it has been through."""

from collections.abc import Sequence

from telemetry.findings_damping import DOUBTFUL, LOST, NO_SIGN
from telemetry.metrics import DAMPING, headed
from telemetry.report.blocks import (
    Caution,
    Column,
    Document,
    Figure,
    Row,
    Section,
    Sentences,
    notes,
    section,
    table,
)
from telemetry.report.figures import outings_picture
from telemetry.setup import BounceComparison, DamperComparison, DamperRun
from telemetry.setup.damper import DamperOuting
from telemetry.wording import UNKNOWN, count_word, interval, number


def _compared(what: str, of: str) -> tuple[Column, ...]:
    return (
        Column(what, words=True), Column(f"before ({of})"), Column(f"after ({of})"), Column("after over before (95 %)"),
        Column("verdict", words=True),
    )  # fmt: skip


HISTORY_COLUMNS = (
    Column("date"), Column("run", words=True), Column("serviced"), Column("damping ratio (95 %)"), Column("heat [kJ]"),
    Column("since: [km]"), Column("since: [kJ]"), Column("answer", words=True),
)  # fmt: skip
# In a line of a list; every other answer as it is.
SAID = {LOST: "LOST?", DOUBTFUL: "IN DOUBT", "": NO_SIGN}
OF_ONE_DAMPER = (
    "A lap is the unit of evidence; the interval also holds what one sound damper differs by from "
    "outing to outing."
)


def damper_document(comparison: DamperComparison) -> Document:
    """A comparison of one damper over two outings: the sentences, the caution, then by shaft speed."""
    title = f"Damping ratio of the {comparison.end} wheel hop, mean over laps"
    found = table(_compared("shaft speed, RMS", "laps"), speed_rows(comparison))
    return _of_two(
        f"Before: {_outing_words(comparison.before)}",
        f"After: {_outing_words(comparison.after)}",
        _verdict(comparison),
        section("speeds", title, found, note=OF_ONE_DAMPER),
    )


def bounce_damper_document(comparison: BounceComparison) -> Document:
    """A comparison of one end in two bounce tests: the sentences, the caution, the rows."""
    found = table(_compared("return after a push", "pushes"), bounce_rows(comparison))
    return _of_two(
        f"Before: {comparison.before}",
        f"After: {comparison.after}",
        _verdict(comparison),
        section("pushes", f"The {comparison.end} pushed by hand", found),
    )


def _of_two(before: str, after: str, *sections: Section | None) -> Document:
    return Document(before, after, tuple(one for one in sections if one is not None))


def _verdict(comparison: DamperComparison | BounceComparison) -> Section | None:
    return section(
        "verdict",
        f"Is the damping back? The {comparison.end}",
        Sentences(comparison.sentences, verdicts=True),
        Caution((comparison.caution,)),
    )


def history_document(damper: str, runs: Sequence[DamperRun]) -> Document:
    """What a damper has been through, oldest outing first."""
    ends = " and ".join(sorted({run.end for run in runs}))
    picture = outings_picture(runs)
    name = f"damper-{damper.encode().hex()}"  # fit for the page of a screen, whatever people write
    words = "Damping ratio, an outing a dot, with 95 % intervals; dashed: serviced."
    return _of_two(
        f"Damper {damper}, {ends}: {count_word(len(runs), 'outing')}, oldest first",
        "",
        section(
            "history",
            f"Outings of damper {damper}",
            None if picture is None else Figure(name, picture, words),
            table(HISTORY_COLUMNS, history_rows(runs)),
            *notes(HISTORY_WORDS),
        ),
    )


HISTORY_WORDS = (
    "Damping ratio of the wheel hop, mean over laps. Since: from the last service on. kJ is the work of the oil, from "
    "the damper's curve in the bike file. Two outings compare as 'bothends damper A B' says, not at a glance: the "
    "road and "
    "the other end are in these numbers."
)


def speed_rows(comparison: DamperComparison) -> list[Row]:
    """Range of shaft speed, damping ratio before and after with laps, their ratio, verdict."""
    return [
        (
            _range_words(row.low_mm_s, row.high_mm_s),
            f"{number(row.before, 2)} ({row.laps_before})",
            f"{number(row.after, 2)} ({row.laps_after})",
            interval(row.ratio, row.ci95),
            row.verdict,
        )
        for row in comparison.rows
    ]


def _range_words(low: float | None, high: float | None) -> str:
    if low is None or high is None:
        return "all speeds"
    return f"{low:.0f} to {high:.0f} mm/s" if high < 1e3 else f"above {low:.0f} mm/s"


def history_rows(runs: Sequence[DamperRun]) -> list[Row]:
    """Date, run, service day, damping ratio, heat, distance and heat since the service, what was suspected."""
    return [
        (
            run.date or UNKNOWN,
            run.name,
            run.serviced or UNKNOWN,
            interval(run.damping_ratio, run.ci95, DAMPING.digits),
            number(run.heat_kj),
            number(run.since_service_km),
            UNKNOWN if run.heat_kj is None else number(run.since_service_kj),
            SAID.get(run.doubt, run.doubt),
        )
        for run in runs
    ]


def bounce_rows(comparison: BounceComparison) -> list[Row]:
    """What, before and after with pushes, their ratio, verdict."""
    return [
        (
            headed(row.what, row.unit),
            f"{number(row.before, 2)} ({row.pushes_before})",
            f"{number(row.after, 2)} ({row.pushes_after})",
            interval(row.ratio, row.ci95),
            UNKNOWN if row.unit else row.verdict,
        )
        for row in comparison.rows
    ]


def _outing_words(outing: DamperOuting) -> str:
    parts = [outing.source, outing.damper and f"damper {outing.damper}",
             outing.serviced and f"serviced {outing.serviced}", outing.doubt]  # fmt: skip
    return ", ".join(part for part in parts if part)
