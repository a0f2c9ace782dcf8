"""Where a wheel was not settled: the detector's answer, each event, what it can be seen by, and what was not called."""

from typing import Any

from dash import html

from dashboard.figures.ringing import ringing_spectrum, ringing_trace
from dashboard.pages import parts
from dashboard.scene import Scene
from dashboard.theme import Theme
from dashboard.words import event_place
from telemetry.damping.oscillation import OscillationEvent
from telemetry.damping.places import clearest
from telemetry.damping.verdict import limit_sentence
from telemetry.report.rows_damping import (
    GATHERED_COLUMNS,
    NARROW_EVENT_COLUMNS,
    REJECTED_COLUMNS,
    damping_headline,
    event_rows,
    gathered_rows,
    rejected_rows,
)

_EVENT_CLASSES = ("", "n", "", "n", "n", "n", "n", "")
# Pictures of so many events at most, the clearest of each place first: each is two graphs.
_MOST_SEEN = 4


def settled(scene: Scene, theme: Theme) -> list[Any]:
    """The verdict on the whole run, and the events of the lap or run that is shown."""
    answer = scene.summary.oscillation
    limit = "" if answer.verdict == "no" else limit_sentence(answer.limits)  # otherwise the reason has it
    gathered = gathered_rows(scene.oscillations, scene.lap_length_m)
    return [
        html.P(html.B(f"{damping_headline(answer)}.")),
        html.P(limit, className="note") if limit else None,
        parts.table(
            GATHERED_COLUMNS, gathered, "Places where the rear was not settled", classes=("", "", "n", "n", "n", "n")
        )
        if gathered
        else None,
        *_events(scene.oscillations, "Where the rear was not settled", folded=bool(gathered)),
        *_evidence(scene.oscillations, scene.lap_length_m, theme),
        *_events(scene.front_oscillations, "Where the front rang", folded=True),
        _rejected(scene),
    ]  # fmt: skip


def _events(events: tuple[OscillationEvent, ...], caption: str, *, folded: bool) -> list[Any]:
    if not events:
        return []
    found = parts.table(
        NARROW_EVENT_COLUMNS, event_rows(events, narrow=True), caption, classes=_EVENT_CLASSES
    )
    return [html.Details([html.Summary(f"{caption}, one by one"), found]) if folded else found]


def _rejected(scene: Scene) -> Any:
    """What looked like it at first: a detector that says what it ruled out can be argued with."""
    rows = rejected_rows(scene.rejected, scene.lap_length_m)
    if not rows:
        return None
    caption = "Looked like it at first, and had another cause"
    return html.Details(
        [
            html.Summary(f"{caption} ({len(scene.rejected)})"),
            parts.table(REJECTED_COLUMNS, rows, caption, classes=("", "", "n", "")),
        ]
    )


def _evidence(events: tuple[OscillationEvent, ...], lap_length_m: float | None, theme: Theme) -> list[Any]:
    """What the clearest of each place can be seen by, and what it was asked; nothing for reviews of older versions."""
    told = tuple(event for event in events if event.seen is not None)
    shown = clearest(told, lap_length_m)[:_MOST_SEEN]
    return [_seen(event, i, theme) for i, event in enumerate(shown)]


def _seen(event: OscillationEvent, index: int, theme: Theme) -> Any:
    seen = event.seen
    assert seen is not None
    lap = "" if event.lap is None else f", lap {event.lap}"
    return html.Details(
        [
            html.Summary(f"What it can be seen by: {event_place(event)}{lap}"),
            html.P(event.evidence),
            parts.graph(
                f"ring-trace-{index}",
                ringing_trace(seen, theme),
                "low",
                "Travel of both wheels over the same road, 4 to 36 Hz: front above, rear below.",
            ),
            html.P(
                "Travel from 4 to 36 Hz, the front's shifted to when the rear met the same road.",
                className="note",
            ),
            parts.graph(
                f"ring-spectrum-{index}",
                ringing_spectrum(seen, theme),
                "low",
                "Density of the rear's travel by frequency, as it was and with healthy damping.",
            ),
            html.P(
                "The rear as it was; dashed: on that road with the damping of the outing.", className="note"
            ),
            html.Ul([html.Li([html.B(f"{check.question} "), check.answer]) for check in event.checks]),
        ]
    )
