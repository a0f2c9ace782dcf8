"""The bar of one run, always in view: runs, laps with their events, corners, where and along what it is measured."""

from collections import Counter
from collections.abc import Sequence
from typing import Any

from dash import html

from dashboard.pages import parts
from dashboard.urlstate import View, to_query
from dashboard.words import lap_name
from telemetry.logbook import RunEntry
from telemetry.report import Places, quickest_lap
from telemetry.summary import LapSummary, Summary

# More dots than this on one lap are written as a number.
_MOST_DOTS = 4


def run_bar(
    path: str,
    runs: Sequence[RunEntry],
    summary: Summary,
    view: View,
    lap: LapSummary | None,
    start: LapSummary | None,
    *,
    places: bool = True,
) -> html.Div:
    """The bar for a page of one run; ``places`` adds laps, corners and how travel is drawn."""
    inner: list[Any] = [_run_steps(path, runs, view)]
    if places:
        inner += [
            _laps(summary, lap, start),
            corner_strip(summary),
            parts.either("", "at", (("wheel", "wheel"), ("shaft", "shaft")), view.plane),
            parts.either("", "against", (("distance", "distance"), ("time", "time")), view.against),
        ]
    return html.Div(inner, className="bar ways", role="group", **{"aria-label": "What is shown"})


def _run_steps(path: str, runs: Sequence[RunEntry], view: View) -> html.Div:
    """The list of runs with the way to its neighbours, and who rode, when and on what."""
    ids = [entry.run_id for entry in runs]
    at = ids.index(view.run) if view.run in ids else None
    entry = None if at is None else runs[at]

    def step(other: int, words: str, sign: str, name: str) -> html.A | html.Span:
        if at is None or not 0 <= other < len(runs):
            return html.Span(sign, className="step", **{"aria-hidden": "true"})
        to = path + to_query(View(run=ids[other], plane=view.plane, against=view.against))
        label = f"{words}: {parts.run_name(runs[other])}"
        return html.A(sign, href=to, id=name, className="in step", title=label, **{"aria-label": label})

    about = [] if entry is None else [entry.date, entry.rider, entry.tyres]
    said = " · ".join(words for words in about if words)
    # the newest is on top of the list: the next one in time is before it there
    return html.Div(
        [
            step(-1 if at is None else at + 1, "Run before", "‹", "run-before"),
            parts.run_choice(runs, view.run, label=""),
            step(-1 if at is None else at - 1, "Run after", "›", "run-after"),
            html.Span(said, className="about", title=said) if said else None,
        ],
        className="runs-of",
    )


def _laps(summary: Summary, lap: LapSummary | None, start: LapSummary | None) -> Any:
    """A block a lap: its height is the time, dots are what happened on it."""
    if not summary.laps:
        return None
    times = [one.time_s for one in summary.laps if one.complete] or [one.time_s for one in summary.laps]
    low, high = min(times), max(times)
    happened = Counter(event.lap for event in _events(summary))
    quickest = quickest_lap(summary)
    chosen = None if lap is None else lap.lap

    def block(one: LapSummary) -> html.Button:
        share = 0.45 + 0.55 * (one.time_s - low) / (high - low) if high > low else 0.7
        count = happened[one.lap]
        words = lap_name(one) + (", quickest" if one is quickest else "")
        words += f"; {count} bottomed or not settled" if count else ""
        dots = "" if not count else "•" * count if count <= _MOST_DOTS else f"•{count}"
        return _pressed(
            [
                html.Span(
                    className="high",
                    style={"height": f"{100 * min(max(share, 0.2), 1.0):.0f}%"},
                    **{"aria-hidden": "true"},
                ),
                html.Span(dots, className="dots", **{"aria-hidden": "true"}),
                html.Span(str(one.lap), className="no"),
            ],
            str(one.lap),
            one.lap == chosen,
            words,
            "" if one.complete else "in-part",
        )

    every = _pressed("all", "whole", lap is None, "The whole run", "")
    return html.Div(
        [every, *map(block, summary.laps)],
        className="strip laps",
        role="group",
        **{
            "aria-label": "Laps",
            "data-strip": "lap",
            "data-start": "whole" if start is None else str(start.lap),
        },
    )


def _pressed(content: Any, value: str, on: bool, words: str, look: str) -> html.Button:
    return html.Button(
        content,
        className=look or None,
        title=words,
        **{
            "data-choose": "lap",
            "data-value": value,
            "aria-label": words,
            "aria-pressed": "true" if on else "false",
        },
    )


def _events(summary: Summary) -> list[Any]:
    stops = [stop for end in summary.ends.values() for stop in end.bottomed]
    return [*stops, *summary.oscillation.events, *summary.oscillation.front_events]


def corner_strip(summary: Summary) -> Any:
    """A button a corner, which shows it with its braking and drive."""
    if not summary.corners:
        return None
    places = Places(summary)
    buttons = []
    for corner in summary.corners:
        low, high = places.corner_span_m(corner)
        words = f"Corner {corner.number}" + (f", {corner.name}" if corner.name else "")
        buttons.append(
            html.Button(
                str(corner.number),
                title=words,
                **{"data-from": f"{low:.9g}", "data-to": f"{high:.9g}", "data-corner": str(corner.number),
                   "aria-label": words, "aria-pressed": "false"},
            )
        )  # fmt: skip
    return html.Div(
        [html.Span("corner", className="label", **{"aria-hidden": "true"}), *buttons],
        className="strip corners",
        role="group",
        **{"aria-label": "Corners"},
    )
