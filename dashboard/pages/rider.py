"""The rider's page, for a phone in the sun: the lap as a map and a few plain sentences."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Literal

from dash import Dash, Input, Output, dcc, html

from dashboard import scene as scenes
from dashboard.figures.track import proportions, track_map
from dashboard.pages import parts
from dashboard.pages.parts import Screen
from dashboard.scene import Scene
from dashboard.shelf import Shelf
from dashboard.urlstate import View, parse, to_query
from dashboard.words import RIDER_WORDS, rider_place
from telemetry.arrays import ENDS, End
from telemetry.damping import FALLING, IN_DOUBT, NEARLY_ALL, dampers_in_doubt
from telemetry.findings import front_suspected, lost_all_through, slow_loss_judged
from telemetry.laps import Placed, by_place
from telemetry.motion import EndSummary
from telemetry.report import damping_headline, track_picture
from telemetry.summary import CHANGE_CAUTION, laps_words, measured_time, number, percent, sentence, times

PATH = "/rider"
Kind = Literal["bottomed", "topped_out", "unsettled"]
VIEW = "rider-view"
# Corner numbers are larger here, so they stand further from the line.
_LABEL_OFFSET = 0.085
_SHAPES = {"front": "▲", "rear": "▼"}


def layout(shelf: Shelf, view: View, screen: Screen) -> list[Any]:
    """The page for a run; all laps together unless one is chosen.

    Raises
    ------
    LogbookError
        If there is no such run.
    """
    view = _all_laps_unless_chosen(view)
    scene = scenes.open_scene(shelf, view)
    shown = render(shelf, scene, screen)
    return parts.page(
        PATH,
        view,
        "For the rider",
        dcc.Store(id=VIEW, data={"search": to_query(view), "screen": screen.words}),
        html.Div(
            [
                parts.run_choice(shelf.runs(), view.run),
                parts.lap_choice(scene.summary, scene.lap, None),
            ],
            className="bar",
            role="group",
            **{"aria-label": "What is shown"},
        ),
        html.Div(shown["rider-says"], id="rider-says", role="status"),
        parts.graph(
            "rider-map",
            shown["rider-map"],
            "rider-map",
            "Map of the lap; the places are in words below.",
            proportions=shown["proportions"],
        ),
        html.Ul(
            [
                html.Li([html.Span("▲", className="front"), " front ran out of travel"]),
                html.Li([html.Span("▼", className="rear"), " rear ran out of travel"]),
                html.Li([html.Span("▬ ▬", className="unsettled"), " rear not settled"]),
            ],
            className="key big",
        ),
        html.Div(shown["rider-places"], id="rider-places"),
        html.P(
            html.A("Say what you felt", href="/felt" + to_query(View(run=view.run)), className="in button")
        ),
    )


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
    }


def headline(scene: Scene) -> list[Any]:
    """The answer in a few short sentences: a damper in doubt first, with its caution, then where travel ran out."""
    answer = scene.summary.oscillation
    doubt = dampers_in_doubt(answer)
    danger = [words for end, words in _damper_words(scene).items() if end in doubt]
    rest = []
    for end in ENDS:
        rest.append(html.P(_travel_words(scene, end), className="say"))
        if not scene.ends[end].judged:
            rest.append(html.P(scene.ends[end].reason, className="note"))
    rest += [
        html.P(words, className="say") for end, words in _damper_words(scene).items() if end not in doubt
    ]
    # the caution that goes with every change is the engineer's; what may break or has stopped working is the rider's
    cautions = [
        found.caution for found in scene.summary.findings if found.caution not in (None, "", CHANGE_CAUTION)
    ]
    caution = parts.cautions(cautions[:1]) if cautions else None
    return [
        *(html.P(line, className="say") for line in danger),
        caution if danger else None,
        *rest,
        None if danger else caution,
    ]


def _travel_words(scene: Scene, end: End) -> str:
    found = scene.ends[end]
    if not found.judged:
        return f"The {end} was not judged:"
    seen = _seen(found)
    if found.bottomed:
        return f"The {end} ran out of travel {times(len(found.bottomed))}{seen}."
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
        return "Whether the rear stayed settled cannot be told."
    if "rear" in dampers_in_doubt(answer):
        return f"{damping_headline(answer)}: {_how(scene, 'rear')}."
    if answer.verdict == "cannot_tell":
        return f"Whether the rear stayed settled cannot be told: {answer.reason}"
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
        did.append("it was weak all through the run")
    elif end == "rear" and lost_all_through(answer):
        did.append("it was hardly damped, all through the run")
    if events:
        stretches = "one stretch" if len(events) == 1 else f"{len(events)} stretches"
        did.append(f"the {end} was not settled in {stretches}")
    if end == "rear" and answer.unexplained:
        did.append(f"it shook {times(answer.unexplained)}, and this log cannot tell why")
    return " and ".join(did) if did else "nothing of it was seen on this lap"


def _seen(found: EndSummary) -> str:
    """How far a "never" reaches, where an end was measured for a part of the time only."""
    words = measured_time(found)
    return f", as far as it was measured ({words})" if words else ""


def places(scene: Scene) -> list[Any]:
    """Where it happened, one large line a place; where an end came all the way up stands apart."""

    def stops(kind: Kind) -> list[html.Li]:
        of_end = (
            (end, [stop for stop in scene.stops if (stop.end, stop.kind) == (end, kind)]) for end in ENDS
        )
        return [line for end, events in of_end for line in _lines(scene, end, kind, events)]

    out, up = stops("bottomed"), stops("topped_out")
    unsettled = [
        *_lines(scene, "rear", "unsettled", scene.oscillations),
        *_lines(scene, "front", "unsettled", scene.front_oscillations),
    ]
    parts_: list[Any] = []
    if out or unsettled:
        parts_.append(html.H2("Where"))
        parts_.append(html.Ul([*out, *unsettled], className="places big"))
    for event in (*scene.oscillations, *scene.front_oscillations)[:1]:
        parts_.append(
            html.P(
                f"Not settled means the wheel kept moving up and down, about {number(event.frequency_hz)} times "
                "a second, as if hardly damped.",
                className="note",
            )
        )
    if up:
        parts_.append(
            html.Details(
                [
                    html.Summary("Where a wheel hung at full extension"),
                    html.P("Once a lap over a crest is normal.", className="note"),
                    html.Ul(up, className="places"),
                ]
            )
        )
    return parts_


def _lines(scene: Scene, end: End, kind: Kind, events: Sequence[Placed]) -> list[html.Li]:
    """What an end did, a line a place: what happens on every lap is said once."""
    names = {corner.number: corner.name for corner in scene.summary.corners}
    shape, look = ("▬", "unsettled") if kind == "unsettled" else (_SHAPES[end], end)
    lines = []
    for place in by_place(events, scene.lap_length_m):
        where = rider_place(place.corner, place.phase, place.distance_m, names=names)
        on_laps = f" on {said}" if scene.lap is None and (said := laps_words(place.laps)) else ""
        often = f", {times(len(place.events))}" if len(place.events) > len(place.laps) else ""
        words = html.Span([html.B(sentence(where)), html.Br(), f"{end} {RIDER_WORDS[kind]}{on_laps}{often}"])
        mark = html.Span(shape, className=f"shape {look}", **{"aria-hidden": "true"})
        lines.append(html.Li([mark, words]))
    return lines


def register(app: Dash, shelf: Shelf) -> None:
    """Another lap or theme, in place."""

    @app.callback(
        Output("rider-says", "children"),
        Output("rider-map", "figure"),
        Output("rider-places", "children"),
        Input(VIEW, "data"),
        prevent_initial_call=True,
    )
    def show(said: dict[str, str]) -> list[Any]:
        scene = scenes.open_scene(shelf, _all_laps_unless_chosen(parse(said["search"])))
        shown = render(shelf, scene, Screen.read(said["screen"]))
        return [shown[name] for name in ("rider-says", "rider-map", "rider-places")]
