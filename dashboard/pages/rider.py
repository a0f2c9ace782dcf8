"""The rider's page, for a phone in sunlight: the lap as a map and a few short sentences."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import flask
from dash import ClientsideFunction, Dash, Input, Output, html

from dashboard import scene as scenes
from dashboard.figures.along import mirrored_travel
from dashboard.figures.track import proportions, track_map
from dashboard.pages import parts
from dashboard.pages.parts import Page, Screen
from dashboard.scene import RIDER_WORDS, Scene, rider_place
from dashboard.shelf import Amounts, Shelf
from dashboard.urlstate import View, parse, to_query
from telemetry.arrays import ENDS, End
from telemetry.damping import FALLING, IN_DOUBT, NEARLY_ALL, dampers_in_doubt
from telemetry.findings import front_suspected, lost_all_through, slow_loss_judged
from telemetry.laps import Placed, SharedPlace, by_place
from telemetry.motion import EndSummary
from telemetry.report import (
    AROUND_M,
    card_svg,
    damping_headline,
    quickest_lap,
    section_times,
    track_picture,
    travel_picture,
    usual_lap_s,
)
from telemetry.summary import (
    CHANGE_CAUTION,
    count_word,
    lap_time,
    laps_words,
    measured_time,
    number,
    percent,
    sentence,
    times,
)

PATH = "/rider"
Kind = Literal["bottomed", "topped_out", "unsettled"]
VIEW = "rider-view"
# Corner numbers are larger here, so they stand further from the line.
_LABEL_OFFSET = 0.085
_SHAPES = {"front": "▲", "rear": "▼"}
_WORST = 3
# So many sections are marked as those where most time lies. A choice of ours.
_MOST_LOST = 2
# What numbers of a prediction are called here; the others have plain names.
_PLAIN = {
    "balance.same_bump.rebound_ratio": "on the same bump the rear comes up, as many times as fast as the front,",
    "balance.speed_ratio.rebound": "the rear comes up, as many times as fast as the front,",
    "balance.same_bump.compression_ratio": "on the same bump the rear goes down, as many times as fast as the front,",
    "balance.speed_ratio.compression": "the rear goes down, as many times as fast as the front,",
}


def layout(shelf: Shelf, view: View, screen: Screen) -> list[Any]:
    """The page for a run; all laps together unless one is chosen, and one place where a stretch is."""
    view = _all_laps_unless_chosen(view)
    scene = scenes.open_scene(shelf, view)
    shown = render(shelf, scene, screen)
    amounts = shelf.amounts(view.run, start=False)
    return parts.page(
        PATH,
        view,
        "For the rider",
        parts.view_store(VIEW, view, screen),
        parts.bar(
            "What is shown",
            parts.run_choice(shelf.runs(), view.run),
            parts.lap_choice(scene.summary, scene.lap, None),
        ),
        _place(scene, screen) if scene.view.zoom else None,
        html.Div(shown["rider-says"], id="rider-says", role="status"),
        html.Div(shown["rider-places"], id="rider-places"),
        parts.amounts_tick("rider", view.run, ready=amounts.ready),
        html.Div(next_step(amounts), id="rider-next"),
        parts.graph(
            "rider-map",
            shown["rider-map"],
            "rider-map",
            "Map of the lap; the places are in words above.",
            proportions=shown["proportions"],
        ),
        html.P("Touch a mark on the map to read it here.", id="rider-reading", className="reading"),
        _key(),
        html.Div(shown["rider-sections"], id="rider-sections"),
        html.Div(
            [
                parts.link("Say what you felt", "/felt", View(run=view.run)),
                html.A(
                    "Picture for another phone",
                    href=f"/card/{view.run}.svg",
                    className="button",
                    id="rider-card",
                ),
            ],
            className="links",
        ),
    )


def _key() -> html.Ul:
    """What the marks of the map are."""
    marks = (
        ("front", "▲", " front ran out of travel"),
        ("rear", "▼", " rear ran out of travel"),
        ("unsettled", "▬ ▬", " rear not settled"),
    )
    items = [html.Li([html.Span(sign, className=look), words]) for look, sign, words in marks]
    return html.Ul(items, className="key big")


def _all_laps_unless_chosen(view: View) -> View:
    return replace(view, lap="whole") if view.lap == "worst" else view


def render(shelf: Shelf, scene: Scene, screen: Screen) -> dict[str, Any]:
    """Everything on the page that follows the lap or the theme, by its id."""
    picture = track_picture(scene, label_offset=_LABEL_OFFSET)
    without = replace(picture, spots=tuple(spot for spot in picture.spots if spot.kind == "bottomed"))
    return {
        "rider-says": headline(scene),
        "rider-map": track_map(without, screen.theme, big=True),
        "proportions": proportions(picture),
        "rider-places": [
            html.P("This log has no position, so the lap is drawn as a straight line.")
            if picture.straight
            else None,
            *places(scene),
        ],
        "rider-sections": lap_sections(scene),
    }


def _place(scene: Scene, screen: Screen) -> html.Section:
    """The picture of one place, with what happened there in a fixed line and the way back to the lap."""
    assert scene.view.zoom is not None
    low, high = scene.view.zoom
    picture = travel_picture(scene)
    figure = mirrored_travel(picture, screen.theme, scene.view.zoom, touch=True)
    figure.update_layout(hovermode=False)
    here = [
        f"{mark.end} {mark.text.partition(' at the wheel')[0]}"
        for mark in picture.marks
        if low <= mark.x <= high and mark.kind == "bottomed"
    ]
    rang = any(band.x1 > low and band.x0 < high for band in picture.unsettled)
    said = "; ".join([*here, *(["rear not settled"] if rang else [])])
    names = {corner.number: corner.name for corner in scene.summary.corners}
    events: list[Placed] = [*(stop for stop in scene.stops if stop.kind == "bottomed"), *scene.oscillations]
    there = next(
        (one for one in events if one.distance_m is not None and low <= one.distance_m <= high), None
    )
    where = f"{low:.0f} to {high:.0f} metres"
    if there is not None:
        where = rider_place(there.corner, there.phase, there.distance_m, names=names)
    lap = f"Lap {scene.lap.lap}," if scene.lap else "The run,"
    back = replace(scene.view, lap="whole", zoom=None)
    return html.Section(
        [
            html.H2(f"{lap} {where}"),
            html.P(
                sentence(said) + "." if said else "Nothing ran out here on this lap.", className="reading"
            ),
            parts.graph(
                "rider-place", figure, "middle", "Travel of both ends at this place; in words above."
            ),
            html.P("Front above, rear below; dashed is the end of the travel.", className="note"),
            html.P(parts.link("← Back to the lap", PATH, back)),
        ],
        id="rider-here",
    )


def headline(scene: Scene) -> list[Any]:
    """The answer in short sentences: what is dangerous first, with its caution, then how quick, then what was well."""
    danger, calm = _sentences(scene)
    grave = len(dampers_in_doubt(scene.summary.oscillation))
    # the caution that goes with every change is the engineer's; what may break or has stopped working is the rider's
    cautions = [
        found.caution for found in scene.summary.findings if found.caution not in (None, "", CHANGE_CAUTION)
    ]
    caution = parts.cautions(cautions[:1]) if cautions else None
    notes = [
        html.P(f"The {end} was not judged: {scene.ends[end].reason}", className="note")
        for end in ENDS
        if not scene.ends[end].judged
    ]
    return [
        *(html.P(line, className="say danger") for line in danger[:grave]),
        caution if grave else None,
        *(html.P(line, className="say danger") for line in danger[grave:]),
        None if grave else caution,
        html.P(time_words(scene), className="say time") if scene.summary.laps else None,
        *(html.P(line, className="say") for line in calm),
        *notes,
    ]


def _sentences(scene: Scene) -> tuple[list[str], list[str]]:
    """What is dangerous, a damper in doubt before an end that ran out; and what was well or is not known."""
    doubt = dampers_in_doubt(scene.summary.oscillation)
    of_dampers = _damper_words(scene)
    out = [end for end in ENDS if scene.ends[end].judged and scene.ends[end].bottomed]
    danger = [words for end, words in of_dampers.items() if end in doubt]
    danger += [_travel_words(scene, end) for end in out]
    calm = [_travel_words(scene, end) for end in ENDS if end not in out]
    if not out and all(
        scene.ends[end].judged and not scene.ends[end].stroke_open and not _seen(scene.ends[end])
        for end in ENDS
    ):
        calm = ["Neither end ran out of travel."]
    return danger, [*calm, *(words for end, words in of_dampers.items() if end not in doubt)]


def next_step(amounts: Amounts) -> list[Any]:
    """The step to try next with what it is expected to do, or why that is not known; nothing where none is advised."""
    expected = amounts.expected
    if expected is None:
        return []
    said = [html.H2("To try next")]
    if expected.rows:
        row = replace(expected.rows[0], name=_PLAIN.get(expected.rows[0].key, expected.rows[0].name))
        said.append(html.P(f"{expected.words}.", className="step-words"))
        said.append(html.P(f"Expected on laps like these: {row.in_words()}."))
    else:
        said.append(html.P(f"What a step does is not known. {expected.reason}"))
    return [*said, html.P(CHANGE_CAUTION, className="note")]


def time_words(scene: Scene) -> str:
    """Time of the lap that is shown, else of the best and the usual lap."""
    if scene.lap is not None:
        part = "" if scene.lap.complete else ", not a complete lap"
        return f"Lap {scene.lap.lap}: {lap_time(scene.lap.time_s)}{part}."
    best, usual_s = quickest_lap(scene.summary), usual_lap_s(scene.summary.laps)
    if best is None or usual_s is None:
        return "No complete lap."
    return f"Best lap {lap_time(best.time_s)} (lap {best.lap}), usual {lap_time(usual_s)}."


def lap_sections(scene: Scene) -> list[Any]:
    """Sections of the lap, best and usual; those where most time lies between them first marked."""
    times = section_times(scene.summary)
    if not times:
        return []
    lost = sorted((one.typical_s - one.best_s for one in times), reverse=True)[:_MOST_LOST]
    rows = [
        [
            sentence(one.name),
            f"{one.best_s:.2f}",
            f"{one.typical_s:.2f}",
            f"{one.typical_s - one.best_s:.2f}" + (" ◀" if one.typical_s - one.best_s in lost else ""),
        ]
        for one in times
    ]
    together = sum(one.best_s for one in times)
    return [
        html.H2("Sections of the lap"),
        parts.table(
            ["", "best [s]", "usual [s]", "usual minus best [s]"],
            rows,
            "Best and usual time of every section; ◀ largest difference",
            classes=["", "n", "n", "n"],
        ),
        html.P(
            f"The best sections together are {lap_time(together)}. They are of different laps.",
            className="note",
        ),
    ]


def _travel_words(scene: Scene, end: End) -> str:
    summary = scene.ends[end]
    if not summary.judged:
        return f"The {end} was not judged:"
    if summary.stroke_open:
        return f"Whether the {end} ran out of travel is not known: its stroke is not in the bike file."
    seen = _seen(summary)
    if summary.bottomed:
        return f"The {end} ran out of travel {times(len(summary.bottomed))}{seen}."
    return f"The {end} never ran out of travel{seen}."


def _damper_words(scene: Scene) -> dict[End, str]:
    """What is said of how settled each wheel was; nothing of a front that gives no cause."""
    answer = scene.summary.oscillation
    words: dict[End, str] = {"rear": _rear_words(scene)}
    if "front" in dampers_in_doubt(answer):
        said = "Suspected loss of front damping" if front_suspected(answer) else "Front damping is in doubt"
        words["front"] = f"{said}: {_how(scene, 'front')}."
    return words


def _rear_words(scene: Scene) -> str:
    answer, rear = scene.summary.oscillation, scene.ends["rear"]
    if not rear.judged:
        return "Cannot tell whether the rear was settled."
    if "rear" in dampers_in_doubt(answer):
        return f"{damping_headline(answer)}: {_how(scene, 'rear')}."
    if answer.verdict == "cannot_tell":
        return f"Cannot tell whether the rear was settled: {answer.reason}"
    share = answer.judged_share
    seen = _seen(rear)
    if not seen and share is not None and share < NEARLY_ALL:
        seen = f", as far as it could be judged ({percent(share)}{' of the run' if scene.lap is not None else ''})"
    if scene.lap is not None:
        return f"No unsettled stretch of the rear was found on this lap{seen}."
    slow = "" if slow_loss_judged(answer, "rear") else " Whether it weakens from lap to lap was not judged."
    return f"The rear stayed settled{seen}.{slow}"


def _how(scene: Scene, end: End) -> str:
    """What an end in doubt did, as one says it to a rider."""
    answer = scene.summary.oscillation
    events = scene.oscillations if end == "rear" else scene.front_oscillations
    course = answer.course.get(end)
    did = []
    if course is not None and course.state == "lost damping and recovered":
        did.append("it lost damping over the laps and recovered")
    elif course is not None and course.state in FALLING:
        did.append("it lost damping from lap to lap")
    elif course is not None and course.state in IN_DOUBT:
        did.append("its damping was weak over the whole run")
    elif end == "rear" and lost_all_through(answer):
        did.append("it had almost no damping over the whole run")
    if events:
        stretches = "one stretch" if len(events) == 1 else f"{len(events)} stretches"
        did.append(f"the {end} was not settled in {stretches}")
    if end == "rear" and answer.unexplained:
        did.append(f"it oscillated {times(answer.unexplained)}, and this log cannot tell why")
    return " and ".join(did) if did else "nothing of it was seen on this lap"


def _seen(found: EndSummary) -> str:
    """How far a "never" reaches, where an end was measured for a part of the time only."""
    words = measured_time(found)
    return f", as far as it was measured ({words})" if words else ""


def places(scene: Scene) -> list[Any]:
    """Where it happened: the three worst places, most often first, each a tap to its picture; the others folded."""
    found = worst_places(scene)
    up = [
        line
        for end in ENDS
        for line in _lines(
            scene, end, "topped_out", [s for s in scene.stops if (s.end, s.kind) == (end, "topped_out")]
        )
    ]
    made: list[Any] = []
    if found:
        worst, more = found[:_WORST], found[_WORST:]
        made.append(html.H2("Worst places" if more else "Where"))
        made.append(html.Ul([line.item for line in worst], className="places big"))
        made.append(_folded(f"{count_word(len(more), 'more place')}", more) if more else None)
    for event in (*scene.oscillations, *scene.front_oscillations)[:1]:
        made.append(
            html.P(
                f"Not settled means the wheel kept moving up and down, about {number(event.frequency_hz)} times "
                "a second, with almost no damping.",
                className="note",
            )
        )
    if up:
        made.append(_folded("Where a wheel hung at full extension", up, "Once a lap over a crest is normal."))
    return made


def worst_places(scene: Scene) -> "list[Line]":
    """Where an end ran out of travel or was not settled, most often first."""
    found = [
        line
        for end in ENDS
        for kind, events in (
            ("bottomed", [stop for stop in scene.stops if (stop.end, stop.kind) == (end, "bottomed")]),
            ("unsettled", scene.oscillations if end == "rear" else scene.front_oscillations),
        )
        for line in _lines(scene, end, kind, events)
    ]
    return sorted(found, key=lambda line: -line.count)


def _folded(title: str, lines: "Sequence[Line]", note: str = "") -> html.Details:
    said = [html.P(note, className="note")] if note else []
    return html.Details(
        [html.Summary(title), *said, html.Ul([line.item for line in lines], className="places")]
    )


@dataclass(frozen=True)
class Line:
    """One place of the list: how often it happened there, in words, and as an item."""

    count: int
    words: str
    item: html.Li


def _lines(scene: Scene, end: End, kind: Kind, events: Sequence[Placed]) -> list[Line]:
    """What an end did, a line a place: what happens on every lap is said once; a tap shows the first of them."""
    names = {corner.number: corner.name for corner in scene.summary.corners}
    shape, look = ("▬", "unsettled") if kind == "unsettled" else (_SHAPES[end], end)
    lines = []
    for place in by_place(events, scene.lap_length_m):
        where = sentence(rider_place(place.corner, place.phase, place.distance_m, names=names))
        on_laps = f" on {said}" if scene.lap is None and (said := laps_words(place.laps)) else ""
        often = f", {times(len(place.events))}" if len(place.events) > len(place.laps) else ""
        happened = f"{end} {RIDER_WORDS[kind]}{on_laps}{often}"
        mark = html.Span(shape, className=f"shape {look}", **{"aria-hidden": "true"})
        said_here = [mark, html.Span([html.B(where), html.Br(), happened])]
        href = _picture_of(scene, place)
        inner = (
            html.A(said_here, href=href, className="in happened")
            if href
            else html.Div(said_here, className="happened")
        )
        lines.append(Line(len(place.events), f"{where}: {happened}.", html.Li(inner)))
    return lines


def _picture_of(scene: Scene, place: SharedPlace) -> str:
    """The address of the picture of a place; "" where the lap or the distance is not known."""
    lap = scene.lap.lap if scene.lap else next(iter(place.laps), None)
    if lap is None or place.distance_m is None:
        return ""
    around = (max(place.distance_m - AROUND_M, 0.0), place.distance_m + AROUND_M)
    return PATH + to_query(View(run=scene.view.run, lap=lap, zoom=around))


def register(app: Dash, shelf: Shelf) -> None:
    """Another lap or theme, in place; what is touched on the map is read in a line of its own; the page as a file."""
    _register_card(app.server, shelf)

    @parts.follow_amounts(app, "rider", Output("rider-next", "children"))
    def show_amounts(run_id: str, _: str) -> tuple[list[Any], bool]:
        amounts = shelf.amounts(run_id)
        return [next_step(amounts)], amounts.ready

    app.clientside_callback(
        ClientsideFunction("bothends_rider", "read"),
        Output("rider-reading", "children"),
        Input("rider-map", "hoverData"),
        prevent_initial_call=True,
    )

    @app.callback(
        Output("rider-says", "children"),
        Output("rider-map", "figure"),
        Output("rider-places", "children"),
        Output("rider-sections", "children"),
        Input(VIEW, "data"),
        prevent_initial_call=True,
    )
    def show(said: dict[str, str]) -> list[Any]:
        scene = scenes.open_scene(shelf, _all_laps_unless_chosen(parse(said["search"])))
        shown = render(shelf, scene, Screen.read(said["screen"]))
        return [shown[name] for name in ("rider-says", "rider-map", "rider-places", "rider-sections")]


def _register_card(server: flask.Flask, shelf: Shelf) -> None:
    """``/card/RUN.svg``: the page as one picture file, for a phone that is not in the network."""

    @server.get("/card/<run_id>.svg")
    def card(run_id: str) -> flask.Response:
        scene = scenes.open_scene(shelf, View(run=run_id, lap="whole"))
        answer = flask.Response(card_of(shelf, scene), mimetype="image/svg+xml")
        answer.headers["Content-Disposition"] = f'inline; filename="{run_id}.svg"'
        return answer


def card_of(shelf: Shelf, scene: Scene) -> str:
    """The card of a run."""
    entry = next((one for one in shelf.runs() if one.run_id == scene.view.run), None)
    name = parts.run_name(entry) if entry is not None else scene.summary.run.source
    danger, calm = _sentences(scene)
    says = [*danger, *calm, time_words(scene)] if danger else [*calm, time_words(scene)]
    return card_svg(scene, name, says, [line.words for line in worst_places(scene)[:_WORST]])


PAGE = Page(PATH, "Rider", layout, register, nav_position=4, of_one_run=True)
