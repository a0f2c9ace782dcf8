"""The bounce test as a page for a phone: the verdict, the picture, the numbers."""

from collections.abc import Iterable

import numpy as np

from telemetry.arrays import ENDS
from telemetry.balance.bounce import BounceTest
from telemetry.findings_balance import bounce_advice
from telemetry.notes import QualityNote
from telemetry.report import page
from telemetry.report.bounce import (
    DIRECTION_COLUMNS,
    MODE_COLUMNS,
    direction_rows,
    end_rows,
    mode_rows,
    push_words,
)
from telemetry.report.mirrored import mirrored_response
from telemetry.report.words import note_words

STYLE = """
body { font-size: 12pt; } svg { font-size: 12px; } svg .tick, svg .quiet { font-size: 11px; }
svg .trace { stroke-width: 2; } ol.verdicts { font-size: 14pt; }
"""


def bounce_html(test: BounceTest, notes: Iterable[QualityNote] = ()) -> str:
    """The bounce test as one self-contained page, fit for a phone.

    Parameters
    ----------
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
        page.items([*test.sentences, *filter(None, [bounce_advice(test)])], "verdicts", ordered=True),
    ]
    if test.picture is not None:
        body.append(
            page.figure(
                mirrored_response(
                    np.array(test.picture.t_s),
                    np.array(test.picture.front),
                    np.array(test.picture.rear),
                    "s",
                    "The average push of both ends, each by its own depth",
                ),
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
