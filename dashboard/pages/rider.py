"""The rider's page, for a phone in the sun: the lap as a map and a few plain sentences."""

from dataclasses import replace
from functools import partial
from typing import Any

from dash import Dash, Input, Output, dcc, html

from dashboard import scene as scenes
from dashboard.figures.track import proportions, track_map
from dashboard.lapmap import track_picture
from dashboard.pages import parts
from dashboard.pages.parts import Screen
from dashboard.places import Place, grouped
from dashboard.scene import Scene
from dashboard.shelf import Shelf
from dashboard.urlstate import View, parse, to_query
from dashboard.words import RIDER_WORDS, number, rider_place, sentence, times, which_laps
from telemetry.arrays import ENDS, End
from telemetry.findings_damping import lost_all_through
from telemetry.motion import EndSummary
from telemetry.wording import CHANGE_CAUTION, measured_time

PATH = "/rider"
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
    )


def _all_laps_unless_chosen(view: View) -> View:
    return replace(view, lap="whole") if view.lap == "quickest" else view


def render(shelf: Shelf, scene: Scene, screen: Screen) -> dict[str, Any]:
    """Everything on the page that follows the lap or the theme, by its id."""
    picture = track_picture(shelf, scene, label_offset=_LABEL_OFFSET)
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
    """The answer in a few short sentences, and the caution where one is due."""
    said: list[Any] = []
    for end in ENDS:
        said.append(html.P(_travel_words(scene, end), className="say"))
        if not scene.ends[end].judged:
            said.append(html.P(scene.ends[end].reason, className="note"))
    said.append(html.P(_settled_words(scene), className="say"))
    if scene.front_oscillations:
        words = f"The front was not settled {times(len(scene.front_oscillations))}."
        said.append(html.P(words, className="say"))
    # the caution that goes with every change is the engineer's; what may break or has stopped working is the rider's
    cautions = [
        found.caution for found in scene.summary.findings if found.caution not in (None, "", CHANGE_CAUTION)
    ]
    return [
        *said,
        parts.cautions(cautions[:1]) if cautions else None,
    ]


def _travel_words(scene: Scene, end: End) -> str:
    found = scene.ends[end]
    if not found.judged:
        return f"The {end} was not judged:"
    seen = _seen(found)
    if found.bottomed:
        return f"The {end} ran out of travel {times(len(found.bottomed))}{seen}."
    return f"The {end} never ran out of travel{seen}."


def _seen(found: EndSummary) -> str:
    """How far a "never" reaches, where an end was measured for a part of the time only."""
    words = measured_time(found)
    return f", as far as it was measured ({words})" if words else ""


def _settled_words(scene: Scene) -> str:
    answer, rear = scene.summary.oscillation, scene.ends["rear"]
    if not rear.judged:
        return "Whether the rear stayed settled cannot be told."
    if answer.verdict == "cannot_tell":
        return f"Whether the rear stayed settled cannot be told: {answer.reason}"
    if lost_all_through(answer):
        return "The rear was hardly damped, all through the run."
    if scene.oscillations:
        return f"The rear was not settled {times(len(scene.oscillations))}."
    said = "The rear stayed settled" if scene.lap is None else "No unsettled stretch was found on this lap"
    return f"{said}{_seen(rear)}."


def places(scene: Scene) -> list[Any]:
    """Where it happened, one large line a place; where an end came all the way up stands apart."""
    say = partial(rider_place, names={corner.number: corner.name for corner in scene.summary.corners})
    out = grouped((stop for stop in scene.stops if stop.kind == "bottomed"), say)
    unsettled = [*grouped(scene.oscillations, say), *grouped(scene.front_oscillations, say, ringing="front")]
    up = grouped((stop for stop in scene.stops if stop.kind == "topped_out"), say)
    several = scene.lap is None
    parts_: list[Any] = []
    if out or unsettled:
        parts_.append(html.H2("Where"))
        parts_.append(
            html.Ul([_line(place, several) for place in (*out, *unsettled)], className="places big")
        )
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
                    html.Ul([_line(place, several) for place in up], className="places"),
                ]
            )
        )
    return parts_


def _line(place: Place, several_laps: bool) -> html.Li:
    shape, look = ("▬", "unsettled") if place.kind == "unsettled" else (_SHAPES[place.end], place.end)
    often = f", {times(len(place.laps))}" if len(place.laps) > len(set(place.laps)) else ""
    laps = f" {which_laps(place.laps)}" if several_laps and which_laps(place.laps) else ""
    return html.Li(
        [
            html.Span(shape, className=f"shape {look}", **{"aria-hidden": "true"}),
            html.Span(
                [
                    html.B(sentence(place.where)),
                    html.Br(),
                    f"{place.end} {RIDER_WORDS[place.kind]}{laps}{often}",
                ]
            ),
        ]
    )


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
