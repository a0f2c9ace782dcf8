"""Add a log: its columns with what they probably mean, the open questions, and then its review."""

from collections.abc import Mapping, Sequence
from typing import Any

from dash import html

from dashboard.desk.adding import BIKE_FILE, NEW_BIKE, TRACE_HEIGHT, TRACE_WIDTH, first_answers, known_bikes
from dashboard.pages import forms, parts
from dashboard.pages.parts import Page, Screen
from dashboard.shelf import Shelf
from dashboard.urlstate import View
from telemetry.arrays import ENDS, End
from telemetry.logbook import Draft, RunEntry
from telemetry.logs import STRONG
from telemetry.review import LEVERAGES, PARTS
from telemetry.summary import number

PATH = "/add"
MEANINGS = (
    ("", "not used"),
    ("time", "time"),
    ("front", "fork travel"),
    ("rear", "shock travel"),
    ("speed", "road speed"),
    ("latitude", "latitude"),
    ("longitude", "longitude"),
    ("throttle", "throttle"),
    ("brake", "front brake"),
    ("lean", "lean angle"),
    ("acceleration", "acceleration, forward"),
    ("lap", "lap number"),
    ("beacon", "beacon at the line"),
)
MEANING_WORDS = dict(MEANINGS)
_FORMATS = "CSV and other text, Parquet, Arrow, MDF, MATLAB, or an exported logbook as ZIP; up to 2 GB."


@parts.writes(PATH, "Bring a log in")
def layout(shelf: Shelf, view: View, screen: Screen) -> list[Any]:
    """A place to drop a log, or the form of one that was taken in."""
    desk = shelf.desk
    if desk.is_demo:
        return _start(shelf)
    if not view.draft:
        return _drop(desk)
    draft = desk.drafts.draft(view.draft)
    preview = desk.drafts.preview(view.draft)
    if preview is None:
        return _reading(draft, desk.read(view.draft))
    return _form(desk, draft, preview, screen)


def _start(shelf: Shelf) -> list[Any]:
    return parts.page(
        PATH,
        View(),
        "Bring a log in",
        html.Section(
            [
                html.P("What is shown here is demo data. Your own logs go into a logbook of your own:"),
                html.Pre(str(shelf.desk.own_logbook)),
                html.P(forms.act("Start your own logbook", "/write/logbook"), className="links"),
            ],
            className="part alone",
        ),
        shown=True,
    )


def _drop(desk: Any) -> list[Any]:
    drafts = desk.drafts.all()
    waiting = [
        html.Li(
            [
                parts.link(draft.name, PATH, View(draft=draft.token)),
                _discard(draft, "Throw away"),
            ],
            className="links",
        )
        for draft in drafts
    ]
    return parts.page(
        PATH,
        View(),
        "Bring a log in",
        html.Div(
            [
                html.P("Drop a log here, or choose it:", className="say"),
                html.Div(id="choose-file"),
                html.P(_FORMATS, className="note"),
                html.Progress(
                    id="arrived", max="100", value="0", hidden=True, **{"aria-label": "Sent so far"}
                ),
                html.P(id="upload-said", role="status"),
                html.Button("Stop", id="upload-stop", type="button", hidden=True),
            ],
            id="drop",
            className="drop",
        ),
        html.P(f"A copy is kept in {desk.logbook.path}; nothing leaves this machine.", className="note"),
        parts.section("Brought in, not yet reviewed", html.Ul(waiting, className="plain"))
        if waiting
        else None,
        shown=True,
    )


def _reading(draft: Draft, job: str) -> list[Any]:
    waiting = html.Div(
        html.P("Reading the log …", role="status", className="say"), id="waiting", **{"data-job": job}
    )
    away = html.P(_discard(draft), className="links")
    return parts.page(PATH, View(), f"Reading {draft.name}", waiting, away, shown=True)


def _discard(draft: Draft, words: str = "Throw this log away") -> html.Button:
    sure = f"Throw {draft.name} away? Your own file stays."
    return forms.act(words, f"/write/draft/{draft.token}/discard", sure=sure)


def _form(desk: Any, draft: Draft, preview: Mapping[str, Any], screen: Screen) -> list[Any]:
    bikes = known_bikes(desk.logbook)
    filled = forms.Filled(draft.said or first_answers(preview, bikes))
    at = f"/write/draft/{draft.token}"
    save = {"data-bike": f"{at}/bike", "data-when": f"bike={NEW_BIKE}"}
    questions = (
        *(_sensor(end, filled, preview, screen) for end in ENDS),
        _strokes(filled),
        _leverage(filled),
        _chassis(filled),
    )
    content = (
        _columns_section(draft, preview, filled, screen),
        parts.section(
            "Motorcycle",
            _motorcycle(filled, bikes),
            forms.shown_when(f"bike={NEW_BIKE}", filled.text("Its name", "name", "QB-6")),
            _bike_file(filled),
            name="motorcycle",
        ),
        html.Div(questions, **{"data-when": f"bike={NEW_BIKE}"}),
        parts.section("The outing", _outing(filled), note="All of this may stay empty."),
        html.Div(
            [
                forms.send("Review this log", name="review-it"),
                html.Button("Save the bike file", type="button", id="save-bike", **save),
            ],
            className="links last",
        ),
    )
    bring_in = forms.form(f"{at}/review", *content, name="bring-in", keep=at)
    push = parts.link("It is a push test", "/push", View(draft=draft.token))
    away = html.P([push if bikes else None, _discard(draft)], className="links")
    return parts.page(PATH, View(), f"Bring {draft.name} in", bring_in, away, shown=True)


def _motorcycle(filled: forms.Filled, bikes: Mapping[str, RunEntry]) -> html.Label:
    known = [(entry.run_id, f"{bike}, as in {entry.name or entry.run_id}") for bike, entry in bikes.items()]
    others = [(NEW_BIKE, "a new one: answer the questions"), (BIKE_FILE, "its bike file")]
    return filled.select("Motorcycle", "bike", [*known, *others])


def _columns_section(
    draft: Draft, preview: Mapping[str, Any], filled: forms.Filled, screen: Screen
) -> html.Section:
    rate = filled.number("Samples a second, for a log without time [Hz]", "channels.rate_hz", "200")
    return parts.section(
        "Columns",
        html.P(f"{draft.name}: {_about(preview)}."),
        _notes(preview),
        html.Div(id="fault-meaning", **{"data-field": "meaning"}),
        _columns(preview, filled, screen),
        forms.shown_when("time=none", rate),
        note="What each column of the log probably is, and why. Put right what is wrong.",
        name="columns",
    )


_TOLD_OF_DIALECT = ("delimiter", "decimal mark", "encoding")


def _about(preview: Mapping[str, Any]) -> str:
    lasts = preview["duration_s"]
    said = [f"{preview['rows']} rows"]
    if lasts:
        said.append(f"{number(lasts / 60, 1, 'min')} at {number(preview['rows'] / lasts, 0, 'Hz')}")
    else:
        said.append("no time")
    said += [f"{key} {text}" for key, text in preview["dialect"].items() if key in _TOLD_OF_DIALECT]
    return ", ".join(said)


def _serious(preview: Mapping[str, Any], column: str) -> list[str]:
    """What is wrong with a column; with "" of the log as a whole."""
    names = {each["name"] for each in preview["columns"]}
    return [
        note["message"]
        for note in preview["notes"]
        if note["severity"] != "info"
        and (note["channel"] == column if column else note["channel"] not in names)
    ]


def _notes(preview: Mapping[str, Any]) -> Any:
    said = _serious(preview, "")
    return html.Ul([html.Li(words) for words in said], className="notes") if said else None


def _columns(preview: Mapping[str, Any], filled: forms.Filled, screen: Screen) -> html.Div:
    proposed = {p["column"]: p for p in preview["meanings"]}
    rows = []
    for place, column in enumerate(preview["columns"]):
        name = column["name"]
        meaning = filled.select(f"Meaning of {name}", f"meaning.{place}", MEANINGS, unseen=True)
        cells = [
            html.Th([html.B(name), html.Small(f" {column['unit']}")], scope="row"),
            html.Td(_picture(column, screen)),
            html.Td(_range(column), className="n"),
            html.Td(meaning),
            html.Td(_why(column, proposed.get(name), _serious(preview, name)), className="words"),
        ]
        rows.append(html.Tr(cells))
    head = [html.Th(words, scope="col") for words in ("Column", "Trace", "From, to", "Is", "Why")]
    title = "Columns of the log"
    return html.Div(
        html.Table(
            [html.Caption(title, className="unseen"), html.Thead(html.Tr(head)), html.Tbody(rows)],
            className="columns",
        ),
        className="scroll",
        tabIndex=0,
        role="region",
        **{"aria-label": title},
    )


def _picture(column: Mapping[str, Any], screen: Screen) -> Any:
    if not column["trace"]:
        return html.Span("no number", className="note")
    label = f"Trace of {column['name']}"
    return forms.trace_picture(column["trace"], TRACE_WIDTH, TRACE_HEIGHT, label, screen.theme.soft)


def _range(column: Mapping[str, Any]) -> str:
    if column["least"] is None:
        return "blank"
    return f"{column['least']:.4g} to {column['most']:.4g}"


def _why(column: Mapping[str, Any], proposal: Mapping[str, Any] | None, wrong: Sequence[str]) -> list[Any]:
    said: list[Any] = []
    if proposal is not None:
        if not (proposal["said"] or proposal["likely"]):
            said.append(html.B("A guess, please check: "))
        said.append("; ".join(proposal["reasons"]))
    if column["blank_share"] > 0.001:
        said.append(html.Small(f" {number(100 * column['blank_share'], 1)} % blank"))
    return [*said, *(html.P(words, className="fault") for words in wrong)]


def _bike_file(filled: forms.Filled) -> html.Div:
    return forms.shown_when(
        f"bike={BIKE_FILE}",
        html.Div(id="choose-bike-file", **{"data-into": "bike.text"}),
        filled.area("Bike file, as text", "bike.text", 'name = "…"', rows=8),
    )


_WAYS = (
    ("sheet", "zero, and mm for one unit of the signal"),
    ("points", "two or more points measured at the bench"),
    ("hung_free", "mm for one unit; the wheels hung free during the log"),
    ("topped_out", "mm for one unit; zero is where the end tops out in the log"),
    ("none", "nothing yet: leave this end out of the review"),
)


def _sensor(end: End, filled: forms.Filled, preview: Mapping[str, Any], screen: Screen) -> html.Section:
    part, key, way = PARTS[end], f"{end}.sensor", f"{end}.calibration"
    scale = filled.number("Travel for one unit [mm]", f"{key}.mm_per_unit", "31.0")
    zero = filled.number(f"Signal with the {part} fully extended", f"{key}.zero", "0.42")
    hint = "One pair a line; 0 mm is full extension."
    points = filled.area("Points: signal and mm", f"{key}.points", "0.42 0\n4.45 125", hint, rows=3)
    return parts.section(
        f"Sensor of the {part}",
        forms.fields(
            filled.select("What is known of it", way, _WAYS),
            forms.shown_when(f"{way}=sheet hung_free topped_out", scale),
            forms.shown_when(f"{way}=sheet", zero),
            forms.shown_when(f"{way}=sheet hung_free topped_out", _direction(end, filled, preview)),
            forms.shown_when(f"{way}=points", points),
            forms.shown_when(f"{way}=hung_free", _free(end, filled, preview, screen)),
        ),
        note=html.Span(" ", className="column-of"),
        name=f"sensor-{end}",
    )


def _direction(end: End, filled: forms.Filled, preview: Mapping[str, Any]) -> html.Label:
    """Which way the signal goes when the end compresses, as far as braking and driving tell it."""
    part, fit = PARTS[end], preview.get("compression", {}).get(end)
    columns = {p["meaning"]: p["column"] for p in preview["meanings"]}
    when = "speed falls" if end == "front" else "speed rises"
    if fit is None or abs(fit) <= STRONG:
        why = "The log does not tell." if fit is None else f"The log does not tell (correlation {fit:.2f})."
    else:
        does = "rises" if fit > 0 else "falls"
        why = f"{columns[end]} {does} when {when} (correlation {abs(fit):.2f}), which compresses the {part}."
    ways = (("", "rises"), ("yes", "falls: the sensor is the other way round"))
    return filled.select(f"When the {part} compresses, the signal", f"{end}.falls", ways, hint=why)


def _free(end: End, filled: forms.Filled, preview: Mapping[str, Any], screen: Screen) -> html.Div:
    """From when to when the wheels hung free: drawn on the trace of the end's column, or typed."""
    name = f"{end}.sensor.zero_interval_s"
    columns = preview["columns"]
    path = next((c["trace"] for i, c in enumerate(columns) if filled.said.get(f"meaning.{i}") == end), "")
    label = f"Trace of the {PARTS[end]}'s sensor"
    picture = forms.trace_picture(path, TRACE_WIDTH, TRACE_HEIGHT, label, screen.theme.of(end))
    marks = {"data-into": name, "data-length": f"{preview['duration_s'] or 0:g}"}
    return html.Div(
        [
            html.P("Draw across the stretch in which the wheel hung free:", className="note"),
            html.Div([picture, html.Div(className="stretch", hidden=True)], className="picker", **marks),
            filled.text("From, to [s since the start of the log]", name, "2 6.5"),
        ],
        className="free",
    )


_OPEN = "May stay empty for now:"


def _strokes(filled: forms.Filled) -> html.Section:
    return parts.section(
        "Strokes",
        forms.fields(
            filled.number("Fork, along its legs, from stop to stop [mm]", "front.stroke_mm", "125"),
            filled.number("Shock, from stop to stop [mm]", "rear.shock_stroke_mm", "70"),
        ),
        note=f"{_OPEN} what an end has left, and whether it bottomed, is not known.",
        name="strokes",
    )


_LEVERAGES = (
    ("table", "a table of shock and wheel travel"),
    ("points", "points measured with calliper and tape"),
    ("linkage", "the points of the linkage"),
    ("whole", "only the whole wheel travel"),
)
_LINKAGE = """\
pivot_mm 0 0
axle_mm -566 -122
rocker_pivot_mm -60.2 -64.0
rod_rocker_mm -104.9 -85.2
rod_swingarm_mm -192.2 5.0
shock_rocker_mm -162.7 -72.0
shock_frame_mm -88.7 251.7"""


def _leverage(filled: forms.Filled) -> html.Section:
    way = "rear.leverage"
    pasted = "Two columns, as copied from a spreadsheet; shock first, both 0 at full extension."
    straight = (
        "The ratio is then taken to be the same all the way; how it falls along the stroke is not known."
    )
    whole = "Vertical wheel travel over the whole stroke of the shock [mm]"
    ways = {
        "table": filled.area(
            "Shock and wheel travel [mm]", LEVERAGES["table"], "0 0\n10 19.7\n20 38.8\n…", pasted, 7
        ),
        "points": filled.area(
            "Shock and wheel travel as measured [mm]", LEVERAGES["points"], "0 0.4\n5 10.1\n…",
            "Five pairs or more; a smooth curve is fitted.", 7,
        ),
        "linkage": filled.area(
            "Points: name, x forward, z up [mm]", LEVERAGES["linkage"], _LINKAGE,
            "Both ends extended, from an origin of your choice.", 8,
        ),
        "whole": filled.number(whole, LEVERAGES["whole"], "125", straight),
    }  # fmt: skip
    return parts.section(
        "Leverage of the rear",
        filled.select("What is known of it", way, _LEVERAGES),
        *(forms.shown_when(f"{way}={name}", field) for name, field in ways.items()),
        note=f"How far the wheel moves for the shock. {_OPEN} the rear is not judged.",
        name="leverage",
    )


def _chassis(filled: forms.Filled) -> html.Section:
    return parts.section(
        "Chassis",
        forms.fields(
            filled.number("Wheelbase, both ends extended [mm]", "wheelbase_mm", "1410"),
            filled.number("Rake, from the vertical [deg]", "front.rake_deg", "24"),
        ),
        note=f"{_OPEN} pitch, rake and trail are not known.",
        name="chassis",
    )


WORDS_OF_RUN = (
    ("Name of the run", "name", "Session 2"),
    ("Date", "date", "2026-05-01"),
    ("Place", "place", ""),
    ("Rider", "rider", ""),
    ("Outing", "outing", "2"),
    ("Tyres", "tyres", ""),
)


def _outing(filled: forms.Filled) -> html.Div:
    return forms.fields(
        *(filled.text(label, f"run.{word}", example) for label, word, example in WORDS_OF_RUN)
    )


PAGE = Page(PATH, "Add a log", layout, nav_position=8, by_itself=True)
