"""The engineer's page: what each end did on this lap, from the verdict down to the raw trace."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from typing import Any, Literal

import numpy as np
from dash import Dash, Input, Output, Patch, State, ctx, dcc, html
from dash.exceptions import PreventUpdate

from dashboard import scene as scenes
from dashboard.figures import trace, track, travel
from dashboard.figures.halves import drawn
from dashboard.pages import felt, parts
from dashboard.pages.parts import Screen, section
from dashboard.printer import Printer
from dashboard.scene import Scene
from dashboard.shelf import Shelf
from dashboard.theme import Theme
from dashboard.thin import LongLine, window
from dashboard.urlstate import View, parse, to_query
from telemetry.arrays import ENDS, FloatArray
from telemetry.findings import travel_sentence
from telemetry.report import (
    POINTS,
    Document,
    Figure,
    Section,
    named_corners,
    review_document,
    track_picture,
    travel_picture,
)
from telemetry.summary import lap_time, lap_words, number

PATH = "/"
VIEW = "review-view"
_LINES_KEPT = 2  # of two laps or runs: those of 2 h at 1 kHz are 0.3 GB
Zoom = tuple[float, float] | Literal["all"]
_MIRROR = (
    "Front above the line, rear below it, both measured outwards from full extension: at the wheel on one "
    "scale, at the shaft each over its own stroke. Where both ends move together the picture is symmetrical."
)


def layout(shelf: Shelf, view: View, screen: Screen) -> list[Any]:
    """The page for a run and a lap.

    Raises
    ------
    LogbookError
        If there is no such run.
    """
    scene = scenes.open_scene(shelf, view)
    shown = render(shelf, scene, screen)
    told, printer = review_document(scene), Printer(scene.view, screen.theme)
    return parts.page(
        PATH,
        view,
        "Review",
        dcc.Store(id=VIEW, data={"search": to_query(view), "screen": screen.words}),
        _bar(shelf, scene, view),
        printer.section(told["verdict"], html.Div(shown["lead"], id="lead", role="status")),
        section(
            "Travel over the lap",
            _zoom_bar(),
            parts.graph(
                "travel", shown["travel"], "tall", "Travel of both ends over the lap; numbers below."
            ),
            html.P(shown["travel-said"], id="travel-said", className="note"),
            _key(),
            note=_MIRROR,
        ),
        section(
            "Where on the lap",
            html.Div(
                [
                    parts.graph(
                        "map",
                        shown["map"],
                        "map",
                        "Map of the lap; the places are in the tables beside it.",
                        proportions=shown["proportions"],
                    ),
                    html.Div(shown["places"], id="places"),
                ],
                className="pair",
            ),
            note=html.Span(shown["map-said"], id="map-said"),
        ),
        _picture(told["speeds"], shown, "speed"),
        _picture(told["use"], shown, "use"),
        printer.section(told["findings"]),
        felt.said_section(shelf, view.run),
        html.Div(shown["numbers"], id="numbers"),
        *(printer.section(told[name]) for name in ("places", "strokes", "trends", "laps", "quality", "how")),
        section(
            "The raw trace",
            parts.graph("trace", shown["trace"], "long", "Every channel over the lap."),
            note="The same stretch as the travel picture; a zoom in one is a zoom in both. Front and rear have the "
            "same scale.",
        ),
    )


def _key() -> html.Ul:
    words = (
        "▲ ▼ filled, pointing outwards: bottomed",
        "△ ▽ open, at the centre line: topped out",
        "boxed, below: rear not settled",
        "grey: masked, not used",
        "dashed line: end of the stroke",
    )
    return html.Ul([html.Li(text) for text in words], className="key")


def _picture(told: Section | None, shown: dict[str, Any], name: str) -> Any:
    """A picture of the document in a graph that stays while the lap changes."""
    if told is None:
        return None
    figure = told.blocks[0]
    assert isinstance(figure, Figure)
    graph = parts.graph(name, shown[name], "middle", f"{figure.picture.title}; numbers below.")
    return section(told.title, graph, note=html.Span(shown[f"{name}-said"], id=f"{name}-said"))


def _bar(shelf: Shelf, scene: Scene, view: View) -> html.Div:
    return html.Div(
        [
            parts.run_choice(shelf.runs(), view.run),
            parts.lap_choice(scene.summary, scene.lap, scenes.chosen_lap(scene.summary, View())),
            parts.either("Measured at", "at", (("wheel", "wheel"), ("shaft", "shaft")), view.plane),
            parts.either("Along", "against", (("distance", "distance"), ("time", "time")), view.against),
            html.A("Printable debrief", href=f"/debrief/{view.run}", target="_blank", className="button"),
        ],
        className="bar",
        role="group",
        **{"aria-label": "What is shown"},
    )


def _zoom_bar() -> html.Div:
    steps = (
        ("closer", "Closer", "+"),
        ("wider", "Wider", "−"),
        ("earlier", "◀ Earlier", "←"),
        ("later", "Later ▶", "→"),
        ("all", "All of it", "0"),
    )
    return html.Div(
        [
            html.Button(words, title=f"key {key}", className="quiet", **{"data-zoom": step})
            for step, words, key in steps
        ],
        className="zoom",
        role="group",
        **{"aria-label": "Zoom of the travel picture"},
    )


def render(shelf: Shelf, scene: Scene, screen: Screen) -> dict[str, Any]:
    """Everything on the page that follows the lap, the plane, the axis or the theme, by its id."""
    view, theme = scene.view, screen.theme
    picture = travel_picture(scene)
    where = track_picture(scene)
    told, printer = review_document(scene), Printer(view, theme)
    return {
        "lead": lead(scene),
        "travel": travel.mirrored_travel(picture, theme, view.zoom, touch=screen.touch),
        "travel-said": said_of_axis(scene) + said_of_thinning(picture.x, view.zoom),
        "map": track.track_map(where, theme),
        "proportions": track.proportions(where),
        "map-said": "This log has no position, so the lap is drawn as a straight line."
        if where.straight
        else "North is up. Numbers are corners; the bar is where the lap starts. "
        + named_corners(scene.summary.corners),
        "places": [*printer.blocks(told["stops"]), *printer.blocks(told["damping"])],
        **_figures(told, theme),
        "numbers": [printer.section(told[name]) for name in ("ends", "balance")],
        "trace": trace.stacked(
            scenes.raw_channels(scene),
            scene.stretch.x,
            scene.stretch.title,
            theme,
            view.zoom,
            touch=screen.touch,
        ),
    }


def _figures(told: Document, theme: Theme) -> dict[str, Any]:
    """The pictures of speed and travel of the document, and their words."""
    figures = [block for name in ("speeds", "use") if (found := told[name]) for block in found.blocks]
    drawn_now = {one.name: drawn(one.picture, theme) for one in figures if isinstance(one, Figure)}
    return drawn_now | {f"{one.name}-said": one.caption for one in figures if isinstance(one, Figure)}


def lead(scene: Scene) -> str:
    """The chosen lap in one sentence, then each end."""
    if scene.lap is None:
        complete = sum(lap.complete for lap in scene.summary.laps)
        return f"Shown below: the whole run, {complete} complete of {len(scene.summary.laps)} laps."
    lap = scene.lap
    name = f"lap {lap_words(lap.lap, lap.complete, lap.kind)}, {lap_time(lap.time_s)}"
    return " ".join((f"Shown below: {name}.", *(travel_sentence(end, lap.ends[end]) for end in ENDS)))


def said_of_axis(scene: Scene) -> str:
    """Why the axis is not the one that was asked for, when it is not."""
    if scene.stretch.against == scene.view.against:
        return ""
    why = "a whole run always is" if scene.lap is None else "the distance is not known everywhere on this lap"
    return f"Drawn along time: {why}. "


def said_of_thinning(x: FloatArray, zoom: tuple[float, float] | None) -> str:
    """How much of what was logged is drawn."""
    cut = window(x, zoom)
    count = cut.stop - cut.start
    if count <= POINTS:
        return f"Every sample is drawn ({number(count)})."
    return (
        f"{number(POINTS)} of {number(count)} samples are drawn, with every extreme kept; "
        "zoom in to see each one."
    )


def zoom_wanted(said: Mapping[str, Any] | None) -> Zoom | None:
    """The stretch a graph reports after a zoom; None when it reports something else, such as a new size."""
    if not said:
        return None
    if "xaxis.range[0]" in said and "xaxis.range[1]" in said:
        return float(said["xaxis.range[0]"]), float(said["xaxis.range[1]"])
    return "all" if said.get("xaxis.autorange") else None


@dataclass(frozen=True)
class LongLines:
    """The lines that a zoom replaces, of both pictures in the order they are drawn."""

    x: FloatArray
    travel: tuple[LongLine, ...]
    trace: tuple[LongLine, ...]
    said_of_axis: str


def long_lines(shelf: Shelf, view: View) -> LongLines:
    """What a zoom needs of a run and lap, and what does not depend on the zoom."""
    scene = scenes.open_scene(shelf, view)
    x = scene.stretch.x

    def long(lines: list[FloatArray]) -> tuple[LongLine, ...]:
        return tuple(LongLine(x, np.asarray(values, dtype=np.float32)) for values in lines)

    return LongLines(
        x,
        long(travel.lines(travel_picture(scene))),
        long(trace.lines(scenes.raw_channels(scene))),
        said_of_axis(scene),
    )


def zoomed(lines: tuple[LongLine, ...], x: FloatArray, zoom: tuple[float, float] | None) -> Patch:
    """New samples for the lines of a figure, and its range."""
    patch = Patch()
    for place, line in enumerate(lines):
        patch["data"][place]["x"], patch["data"][place]["y"] = line.packed(zoom)
    patch["layout"]["xaxis"]["range"] = list(zoom or travel.full_range(x))
    return patch


def register(app: Dash, shelf: Shelf) -> None:
    """What changes in place: another lap, plane, axis or theme; and a zoom."""
    places = (
        *(Output(name, "figure") for name in ("travel", "map", "speed", "use", "trace")),
        *(
            Output(name, "children")
            for name in ("lead", "travel-said", "map-said", "speed-said", "use-said", "places", "numbers")
        ),
    )

    lines_of = lru_cache(maxsize=_LINES_KEPT)(partial(long_lines, shelf))

    @app.callback(*places, Input(VIEW, "data"), prevent_initial_call=True)
    def show(said: dict[str, str]) -> list[Any]:
        scene = scenes.open_scene(shelf, parse(said["search"]))
        shown = render(shelf, scene, Screen.read(said["screen"]))
        return [shown[place.component_id] for place in places]

    @app.callback(
        Output("travel", "figure", allow_duplicate=True),
        Output("trace", "figure", allow_duplicate=True),
        Output("travel-said", "children", allow_duplicate=True),
        Input("travel", "relayoutData"),
        Input("trace", "relayoutData"),
        State(VIEW, "data"),
        prevent_initial_call=True,
    )
    def zoom(of_travel: dict | None, of_trace: dict | None, now: dict[str, str]) -> Any:
        wanted = zoom_wanted(of_trace if ctx.triggered_id == "trace" else of_travel)
        if wanted is None:
            raise PreventUpdate
        return zoom_answer(lines_of(replace(parse(now["search"]), zoom=None)), wanted)


def zoom_answer(lines: LongLines, wanted: Zoom) -> list[Any]:
    """Both long pictures for the stretch that one of them asks for."""
    zoom = None if wanted == "all" else travel.within(wanted, lines.x)
    return [
        zoomed(lines.travel, lines.x, zoom),
        zoomed(lines.trace, lines.x, zoom),
        lines.said_of_axis + said_of_thinning(lines.x, zoom),
    ]
