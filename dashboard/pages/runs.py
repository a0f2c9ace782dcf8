"""The runs of the logbook, each with its first verdict and the way to its pages."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from dash import html

from dashboard.pages import forms, parts
from dashboard.pages.parts import Screen
from dashboard.shelf import Shelf
from dashboard.urlstate import View, to_query
from telemetry.arrays import ENDS, End
from telemetry.errors import LogbookError
from telemetry.findings import DOUBTFUL, LOST, NO_SUDDEN, NOT_JUDGED, nothing_asks
from telemetry.logbook import RunEntry
from telemetry.summary import count_word, lap_time, limits_words

PATH = "/runs"
# Verdicts are read for this many runs; a longer list would make the page wait for its last line.
_WITH_VERDICT = 40


def layout(shelf: Shelf, view: View, screen: Screen) -> list[Any]:
    """All runs, as the logbook orders them."""
    runs, damaged = list(shelf.runs()), _damaged(shelf.left_out())
    if not runs and damaged is not None:
        return parts.page(PATH, View(), "No run can be shown", damaged)
    if not runs:
        return parts.page(
            PATH,
            View(),
            "No runs yet",
            html.Section(
                [
                    html.P("This logbook is empty."),
                    html.P(html.A("Add a log", href="/add", className="in button"), className="links"),
                    html.P("Or in a terminal:"),
                    html.Pre("bothends add LOG.csv --bike BIKE.toml"),
                ],
                className="part alone",
            ),
        )
    return parts.page(
        PATH,
        view,
        "Runs",
        _demo(shelf),
        _dangers(runs),
        *([damaged] if damaged is not None else []),
        html.Ol(
            [_run(shelf, runs, place, place < _WITH_VERDICT) for place in range(len(runs))],
            className="runs",
        ),
    )


def _demo(shelf: Shelf) -> Any:
    """Beside demo data: the one click to a logbook of one's own."""
    if shelf.desk is None or not shelf.desk.is_demo:
        return None
    start = forms.act("Start your own logbook", "/write/logbook")
    return html.P(["These runs are demo data. ", start], className="links demo")


def _damaged(homes: Sequence[Path]) -> html.Section | None:
    """Which runs are there but cannot be shown, and what to do; nothing when all can."""
    if not homes:
        return None
    count = count_word(len(homes), "run cannot be shown, its record is damaged",
                       "runs cannot be shown, their records are damaged")  # fmt: skip
    named = ", ".join(str(home) for home in homes[:5]) + (" and others" if len(homes) > 5 else "")
    return html.Section(
        [
            html.P(f"{count}: {named}."),
            html.P("What is wrong and what to do:"),
            html.Pre("bothends logbook verify LOGBOOK"),
        ],
        className="part alone",
        role="alert",
    )


def _dangers(runs: Sequence[RunEntry]) -> Any:
    """The runs with a damper suspected or in doubt, wherever they stand in the list."""
    said: list[Any] = []
    for answer, words in ((LOST, "Suspected loss of {} damping"), (DOUBTFUL, "The {} damping is in doubt")):
        for end in reversed(ENDS):
            there = [entry for entry in runs if _answers(entry)[end] == answer]
            if there:
                said += [
                    html.B(f"⚠ {words.format(end)}"),
                    html.Ul([html.Li(_link(entry)) for entry in there]),
                ]
    return html.Div(said, className="caution", role="note") if said else None


def _link(entry: RunEntry) -> html.A:
    return html.A(parts.run_name(entry), href="/" + to_query(View(run=entry.run_id)), className="in")


def _answers(entry: RunEntry) -> dict[End, str]:
    """What is said of each damper; a run added by an older version has only the rear's verdict."""
    of_verdict = {"yes": LOST, "no": NO_SUDDEN}.get(entry.oscillation, NOT_JUDGED)
    return {"front": entry.front_damper or "not known", "rear": entry.rear_damper or of_verdict}


def _run(shelf: Shelf, runs: Sequence[RunEntry], place: int, with_verdict: bool) -> html.Li:
    entry = runs[place]
    query = to_query(View(run=entry.run_id))
    quickest = "" if entry.quickest_lap_s is None else f", quickest {lap_time(entry.quickest_lap_s)}"
    laps = f"{entry.laps} complete {'lap' if entry.laps == 1 else 'laps'}{quickest}"
    outing = entry.outing and f"outing {entry.outing}"
    about = (entry.date, entry.place, entry.bike, entry.rider, outing, laps)
    said = _answers(entry)
    before = runs[place + 1] if place + 1 < len(runs) else None
    links = [
        html.A("Review", href="/" + query, className="in button"),
        html.A("Rider", href="/rider" + query, className="in button"),
        html.A("Debrief", href=f"/debrief/{entry.run_id}", target="_blank", className="button"),
    ]
    if shelf.desk is not None and shelf.desk.writes:
        ways = (("/edit", "Change"), ("/sheet", "Setup sheet"), ("/stand", "Stand"), ("/try", "Try"))
        links += [html.A(words, href=path + query, className="in button") for path, words in ways]
    if before is not None:
        to = to_query(View(run=before.run_id, other=entry.run_id))
        links.append(
            html.A(
                f"Compare with {before.name or before.run_id}", href="/compare" + to, className="in button"
            )
        )
    return html.Li(
        [
            html.H2(html.A(entry.name or entry.run_id, href="/" + query, className="in")),
            html.P(" · ".join(part for part in about if part), className="note"),
            html.P(f"Dampers: rear {said['rear']}, front {said['front']}.", className="note"),
            *(_said(shelf, entry.run_id) if with_verdict else ()),
            html.P(entry.notes) if entry.notes else None,
            html.Div(links, className="links"),
        ]
    )


def _said(shelf: Shelf, run_id: str) -> list[html.P]:
    """The first verdict, and what is worth trying; why not, when the review cannot be read."""
    try:
        summary = shelf.summary(run_id)
    except LogbookError as error:
        return [html.P(str(error))]
    tries = "; ".join(found.title for found in summary.findings)
    said = [html.P(words, className="say") for words in summary.verdicts[:1]]
    said += [html.P(words) for words in limits_words(summary.ends)]
    if tries:
        return [*said, html.P([html.B("What stands out: "), f"{tries}."])]
    return [*said, html.P(nothing_asks(summary)[0])]
