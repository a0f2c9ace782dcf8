"""What the rider felt, place by place: asked on the phone, shown beside what the log has there."""

from collections.abc import Sequence
from typing import Any

from dash import html

from dashboard import scene as scenes
from dashboard.pages import forms, parts
from dashboard.pages.parts import Page, Screen
from dashboard.scene import RIDER_WORDS, Scene
from dashboard.shelf import Shelf
from dashboard.urlstate import View
from telemetry.laps import Placed
from telemetry.logbook import FELT, RiderWord, by_place
from telemetry.summary import laps_words, times

PATH = "/felt"


@parts.writes(PATH, "What the rider felt", run="What the rider felt")
def layout(shelf: Shelf, view: View, screen: Screen) -> list[Any]:
    """Every corner with what the log has there, and what the rider says of it; the worst places first."""
    scene = scenes.open_scene(shelf, View(run=view.run, lap="whole"))
    said = by_place(shelf.desk.logbook.rider_words(view.run))
    corners = scene.summary.corners
    worst = sorted(corners, key=lambda corner: (-len(_events(scene, corner.number)), corner.number))
    numbered: list[int | None] = [*(corner.number for corner in worst), None]
    laps = [("", "every lap"), *((str(lap.lap), f"lap {lap.lap}") for lap in scene.summary.laps)]
    return parts.page(
        PATH,
        View(run=view.run),
        "What the rider felt",
        html.P(parts.link("Back to the map", "/rider", View(run=view.run))),
        html.Ul([_place(view.run, scene, corner, said.get(corner, ()), laps) for corner in numbered], className="felt"),
        shown=True,
    )  # fmt: skip


def _place(
    run_id: str, scene: Scene, corner: int | None, said: Sequence[RiderWord], laps: Sequence[tuple[str, str]]
) -> html.Li:
    to = f"/write/rider/{run_id}"
    number = "" if corner is None else str(corner)
    buttons = [
        forms.act(
            words.capitalize(), to, body=forms.body(corner=number, felt=felt), pressed=_last(said, felt)
        )
        for felt, words in FELT.items()
        if felt and corner is not None
    ]
    sentence = forms.form(
        to,
        forms.hidden("corner", number),
        forms.fields(
            forms.text("In a sentence", "text", ""),
            forms.select("Lap", "lap", laps, ""),
            forms.send("Say it", strong=False),
        ),
        name=f"say-{number or 'else'}",
    )
    return html.Li(
        [
            html.H2(f"Corner {number}" if number else "Anything else"),
            *(html.P(words, className="note") for words in _data_words(scene, corner)),
            html.Div(buttons, className="links") if buttons else None,
            *(html.P(_answer_words(word), className="said") for word in said),
            sentence,
        ]
    )


def _last(said: Sequence[RiderWord], felt: str) -> str:
    """Whether an answer is the rider's last one here, as `aria-pressed` has it."""
    answers = [word.felt for word in said if word.felt]
    return "true" if answers and answers[-1] == felt else "false"


def _answer_words(word: RiderWord) -> str:
    where = f"lap {word.lap}: " if word.lap is not None else ""
    return where + "; ".join(
        part for part in (FELT[word.felt], f"“{word.text}”" if word.text else "") if part
    )


def _events(scene: Scene, corner: int | None) -> list[tuple[str, Placed]]:
    """What the log has at a corner, with its words."""
    found: list[tuple[str, Placed]] = [
        (f"{stop.end} {RIDER_WORDS[stop.kind]}", stop) for stop in scene.stops if stop.kind == "bottomed"
    ]
    found += [(f"rear {RIDER_WORDS['unsettled']}", event) for event in scene.oscillations]
    found += [(f"front {RIDER_WORDS['unsettled']}", event) for event in scene.front_oscillations]
    return [(words, event) for words, event in found if event.corner == corner]


def _data_words(scene: Scene, corner: int | None) -> list[str]:
    found = _events(scene, corner)
    said = []
    for words in dict.fromkeys(words for words, _ in found):
        laps = sorted({event.lap for one, event in found if one == words and event.lap is not None})
        count = sum(one == words for one, _ in found)
        on = laps_words(tuple(laps)) if laps else ""
        said.append(f"The log: {words} {times(count)}{f', on {on}' if on else ''}.")
    return said


def rider_section(shelf: Shelf, run_id: str) -> html.Section | None:
    """What the rider said of a run, beside what the log has there: for the engineer's page; None when nothing."""
    if not shelf.writes:
        return None
    words = shelf.desk.logbook.rider_words(run_id)
    ask = parts.link("Ask the rider", PATH, View(run=run_id))
    if not words:
        return parts.section("The rider", html.P(ask), name="rider-said")
    scene = scenes.open_scene(shelf, View(run=run_id, lap="whole"))
    rows = [
        [
            "elsewhere" if corner is None else f"Corner {corner}",
            html.Ul([html.Li(_answer_words(word)) for word in said], className="plain"),
            " ".join(_data_words(scene, corner)) or "The log: nothing unusual.",
        ]
        for corner, said in by_place(words).items()
    ]
    head = ("Place", "The rider", "The log")
    table = parts.table(head, rows, "What the rider said", classes=("", "words", "words"), unseen=True)
    return parts.section("The rider", table, html.P(ask), name="rider-said")


PAGE = Page(PATH, "What the rider felt", layout)
