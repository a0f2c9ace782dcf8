"""Pictures as data, which paper and screen draw: two halves about a middle line, front above and rear below.

Both are drawn outwards; where both ends move together the picture is symmetrical. In each half the other end may be
repeated, so that a difference is seen where it is.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal, TypeVar

import numpy as np

from telemetry.arrays import ENDS, End, FloatArray
from telemetry.balance import Balance, BumpResponse
from telemetry.damping import DamperCourse, EventEvidence, OscillationEvent, RejectedCandidate
from telemetry.laps import lap_length_m
from telemetry.motion import EndSummary, Frequencies, Histogram, StopEvent, judged_ends
from telemetry.setup import DamperRun
from telemetry.summary import EndAt, LapSummary, Plane, Summary

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


OTHER: dict[End, End] = {"front": "rear", "rear": "front"}
# What a suspension does lies below this. [Hz]
HIGHEST_HZ = 30.0
# Share of the time outside the picture of speeds on each side that is left out; the tables have the extremes.
SPEED_TAIL = 0.002


@dataclass(frozen=True)
class Curve:
    """A line in one half: that of its own end, or the other end's repeated.

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
    other = [Curve(end, OTHER[end], x[OTHER[end]], y[OTHER[end]]) for end in ENDS if len(y) == len(ENDS)]
    return (*own, *other)


def _steps(histograms: Mapping[End, Histogram]) -> tuple[dict[End, FloatArray], dict[End, FloatArray], float]:
    """Corners of the steps, two a bin: at its edges, at its share in percent; and how far the halves reach."""
    x = {end: np.repeat(np.array(one.edges), 2)[1:-1] for end, one in histograms.items()}
    y = {end: np.repeat(100 * np.array(one.share), 2) for end, one in histograms.items()}
    most = max((float(values.max()) for values in y.values() if len(values)), default=0.0)
    return x, y, 1.08 * most or 1.0


def speed_picture(scope: Scope) -> Halves:
    """Share of the time at each speed: rebound on the left, compression on the right."""
    planes = {
        end: at.end.wheel if scope.plane == "wheel" else at.end.shaft for end, at in scope.judged.items()
    }
    histograms: dict[End, Histogram] = {end: plane.speed_histogram for end, plane in planes.items()}
    x, y, top = _steps(histograms)
    reach = _speed_reach(histograms.values())
    values = scope.summary.bike_values
    splits = {end: values.get(f"{end}.speed_split_mm_s") for end in planes} if scope.plane == "shaft" else {}
    return Halves(
        title="Share of time at each speed, front above, rear below",
        x_title=f"{scope.plane} speed [mm/s]",
        x_range=(-reach, reach),
        top=top,
        unit="%",
        decimals=2,
        ends=tuple(planes),
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
    planes = {
        end: at.end.wheel if scope.plane == "wheel" else at.end.shaft for end, at in scope.judged.items()
    }
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
