"""The bounce test as a page for a phone: the verdict, the picture, the numbers."""

from collections.abc import Iterable

import numpy as np

from telemetry.arrays import ENDS
from telemetry.balance.bounce import BouncePicture, BounceTest
from telemetry.notes import QualityNote
from telemetry.report import page, svg
from telemetry.report.bounce import (
    DIRECTION_COLUMNS,
    MODE_COLUMNS,
    direction_rows,
    end_rows,
    mode_rows,
    push_words,
)
from telemetry.report.words import note_words

WIDTH, HEIGHT = 360.0, 330.0
LEFT, RIGHT, TOP, BOTTOM, MIDDLE, GAP = 14.0, 350.0, 26.0, 292.0, 159.0, 9.0
STYLE = """
body { font-size: 12pt; } svg { font-size: 12px; } svg .tick, svg .quiet { font-size: 11px; }
svg .trace { stroke-width: 2; } ol.verdicts { font-size: 14pt; }
"""


def bounce_picture(picture: BouncePicture) -> str:
    """The average push of both ends, front above the middle and rear below, both measured outwards by their depth.

    Parameters
    ----------
    picture : BouncePicture

    Returns
    -------
    str
        SVG; ends that go down and come up together draw a symmetrical picture.
    """
    t = np.array(picture.t_s)
    x = svg.Scale(float(t[0]), float(t[-1]), LEFT, RIGHT)
    lowest = min(-0.1, *picture.front, *picture.rear)
    reach = (MIDDLE - GAP - TOP) / (1.05 - lowest)
    body = []
    for name, values, side in (("front", picture.front, -1.0), ("rear", picture.rear, 1.0)):
        base = MIDDLE + side * (GAP - lowest * reach)  # where the end rests
        y = base + side * reach * np.array(values)
        body += [
            svg.element("path", d=svg.area_path(x.array(t), y, base), class_=f"{name} area"),
            svg.line(LEFT, base, RIGHT, base, class_="zero"),
            svg.element("path", d=svg.trace_path(x.array(t), y), class_=f"{name} trace"),
            svg.text(RIGHT, base + (-5 if side > 0 else 13), "at rest", class_="quiet", text_anchor="end"),
        ]  # fmt: skip
    body += [
        svg.text(LEFT, TOP - 10, "front: pushed down is up here", class_="front name"),
        svg.text(LEFT, BOTTOM + 14, "rear: pushed down is down here", class_="rear name"),
        svg.line(x(0.0), TOP, x(0.0), BOTTOM, class_="grid"),
    ]
    for value in svg.ticks(x.low, x.high, 5):
        body.append(svg.text(x(value), MIDDLE + 4, f"{value:g} s", text_anchor="middle", class_="tick"))
    return svg.picture(WIDTH, HEIGHT, "The average push of both ends, each by its own depth", body)


def bounce_html(test: BounceTest, notes: Iterable[QualityNote] = ()) -> str:
    """The bounce test as one self-contained page, fit for a phone.

    Parameters
    ----------
    test : BounceTest
    notes : iterable of QualityNote
        Of the log.

    Returns
    -------
    str
        HTML without scripts or anything from outside.
    """
    body = [
        f"<style>{STYLE}</style>",
        "<h1>Bounce test</h1>",
        page.paragraph(f"{test.bike}: {test.source}", "meta"),
        page.items(test.sentences, "verdicts", ordered=True),
    ]
    if test.picture is not None:
        body.append(
            page.figure(
                bounce_picture(test.picture),
                "Average of the usable pushes, each end by its own depth. Symmetrical about the middle: both ends move "
                "together.",
            )
        )
    body.append(page.paragraph(push_words(test)))
    body.append(page.caution(test.caution))
    if test.ends:
        body += [
            page.section("Both ends, at the wheel, median push", page.table(("", *ENDS), end_rows(test))),
            page.section("Together?", page.table(DIRECTION_COLUMNS, direction_rows(test), words=(0, 3))),
        ]
    if test.modes:
        body.append(page.section("Swinging free", page.table(MODE_COLUMNS, mode_rows(test))))
    found = [note_words(note) for note in notes]
    if found:
        body.append(page.section("The log itself", page.items(found)))
    return page.document(f"Bounce test: {test.bike}", body)
