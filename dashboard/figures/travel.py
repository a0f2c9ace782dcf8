"""The signature picture: travel of both ends over a lap, mirrored, front above the line and rear below.

Both are measured outwards from full extension, on the same scale. Where both ends move together the picture
is symmetrical.
"""

import numpy as np
import plotly.graph_objects as go

from dashboard.theme import Theme, across, box, template, words
from dashboard.thin import packed_line
from telemetry.arrays import ENDS, End, FloatArray
from telemetry.report import TravelPicture

# Lower and upper edge of each panel, as shares of the height of the picture.
PANELS: dict[str, tuple[float, float]] = {"front": (0.58, 1.0), "rear": (0.16, 0.58), "speed": (0.0, 0.12)}
_AXES = {"front": "y", "rear": "y2", "speed": "y3"}
# Room beyond the stroke, so that a mark at the stop is not cut.
HEADROOM = 1.16
_STEPS_MM = (10.0, 20.0, 25.0, 50.0, 100.0)
# More words than this beside the marks of one end would be written over each other.
_MOST_WORDS = 6
# plotly.js draws more ticks than this on request; more are not read.
_MOST_TICKS = 4


def lines(picture: TravelPicture) -> list[FloatArray]:
    """The long lines in the order they are drawn: a zoom replaces exactly these."""
    return [values for _, values in _named_lines(picture)]


def _named_lines(picture: TravelPicture) -> list[tuple[str, FloatArray]]:
    found = [(str(end), picture.travel_mm[end]) for end in ENDS if end in picture.travel_mm]
    return found if picture.speed_km_h is None else [*found, ("speed", picture.speed_km_h)]


def full_range(x: FloatArray) -> tuple[float, float]:
    """The whole axis; never empty, so that plotly does not choose one of its own."""
    if not len(x):
        return 0.0, 1.0
    low, high = float(x[0]), float(x[-1])
    return (low, high) if high > low else (low, low + 1.0)


def reading_axis(title: str) -> dict:
    """A horizontal axis along which all panels are read at the cursor; its title ends in its [unit]."""
    return {
        "title": {"text": title},
        "showgrid": False,
        "zeroline": False,
    }


def within(zoom: tuple[float, float] | None, x: FloatArray) -> tuple[float, float] | None:
    """A zoom cut to the axis; None, all of it, when it lies outside or covers everything."""
    if zoom is None:
        return None
    low, high = full_range(x)
    cut = max(zoom[0], low), min(zoom[1], high)
    return None if cut[0] >= cut[1] or cut == (low, high) else cut


def mirrored_travel(
    picture: TravelPicture, theme: Theme, zoom: tuple[float, float] | None = None, *, touch: bool = False
) -> go.Figure:
    """Front above, rear below, both outwards; road speed as a strip at the foot.

    Parameters
    ----------
    zoom : (float, float) or None
    touch : bool
        On a touch screen a sideways drag reads values and a vertical one scrolls the page.
    """
    drawn = [
        _line(name, *packed_line(picture.x, values, zoom), theme, name in picture.usual)
        for name, values in _named_lines(picture)
    ]
    marks = [mark for end in ENDS for mark in _stop_marks(picture, end, theme)]
    bands = [line for end in ENDS if end in picture.usual for line in _usual(picture, end, theme)]
    return go.Figure(data=[*drawn, *bands, *marks], layout=_layout(picture, theme, zoom, touch))


def _usual(picture: TravelPicture, end: End, theme: Theme) -> list[go.Scatter]:
    """The usual lap as a band behind the line."""
    x, low, high = picture.usual[end]
    common = {
        "x": x,
        "yaxis": _AXES[end],
        "mode": "lines",
        "line": {"width": 0},
        "hoverinfo": "skip",
        "zorder": 0,
    }
    return [
        go.Scatter(y=low, name=f"{end}, usual least", **common),
        go.Scatter(y=high, name=f"{end}, usual most", fill="tonexty", fillcolor=theme.usual_fill, **common),
    ]


def _line(name: str, x: dict[str, str], y: dict[str, str], theme: Theme, usual: bool) -> go.Scatter:
    if name == "speed":
        return go.Scatter(
            x=x,
            y=y,
            name="road speed",
            yaxis="y3",
            mode="lines",
            line={"color": theme.soft, "width": 1.2},
            meta={"read": "road speed", "unit": "km/h", "digits": 0},
            zorder=2,
        )
    return go.Scatter(
        x=x,
        y=y,
        name=name,
        yaxis=_AXES[name],
        mode="lines",
        line={"color": theme.of(name), "width": 1.3},
        # with the usual lap behind it a filled line would hide it
        fill="none" if usual else "tozeroy",
        fillcolor=theme.fill(name),
        meta={"read": name, "unit": "mm", "digits": 1},
        zorder=2,
    )


def _stop_marks(picture: TravelPicture, end: End, theme: Theme) -> list[go.Scatter]:
    """Filled arrow heads, outwards, where an end bottomed; open ones, inwards, where it topped out."""
    colour = theme.word(end)
    outwards, inwards = (
        ("triangle-up", "triangle-down") if end == "front" else ("triangle-down", "triangle-up")
    )
    drawn = []
    for kind, symbol in (("bottomed", outwards), ("topped_out", f"{inwards}-open")):
        chosen = [mark for mark in picture.marks if mark.end == end and mark.kind == kind]
        if not chosen:
            continue
        # Beside the line, not on it: beyond the deepest travel, or just off the centre line.
        offset = 0.045 * span_mm(picture, end)
        drawn.append(
            go.Scatter(
                x=[mark.x for mark in chosen],
                y=[mark.travel_mm + offset if kind == "bottomed" else offset for mark in chosen],
                text=[mark.text for mark in chosen],
                yaxis=_AXES[end],
                mode="markers+text" if kind == "bottomed" and len(chosen) <= _MOST_WORDS else "markers",
                texttemplate="bottomed",
                textposition="middle right",
                textfont={"color": colour, "size": 12},
                cliponaxis=False,
                zorder=3,
                marker={
                    "symbol": symbol,
                    "size": 12 if kind == "bottomed" else 8,
                    "color": colour,
                    "line": {"width": 1.5, "color": colour},
                },
                hoverinfo="skip",
                name=f"{end} {kind}",
            )
        )
    return drawn


def span_mm(picture: TravelPicture, end: End) -> float:
    """What one half reaches to.

    At the wheel it is the longer of both strokes: both halves have one scale, or the mirror would lie. Strokes
    of fork leg and shock are not alike, so at the shaft each half has its own.
    """
    longest = max(picture.stroke_mm.values(), default=130.0)
    return picture.stroke_mm.get(end, longest) if picture.plane == "shaft" else longest


def _travel_axis(picture: TravelPicture, end: End) -> dict:
    span = span_mm(picture, end)
    step = next((s for s in _STEPS_MM if span / s <= _MOST_TICKS), 100.0)
    reach = span * HEADROOM
    return {
        "domain": PANELS[end],
        "range": [0, reach] if end == "front" else [reach, 0],
        "tickvals": [float(v) for v in np.arange(step, span + 1e-9, step)],
        "fixedrange": True,
        "zeroline": True,
        "ticklabelstandoff": 4,
    }


def _layout(picture: TravelPicture, theme: Theme, zoom: tuple[float, float] | None, touch: bool) -> go.Layout:
    return go.Layout(
        template=template(theme),
        # For the page's script: all of the axis, what can be pressed, and that one cursor is read along it.
        meta={
            "all": list(full_range(picture.x)),
            "along": True,
            "corners": [[band.label, band.x0, band.x1] for band in picture.corners],
            "events": [
                *([mark.x, mark.x, f"{mark.end} {mark.text}"] for mark in picture.marks),
                *([band.x0, band.x1, "rear not settled"] for band in picture.unsettled),
            ],
        },
        dragmode=False if touch else "zoom",
        hovermode=False,
        margin={"l": 40, "r": 46, "t": 22, "b": 42},
        xaxis={
            **reading_axis(picture.x_title),
            "range": list(zoom or full_range(picture.x)),
            "anchor": "y3",
        },
        yaxis=_travel_axis(picture, "front"),
        yaxis2={**_travel_axis(picture, "rear"), "anchor": "x"},
        yaxis3={"fixedrange": True, "domain": PANELS["speed"], "nticks": 3, "anchor": "x", "zeroline": False},
        shapes=_shapes(picture, theme),
        annotations=_annotations(picture, theme),
    )


def _shapes(picture: TravelPicture, theme: Theme) -> list[dict]:
    foot, top = PANELS["rear"][0], PANELS["front"][1]
    return [
        *(box(b.x0, b.x1, foot, top, theme.corner_fill, layer="below") for b in picture.corners),
        *(box(b.x0, b.x1, *PANELS["rear"], theme.unsettled_fill, edge=theme.unsettled) for b in picture.unsettled),
        *(
            box(b.x0, b.x1, *PANELS[end], theme.masked_fill)
            for end, bands in picture.masked.items()
            for b in bands
        ),
        *(
            {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "yref": _AXES[end], "y0": stroke_mm, "y1": stroke_mm,
             "line": {"color": theme.of(end), "width": 1, "dash": "dash"}}
            for end, stroke_mm in picture.stroke_mm.items()
        ),
        *(across(b.x0, 0, 1, theme.soft, 1, "dot") for b in picture.dividers),
    ]  # fmt: skip


def _annotations(picture: TravelPicture, theme: Theme) -> list[dict]:
    # Names stand beside the panels, never on them: there is data.
    beside = {"xref": "paper", "x": 1.004, "xanchor": "left", "yanchor": "middle"}
    foot = PANELS["rear"][0]
    notes = [
        words(b.label, theme.soft, x=(b.x0 + b.x1) / 2, y=1.0, yanchor="bottom")
        for b in (*picture.corners, *picture.dividers)
        if b.label
    ]
    notes += [
        words(b.label, theme.unsettled, x=(b.x0 + b.x1) / 2, y=foot, yanchor="top")
        for b in picture.unsettled
        if b.label
    ]
    for end in ENDS:
        missing = "" if end in picture.travel_mm else "<br>not<br>judged"
        notes.append(
            words(f"<b>{end}</b><br>mm{missing}", theme.word(end), 12, y=sum(PANELS[end]) / 2, **beside)
        )
    if picture.speed_km_h is not None:
        notes.append(words("km/h", theme.soft, y=sum(PANELS["speed"]) / 2, **beside))
    return notes
