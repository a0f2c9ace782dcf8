"""Pictures of both ends on one pair of axes, as data: cumulative time, ratios with their intervals, damper force."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from telemetry.arrays import ENDS, End, FloatArray
from telemetry.balance import BumpResponse, LightWheel, Ratio, SameBump, WeightTransfer
from telemetry.bike import GRAVITY_M_S2, Damper, DamperSide, damper_force_n
from telemetry.motion import Histogram
from telemetry.report.figures import Scope
from telemetry.summary import Summary, number

# Time is shown down to this share of the stretch; less rests on a few samples. An own choice.
LEAST_SHARE = 1e-4


@dataclass(frozen=True)
class Line:
    """One curve; ``end`` is whose it is, None for neither's."""

    x: FloatArray
    y: FloatArray
    end: End | None = None
    words: str = ""


@dataclass(frozen=True)
class CurveNote:
    """Words at a point where no curve is; with a ``dot`` the point is marked and the words stand above the picture.

    ``side`` is on which side of ``y`` they stand.
    """

    x: float
    y: float
    words: str
    end: End | None = None
    dot: bool = False
    side: Literal["", "above", "below"] = ""


@dataclass(frozen=True)
class Lines:
    """Curves on one pair of axes; titles end in their unit in brackets."""

    title: str
    x_title: str
    y_title: str
    x_range: tuple[float, float]
    y_range: tuple[float, float]
    lines: tuple[Line, ...]
    notes: tuple[CurveNote, ...] = ()
    log_y: bool = False
    decimals: int = 0
    headings: tuple[str, str] | None = None
    shades: tuple[Line, ...] = ()
    uprights: tuple[float, ...] = ()


@dataclass(frozen=True)
class DotRow:
    """One row of ratios: what it is of, how many bumps it rests on, and both directions (None where not told)."""

    group: str
    label: str
    pairs: int
    compression: Ratio | None
    rebound: Ratio | None


@dataclass(frozen=True)
class Dots:
    """Ratios of the rear over the front with their intervals, a row each, around 1."""

    title: str
    x_title: str
    rows: tuple[DotRow, ...]


@dataclass(frozen=True)
class ZoneDot:
    """A mean over laps with its 95 % interval; ``marked`` where something is to be seen to."""

    value: float
    ci95: tuple[float, float]
    laps: int
    marked: bool = False


@dataclass(frozen=True)
class ZoneColumn:
    """One question asked at every corner; the unit stands apart, None where there is no answer."""

    title: str
    unit: str
    end: End
    decimals: int
    dots: tuple[ZoneDot | None, ...]


@dataclass(frozen=True)
class ZoneDots:
    """A row a corner, a column a question."""

    title: str
    rows: tuple[str, ...]
    columns: tuple[ZoneColumn, ...]


def zone_picture(transfer: WeightTransfer, light: Sequence[LightWheel]) -> ZoneDots | None:
    """Dive, squat and what the rear keeps to extend by corner; marked where the rear was light under braking."""
    corners = sorted({zone.corner for zone in transfer.zones})
    lightened = {event.corner for event in light if event.end == "rear" and event.under == "braking"}
    answers: tuple[tuple[str, str, str, End, int, float], ...] = (
        ("dive", "fork dive", "mm per g", "front", 0, GRAVITY_M_S2),
        ("squat", "rear squat", "mm per g", "rear", 0, GRAVITY_M_S2),
        ("left", "rear keeps", "mm", "rear", 1, 1.0),
    )
    columns = []
    for kind, title, unit, end, decimals, factor in answers:
        found = {zone.corner: zone for zone in transfer.zones if zone.kind == kind}
        dots = tuple(
            ZoneDot(
                factor * zone.value,
                (factor * zone.ci95[0], factor * zone.ci95[1]),
                zone.laps,
                kind == "left" and number in lightened,
            )
            if (zone := found.get(number)) is not None
            else None
            for number in corners
        )
        if found:
            columns.append(ZoneColumn(title, unit, end, decimals, dots))
    if not columns:
        return None
    return ZoneDots(
        "Dive, squat and light rear by corner", tuple(f"corner {n}" for n in corners), tuple(columns)
    )


def faster_picture(scope: Scope) -> Lines | None:
    """Share of the time above each speed, rebound to the left, on a logarithmic axis."""
    lines, reach = [], 0.0
    for end, at in scope.judged.items():
        plane = at.end.wheel if scope.plane == "wheel" else at.end.shaft
        x, y = above(plane.speed_histogram)
        kept = y >= LEAST_SHARE
        if kept.any():
            reach = max(reach, float(np.abs(x[kept]).max()))
            # in one piece: what lies between the two directions is where the end stood nearly still
            lines.append(Line(x[kept], 100 * y[kept], end))
    if not lines:
        return None
    return Lines(
        title="Share of the time above each speed",
        x_title=f"{scope.plane} speed [mm/s]",
        y_title="time above [%]",
        x_range=(-1.02 * reach, 1.02 * reach),
        y_range=(100 * LEAST_SHARE, 100.0),
        lines=tuple(lines),
        log_y=True,
        decimals=3,
        headings=("← rebound", "compression →"),
    )


def above(histogram: Histogram) -> tuple[FloatArray, FloatArray]:
    """Rising speeds without 0, and the share of all time beyond each: compression above it, rebound below it."""
    edges, share = np.asarray(histogram.edges), np.asarray(histogram.share)
    faster = np.concatenate([np.cumsum(share[::-1])[::-1], [0.0]])  # above each edge
    slower = np.concatenate([[0.0], np.cumsum(share)])  # below each edge
    rising, falling = edges > 0, edges < 0
    x = np.concatenate([edges[falling], edges[rising]])
    return x, np.concatenate([slower[falling], faster[rising]])


def deeper_picture(scope: Scope) -> Lines | None:
    """Share of the time deeper than each travel."""
    lines, longest = [], 1.0
    for end, at in scope.judged.items():
        plane = at.end.wheel if scope.plane == "wheel" else at.end.shaft
        edges, share = np.asarray(plane.travel_histogram.edges), np.asarray(plane.travel_histogram.share)
        lines.append(Line(edges, 100 * np.concatenate([np.cumsum(share[::-1])[::-1], [0.0]]), end))
        longest = max(longest, at.stroke_mm if np.isfinite(at.stroke_mm) else edges[-1])
    if not lines:
        return None
    return Lines(
        title="Share of the time deeper than each travel",
        x_title=f"{scope.plane} travel [mm]",
        y_title="time deeper [%]",
        x_range=(0.0, 1.02 * longest),
        y_range=(0.0, 100.0),
        lines=tuple(lines),
        decimals=1,
    )


def bump_picture(response: BumpResponse) -> Lines:
    """The average bump of both ends on one axis, with when each is back at the height it came from."""
    lag = np.array(response.lag_ms)
    travel: dict[End, FloatArray] = {"front": np.array(response.front_mm), "rear": np.array(response.rear_mm)}
    lines = tuple(Line(lag, travel[end], end) for end in ENDS)
    measures = {measure.name: measure for measure in response.measures}
    back = measures.get("back_ms")
    deepest = measures.get("time_to_peak_ms")
    notes = []
    for end in ENDS:
        down = getattr(deepest, end, None)
        up = getattr(back, end, None)
        if down is not None and up is not None:
            at = float(down + up)
            y = float(np.interp(at, lag, travel[end]))
            notes.append(CurveNote(at, y, f"{end} back after {number(at)} ms", end, dot=True))
    every = np.concatenate([travel[end] for end in ENDS])
    low, high = float(np.nanmin(every)), float(np.nanmax(every))
    pad = 0.15 * (high - low or 1.0)
    return Lines(
        title="Average bump of both ends",
        x_title="time after the bump [ms]",
        y_title="wheel travel from before [mm]",
        x_range=(float(lag[0]), float(lag[-1])),
        y_range=(low - pad, high + pad),
        lines=lines,
        notes=tuple(notes),
        decimals=1,
    )


_GROUPS = {"size": "by size", "phase": "by phase", "corner": "by corner", "braking": "by braking zone"}


def ratio_picture(bump: SameBump) -> Dots:
    """Same-bump ratios: all, then by size of the bump, phase of the corner, corner and braking zone."""
    rows = [DotRow("", "all clear bumps", bump.pairs, bump.compression, bump.rebound)]
    for kind, heading in _GROUPS.items():
        rows += [
            DotRow(heading, group.name, group.pairs, _known(group.compression), _known(group.rebound))
            for group in bump.groups
            if group.kind == kind and (_known(group.compression) or _known(group.rebound))
        ]
    return Dots("Speed on the same bump, rear over front", "rear over front", tuple(rows))


def _known(ratio: Ratio) -> Ratio | None:
    return ratio if ratio.value is not None and ratio.value > 0 else None


def damper_of(summary: Summary, end: End) -> Damper | None:
    """The damper curve that the review was made with; None where the bike file had none, or of older versions."""
    values, sides = summary.bike_values, {}
    for side in ("compression", "rebound"):
        keys = [f"{end}.damper.{side}.{key}" for key in ("low_n_s_per_mm", "high_n_s_per_mm", "knee_mm_s")]
        if not all(key in values for key in keys):
            return None
        low, high, knee = (values[key] for key in keys)
        sides[side] = DamperSide(low_n_s_per_mm=low, high_n_s_per_mm=high, knee_mm_s=knee)
    return Damper(**sides)


def force_picture(summary: Summary, end: End) -> Lines | None:
    """Force over shaft speed, the time spent at each speed as a shade, and which adjuster acts where."""
    damper, use, found = damper_of(summary, end), summary.damper_work.get(end), summary.ends[end]
    if damper is None or use is None or not found.judged:
        return None
    histogram = found.shaft.speed_histogram
    edges, share = np.asarray(histogram.edges), np.asarray(histogram.share)
    x, y = above(histogram)
    reach = float(np.abs(x[y >= 10 * LEAST_SHARE]).max(initial=2.0 * use.split_mm_s))
    speed = np.linspace(-reach, reach, 201)
    force = damper_force_n(speed, damper)
    low, high = float(force.min()), float(force.max())
    middle, tallest = 0.5 * (edges[:-1] + edges[1:]), float(share.max()) or 1.0
    inside = np.abs(middle) <= reach
    # The shade stands on the foot of the picture: its height is time, not force. The words stand in the two quarters
    # in which a damper has no force.
    time = low + 0.6 * abs(low) * share[inside] / tallest
    notes = [
        CurveNote(sign * at, 0.0, words, end, side="above" if sign < 0 else "below")
        for sign in (-1, 1)  # the headings say which side is which
        for at, words in (
            (0.5 * use.split_mm_s, "clicker"),
            (0.5 * (use.split_mm_s + reach), "high-speed<br>adjuster"),
        )
    ]
    return Lines(
        title=f"Damper force of the {end} over shaft speed",
        x_title="shaft speed [mm/s]",
        y_title="force [N]",
        x_range=(-reach, reach),
        y_range=(1.15 * low, 1.15 * high),
        lines=(Line(speed, force, end),),
        notes=tuple(notes),
        shades=(Line(middle[inside], time, end),),
        uprights=(-use.split_mm_s, use.split_mm_s),
        headings=("← rebound", "compression →"),
    )
