"""Whether a log can be trusted: its faults, what was done to it, and the values its numbers rest on."""

from typing import Any

from dash import html

from dashboard.pages import parts
from telemetry.arrays import ENDS
from telemetry.notes import QualityNote, Step
from telemetry.summary import Summary
from telemetry.wording import laps_from, number, percent, sentence

SEVERITY = {"refused": "✕ Cannot tell", "warning": "! Warning", "info": "Note"}


def quality(summary: Summary) -> list[Any]:
    """How the log was made, what is wrong with it, what was done to it, and which values numbers rest on."""
    run = summary.run
    distance = "" if run.distance_m is None else f", {number(run.distance_m / 1000, 1, 'km')}"
    valid = "; ".join(
        f"{end} usable {percent(summary.ends[end].valid_share, 1)} of the time"
        if summary.ends[end].judged
        else f"{end} not judged"
        for end in ENDS
    )
    how = (
        f"{run.source}: {number(run.duration_s)} s{distance}, {number(run.sample_rate_hz)} Hz, "
        f"{laps_from(run.lap_source)}. {sentence(valid)}."
    )
    notes = html.Ul([_note(note) for note in summary.quality], className="notes")
    return [
        html.P(how),
        notes if summary.quality else html.P("Nothing was found wrong with the log."),
        html.Details(
            [
                html.Summary("What was done to the data, and the bike-file values the numbers rest on"),
                html.Ol([html.Li(_step(step)) for step in summary.history]) if summary.history else None,
                parts.table(
                    ("bike file", "value"),
                    [(key, f"{value:g}") for key, value in summary.bike_values.items()],
                    "Bike-file values",
                    classes=("", "n"),
                )
                if summary.bike_values
                else None,
            ]
        ),
    ]


def _note(note: QualityNote) -> html.Li:
    where = "" if note.start_s is None else f" From {number(note.start_s, 1)} s"
    where += "" if note.end_s is None else f" to {number(note.end_s, 1)} s."
    channel = f"[{note.channel}] " if note.channel else ""
    return html.Li(
        [html.B(f"{SEVERITY[note.severity]}. "), f"{channel}{note.message}{where}"], className=note.severity
    )


def _step(step: Step) -> str:
    settings = ", ".join(f"{key} {value}" for key, value in step.settings.items())
    return f"{step.name}: {settings}" if settings else step.name
