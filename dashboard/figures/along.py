"""Pictures along the lap: travel of both ends, mirrored, and every channel; long lines made small for the screen.

Travel is measured outwards from full extension, front above the line and rear below, on the same scale: where both
ends move together the picture is symmetrical. Lines are cut to the shown stretch, thinned with extremes kept, and
packed as typed arrays in base64, which plotly.js reads as they are: lists of numbers would be about twice as large
and a hundred times slower to write.
"""

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt
import plotly.graph_objects as go

from dashboard.theme import Theme, across, box, template, words
from telemetry.arrays import ENDS, End, FloatArray
from telemetry.report import Band, TravelPicture, thinned

# So many samples are drawn of a line that is zoomed, a least and a greatest to each three pixels or so; a point is
# placed to this share of the picture's width and height, half a pixel or less. Together a fifth of the bytes.
ZOOMED_POINTS = 780
_WIDTH_STEPS, _HEIGHT_STEPS = 2**11, 2**9
# Of a long line the extremes of so many samples are kept, for zooms in which a point drawn stands for many more.
_PIECE = 128
_FEWEST_PIECES = 2


def window(x: FloatArray, zoom: tuple[float, float] | None) -> slice:
    """The samples to draw for a zoom, with one more on each side so that the line reaches the edge.

    Parameters
    ----------
    x : ndarray of shape (n_samples,)
        Never falling, no NaN.
    zoom : (float, float) or None
        None is all of it.
    """
    if zoom is None:
        return slice(0, len(x))
    first = int(np.searchsorted(x, zoom[0], side="left")) - 1
    last = int(np.searchsorted(x, zoom[1], side="right")) + 1
    return slice(max(first, 0), min(max(last, 0), len(x)))


def packed(values: npt.ArrayLike, dtype: str) -> dict[str, str]:
    """A typed array as plotly.js reads it: ``dtype`` "f8" for x, "f4" for what is only looked at."""
    array = np.ascontiguousarray(values, dtype=np.dtype(dtype).newbyteorder("<"))
    return {"dtype": dtype, "bdata": base64.b64encode(array.tobytes()).decode()}


def packed_line(
    x: FloatArray, y: FloatArray, zoom: tuple[float, float] | None
) -> tuple[dict[str, str], dict[str, str]]:
    """One line for a zoom, x and y: cut, thinned and packed."""
    cut = window(x, zoom)
    few_x, few_y = thinned(x[cut], y[cut])
    return packed(few_x, "f8"), packed(few_y, "f4")


@dataclass(frozen=True)
class LongLine:
    """A line of which many zooms are asked for; ``y`` in single precision, as it is sent."""

    x: FloatArray
    y: npt.NDArray[np.float32]

    @cached_property
    def _extremes(self) -> tuple[npt.NDArray[np.intp], FloatArray, npt.NDArray[np.float32]]:
        """The least and the greatest sample of every `_PIECE`, in order: which, x and y."""
        from tsdownsample import MinMaxDownsampler

        count = max(2 * (len(self.y) // _PIECE), 2)
        rows = np.asarray(MinMaxDownsampler().downsample(self.y, n_out=count), dtype=np.intp)
        return rows, self.x[rows], self.y[rows]

    @cached_property
    def _step(self) -> float:
        """What is not seen of the height."""
        known = self.y[np.isfinite(self.y)]
        return _binary(float(np.ptp(known)) / _HEIGHT_STEPS) if len(known) else 1.0

    def packed(self, zoom: tuple[float, float] | None) -> tuple[dict[str, str], dict[str, str]]:
        """As `packed_line`; wide zooms are thinned out of the extremes, so they cost no more than narrow ones."""
        cut = window(self.x, zoom)
        x, y = self.x[cut], self.y[cut]
        if len(x) <= ZOOMED_POINTS:
            return packed(x, "f8"), packed(y, "f4")
        step = _binary(float(x[-1] - x[0]) / _WIDTH_STEPS)
        if len(x) >= _FEWEST_PIECES * _PIECE * ZOOMED_POINTS:
            rows, x, y = self._extremes
            first, last = np.searchsorted(rows, (cut.start, cut.stop))
            x, y = x[first:last], y[first:last]
        x, y = thinned(x, y, ZOOMED_POINTS)
        whole = np.abs(x[-1]) < 2**24 * step  # of these single precision keeps every digit
        return packed(np.rint(x / step) * step, "f4" if whole else "f8"), packed(
            np.rint(y / self._step) * self._step, "f4"
        )


def _binary(step: float) -> float:
    """The power of two at or below a step; its multiples have few digits, which pack small."""
    return float(2.0 ** np.floor(np.log2(step))) if step > 0 else 1.0


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


def travel_lines(picture: TravelPicture) -> list[FloatArray]:
    """The long travel_lines in the order they are drawn: a zoom replaces exactly these."""
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

    With ``touch`` a sideways drag reads values and a vertical one scrolls the page.
    """
    drawn = [
        _travel_line(name, *packed_line(picture.x, values, zoom), theme, name in picture.usual)
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


def _travel_line(name: str, x: dict[str, str], y: dict[str, str], theme: Theme, usual: bool) -> go.Scatter:
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


# Room above each panel for its name, as a share of the panel.
_NAME = 0.2
# A panel reaches so far beyond nearly all samples at most. [%]
NEARLY_ALL = (0.1, 99.9)


@dataclass(frozen=True)
class Channel:
    """One panel.

    Parameters
    ----------
    title : str
        With its unit.
    values : ndarray of shape (n_samples,)
    digits : int
        Of a read-out.
    end : End or None
        Colour.
    scale : str
        Panels with the same word have the same scale, so that both ends can be compared; "" has its own.
    """

    title: str
    values: FloatArray
    digits: int = 0
    end: End | None = None
    scale: str = ""

    @property
    def unit(self) -> str:
        """From the title."""
        return self.title.rpartition("[")[2].rstrip("]")


def channel_lines(channels: Sequence[Channel]) -> list[FloatArray]:
    """The long channel_lines in the order they are drawn: a zoom replaces exactly these."""
    return [channel.values for channel in channels]


def stacked(
    channels: Sequence[Channel],
    x: FloatArray,
    x_title: str,
    theme: Theme,
    zoom: tuple[float, float] | None = None,
    *,
    touch: bool = False,
    meta: Mapping[str, Any] = MappingProxyType({}),
    bands: Sequence[Band] = (),
) -> go.Figure:
    """Panels from top to bottom in the order given, each below its name; ``bands`` are corners by number."""
    axes = ["y" if place == 0 else f"y{place + 1}" for place in range(len(channels))]
    tops = [1 - place / len(channels) for place in range(len(channels))]  # names stand above
    return go.Figure(
        data=[
            _channel_line(channel, axis, x, zoom, theme) for channel, axis in zip(channels, axes, strict=True)
        ],
        layout={
            "template": template(theme),
            "dragmode": False if touch else "zoom",
            "hovermode": False,
            "meta": dict(meta),
            "margin": {"l": 56, "r": 12, "t": 40, "b": 44},
            "shapes": [box(band.x0, band.x1, 0, 1, theme.corner_fill, layer="below") for band in bands],
            "xaxis": {
                **reading_axis(x_title),
                "range": list(zoom or full_range(x)),
                "anchor": axes[-1] if axes else "y",
            },
            **{
                axis.replace("y", "yaxis"): _panel(channels, place, tops[place])
                for place, axis in enumerate(axes)
            },
            "annotations": [
                *(_title(channel, top, theme) for channel, top in zip(channels, tops, strict=True)),
                *(
                    {
                        **words(band.label, theme.soft, 12),
                        "x": (band.x0 + band.x1) / 2,
                        "y": 1,
                        "yanchor": "bottom",
                        "yshift": 20,
                    }
                    for band in bands
                ),
            ],
        },
    )


def _channel_line(
    channel: Channel, axis: str, x: FloatArray, zoom: tuple[float, float] | None, theme: Theme
) -> go.Scatter:
    few_x, few_y = packed_line(x, channel.values, zoom)
    colour = theme.of(channel.end)
    return go.Scatter(
        x=few_x,
        y=few_y,
        name=channel.title.partition(" [")[0],
        yaxis=axis,
        mode="lines",
        line={"color": colour, "width": 1.1},
        meta={"read": channel.title.partition(" [")[0], "unit": channel.unit, "digits": channel.digits},
    )


def _panel(channels: Sequence[Channel], place: int, top: float) -> dict:
    """Axis of one panel; the first one of a scale sets it for the others."""
    scale = channels[place].scale
    first = (
        next(i for i, channel in enumerate(channels) if scale and channel.scale == scale) if scale else place
    )
    same = {} if first == place else {"matches": "y" if first == 0 else f"y{first + 1}"}
    return {
        "domain": [max(top - (1 - _NAME) / len(channels), 0), top],
        "anchor": "x",
        "fixedrange": True,
        "nticks": 4,
        "zerolinewidth": 0.8,
        **(
            {
                "range": robust_range(
                    [c.values for c in channels if c is channels[place] or (scale and c.scale == scale)]
                )
            }
            if first == place
            else {}
        ),
        **same,
    }


def robust_range(channel_lines: Sequence[FloatArray]) -> list[float]:
    """Range of a panel: nearly all samples, so that one spike does not flatten the rest; what is beyond is cut.

    Where the extremes are not far beyond nearly all samples, they are in it.
    """
    every = np.concatenate([values[np.isfinite(values)] for values in channel_lines] or [np.array([])])
    if not len(every):
        return [0.0, 1.0]
    low, high = (float(value) for value in np.percentile(every, NEARLY_ALL))
    reach = (high - low) or abs(high) or 1.0
    least, most = float(every.min()), float(every.max())
    bottom = least if low - least <= 0.6 * reach else low - 0.6 * reach
    top = most if most - high <= 0.6 * reach else high + 0.6 * reach
    pad = 0.06 * ((top - bottom) or 1.0)
    return [bottom - pad, top + pad]


def _title(channel: Channel, top: float, theme: Theme) -> dict:
    at = {"xref": "paper", "x": 0.004, "xanchor": "left", "y": top, "yanchor": "bottom"}
    return words(channel.title, theme.word(channel.end), **at)
