"""Correct a run: its texts, which laps count, columns, start line, bike file; its history and the bin."""

from typing import Any

import numpy as np
from dash import html

from dashboard.desk.correcting import column_choice, history_of
from dashboard.pages import forms, parts
from dashboard.pages.add import MEANING_WORDS, WORDS_OF_RUN
from dashboard.pages.parts import Page, Screen
from dashboard.shelf import Shelf
from dashboard.urlstate import View
from telemetry.errors import BothEndsError
from telemetry.logbook import Logbook, RunEntry
from telemetry.report import thinned
from telemetry.review import KEYS, positions_deg, with_columns
from telemetry.summary import Summary, lap_time

PATH = "/edit"
_MAP_WIDTH = 600.0


@parts.writes(PATH, "Change this run", run="Change a run")
def layout(shelf: Shelf, view: View, screen: Screen) -> list[Any]:
    """The forms of one run."""
    logbook: Logbook = shelf.desk.logbook
    entry, version = logbook.entry(view.run), logbook.version(view.run)
    if not version:
        newest = logbook.history(view.run)[-1]
        words = (
            f"This is an earlier version of {newest.name or newest.run_id}; only the newest can be changed."
        )
        return parts.problem(PATH, view, "An earlier version", words, [newest])
    summary = shelf.summary(view.run)
    return parts.page(
        PATH,
        View(run=view.run),
        f"Change {entry.name or entry.run_id}",
        _words(entry, version),
        html.P(
            [
                parts.link("Review", "/", View(run=entry.run_id)),
                parts.link("Setup sheet", "/sheet", View(run=entry.run_id)),
            ],
            className="links",
        ),
        _again(logbook, entry, version, summary, screen),
        _history(logbook, entry, version),
        shown=True,
    )


def _words(entry: RunEntry, version: str) -> html.Form:
    said = {f"run.{word}": getattr(entry, word) for _, word, _ in WORDS_OF_RUN}
    filled = forms.Filled({**said, "run.notes": entry.notes})
    return forms.form(
        f"/write/run/{entry.run_id}/words",
        forms.hidden("version", version),
        parts.section(
            "Details of the run",
            forms.fields(
                *(filled.text(label, f"run.{word}", example) for label, word, example in WORDS_OF_RUN)
            ),
            filled.area("Notes", "run.notes", rows=4),
            html.P(forms.send("Keep"), className="links"),
        ),
        name="words",
    )


def _again(logbook: Logbook, entry: RunEntry, version: str, summary: Summary, screen: Screen) -> html.Form:
    run_id = entry.run_id
    bike = logbook.store.bike(run_id).read_text(encoding="utf-8")
    return forms.form(
        f"/write/run/{run_id}/again",
        forms.hidden("version", version),
        _laps(logbook, run_id, summary),
        _columns(logbook, run_id),
        _start_line(logbook, run_id, screen),
        parts.section(
            "Bike file",
            html.Details(
                [
                    html.Summary("Show and change it"),
                    forms.area("Bike file, as text", "bike.text", bike, rows=22),
                    html.Div(id="choose-bike-file", **{"data-into": "bike.text"}),
                ]
            ),
            html.P(html.A("Save a copy", href=f"/bike/{run_id}", download="bike.toml", className="button")),
            note="Checked before the run is made again with it. This run only; the one before stays in its history.",
        ),
        html.P(forms.send("Review again with these changes", name="again"), className="links last"),
        name="review-again",
    )


def _laps(logbook: Logbook, run_id: str, summary: Summary) -> html.Section:
    cut = logbook.store.cut(run_id)
    rows = [
        [
            f"Lap {lap.lap}",
            lap_time(lap.time_s),
            lap.kind,
            forms.tick(f"Lap {lap.lap} counts", f"laps.{lap.lap}", on=lap.lap not in cut.leave_out),
        ]
        for lap in summary.laps
    ]
    filled = forms.Filled(
        {"cut.why": cut.why, "cut.from_s": _seconds(cut.from_s), "cut.to_s": _seconds(cut.to_s)}
    )
    head = ("Lap", "Time", "Kind", "Counts")
    return parts.section(
        "Laps that count",
        parts.table(head, rows, "Laps of this run", classes=("", "n", "", ""), unseen=True),
        filled.text("Why a lap does not count", "cut.why", "rain on the far side"),
        forms.fields(
            filled.number("The log counts from [s]", "cut.from_s"), filled.number("up to [s]", "cut.to_s")
        ),
        note="A lap that does not count is in no mean, comparison or trend.",
    )  # fmt: skip


def _seconds(value: float | None) -> str:
    return "" if value is None else f"{value:g}"


def _columns(logbook: Logbook, run_id: str) -> html.Section:
    try:
        names, known = list(logbook.log(run_id).columns), column_choice(logbook, run_id)
    except BothEndsError as error:
        return parts.section("Columns", html.P(str(error)))
    ends = [end for end in ("front", "rear") if logbook.bike(run_id).end(end).sensor is not None]
    options = [("", "none"), *((name, name) for name in names)]
    lists = [
        forms.select(MEANING_WORDS[key], f"column.{key}", options, known.get(key, ""))
        for key in (*ends, *KEYS)
    ]
    return parts.section("Columns", forms.fields(*lists), note="Which column of the log is which.")


def _start_line(logbook: Logbook, run_id: str, screen: Screen) -> Any:
    """The ride seen from above, to click on; where the log has no position there is nothing to choose."""
    try:
        log = logbook.log(run_id)
        bike = with_columns(logbook.bike(run_id), log, logbook.store.channels(run_id))
        positions = positions_deg(bike, log)
    except BothEndsError:
        return None
    if positions is None:
        return None
    latitude, longitude = positions
    narrow = float(np.cos(np.radians(latitude.mean())))
    east, north = (longitude - longitude.min()) * narrow, latitude - latitude.min()
    width, height = float(np.ptp(east)), float(np.ptp(north))
    if min(width, height) <= 0:
        return None
    at, _ = thinned(np.arange(len(east), dtype=float), east, 1500)
    rows = at.astype(int)
    scale = _MAP_WIDTH / width
    places = zip(scale * east[rows], scale * (height - north[rows]), strict=True)
    path = "M" + " ".join(f"{x:.1f},{y:.1f}" for x, y in places)
    picture = forms.trace_picture(
        path, round(_MAP_WIDTH), round(scale * height), "Ride from above", screen.theme.ink
    )
    bounds = f"{latitude.max()} {latitude.min()} {longitude.min()} {longitude.max()}"
    return parts.section(
        "Start line",
        html.P("Click where the laps are to begin, or type it; empty leaves it as it is.", className="note"),
        html.Div(
            [picture, html.Div(className="spot", hidden=True)],
            className="map-picker",
            style={"aspectRatio": f"{_MAP_WIDTH:.0f} / {max(scale * height, 1):.0f}"},
            **{"data-into": "start_line", "data-bounds": bounds},
        ),
        forms.text("Latitude and longitude [deg]", "start_line", ""),
    )


def _history(logbook: Logbook, entry: RunEntry, version: str) -> html.Section:
    rows = [
        html.Li(
            [
                html.Span(f"{step.at[:16].replace('T', ' ')} UTC: {step.what}. "),
                forms.act(
                    "Undo",
                    f"/write/run/{entry.run_id}/back",
                    body=forms.body(to=step.back_to, version=version),
                )
                if step.back_to
                else None,
            ],
            className="links",
        )
        for step in history_of(logbook, entry.run_id)
    ]
    away = forms.act(
        "Move this run to the bin",
        f"/write/run/{entry.run_id}/bin",
        sure=f"Move {entry.name or entry.run_id} to the bin? It can be put back.",
        body=forms.body(version=version),
    )
    return parts.section(
        "History",
        html.Ul(rows, className="plain"),
        html.P([away, parts.link("What is in the bin", "/bin")], className="links"),
        note="Undo makes the run as it was before that step; nothing of later steps is lost.",
    )


PAGE = Page(PATH, "Change a run", layout)
