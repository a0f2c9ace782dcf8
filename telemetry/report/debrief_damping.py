"""What a debrief says of lost damping: the verdict, the events, what one can be seen by, and what was ruled out."""

import numpy as np

from telemetry.damping.oscillation import OscillationEvent
from telemetry.damping.places import clearest
from telemetry.laps import lap_length_m
from telemetry.report import page
from telemetry.report.mirrored import mirrored_response
from telemetry.report.rows_damping import (
    EVENT_COLUMNS,
    GATHERED_COLUMNS,
    REJECTED_COLUMNS,
    course_sentences,
    damping_headline,
    event_rows,
    gathered_rows,
    rejected_rows,
)
from telemetry.summary import Summary

_EVIDENCE = 3  # places whose clearest event has its evidence printed in words


def damping_section(summary: Summary) -> str:
    """Section on lost damping.

    Returns
    -------
    str
        HTML.
    """
    found = summary.oscillation
    length_m = lap_length_m(summary.laps)
    gathered, events = gathered_rows(found.events, length_m), event_rows(found.events)
    rejected, front = rejected_rows(found.rejected, length_m), event_rows(found.front_events)
    shown = clearest(found.events, length_m)[:_EVIDENCE]
    return page.section(
        "Rear damping",
        page.paragraph(f"{damping_headline(found)}."),
        *(page.paragraph(sentence) for sentence in course_sentences(found)),
        page.table(GATHERED_COLUMNS, gathered, words=(0, 1)) if gathered else "",
        page.table(EVENT_COLUMNS, events, words=(0, 1, 2, 9)) if events else "",
        *(page.paragraph(f"{event.start_s:.1f} s: {event.evidence}", "note") for event in shown),
        *(_ringing(event) for event in shown[:1]),
        page.paragraph("The front's stretches:") if front else "",
        page.table(EVENT_COLUMNS, front, words=(0, 1, 2, 9)) if front else "",
        page.table(REJECTED_COLUMNS, rejected, words=(0, 1, 3)) if rejected else "",
        long=len(events) + len(rejected) > 8,
    )


def _ringing(event: OscillationEvent) -> str:
    """Both wheels over the same road while one of them rang; nothing in reviews of older versions."""
    seen = event.seen
    if seen is None or not seen.other_mm:
        return ""
    own, other = np.array(seen.own_mm), np.array(seen.other_mm)
    drawn = mirrored_response(
        seen.step_s * np.arange(len(own), dtype=np.float64),
        other,
        own,
        "s",
        "Travel of both wheels over the same road, 4 to 36 Hz",
    )
    return page.figure(
        f'<div class="half">{drawn}</div>',
        f"From {seen.start_s:.1f} s: travel of both wheels from 4 to 36 Hz, the front's shifted to when the rear met "
        "the same road.",
    )
