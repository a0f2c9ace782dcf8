"""The engineer's page: the answer, the lap with its map, each corner, the numbers of what is shown, the raw trace."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import flask
import numpy as np
from dash import Dash, Input, Output, Patch, html
from dash.exceptions import PreventUpdate

from dashboard import scene as scenes
from dashboard.figures import along, track
from dashboard.figures.along import ZOOMED_POINTS, LongLine, window
from dashboard.figures.document import drawn
from dashboard.figures.track import corner_picture
from dashboard.pages import felt, parts
from dashboard.pages.parts import Page, Screen, block, run_bar, section
from dashboard.printer import Printer, view_of
from dashboard.scene import Scene
from dashboard.shelf import Shelf
from dashboard.theme import Theme
from dashboard.urlstate import View, parse, to_query
from telemetry.arrays import ENDS, FloatArray
from telemetry.report import (
    POINTS,
    Caution,
    CornerLaps,
    Document,
    Figure,
    Spot,
    corner_laps,
    named_corners,
    review_document,
    stretch_document,
    track_picture,
    travel_picture,
    whole_run,
)
from telemetry.summary import CHANGE_CAUTION, number

PATH = "/"
# What each block follows, by its id: the names of the address.
_LAP = ("run", "lap", "at", "against")
_STRETCH = (*_LAP, "from", "to")
FOLLOWS = {
    "travel": _STRETCH,
    "map": ("run", "lap", "against"),
    "numbers": _STRETCH,
    "curves": _STRETCH,
    "corners": ("run", "lap", "at"),
    "places": ("run", "lap"),
    "trace": _STRETCH,
}
Answer = Callable[[Scene, Screen, bool], Any]
_CURVES = ("faster", "deeper", "speed", "use")
_MIRROR = (
    "Front above, rear below, drawn outwards from full extension. Grey band: 90 % of the samples of all laps."
)


def layout(shelf: Shelf, view: View, screen: Screen) -> list[Any]:
    """The page for a run and a lap."""
    scene = scenes.open_scene(shelf, view)
    theme = screen.theme
    amounts = shelf.amounts(view.run, start=False)
    document = review_document(replace(scene, summary=amounts.summary))
    printer = Printer(scene.view, theme)
    pictures = _first_pictures(scene, travel_block(shelf, scene, screen), map_block(scene, theme))
    start = scenes.chosen_lap(scene.summary, View())
    return parts.page(
        PATH,
        view,
        "Review",
        run_bar(PATH, shelf.runs(), scene.summary, scene.view, scene.lap, start),
        html.Section(
            [
                html.Div(_answer(document, printer), id="answer"),
                parts.amounts_tick("review", view.run, ready=amounts.ready),
                pictures,
            ],
            className="first",
            **{"aria-label": "The answer"},
        ),
        _corners_section(),
        printer.section(document["grid"], parts.save_bar("grid", "corner by lap", ("csv",))),
        block(
            "numbers", FOLLOWS["numbers"], html.Div(numbers_block(scene, printer), id="numbers"), fresh=True
        ),
        block("curves", FOLLOWS["curves"], _curves_section()),
        html.Div(_findings(document, printer), id="found"),
        felt.rider_section(shelf, view.run),
        section(
            "Where it happened",
            block(
                "places",
                FOLLOWS["places"],
                html.Div(places_block(document, printer), id="places"),
                fresh=True,
            ),
            note="In the lap that is shown, or in the whole run.",
        ),
        *(printer.section(document[name]) for name in ("places", "strokes", "trends", "laps")),
        _channels_section(),
        *(printer.section(document[name]) for name in ("quality", "how")),
    )


def _corners_section() -> html.Section:
    return section(
        "Corner by corner",
        block("corners", FOLLOWS["corners"], html.Div(id="corner-pictures")),
        note="This lap in colour, all laps grey, all on one scale. First: the corner where this lap differs most. "
        "Press a corner to show it.",
        name="corner-by-corner",
    )


def _channels_section() -> html.Section:
    """Every logged channel over the stretch that is shown."""
    return section(
        "Every channel",
        block(
            "trace",
            FOLLOWS["trace"],
            parts.graph("trace", {}, "long", "Every channel over the lap.", along=True),
        ),
        note="The part of the lap shown above; both pictures zoom together. The scale leaves out single spikes. "
        "Front and rear have the same scale.",
    )


def _answer(told: Document, printer: Printer) -> list[Any]:
    """The answer with the cautions of what may be dangerous; the one that goes with every change stands with it."""
    verdict = told["verdict"]
    if verdict is None:
        return []
    said, *cautions = verdict.blocks
    grave = [
        words
        for one in cautions
        if isinstance(one, Caution)
        for text in one.texts
        if (words := text.replace(CHANGE_CAUTION, "").strip())
    ]
    return printer.printed([said, *([Caution(tuple(grave))] if grave else [])])


def _findings(told: Document, printer: Printer) -> Any:
    return printer.section(told["findings"], _change_caution(told, printer))


def _change_caution(told: Document, printer: Printer) -> Any:
    verdict = told["verdict"]
    texts = [
        text for one in (verdict.blocks if verdict else ()) if isinstance(one, Caution) for text in one.texts
    ]
    return html.P(CHANGE_CAUTION, className="note") if any(CHANGE_CAUTION in text for text in texts) else None


def _first_pictures(scene: Scene, first: dict[str, Any], where: dict[str, Any]) -> html.Div:
    return html.Div(
        [
            html.P(first["shown"], id="shown", role="status", className="shown"),
            parts.zoom_bar(),
            html.P("", id="read-out", className="read-out", **{"aria-live": "off"}),
            block(
                "travel",
                FOLLOWS["travel"],
                parts.graph(
                    "travel",
                    first["travel"],
                    "tall",
                    "Travel of both ends over the lap; numbers below.",
                    along=True,
                ),
                fresh=True,
            ),
            block(
                "map",
                FOLLOWS["map"],
                parts.graph(
                    "map",
                    where["map"],
                    "map",
                    "Map of the lap; the places are in the tables below.",
                    proportions=where["proportions"],
                ),
                html.P(where["map-said"], id="map-said", className="note"),
                fresh=True,
            ),
            html.P(
                [_MIRROR, " ", html.Span(first["travel-said"], id="travel-said")], className="note key-line"
            ),
        ],
        className="first-pictures",
    )


def travel_block(shelf: Shelf, scene: Scene, screen: Screen) -> dict[str, Any]:
    """The travel picture, what it is of, and what is left out of it."""
    picture = travel_picture(scene, shelf.usual(scene.view.run, scene.view.plane))
    return {
        "travel": along.mirrored_travel(picture, screen.theme, scene.view.zoom, touch=screen.touch),
        "shown": scenes.shown_words(scene),
        "travel-said": said_of_axis(scene) + said_of_thinning(picture.x, scene.view.zoom),
    }


def map_block(scene: Scene, theme: Theme) -> dict[str, Any]:
    """The map with the places of the lap."""
    where = track_picture(scene)
    said = (
        "This log has no position, so the lap is drawn as a straight line."
        if where.straight
        else f"North is up; the bar is the start line. {named_corners(scene.summary.corners)}"
    )
    return {"map": track.track_map(where, theme), "proportions": track.proportions(where), "map-said": said}


def numbers_block(scene: Scene, printer: Printer) -> list[Any]:
    """The numbers of both ends and their balance over what is shown."""
    told = stretch_document(
        scenes.zoomed_scene(scene), scenes.corner_shown(scene), zoomed=scene.view.zoom is not None
    )
    return [printer.section(one) for one in told.sections]


def _curves_section() -> html.Section:
    pictures = [
        html.Div(
            [
                parts.graph(
                    name, {}, "middle" if name in ("faster", "deeper") else "low", f"{title}; numbers above."
                ),
                html.P("", id=f"{name}-said", className="note"),
            ]
        )
        for name, title in (
            ("faster", "Share of the time above each speed"),
            ("deeper", "Share of the time deeper than each travel"),
            ("speed", "Share of the time at each speed"),
            ("use", "Share of the time at each travel"),
        )
    ]
    return section(
        "How fast and how deep",
        html.Div(pictures, className="two-by-two"),
        note="Of the part shown above. Upper curves: share of the time in which the end was faster, or deeper, than "
        "the value below.",
    )


def curves_block(scene: Scene, theme: Theme) -> list[Any]:
    """Figures of speed and travel over what is shown, then their words."""
    document = review_document(scenes.zoomed_scene(scene))
    found = {
        one.name: one
        for name in ("speeds", "use")
        if (told_of := document[name])
        for one in told_of.blocks
        if isinstance(one, Figure)
    }
    figures = [drawn(found[name].picture, theme) if name in found else {} for name in _CURVES]
    return [*figures, *(found[name].caption if name in found else "" for name in _CURVES)]


def corners_block(scene: Scene, theme: Theme) -> list[Any]:
    """A small picture a corner, which is a link to it; then what was left of the travel in each."""
    chosen = None if scene.lap is None else scene.lap.lap
    corners = corner_laps(scene.summary, scene.column, scene.view.plane, chosen)
    if not corners:
        return [html.P("No corners are known in this log.")]
    span_mm = max(scene.stroke_mm.values(), default=130.0)
    numbers = html.A(
        "CSV",
        href=f"/corners/{scene.view.run}.csv" + to_query(replace(scene.view, run="", zoom=None)),
        className="button quiet",
        title="Save the numbers: travel in every corner, a row a lap and place",
    )
    return [
        html.Ul([_corner(one, chosen, span_mm, scene, theme) for one in corners], className="corner-grid"),
        parts.save_bar("corner-by-corner", "corner by corner", ("svg",), numbers),
        *_least_left(corners, scene),
    ]


def _least_left(corners: Sequence[CornerLaps], scene: Scene) -> list[Any]:
    """Travel that was left, by corner and lap, of the ends that have a stroke; the least of each end in bold."""
    ends = [end for end in ENDS if end in scene.stroke_mm and end in corners[0].deepest_mm]
    if not ends:
        return []
    left = {
        end: {one.corner.number: _left_mm(scene.stroke_mm[end], one.deepest_mm[end]) for one in corners}
        for end in ends
    }
    least = {
        end: np.nanmin([np.append(of, np.nan) for of in left[end].values()], initial=np.inf) for end in ends
    }

    def cell(one: CornerLaps, at: int) -> Any:
        parts_of: list[Any] = []
        for end in ends:
            value = left[end][one.corner.number][at]
            words = number(value if np.isfinite(value) else None)
            parts_of += [" / ", html.B(words) if value == least[end] else words]
        to = view_of(Spot("", one.laps[at], one.corner.apex_m, one.span_m), scene.view)
        return html.A(parts_of[1:], href=PATH + to_query(to), className="in place") if to else parts_of[1:]

    laps = corners[0].laps
    table = parts.table(
        ["[mm]", *(f"lap {lap}" for lap in laps)],
        (
            [f"corner {one.corner.number}", *(cell(one, at) for at in range(len(laps)))]
            for one in sorted(corners, key=lambda one: one.corner.number)
        ),
        f"Least travel left, {' / '.join(ends)}, by corner and lap; bold: least of all",
        classes=["", *["n"] * len(laps)],
    )
    return [html.Div([table, parts.save_bar("least-left", "least travel left", ("csv",))], id="least-left")]


def _left_mm(stroke_mm: float, deepest_mm: FloatArray) -> FloatArray:
    return np.maximum(stroke_mm - deepest_mm, 0.0)


def _corner(one: CornerLaps, chosen: int | None, span_mm: float, scene: Scene, theme: Theme) -> html.Li:
    name = f"Corner {one.corner.number}" + (f", {one.corner.name}" if one.corner.name else "")
    to = view_of(Spot(name, chosen, one.corner.apex_m, one.span_m), scene.view)
    known = one.unlike_mm == one.unlike_mm
    apart = (
        f"{number(one.unlike_mm, 1)} mm {'from the others' if chosen is not None else 'apart'}"
        if known
        else ""
    )
    picture = html.Img(
        src=corner_picture(one, chosen, span_mm, theme),
        alt=f"Travel of both ends in {name.lower()}, all laps",
    )
    here = [place for place, lap in enumerate(one.laps) if chosen in (None, lap)]
    left = ", ".join(
        f"{end} {number(float(np.min(known)))}"
        for end, deepest in one.deepest_mm.items()
        if end in scene.stroke_mm
        and len(known := _left_mm(scene.stroke_mm[end], deepest[here][np.isfinite(deepest[here])]))
    )
    least = html.Span(f"least left: {left} mm", className="note") if left else None
    content = [html.B(name), html.Span(apart, className="note"), picture, least]
    return html.Li(html.A(content, href=PATH + to_query(to), className="in corner") if to else content)


def places_block(told: Document, printer: Printer) -> list[Any]:
    """Where travel ran out and where an end was not settled."""
    return [*printer.blocks(told["stops"]), *printer.blocks(told["damping"])]


def trace_figure(scene: Scene, screen: Screen) -> Any:
    """Every channel of the stretch."""
    picture = travel_picture(scene)
    meta = {
        "all": list(along.full_range(picture.x)),
        "along": True,
        "corners": [[band.label, band.x0, band.x1] for band in picture.corners],
        "events": [],
    }
    return along.stacked(
        scenes.raw_channels(scene),
        scene.stretch.x,
        scene.stretch.title,
        screen.theme,
        scene.view.zoom,
        touch=screen.touch,
        meta=meta,
        bands=picture.corners,
    )


def said_of_axis(scene: Scene) -> str:
    """Why the axis is not the one that was asked for, when it is not."""
    if scene.stretch.against == scene.view.against:
        return ""
    why = "a whole run always is" if scene.lap is None else "the distance is not known everywhere on this lap"
    return f"Drawn along time: {why}. "


def said_of_thinning(x: FloatArray, zoom: tuple[float, float] | None, points: int = POINTS) -> str:
    """How much of what was logged is drawn."""
    cut = window(x, zoom)
    count = cut.stop - cut.start
    if count <= points:
        return f"Every sample is drawn ({number(count)})."
    return (
        f"{number(points)} of {number(count)} samples are drawn, with every extreme kept; "
        "zoom in to see each one."
    )


def zoomed(lines: Sequence[LongLine], x: FloatArray, zoom: tuple[float, float] | None) -> Patch:
    """New samples for the lines of a figure, and its range."""
    patch = Patch()
    for place, line in enumerate(lines):
        patch["data"][place]["x"], patch["data"][place]["y"] = line.packed(zoom)
    patch["layout"]["xaxis"]["range"] = list(zoom or along.full_range(x))
    return patch


def _long_lines(
    shelf: Shelf, scene: Scene, picture: str, lines: Callable[[], Sequence[FloatArray]]
) -> list[LongLine]:
    """The lines of a picture, which no zoom of the lap changes."""

    def made() -> list[LongLine]:
        return [LongLine(scene.stretch.x, np.asarray(values, dtype=np.float32)) for values in lines()]

    return shelf.kept((picture, replace(scene.view, zoom=None)), made)


def _register_numbers(server: flask.Flask, shelf: Shelf) -> None:
    """``/corners/RUN.csv``: the lines of the small pictures, a row a corner, lap, end and place."""

    @server.get("/corners/<run_id>.csv")
    def corners_csv(run_id: str) -> flask.Response:
        asked = "?" + flask.request.query_string.decode("ascii", "replace")
        scene = scenes.open_scene(shelf, replace(parse(asked), run=run_id))
        plane, chosen = scene.view.plane, None if scene.lap is None else scene.lap.lap
        lines = [f"corner,lap,end,distance [m],{plane} travel [mm]"]
        for one in corner_laps(scene.summary, scene.column, plane, chosen):
            for end, lines_mm in one.travel_mm.items():
                low, high = one.span_m
                along = low + (np.arange(lines_mm.shape[1]) + 0.5) * (high - low) / lines_mm.shape[1]
                lines += [
                    f"{one.corner.number},{lap},{end},{at:.2f},{value:.2f}"
                    for lap, values in zip(one.laps, lines_mm, strict=True)
                    for at, value in zip(along, values, strict=True)
                    if np.isfinite(value)
                ]
        answer = flask.Response("\n".join(lines) + "\n", mimetype="text/csv")
        answer.headers["Content-Disposition"] = f'attachment; filename="{run_id}-corners.csv"'
        return answer


def register(app: Dash, shelf: Shelf) -> None:
    """What changes in place: each block when it is in view and something that it follows has changed."""
    _register_numbers(app.server, shelf)

    def follow(name: str, *outputs: Output) -> Callable[[Answer], Answer]:
        def register(answer: Answer) -> Answer:
            @app.callback(*outputs, Input(f"{name}-want", "data"), prevent_initial_call=True)
            def show(said: dict[str, Any] | None) -> Any:
                if said is None:  # asked by a page that has just been left
                    raise PreventUpdate
                scene = scenes.open_scene(shelf, parse(said["search"]))
                return answer(scene, Screen.read(said["screen"]), bool(said.get("only_zoom")))

            return answer

        return register

    @follow(
        "travel", Output("travel", "figure"), Output("shown", "children"), Output("travel-said", "children")
    )
    def show_travel(scene: Scene, screen: Screen, only_zoom: bool) -> list[Any]:
        return travel_answer(shelf, scene, screen, only_zoom=only_zoom)

    @follow("map", Output("map", "figure"), Output("map-said", "children"))
    def show_map(scene: Scene, screen: Screen, _: bool) -> list[Any]:
        shown = map_block(scene, screen.theme)
        return [shown["map"], shown["map-said"]]

    @follow("numbers", Output("numbers", "children"))
    def show_numbers(scene: Scene, screen: Screen, _: bool) -> list[Any]:
        return numbers_block(scene, Printer(scene.view, screen.theme))

    @follow(
        "curves",
        *(Output(name, "figure") for name in _CURVES),
        *(Output(f"{name}-said", "children") for name in _CURVES),
    )
    def show_curves(scene: Scene, screen: Screen, _: bool) -> list[Any]:
        return curves_block(scene, screen.theme)

    @follow("corners", Output("corner-pictures", "children"))
    def show_corners(scene: Scene, screen: Screen, _: bool) -> list[Any]:
        return corners_block(scene, screen.theme)

    @follow("places", Output("places", "children"))
    def show_places(scene: Scene, screen: Screen, _: bool) -> list[Any]:
        return places_block(review_document(scene), Printer(scene.view, screen.theme))

    @follow("trace", Output("trace", "figure"))
    def show_trace(scene: Scene, screen: Screen, only_zoom: bool) -> Any:
        return trace_answer(shelf, scene, screen, only_zoom=only_zoom)

    _register_amounts(app, shelf)


def _register_amounts(app: Dash, shelf: Shelf) -> None:
    @parts.follow_amounts(app, "review", Output("answer", "children"), Output("found", "children"))
    def show_amounts(run_id: str, query: str) -> tuple[list[Any], bool]:
        amounts, view = shelf.amounts(run_id), replace(parse(query), run=run_id)
        told = review_document(whole_run(amounts.summary))
        printer = Printer(view, Screen.read("").theme)
        return [_answer(told, printer), _findings(told, printer)], amounts.ready


def travel_answer(shelf: Shelf, scene: Scene, screen: Screen, *, only_zoom: bool) -> list[Any]:
    """The travel picture and its words; for another zoom of the same lap only the samples of it."""
    if not only_zoom:
        shown = travel_block(shelf, scene, screen)
        return [shown["travel"], shown["shown"], shown["travel-said"]]
    x, zoom = scene.stretch.x, scene.view.zoom
    lines = _long_lines(shelf, scene, "travel", lambda: along.travel_lines(travel_picture(scene)))
    patch = zoomed(lines, x, zoom)
    return [patch, scenes.shown_words(scene), said_of_axis(scene) + said_of_thinning(x, zoom, ZOOMED_POINTS)]


def trace_answer(shelf: Shelf, scene: Scene, screen: Screen, *, only_zoom: bool) -> Any:
    """The raw trace; for another zoom of the same lap only the samples of it."""
    if not only_zoom:
        return trace_figure(scene, screen)
    lines = _long_lines(shelf, scene, "trace", lambda: along.channel_lines(scenes.raw_channels(scene)))
    return zoomed(lines, scene.stretch.x, scene.view.zoom)


PAGE = Page(PATH, "Review", layout, register, nav_position=2, of_one_run=True)
