"""The bounce test as a document: the verdict, the picture, the numbers."""

from collections.abc import Iterable

import numpy as np
from rich.console import Console

from telemetry.arrays import ENDS
from telemetry.balance import BounceTest
from telemetry.findings import bounce_advice
from telemetry.notes import QualityNote
from telemetry.report.blocks import (
    Caution,
    Column,
    Document,
    Figure,
    Number,
    Row,
    Sentence,
    Sentences,
    section,
    table,
)
from telemetry.report.document import quality_section
from telemetry.report.figures import mirrored_picture
from telemetry.report.paper import document_html
from telemetry.report.terminal import print_document
from telemetry.summary import DAMPING, Metric, count_word, interval, number, pushed

PUSH: tuple[Metric, ...] = (
    pushed("depth_mm", "depth", "mm"),
    pushed("down_mm_s", "going down, maximum speed", "mm/s", 0),
    pushed("up_mm_s", "coming up, maximum speed", "mm/s", 0),
    pushed("time_up_s", "time to come up", "s"),
    pushed("overshoot_share", "overshoot", "% of depth", 0, 100.0),
    pushed("cycles", "cycles to settle", "", 1),
    pushed("damping_ratio", "damping ratio, log decrement", "", 2),
)
MOST_PUSHES = 20
STYLE = """
body { font-size: 12pt; } svg { font-size: 12px; } svg .tick, svg .quiet { font-size: 11px; }
svg .trace { stroke-width: 2; } ol.verdicts { font-size: 14pt; }
"""


def bounce_document(test: BounceTest, notes: Iterable[QualityNote] = ()) -> Document:
    """A bounce test in the order in which it is read; ``notes`` are of the log."""
    ends = tuple(Column(end, end=end) for end in ENDS)
    found = (
        section(
            "verdict",
            "The verdict",
            Sentences((*test.sentences, *filter(None, [bounce_advice(test)])), verdicts=True),
            _picture(test),
            Sentence(push_words(test)),
            Caution((test.caution,)),
        ),
        section(
            "ends",
            "Both ends, at the wheel, median push",
            table((Column("", words=True), *ends), end_rows(test)),
        ),
        section("together", "Together?", table(DIRECTION_COLUMNS, direction_rows(test)))
        if test.ends
        else None,
        section(
            "modes",
            "Swinging free",
            table(MODE_COLUMNS, mode_rows(test)),
            note="Friction and the unlike firmness of compression and rebound are in these.",
        ),
        quality_section(notes),
    )
    return Document(
        f"{test.bike}: {test.source}, bounce test", "", tuple(one for one in found if one is not None)
    )


def _picture(test: BounceTest) -> Figure | None:
    if test.picture is None:
        return None
    travel = {"front": np.array(test.picture.front), "rear": np.array(test.picture.rear)}
    picture = mirrored_picture(
        np.array(test.picture.t_s), {end: travel[end] for end in ENDS}, "time [s]", "",
        "The average push of both ends, each by its own depth", repeated=False,
    )  # fmt: skip
    words = (
        "Average of the usable pushes, each end by its own depth. Symmetrical about the middle: both ends move "
        "together."
    )
    return Figure("bounce", picture, words)


def end_rows(test: BounceTest) -> list[Row]:
    """What, front, rear: medians over the usable pushes, at the wheel."""
    if not test.ends:
        return []
    return [(metric.heading, *(Number(test.ends[end], metric) for end in ENDS)) for metric in PUSH]


DIRECTION_COLUMNS = (
    Column("speed by depth", words=True),
    Column("rear over front (95 %)"),
    Column("rear later [ms]"),
    Column("verdict", words=True),
)


def direction_rows(test: BounceTest) -> list[Row]:
    """Going down and coming up, a row each."""
    return [
        (
            name,
            interval(found.ratio.value, found.ratio.ci95),
            interval(found.rear_later_ms, found.rear_later_ci95_ms, 0),
            found.verdict,
        )
        for name, found in (("going down", test.down), ("coming up", test.up))
    ]


MODE_COLUMNS = (Column("body mode", words=True), Column("[Hz]"), Column("damping ratio"), Column("share [%]"))


def mode_rows(test: BounceTest) -> list[Row]:
    """The free modes: both ends together, or against each other."""
    return [
        (
            "both ends together" if mode.rear_over_front >= 0 else "ends against each other",
            number(mode.frequency_hz, 2),
            Number(mode.damping_ratio, DAMPING),
            number(100 * mode.share),
        )
        for mode in test.modes
    ]


def push_words(test: BounceTest) -> str:
    """How many pushes, and what is wrong with those that were left out."""
    bad = [push for push in test.pushes if push.bad]
    words = f"{count_word(len(test.pushes), 'push', 'pushes')} found, {len(test.pushes) - len(bad)} usable."
    left = "; ".join(f"at {push.start_s:.1f} s: {push.bad}" for push in bad[:MOST_PUSHES])
    return f"{words} Left out {left}." if left else words


def print_bounce(test: BounceTest, notes: Iterable[QualityNote], console: Console) -> None:
    """Print a bounce test: the verdict first, then the numbers."""
    print_document(bounce_document(test, notes), console)


def bounce_html(test: BounceTest, notes: Iterable[QualityNote] = ()) -> str:
    """The bounce test as one self-contained page, fit for a phone."""
    return document_html(bounce_document(test, notes), style=STYLE)
