"""The runs of the logbook, a row each: its numbers over the laps, what stands out, what was changed since the last."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dash import dcc, html

from dashboard.pages import forms, parts
from dashboard.pages.parts import Page, Screen
from dashboard.shelf import Shelf
from dashboard.urlstate import View
from telemetry.arrays import ENDS, End
from telemetry.errors import BothEndsError, LogbookError
from telemetry.findings import DOUBTFUL, LOST, NO_SUDDEN, NOT_JUDGED, nothing_asks
from telemetry.logbook import RunEntry
from telemetry.season import LapRecord, RunRecord
from telemetry.setup import changes
from telemetry.summary import count_word, in_sentence, lap_time, limits_words, number

PATH = "/runs"
# Verdicts are read for this many runs; a longer list would make the page wait for its last line.
_WITH_VERDICT = 40
_MOST_NAMED = 4  # of an alarm: more would push the list off the first screen


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
                    html.P(parts.link("Add a log", "/add"), className="links"),
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
        _find(runs),
        _table(shelf, runs),
    )


def _find(runs: Sequence[RunEntry]) -> html.Div:
    """Which runs are shown and in what order; the page's script does it, so that hundreds stay quick."""
    orders = (("", "newest first"), ("time", "quickest lap first"), ("left", "least travel left first"))
    find = dcc.Input(id="find-run", type="search", placeholder="name, rider, date, place")
    order = html.Select([html.Option(words, value=value) for value, words in orders], id="order-runs")
    return parts.bar(
        "Runs shown",
        html.Label([html.Span("Find"), find], className="choice wide"),
        html.Label([html.Span("Order"), order], className="choice"),
        html.P(count_word(len(runs), "run"), id="runs-found", role="status", className="note"),
    )


def _table(shelf: Shelf, runs: Sequence[RunEntry]) -> html.Div:
    """A row a run, its numbers with a small line over its laps; between two runs what was changed."""
    records = {record.run_id: record for record in shelf.season()}
    head = [
        html.Th("run", scope="col"),
        *(html.Th(one.label, scope="col") for one in SMALL),
        html.Th("dampers", scope="col"),
    ]
    bodies = [_run(shelf, runs, place, records.get(entry.run_id)) for place, entry in enumerate(runs)]
    caption = "Every run, newest first: the mean over its laps at pace, and a small line over these laps"
    return html.Div(
        html.Table(
            [html.Caption(caption, className="unseen"), html.Thead(html.Tr(head)), *bodies], id="runs"
        ),
        className="runs",
    )


def _demo(shelf: Shelf) -> Any:
    """Beside demo data: the one click to a logbook of one's own."""
    if not (shelf.writes and shelf.desk.is_demo):
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
                    html.Ul([html.Li(_link(entry)) for entry in there[:_MOST_NAMED]]),
                    html.P(f"and {count_word(len(there) - _MOST_NAMED, 'more run')}, marked below")
                    if len(there) > _MOST_NAMED
                    else None,
                ]
    return html.Div(said, className="caution", role="note") if said else None


def _link(entry: RunEntry) -> html.A:
    return parts.link(parts.run_name(entry), "/", View(run=entry.run_id), look="in")


def _answers(entry: RunEntry) -> dict[End, str]:
    """What is said of each damper; a run added by an older version has only the rear's verdict."""
    of_verdict = {"yes": LOST, "no": NO_SUDDEN}.get(entry.oscillation, NOT_JUDGED)
    return {"front": entry.front_damper or "not known", "rear": entry.rear_damper or of_verdict}


@dataclass(frozen=True)
class Small:
    """A column of the table: numbers of a lap with the class of their colour, and how many decimals.

    ``least`` is the height of a small line at the least, in the unit of the number: below it laps look alike.
    """

    label: str
    keys: tuple[tuple[str, str], ...]
    digits: int
    least: float


def _ends(key: str) -> tuple[tuple[str, str], ...]:
    return tuple((f"{end}.{key}", end) for end in ENDS)


SMALL = (
    Small("lap time", (("lap.time_s", ""),), 2, 1.0),
    Small("ride height [mm]", _ends("travel.median_mm"), 0, 4.0),
    Small("travel left [mm]", _ends("travel.left_mm"), 0, 8.0),
    Small("rear over front", (("balance.compression", "down"), ("balance.rebound", "up")), 2, 0.1),
)


def _run(shelf: Shelf, runs: Sequence[RunEntry], place: int, record: RunRecord | None) -> html.Tbody:
    entry, close = runs[place], place < _WITH_VERDICT
    before = next((one for one in runs[place + 1 :] if one.bike == entry.bike), None)
    outing = entry.outing and f"outing {entry.outing}"
    about = (entry.date, entry.place, entry.bike, entry.rider, outing, count_word(entry.laps, "lap"))
    answers = _answers(entry)
    laps = [row for row in record.rows if row.at_pace] if record is not None else []
    cells = [html.Td(_small(one, laps), className="n", **{"data-label": one.label}) for one in SMALL]
    grave = any(answer in (LOST, DOUBTFUL) for answer in answers.values())
    dampers = html.Td(
        [
            f"{'⚠ ' if grave else ''}rear: {answers['rear']}; front: {answers['front']}",
            *(_rear_damping(shelf, entry.run_id) if close else ()),
        ],
        className="dampers unsettled" if grave else "dampers",
        **{"data-label": "dampers"},
    )
    name = html.Th(
        [
            parts.link(entry.name or entry.run_id, "/", View(run=entry.run_id), look="in name"),
            html.Span(" · ".join(part for part in about if part), className="note"),
            *(_findings_text(shelf, entry.run_id) if close else ()),
            html.P(entry.notes, className="note") if entry.notes else None,
            html.Div(_ways(shelf, entry, before), className="links"),
        ],
        scope="row",
    )
    row = html.Tr([name, *cells, dampers])
    changed = _changed(shelf, before, entry) if close and before is not None else ""
    between = (
        [html.Tr(html.Td(["↑ ", changed], colSpan=len(cells) + 2), className="between")] if changed else []
    )
    return html.Tbody(
        [row, *between],
        **{
            "data-find": " ".join((entry.name, *about, entry.notes)).lower(),
            "data-time": "" if entry.quickest_lap_s is None else f"{entry.quickest_lap_s:.3f}",
            "data-left": _least_left(record),
        },
    )


def _small(column: Small, laps: "Sequence[LapRecord]") -> list[Any]:
    """Numbers of one column: each the mean over the laps with its line; a dash where no lap tells it."""
    made: list[Any] = []
    for key, name in column.keys:
        values = [value for lap in laps if (value := lap.values.get(key)) is not None]
        mean = sum(values) / len(values) if values else None
        text = lap_time(mean) if key == "lap.time_s" else number(mean, column.digits)
        word = html.Span(f"{name} ", className="unseen" if name in ENDS else "note") if name else None
        style = {"maskImage": trend_mask(values, column.least)} if len(values) > 1 else {}
        line = html.Span(className="trend", style=style) if style else None
        made.append(html.Span([word, text, line], className=f"small {name}"))
    return made


def _rear_damping(shelf: Shelf, run_id: str) -> list[Any]:
    """The damping ratio of the rear over the laps, with its small line; nothing where no two laps tell it."""
    try:
        fade = shelf.summary(run_id).oscillation.fade
    except LogbookError:
        return []
    values = [lap.damping_ratio for lap in fade if lap.damping_ratio is not None]
    if len(values) < 2:
        return []
    mean = number(sum(values) / len(values), 2)
    line = html.Span(className="trend", style={"maskImage": trend_mask(values, 0.1)})
    return [
        html.Span([html.Span("rear damping ratio ", className="note"), mean, line], className="small rear")
    ]


def trend_mask(values: Sequence[float], least: float) -> str:
    """A small line through two values or more, as a mask of the style sheet: its colour is that of the text.

    The picture is at least ``least`` high, in the unit of the values.
    """
    height = max(max(values) - min(values), least)
    low = (min(values) + max(values) - height) / 2
    step = 60.0 / (len(values) - 1)
    points = " ".join(
        f"{2 + k * step:.1f},{14 - 12 * (value - low) / height:.1f}" for k, value in enumerate(values)
    )
    picture = (
        "%3Csvg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 64 16' preserveAspectRatio='none'%3E"
        f"%3Cpolyline points='{points}' fill='none' stroke='black' stroke-width='1.8'/%3E%3C/svg%3E"
    )
    return f'url("data:image/svg+xml,{picture}")'


def _least_left(record: RunRecord | None) -> str:
    rows = record.rows if record is not None else ()
    left = [
        value
        for row in rows
        for key, _ in _ends("travel.left_mm")
        if (value := row.values.get(key)) is not None
    ]
    return f"{min(left):.2f}" if left else ""


def _ways(shelf: Shelf, entry: RunEntry, before: RunEntry | None) -> list[Any]:
    """The pages of a run."""
    view = View(run=entry.run_id)
    links = [
        parts.link("Review", "/", view),
        parts.link("Rider", "/rider", view),
        html.A("Debrief", href=f"/debrief/{entry.run_id}", target="_blank", className="button"),
    ]
    if before is not None:
        both = View(run=before.run_id, other=entry.run_id)
        links.append(parts.link(f"Compare with {before.name or before.run_id}", "/compare", both))
    if shelf.writes:
        ways = (("/edit", "Change"), ("/sheet", "Setup sheet"), ("/stand", "Stand"), ("/try", "Try"))
        more = [parts.link(words, path, view) for path, words in ways]
        links.append(html.Details([html.Summary("More"), html.Div(more, className="links")]))
    return links


def _changed(shelf: Shelf, before: RunEntry, after: RunEntry) -> str:
    """What was changed between two runs of one bike, in words; "" where the sheets do not say."""
    try:
        sheets = shelf.sheet(before.run_id), shelf.sheet(after.run_id)
    except BothEndsError:
        return ""
    if sheets[0] is None or sheets[1] is None:
        return ""
    changed = [f"{one.what} {one.before} → {one.after}" for one in changes(*sheets)]
    return f"Since {before.name or before.run_id}: {'; '.join(changed) or 'nothing that the sheets say'}."


def _findings_text(shelf: Shelf, run_id: str) -> list[html.P]:
    """What stands out, and what was not judged; why not, when the review cannot be read."""
    try:
        amounts = shelf.amounts(run_id, start=False)
    except LogbookError as error:
        return [html.P(str(error))]
    summary, expected = amounts.summary, amounts.expected
    titles = [found.title for found in summary.findings]
    tries = "; ".join([*titles[:1], *map(in_sentence, titles[1:])])
    said = [html.P(words) for words in limits_words(summary.ends)]
    if amounts.ready and expected is not None and expected.rows:
        said.insert(0, html.P(f"Try: {expected.words}. Expected: {expected.rows[0].in_words()}."))
    return [html.P(f"{tries}." if tries else nothing_asks(summary)[0], className="say"), *said]


PAGE = Page(PATH, "Runs", layout, nav_position=1)
