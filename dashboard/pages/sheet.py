"""The setup sheet of a run: this bike's adjusters, what differs from the run before, and the changes over its runs."""

from typing import Any

from dash import html

from dashboard.desk.correcting import (
    OF_OUTING,
    Setting,
    difference_words,
    run_before,
    settings_of,
    sheet_fields,
)
from dashboard.pages import forms, parts
from dashboard.pages.parts import Page, Screen
from dashboard.shelf import Shelf
from dashboard.urlstate import View
from telemetry.arrays import ENDS
from telemetry.bike import Bike
from telemetry.logbook import Logbook, RunEntry
from telemetry.setup import worded

PATH = "/sheet"
_SHOWN = 12  # of the changes over the runs, newest first
_TITLES = {"front": "Fork", "rear": "Rear"}


@parts.writes(PATH, "Setup sheet", run="Setup sheet")
def layout(shelf: Shelf, view: View, screen: Screen) -> list[Any]:
    """The sheet of one run."""
    logbook: Logbook = shelf.desk.logbook
    entry = logbook.entry(view.run)
    bike, before = logbook.bike(view.run), run_before(logbook, entry)
    return parts.page(
        PATH,
        View(run=view.run),
        f"Setup sheet of {entry.name or entry.run_id}",
        _difference(logbook, entry, before),
        _form(logbook, entry, before, bike),
        _log_of_changes(logbook, entry),
        shown=True,
    )


def _difference(logbook: Logbook, entry: RunEntry, before: RunEntry | None) -> html.Section:
    if before is None:
        return parts.section("Changed", html.P(f"This is the first run of {entry.bike} here."))
    words = difference_words(logbook.sheet(before.run_id), logbook.sheet(entry.run_id))
    return parts.section(
        "Changed",
        *(html.P(line, className="say" if k == 0 else None) for k, line in enumerate(words)),
        note=f"Against {before.name or before.run_id}, the run before of this motorcycle.",
    )


def _form(logbook: Logbook, entry: RunEntry, before: RunEntry | None, bike: Bike) -> html.Form:
    sheet = logbook.sheet(entry.run_id)
    filled = forms.Filled(sheet_fields(sheet))
    copied = sheet_fields(logbook.sheet(before.run_id)) if before is not None else {}
    settings = settings_of(bike)
    copy = (
        html.P(
            html.Button(
                f"Copy from {before.name or before.run_id}, then change what was changed",
                type="button",
                **{"data-fill": forms.body(**copied)},
            ),
            className="links",
        )
        if before is not None and copied
        else None
    )
    return forms.form(
        f"/write/run/{entry.run_id}/sheet",
        forms.hidden("version", logbook.version(entry.run_id)),
        copy,
        *(
            parts.section(
                _TITLES[end],
                forms.fields(*(_field(filled, one) for one in settings[end] if _at_once(one, filled, bike))),
                html.Details(
                    [
                        html.Summary("More settings"),
                        forms.fields(
                            *(_field(filled, one) for one in settings[end] if not _at_once(one, filled, bike))
                        ),
                    ]
                ),
                note="Beside each field what the bike file has." if end == "front" else None,
            )
            for end in ENDS
        ),
        parts.section(
            "Conditions", forms.fields(*(filled.text(_label(key), f"set.{key}") for key in OF_OUTING))
        ),
        html.P(forms.send("Keep this sheet"), className="links last"),
        name="sheet",
    )


def _at_once(setting: Setting, filled: forms.Filled, bike: Bike) -> bool:
    """Whether a setting is shown without unfolding: an adjuster, or written down already."""
    return bool(setting.hint or setting.of_file or filled.said.get(f"set.{setting.key}"))


def _field(filled: forms.Filled, setting: Setting) -> html.Label:
    if setting.key.endswith((".tyre", ".linkage")):
        return filled.text(setting.label, f"set.{setting.key}")
    return filled.number(setting.label, f"set.{setting.key}", setting.of_file, setting.hint)


def _label(key: str) -> str:
    words, unit = worded(key)
    return f"{words} [{unit}]" if unit else words


def _log_of_changes(logbook: Logbook, entry: RunEntry) -> html.Section:
    runs = [one for one in logbook.runs() if one.bike == entry.bike][: _SHOWN + 1]
    rows = [
        [
            parts.link(parts.run_name(after), PATH, View(run=after.run_id), look="in"),
            " ".join(difference_words(logbook.sheet(before.run_id), logbook.sheet(after.run_id))),
            parts.link("Compare", "/compare", View(run=before.run_id, other=after.run_id), look="in"),
        ]
        for after, before in zip(runs, runs[1:], strict=False)
    ]  # fmt: skip
    if not rows:
        return parts.section(
            "Changes over the runs", html.P("There is only one run of this motorcycle here.")
        )
    title = f"Changes of {entry.bike}, newest first"
    return parts.section(
        "Changes over the runs",
        parts.table(("Run", "Changed before it", ""), rows, title, classes=("", "words", "")),
    )


PAGE = Page(PATH, "Setup sheet", layout)
