"""Pictures as data: both ends mirrored, or on one pair of axes; and the part of a review that they are of."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import fmean
from typing import Literal, TypeVar

import numpy as np

from telemetry.arrays import ENDS, OTHER_END, End, FloatArray
from telemetry.balance import Balance, BumpResponse, LightWheel, Ratio, SameBump, WeightTransfer
from telemetry.bike import Damper, DamperSide, damper_force_n
from telemetry.constants import GRAVITY_M_S2
from telemetry.damping import DamperCourse, EventEvidence, OscillationEvent, RejectedCandidate
from telemetry.laps import lap_length_m
from telemetry.motion import EndSummary, Frequencies, Histogram, StopEvent, judged_ends
from telemetry.season import SeasonGroup
from telemetry.setup import DamperRun
from telemetry.summary import EndAt, LapSummary, Plane, Summary, number

_Stretch = TypeVar("_Stretch", OscillationEvent, RejectedCandidate)


@dataclass(frozen=True)
class Scope:
    """A review, the lap that is looked at (None for the whole run), and where travel is measured."""

    summary: Summary
    lap: LapSummary | None
    plane: Plane

    @property
    def ends(self) -> Mapping[End, EndSummary]:
        """Both ends, over the lap or the run."""
        return self.lap.ends if self.lap else self.summary.ends

    @property
    def judged(self) -> dict[End, EndAt]:
        """The ends of which there is something to show, where they are measured."""
        return {end: EndAt(found, self.plane) for end, found in judged_ends(self.ends).items()}

    @property
    def balance(self) -> Balance:
        """Balance, over the lap or the run."""
        return self.lap.balance if self.lap else self.summary.balance

    @property
    def lap_length_m(self) -> float | None:
        """Of a complete lap; None where it is not known. [m]"""
        return lap_length_m(self.summary.laps)

    @property
    def stops(self) -> tuple[StopEvent, ...]:
        """Everything that hit a stop, in order of time."""
        found = [stop for end in ENDS for stop in (*self.ends[end].bottomed, *self.ends[end].topped_out)]
        return tuple(sorted(found, key=lambda stop: stop.time_s))

    @property
    def oscillations(self) -> tuple[OscillationEvent, ...]:
        """Stretches in which the rear rang, in order of time."""
        return self._shown(self.summary.oscillation.events)

    @property
    def front_oscillations(self) -> tuple[OscillationEvent, ...]:
        """Stretches in which the front rang, which is another fault."""
        return self._shown(self.summary.oscillation.front_events)

    @property
    def rejected(self) -> tuple[RejectedCandidate, ...]:
        """Stretches that looked like lost damping at first."""
        return self._shown(self.summary.oscillation.rejected)

    def _shown(self, stretches: tuple[_Stretch, ...]) -> tuple[_Stretch, ...]:
        if self.lap is None:
            return stretches
        start_s, end_s = self.lap.start_s, self.lap.end_s
        return tuple(one for one in stretches if one.end_s > start_s and one.start_s < end_s)


def whole_run(summary: Summary) -> Scope:
    """The whole run at the wheel: what terminal and paper tell."""
    return Scope(summary, None, "wheel")


# What a suspension does lies below this. [Hz]
HIGHEST_HZ = 30.0
# Share of the time outside the picture of speeds on each side that is left out; the tables have the extremes.
SPEED_TAIL = 0.002


@dataclass(frozen=True)
class Curve:
    """A line in one half: that of the end drawn there, or the other end's repeated.

    Parameters
    ----------
    half, end : End
        Where it is drawn, and whose it is.
    x, y : ndarray of shape (n,)
        ``y`` outwards; NaN is a gap.
    ci : tuple of ndarray, optional
        Lower and upper limits: then every point is a dot with its interval.
    beside : bool
        A second line of the half's own end, drawn as that of the other end is.
    """

    half: End
    end: End
    x: FloatArray
    y: FloatArray
    ci: tuple[FloatArray, FloatArray] | None = None
    beside: bool = False

    @property
    def own(self) -> bool:
        """Whether it is the line of the half's own end."""
        return self.half == self.end and not self.beside


@dataclass(frozen=True)
class Upright:
    """A line across one half: ``dash`` the end of the stroke, ``dot`` a limit, ``mark`` a value with its words."""

    end: End
    x: float
    look: Literal["dash", "dot", "mark"]
    words: str = ""


@dataclass(frozen=True)
class Shade:
    """A range of x in the half of an end, with its name."""

    end: End
    low: float
    high: float
    words: str = ""


@dataclass(frozen=True)
class Halves:
    """Two halves on one x axis, outwards from the middle on one scale.

    Parameters
    ----------
    title : str
        What it shows, for who cannot see it.
    x_title : str
        With its unit in brackets.
    x_range : tuple of float
    top, below : float
        How far either half reaches outwards, and to the other side of its own zero.
    unit, decimals : str, int
        Of the values outwards.
    ends : tuple of End
        Those that were judged; the others are said not to be.
    headings : tuple of str
        Small words on the left and on the right of x = 0.
    ticks : tuple of (float, str)
        Words along x, where it has no numbers.
    """

    title: str
    x_title: str
    x_range: tuple[float, float]
    top: float
    unit: str
    ends: tuple[End, ...]
    curves: tuple[Curve, ...]
    decimals: int = 0
    below: float = 0.0
    uprights: tuple[Upright, ...] = ()
    shades: tuple[Shade, ...] = ()
    headings: tuple[str, str] | None = None
    ticks: tuple[tuple[float, str], ...] = ()
    zero: bool = False


@dataclass(frozen=True)
class Spectrum:
    """Density of a wheel's travel as it was, and as it would have been with the damping of the outing."""

    frequency_hz: FloatArray
    own_mm2_hz: FloatArray
    healthy_mm2_hz: FloatArray
    title: str = "Density of the rear's travel by frequency, as it was and with healthy damping"


@dataclass(frozen=True)
class Drawing:
    """A picture that only paper has, as SVG."""

    svg: str


def _pairs(x: Mapping[End, FloatArray], y: Mapping[End, FloatArray]) -> tuple[Curve, ...]:
    """Every end in its own half, then repeated in the other's."""
    own = [Curve(end, end, x[end], y[end]) for end in ENDS if end in y]
    other = [
        Curve(end, OTHER_END[end], x[OTHER_END[end]], y[OTHER_END[end]])
        for end in ENDS
        if len(y) == len(ENDS)
    ]
    return (*own, *other)


def _steps(histograms: Mapping[End, Histogram]) -> tuple[dict[End, FloatArray], dict[End, FloatArray], float]:
    """Corners of the steps, two a bin: at its edges, at its share in percent; and how far the halves reach."""
    x = {end: np.repeat(np.array(one.edges), 2)[1:-1] for end, one in histograms.items()}
    y = {end: np.repeat(100 * np.array(one.share), 2) for end, one in histograms.items()}
    most = max((float(values.max()) for values in y.values() if len(values)), default=0.0)
    return x, y, 1.08 * most or 1.0


def speed_picture(scope: Scope) -> Halves:
    """Share of the time at each speed: rebound on the left, compression on the right."""
    histograms = {end: at.here.speed_histogram for end, at in scope.judged.items()}
    x, y, top = _steps(histograms)
    reach = _speed_reach(histograms.values())
    values = scope.summary.bike_values
    splits = (
        {end: values.get(f"{end}.speed_split_mm_s") for end in histograms} if scope.plane == "shaft" else {}
    )
    return Halves(
        title="Share of time at each speed, front above, rear below",
        x_title=f"{scope.plane} speed [mm/s]",
        x_range=(-reach, reach),
        top=top,
        unit="%",
        decimals=2,
        ends=tuple(histograms),
        curves=_pairs(x, y),
        uprights=tuple(
            Upright(end, side * split, "dot") for end, split in splits.items() if split for side in (-1, 1)
        ),
        headings=("← rebound", "compression →"),
        zero=True,
    )


def _speed_reach(histograms: Iterable[Histogram]) -> float:
    """How far the picture of speeds must reach to hold all but a little of the time at both ends. [mm/s]"""
    reach = 250.0
    for histogram in histograms:
        edges, share = np.asarray(histogram.edges), np.asarray(histogram.share)
        outer = np.maximum(np.abs(edges[:-1]), np.abs(edges[1:]))
        for limit in np.arange(250.0, outer.max() + 1, 250.0):
            reach = max(reach, min(limit, outer.max()))
            if share[outer > limit].sum() <= SPEED_TAIL:
                break
    return float(reach)


def use_picture(scope: Scope) -> Halves:
    """Share of the time at each travel, with median, 95th percentile, maximum and the stroke."""
    planes = {end: at.here for end, at in scope.judged.items()}
    x, y, top = _steps({end: plane.travel_histogram for end, plane in planes.items()})
    strokes = {end: at.stroke_mm for end, at in scope.judged.items() if np.isfinite(at.stroke_mm)}
    marks = [
        Upright(end, value, "mark", f"{words} {value:.0f}")
        for end, plane in planes.items()
        for words, value in (
            ("median", plane.travel.median_mm),
            ("95th percentile", plane.travel.p95_mm),
            ("maximum", plane.travel.max_mm),
        )
        if np.isfinite(value)
    ]
    return Halves(
        title="Share of time at each travel, front above, rear below",
        x_title=f"{scope.plane} travel [mm]",
        x_range=(0.0, 1.04 * max(strokes.values(), default=130.0)),
        top=top,
        unit="%",
        decimals=2,
        ends=tuple(planes),
        curves=_pairs(x, y),
        uprights=(*(Upright(end, stroke, "dash") for end, stroke in strokes.items()), *marks),
    )


def response_picture(response: BumpResponse) -> Halves:
    """Average travel of both ends about a bump, each from the moment it met it."""
    lag = np.array(response.lag_ms)
    travel: dict[End, FloatArray] = {"front": np.array(response.front_mm), "rear": np.array(response.rear_mm)}
    return mirrored_picture(
        lag, travel, "time after the bump [ms]", "mm", "Average travel of both ends about a bump"
    )


def mirrored_picture(
    x: FloatArray,
    travel: Mapping[End, FloatArray],
    x_title: str,
    unit: str,
    title: str,
    *,
    repeated: bool = True,
) -> Halves:
    """Two courses from rest, compression outwards; ``repeated`` if each half repeats the other end."""
    most = max(float(np.nanmax(values)) for values in travel.values())
    least = min(float(np.nanmin(values)) for values in travel.values())
    curves = _pairs(dict.fromkeys(travel, x), travel)
    return Halves(
        title=title,
        x_title=x_title,
        x_range=(float(x[0]), float(x[-1])),
        top=1.12 * max(most, 1e-9),
        below=max(-1.12 * least, 0.0),
        unit=unit,
        decimals=1,
        ends=tuple(travel),
        curves=curves if repeated else tuple(curve for curve in curves if curve.own),
        zero=bool(x[0] <= 0 <= x[-1]),
    )


def ringing_picture(seen: EventEvidence) -> Halves:
    """Band-limited travel of both wheels over the same road, of an event of the rear."""
    travel: dict[End, FloatArray] = {"front": np.array(seen.other_mm), "rear": np.array(seen.own_mm)}
    there = {end: values for end, values in travel.items() if len(values)}
    t_s = seen.start_s + seen.step_s * np.arange(len(seen.own_mm), dtype=np.float64)
    title = "Travel of both wheels over the same road, 4 to 36 Hz"
    return mirrored_picture(t_s, there, "time [s]", "mm", title, repeated=False)


def spectrum_picture(seen: EventEvidence) -> Spectrum:
    """Density of the rear's travel, as it was and with the damping of the outing."""
    return Spectrum(np.array(seen.frequency_hz), np.array(seen.own_mm2_hz), np.array(seen.healthy_mm2_hz))


def spectra_picture(found: Frequencies) -> Halves:
    """Amplitude density of wheel speed of both ends, with the bands of body and wheel hop."""
    hz = np.array(found.frequency_hz)
    shown = (hz > 0) & (hz <= HIGHEST_HZ)
    # The root, for what a person reads off is a speed, and the small half of the picture is not lost.
    speed = {end: np.sqrt(np.array(one.density)[shown]) for end, one in found.ends.items()}
    return Halves(
        title="Wheel speed by frequency, front above, rear below",
        x_title="frequency [Hz]",
        x_range=(0.0, HIGHEST_HZ),
        top=1.15 * max((float(values.max()) for values in speed.values()), default=1.0),
        unit="mm/s per √Hz",
        ends=tuple(found.ends),
        curves=_pairs(dict.fromkeys(speed, hz[shown]), speed),
        shades=tuple(
            Shade(end, used.band.low_hz, min(used.band.high_hz, HIGHEST_HZ), used.band.name)
            for end, one in found.ends.items()
            for used in one.bands
        ),
    )


def course_picture(course: Mapping[End, DamperCourse]) -> Halves | None:
    """Damping ratio of the wheel hop of both ends over the laps, with 95 % intervals; None where no lap tells it."""
    points = {
        end: [(lap.lap, lap.damping_ratio, lap.ci95) for lap in one.laps] for end, one in course.items()
    }
    return dots_picture(points, "lap", "Damping ratio of both ends by lap, front above, rear below")


def outings_picture(runs: Sequence[DamperRun]) -> Halves | None:
    """Damping ratio of a damper from outing to outing, oldest first; a line before the first one after a service."""
    points: dict[End, list[Point]] = {
        end: [(at, run.damping_ratio, run.ci95) for at, run in enumerate(runs) if run.end == end]
        for end in ENDS
    }
    there = {end: found for end, found in points.items() if found}
    picture = dots_picture(there, "outing", "Damping ratio of the wheel hop from outing to outing")
    serviced = [at for at in range(1, len(runs)) if runs[at].serviced != runs[at - 1].serviced]
    return picture and replace(
        picture,
        ticks=tuple((float(at), run.date or run.name) for at, run in enumerate(runs)),
        uprights=tuple(Upright(end, at - 0.5, "dash", "serviced") for at in serviced for end in there),
    )


Point = tuple[int, float | None, tuple[float, float] | None]


def dots_picture(points: Mapping[End, Sequence[Point]], x_title: str, title: str) -> Halves | None:
    """Ratios with their intervals, a dot each; None where none is known."""
    curves = []
    for end, found in points.items():
        told = [(at, ratio, ci or (ratio, ratio)) for at, ratio, ci in found if ratio is not None]
        at, ratio, low, high = np.array([(at, ratio, *ci) for at, ratio, ci in told]).reshape(-1, 4).T
        curves.append(Curve(end, end, at, ratio, (low, high)))
    laps = np.concatenate([curve.x for curve in curves]) if curves else np.array([])
    if not len(laps):
        return None
    highest = max(float(curve.ci[1].max()) for curve in curves if curve.ci and len(curve.x))
    return Halves(
        title=title,
        x_title=x_title,
        x_range=(float(laps.min()) - 0.6, float(laps.max()) + 0.6),
        top=1.35 * highest,  # room for the names
        unit="",
        decimals=2,
        ends=tuple(points),
        curves=tuple(curves),
    )


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
    """One quantity at every corner, its unit apart; None where it is unknown."""

    title: str
    unit: str
    end: End
    decimals: int
    dots: tuple[ZoneDot | None, ...]


@dataclass(frozen=True)
class ZoneDots:
    """A row for each corner, a column for each quantity."""

    title: str
    rows: tuple[str, ...]
    columns: tuple[ZoneColumn, ...]


# Names of marks, in the order of the bikes: those of plotly, which the paper draws as well.
MARKS = ("circle", "diamond", "square", "triangle-up", "cross", "star")


@dataclass(frozen=True)
class SeasonPicture:
    """One number of every run, side by side in groups.

    Parameters
    ----------
    title, y_title : str
        What it shows; the number with its unit.
    unit, decimals : str, int
        Of the number.
    groups : tuple of SeasonGroup
        From left to right, without runs whose number is unknown.
    bikes : tuple of str
        Each has a mark of its own, in this order.
    """

    title: str
    y_title: str
    unit: str
    decimals: int
    groups: tuple[SeasonGroup, ...]
    bikes: tuple[str, ...]

    @property
    def places(self) -> tuple[tuple[float, ...], ...]:
        """Place of every point along the picture by group: whole numbers, one left free between groups."""
        start, found = 0, []
        for group in self.groups:
            found.append(tuple(float(start + k) for k in range(len(group.points))))
            start += len(group.points) + 1
        return tuple(found)

    @property
    def width(self) -> float:
        """How many places there are."""
        return float(sum(len(group.points) for group in self.groups) + len(self.groups) - 1)

    @property
    def range(self) -> tuple[float, float]:
        """Lowest and highest of all laps, with a margin."""
        points = [point for group in self.groups for point in group.points]
        values = [one for point in points for one in (point.value, point.low, point.high) if one is not None]
        margin = 0.06 * (max(values) - min(values)) or 0.05 * abs(values[0]) or 1.0
        return min(values) - margin, max(values) + margin

    def labels(self, most: int) -> tuple[tuple[float, str], ...]:
        """Names of groups at their middle, every second or third one where there are more than ``most``."""
        every = -(-len(self.groups) // most)
        named = zip(self.groups, self.places, strict=True)
        return tuple((fmean(at), group.name) for k, (group, at) in enumerate(named) if k % every == 0)


def zone_picture(transfer: WeightTransfer, light: Sequence[LightWheel]) -> ZoneDots | None:
    """Dive, squat and the rear's travel left to extend, by corner; marked where the rear was light under braking."""
    corners = sorted({zone.corner for zone in transfer.zones})
    lightened = {event.corner for event in light if event.end == "rear" and event.under == "braking"}
    answers: tuple[tuple[str, str, str, End, int, float], ...] = (
        ("dive", "fork dive", "mm per g", "front", 0, GRAVITY_M_S2),
        ("squat", "rear squat", "mm per g", "rear", 0, GRAVITY_M_S2),
        ("left", "rear left", "mm", "rear", 1, 1.0),
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
        x, y = above(at.here.speed_histogram)
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
        histogram = at.here.travel_histogram
        edges, share = np.asarray(histogram.edges), np.asarray(histogram.share)
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
