"""At the stand: sags as measured, changes with this bike's adjusters, what they do, and what to measure again."""

from typing import Any
from urllib.parse import quote

import flask
from dash import Dash, html

from dashboard.desk.correcting import settings_of
from dashboard.pages import forms, parts
from dashboard.pages.parts import Page, Screen
from dashboard.printer import Printer
from dashboard.shelf import Shelf
from dashboard.units import chosen
from dashboard.urlstate import View, parse, to_query
from telemetry.arrays import ENDS
from telemetry.bike import Bike
from telemetry.errors import BikeFileError
from telemetry.logbook import MOST_LETTERS
from telemetry.report import stand_document, stand_html, stand_picture
from telemetry.stand import Recheck, StandResult, at_stand, parse_change

PATH = "/stand"
_SAGS = (("free_sag_mm", "free sag"), ("static_sag_mm", "static sag"), ("rider_sag_mm", "rider sag"))
_TARGETS = (
    ("front.rider_sag_mm", "Front rider sag [mm]"),
    ("rear.rider_sag_mm", "Rear rider sag [mm]"),
    ("rake_deg", "Rake [deg]"),
    ("trail_mm", "Trail [mm]"),
)


@parts.writes(
    PATH, "At the stand", words="This needs the bike file of a run in a logbook.", run="At the stand"
)
def layout(shelf: Shelf, view: View, screen: Screen) -> list[Any]:
    """The form, and what it gives."""
    logbook = shelf.desk.logbook
    bike = logbook.bike(view.run)
    try:
        shown = _shown(stand_of(bike, view.stand), view, screen, logbook.ticks(view.run))
    except BikeFileError as error:
        shown = [html.P(" ".join(error.faults) or str(error), className="fault", role="alert")]
    return parts.page(PATH, View(run=view.run), "At the stand", _form(bike, view), *shown, shown=True)


def items_of(stand: str, letter: str) -> list[str]:
    """What an address asks of the stand: "c" changes, "m" measured sags, "t" targets, as ``key=value``."""
    return [item[2:] for item in stand.split(",") if item.startswith(f"{letter}:")]


def stand_of(bike: Bike, stand: str) -> StandResult:
    """The bike at the stand as an address asks. Raises `BikeFileError`."""

    def numbers(letter: str) -> dict[str, float]:
        found = (parse_change(text) for text in items_of(stand, letter))
        return {change.key: change.value for change in found if isinstance(change.value, float)}

    changes = [parse_change(text) for text in items_of(stand, "c")]
    return at_stand(bike, changes, targets=numbers("t"), measured=numbers("m"))


def _form(bike: Bike, view: View) -> html.Form:
    items = (item.partition("=") for item in view.stand.split(",") if item)
    filled = forms.Filled({key: value for key, _, value in items})
    changes = []
    for end, settings in settings_of(bike).items():
        for one in settings:
            if one.of_file:
                hint = "; ".join(part for part in (f"now {one.of_file}", one.hint) if part)
                changes.append(filled.number(f"{end} {one.label}", f"c:{one.key}", "+1", hint))
    sags = [filled.number(f"{end} {words} [mm]", f"m:{end}.{key}") for end in ENDS for key, words in _SAGS]
    return forms.form(
        "",
        parts.section("Measured sags", forms.fields(*sags), note="At the wheel. Empty: as in the bike file."),
        parts.section(
            "Change", forms.fields(*changes), note="+1 or -1 changes by so much; a plain number sets it."
        ),
        parts.section("Wanted", forms.fields(*(filled.number(label, f"t:{key}") for key, label in _TARGETS))),
        html.P(
            [
                forms.send("Show"),
                html.A(
                    "On paper",
                    href=f"/stand-sheet/{view.run}?stand={quote(view.stand)}",
                    target="_blank",
                    className="button",
                ),
                parts.link("Push test: drop its log", "/add"),
            ],
            className="links last",
        ),
        name="stand",
        goto=PATH + to_query(View(run=view.run)),
    )


def _shown(result: StandResult, view: View, screen: Screen, ticked: frozenset[str]) -> list[Any]:
    printer = Printer(View(run=view.run), screen.theme)
    sections = {section.name: section for section in stand_document(result.stand).sections}
    drawing = stand_picture(result)
    source = "data:image/svg+xml," + quote(drawing)
    image = html.Img(src=source, alt="The motorcycle before and after", className="drawing")
    picture = parts.section("Drawn to scale", image) if drawing else None
    ticks = html.Ul([_tick(check, view, ticked) for check in result.stand.recheck], className="ticks")
    recheck = parts.section("Measure again, in this order", ticks) if result.stand.recheck else None
    first = [printer.section(sections.pop(name, None)) for name in ("verdict", "windows", "moved")]
    sections.pop("recheck", None)
    return [*first, recheck, picture, *(printer.section(section) for section in sections.values())]


def _tick(check: Recheck, view: View, ticked: frozenset[str]) -> html.Li:
    """A check, which the page's script gives a box: ticked off for this run and these changes, on every device."""
    words = _words(check)
    key = f"{view.stand} {words}"[:MOST_LETTERS]
    return html.Li(
        words,
        **{"data-check": key, "data-run": view.run, "data-ticked": "yes" if key in ticked else "no"},
    )


def _words(check: Recheck) -> str:
    reads = f" It should read {check.should_read}." if check.should_read else ""
    back = f" To go back: {check.to_go_back}." if check.to_go_back else ""
    return f"{check.what}: {check.why}.{reads}{back}"


def register(app: Dash, shelf: Shelf) -> None:
    """``/bike/RUN``: the bike file of a run, to keep elsewhere; ``/stand-sheet/RUN``: its stand on paper."""

    @app.server.get("/bike/<run_id>")
    def bike_file(run_id: str) -> flask.Response:
        logbook = shelf.desk.logbook
        text = logbook.store.bike(logbook.entry(run_id).run_id).read_text(encoding="utf-8")
        return flask.Response(text, mimetype="application/toml")

    @app.server.get("/stand-sheet/<run_id>")
    def stand_sheet(run_id: str) -> flask.Response:
        stand = parse(flask.request.query_string.decode("ascii", "ignore")).stand
        result = stand_of(shelf.desk.logbook.bike(run_id), stand)
        return flask.Response(stand_html(result, chosen()), mimetype="text/html")


PAGE = Page(PATH, "At the stand", layout, register)
