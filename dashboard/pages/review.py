"""The engineer's page: what each end did on this lap, from the verdict down to the raw trace."""

from collections.abc import Mapping
from typing import Any, Literal

from dash import Dash, Input, Output, Patch, State, ctx, dcc, html
from dash.exceptions import PreventUpdate

from dashboard import scene as scenes
from dashboard.figures import histogram, trace, track, travel
from dashboard.lapmap import track_picture
from dashboard.pages import numbers, parts, trust
from dashboard.pages.parts import Screen, section
from dashboard.scene import Scene
from dashboard.shelf import Shelf
from dashboard.thin import POINTS, packed_line, window
from dashboard.urlstate import View, parse, to_query
from telemetry.arrays import FloatArray
from telemetry.damping.oscillation import dampers_in_doubt
from telemetry.findings import nothing_asks
from telemetry.laps import lap_length_m
from telemetry.report.rows_motion import (
    PLACE_COLUMNS,
    STROKE_COLUMNS,
    TREND_COLUMNS,
    light_words,
    packing_words,
    place_rows,
    stroke_rows,
    trend_rows,
)
from telemetry.report.words import cautions, named_corners
from telemetry.summary import Summary
from telemetry.wording import number

PATH = "/"
VIEW = "review-view"
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
    return parts.page(
        PATH,
        view,
        "Review",
        dcc.Store(id=VIEW, data={"search": to_query(view), "screen": screen.words}),
        _bar(shelf, scene, view),
        section(
            "The verdict",
            parts.sentences(scene.summary.verdicts),
            html.Div(shown["lead"], id="lead", role="status"),
            note="Of the whole run, most important first.",
        ),
        section(
            "Travel over the lap",
            _zoom_bar(),
            parts.graph(
                "travel", shown["travel"], "tall", "Travel of both ends over the lap; numbers below."
            ),
            html.P(shown["travel-said"], id="travel-said", className="note"),
            html.Ul(
                [
                    html.Li("▲ ▼ filled, pointing outwards: bottomed"),
                    html.Li("△ ▽ open, at the centre line: topped out"),
                    html.Li("boxed, below: rear not settled"),
                    html.Li("grey: masked, not used"),
                    html.Li("dashed line: end of the stroke"),
                ],
                className="key",
            ),
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
        section(
            "Speed, back to back",
            parts.graph("speed", shown["speed"], "middle", "Histograms of speed; numbers below."),
            note="Share of time at each speed. The dashed outline is the other end, repeated, so that a "
            "difference is seen where it is. At the shaft, dotted lines part low and high speed.",
        ),
        section(
            "Travel used",
            parts.graph("use", shown["use"], "middle", "Histograms of travel; numbers below."),
            note="Share of time at each travel. The bar runs from least to most travel; diamond: median, "
            "circle: 95 % of the time below; dashed line: end of the stroke.",
        ),
        _findings(scene),
        section("The numbers", html.Div(shown["numbers"], id="numbers")),
        *_whole_run(scene.summary),
        section("Every lap", numbers.laps_table(scene.summary, view)),
        section(
            "Can the log be trusted",
            *trust.quality(scene.summary),
            name="quality",
            note="Invalid samples are left out of every number, never filled in.",
        ),
        section(
            "The raw trace",
            parts.graph("trace", shown["trace"], "long", "Every channel over the lap."),
            note="The same stretch as the travel picture; a zoom in one is a zoom in both. Front and rear have the "
            "same scale.",
        ),
    )


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


def _whole_run(summary: Summary) -> list[Any]:
    """What only a whole run tells: light wheels, packing, use by place, strokes, and what shifts from lap to lap."""
    lap_m = lap_length_m(summary.laps)
    found = [
        html.P(words)
        for words in (*light_words(summary.light, lap_m), *packing_words(summary.packing, lap_m))
    ]
    tables = (
        ("Travel by phase and corner", PLACE_COLUMNS, place_rows(summary, corners=True)),
        ("Strokes by depth: how many, and the median of their peak wheel speed [mm/s]", STROKE_COLUMNS,
         stroke_rows(summary)),
        ("Shift over the outing", TREND_COLUMNS, trend_rows(summary)),
    )  # fmt: skip
    for caption, head, rows in tables:
        if rows:
            classes = ("", *["n"] * (len(head) - 1))
            found.append(
                html.Details([html.Summary(caption), parts.table(head, rows, caption, classes=classes)])
            )
    if not found:
        return []
    note = (
        "Means over laps with their standard error; a shift is named where it is beyond chance and matters."
    )
    return [section("Over the whole run", *found, note=note)]


def _findings(scene: Scene) -> Any:
    if nothing := nothing_asks(scene.summary):
        return section("What to change", *map(html.P, nothing))
    return section(
        "What stands out",
        parts.cautions(cautions(scene.summary)),
        html.Ul([parts.finding(found) for found in scene.summary.findings], className="findings"),
        note=""
        if dampers_in_doubt(scene.summary.oscillation)
        else "One change at a time; the rider and the maker's limits have the last word.",
    )


def render(shelf: Shelf, scene: Scene, screen: Screen) -> dict[str, Any]:
    """Everything on the page that follows the lap, the plane, the axis or the theme, by its id."""
    view, theme = scene.view, screen.theme
    planes = scene.planes
    picture = scenes.travel_picture(shelf, scene)
    where = track_picture(shelf, scene)
    return {
        "lead": numbers.lead(scene),
        "travel": travel.mirrored_travel(picture, theme, view.zoom, touch=screen.touch),
        "travel-said": said_of_axis(scene) + said_of_thinning(picture.x, view.zoom),
        "map": track.track_map(where, theme),
        "proportions": track.proportions(where),
        "map-said": "This log has no position, so the lap is drawn as a straight line."
        if where.straight
        else "North is up. Numbers are corners; the bar is where the lap starts. "
        + named_corners(scene.summary.corners),
        "places": numbers.places(scene, theme),
        "speed": histogram.speed_histogram(
            {end: plane.speed_histogram for end, plane in planes.items()},
            theme,
            plane=view.plane,
            split_mm_s=scene.speed_split_mm_s,
        ),
        "use": histogram.travel_use(
            {end: plane.travel_histogram for end, plane in planes.items()},
            {end: plane.travel for end, plane in planes.items()},
            scene.stroke_mm,
            theme,
            plane=view.plane,
        ),
        "numbers": numbers.numbers(scene),
        "trace": trace.stacked(
            scenes.raw_channels(shelf, scene),
            scene.stretch.x,
            scene.stretch.title,
            theme,
            view.zoom,
            touch=screen.touch,
        ),
    }


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


def zoomed(lines: list[FloatArray], x: FloatArray, zoom: tuple[float, float] | None) -> Patch:
    """New samples for the lines of a figure, and its range."""
    patch = Patch()
    for place, values in enumerate(lines):
        patch["data"][place]["x"], patch["data"][place]["y"] = packed_line(x, values, zoom)
    patch["layout"]["xaxis"]["range"] = list(zoom or travel.full_range(x))
    return patch


def register(app: Dash, shelf: Shelf) -> None:
    """What changes in place: another lap, plane, axis or theme; and a zoom."""
    places = (
        *(Output(name, "figure") for name in ("travel", "map", "speed", "use", "trace")),
        *(Output(name, "children") for name in ("lead", "travel-said", "map-said", "places", "numbers")),
    )

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
        return zoom_answer(shelf, wanted, now["search"])


def zoom_answer(shelf: Shelf, wanted: Zoom, search: str) -> list[Any]:
    """Both long pictures for the stretch that one of them asks for."""
    scene = scenes.open_scene(shelf, parse(search))
    x = scene.stretch.x
    zoom = None if wanted == "all" else travel.within(wanted, x)
    picture = scenes.travel_picture(shelf, scene)
    return [
        zoomed(travel.lines(picture), x, zoom),
        zoomed(trace.lines(scenes.raw_channels(shelf, scene)), x, zoom),
        said_of_axis(scene) + said_of_thinning(x, zoom),
    ]
