"""Summary of one end over a run or a lap: the values stored in the review's schema.

In Python every name carries its unit; an alias is the key in the schema's JSON where that differs.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import isnan
from typing import Annotated, Literal

from pydantic import Field

from telemetry.arrays import End, Number

NAN = float("nan")


@dataclass(frozen=True)
class Histogram:
    """Share of valid time in each bin; shares sum to 1 (0 if there was no valid time)."""

    edges: tuple[float, ...]
    share: tuple[float, ...]


@dataclass(frozen=True)
class TravelHistogram(Histogram):
    """Histogram over travel. [mm]"""

    edges: Annotated[tuple[float, ...], Field(alias="edges_mm")]


@dataclass(frozen=True)
class SpeedHistogram(Histogram):
    """Histogram over speed, compression positive. [mm/s]"""

    edges: Annotated[tuple[float, ...], Field(alias="edges_mm_s")]


@dataclass(frozen=True)
class TravelSummary:
    """Travel over valid time. [mm, %]

    ``used_pct`` is the deepest point in percent of the stroke, ``margin_mm`` what was left there, ``range_mm`` from
    the least to the deepest. ``skew`` is the third standardised moment: positive with a tail into deep travel.
    """

    min_mm: Number
    mean_mm: Number
    median_mm: Number
    p95_mm: Number
    max_mm: Number
    used_pct: Number
    margin_mm: Number
    range_mm: Number = NAN
    skew: Number = NAN


@dataclass(frozen=True)
class SpeedSide:
    """One direction of speed. Values are magnitudes; shares are of valid time. [mm/s]

    Low and high speed part at the bike file's ``speed_split_mm_s``, which is a speed of the damper shaft, in
    both planes: it is the damper that has a low- and a high-speed circuit, not the wheel.
    """

    share: Number
    rms_mm_s: Number
    p50_mm_s: Annotated[Number, Field(alias="p50")]
    p95_mm_s: Annotated[Number, Field(alias="p95")]
    p99_mm_s: Annotated[Number, Field(alias="p99")]
    max_mm_s: Annotated[Number, Field(alias="max")]
    low_speed_share: Number
    high_speed_share: Number


@dataclass(frozen=True)
class SpeedSummary:
    """Both directions of speed, with the noise and the bandwidth of the differentiation. [mm/s, Hz]

    ``skew`` is the third standardised moment: positive when compression has the faster tail.
    """

    compression: SpeedSide
    rebound: SpeedSide
    noise_mm_s: Number
    bandwidth_hz: Number
    skew: Number = NAN


@dataclass(frozen=True)
class PlaneSummary:
    """Travel and speed at one place of measurement: the damper shaft, or the wheel."""

    travel: TravelSummary
    travel_histogram: TravelHistogram
    speed: SpeedSummary
    speed_histogram: SpeedHistogram


@dataclass(frozen=True)
class StopEvent:
    """One contact with an end of the travel. Travel and arrival speed at the wheel; unknown places are None.

    ``hard``: the speed collapsed there (metal on metal), not merely the last half millimetre used.
    ``missed_mm``: so much deeper the shaft may have gone between two samples.
    """

    end: Literal["front", "rear"]
    kind: Literal["bottomed", "topped_out"]
    time_s: float
    duration_s: float
    lap: int | None
    distance_m: float | None
    corner: int | None
    phase: str | None
    travel_mm: float
    shaft_travel_mm: float
    speed_mm_s: float
    hard: bool = False
    missed_mm: Number = 0.0


@dataclass(frozen=True)
class TravelUse:
    """Use of the stroke by one end; shares are of valid time."""

    ride_height_mm: Number = NAN  # dynamic: median wheel travel while riding
    static_sag_mm: float | None = None  # at the wheel, with the rider, by the bike file
    below_sag_mm: float | None = None  # how much deeper it rides than it stands
    deep_share: Number = NAN  # in the last tenth of the stroke
    deep_visits: int | None = 0  # how often it went there; None where the end was not judged
    bottom_share: Number = NAN  # against the compressed limit
    top_share: Number = NAN  # against the extended limit


@dataclass(frozen=True)
class EndSummary:
    """One end over a run or a lap."""

    stroke_mm: Number
    wheel_stroke_mm: Number
    valid_share: float  # share of the time with usable travel
    shaft: PlaneSummary
    wheel: PlaneSummary
    bottomed: tuple[StopEvent, ...]
    topped_out: tuple[StopEvent, ...]
    use: TravelUse = field(default_factory=TravelUse)
    judged: bool = True  # False without usable travel: every number but the strokes is NaN
    reason: str = ""  # why it was not judged, and what to do
    measured_from_s: float | None = None  # first usable travel, if not from the start on
    measured_until_s: float | None = None  # last usable travel, if not to the end

    @property
    def stroke_open(self) -> bool:
        """Whether the bike file leaves the stroke open: then what is left of it, and contacts, are not known."""
        return self.judged and isnan(self.stroke_mm)


def not_judged(stroke_mm: float, wheel_stroke_mm: float, reason: str) -> EndSummary:
    """Summary of an end that cannot be judged: the strokes by the bike file, and the reason. [mm]"""
    side = SpeedSide(NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN)
    plane = PlaneSummary(
        TravelSummary(NAN, NAN, NAN, NAN, NAN, NAN, NAN),
        TravelHistogram((), ()),
        SpeedSummary(side, side, NAN, NAN),
        SpeedHistogram((), ()),
    )
    return EndSummary(
        stroke_mm,
        wheel_stroke_mm,
        0.0,
        plane,
        plane,
        (),
        (),
        TravelUse(deep_visits=None),
        judged=False,
        reason=reason,
    )


def judged_ends(ends: Mapping[End, EndSummary]) -> dict[End, EndSummary]:
    """The ends of which there is something to show."""
    return {end: summary for end, summary in ends.items() if summary.judged}


@dataclass(frozen=True)
class Estimate:
    """Mean over laps of one value a lap, and its standard error: spread / sqrt(number of laps), None below two laps."""

    mean: Number
    standard_error: float | None


@dataclass(frozen=True)
class PlaceUse:
    """One end in one corner or one phase, or, with neither, over the whole lap; all at the wheel but the shares."""

    corner: int | None
    phase: str | None
    laps: int  # how many laps have it
    time_share: float  # of the laps' valid moving time
    min_mm: float  # over all laps, as max_mm
    max_mm: float
    margin_mm: Number  # what was left to the stroke
    ride_height_mm: Estimate  # median, lap by lap
    p95_mm: Estimate
    range_mm: Estimate  # deepest less least
    below_sag_mm: Estimate | None  # median less static sag; None where that is not known
    deep_share: Estimate  # of the time in the last tenth of the stroke
    compression_mm_s: Estimate  # RMS speed
    rebound_mm_s: Estimate
    compression_high_share: Estimate  # of the time with the shaft faster than the bike file's split
    rebound_high_share: Estimate


@dataclass(frozen=True)
class Band:
    """Frequency band: ``body`` on its springs, or ``wheel hop`` between tyre and suspension."""

    name: Literal["body", "wheel hop"]
    low_hz: float
    high_hz: float
    basis: Literal["bike file", "usual"]  # the bike file's own modes, or usual values if it lacks the masses


@dataclass(frozen=True)
class BandUse:
    """One end in a frequency band: RMS wheel speed, share of the total power, and peak frequency.

    None where a slow log has no line in the band; without a peak where the spectrum is highest at the band's edge.
    """

    band: Band
    rms_mm_s: float | None
    share: float | None
    peak_hz: float | None


@dataclass(frozen=True)
class EndFrequencies:
    """One end's wheel speed by frequency. Density is on the lines of `Frequencies`. [(mm/s)^2/Hz]"""

    bands: tuple[BandUse, ...]
    density: Annotated[tuple[float, ...], Field(alias="density_mm2_s2_per_hz")]


@dataclass(frozen=True)
class Together:
    """Squared coherence of both ends in one band, and phase of the rear against the front, positive when it leads."""

    name: str
    coherence: float | None  # None where a slow log has no line in the band
    phase_deg: float | None
    told: bool  # False: no more than chance, so that the phase means nothing


@dataclass(frozen=True)
class Frequencies:
    """Spectra of both ends' wheel speed over moving time, and how the ends go together."""

    frequency_hz: tuple[float, ...] = ()  # lines of every spectrum here
    ends: Mapping[End, EndFrequencies] = field(default_factory=dict)
    coherence: tuple[float, ...] = ()  # of the rear with the front, line by line; empty with one end
    phase_deg: tuple[float, ...] = ()
    chance_coherence: float | None = None  # unrelated ends stay below it on 95 of 100 lines
    bands: tuple[Together, ...] = ()  # empty with one end
    segments: int = 0  # number of averaged stretches


@dataclass(frozen=True)
class StrokeSide:
    """Strokes of one direction: their number, and median and 95th percentile of peak wheel speed. [mm/s]"""

    count: int
    p50_mm_s: float | None
    p95_mm_s: float | None


@dataclass(frozen=True)
class StrokeClass:
    """Strokes of one depth, from one turning point of the wheel travel to the next. [mm]"""

    from_mm: float
    to_mm: float
    compression: StrokeSide
    rebound: StrokeSide


@dataclass(frozen=True)
class Strokes:
    """Strokes of one end by depth and peak speed, and the rainflow matrix of their start and end travel.

    In ``from_to`` compression is right of the diagonal. A closed cycle is one stroke either way, a half cycle one
    stroke.
    """

    hysteresis_mm: float  # what moves less than this at the wheel is no stroke
    classes: tuple[StrokeClass, ...]  # the last one holds everything deeper
    edges_mm: tuple[float, ...]  # of wheel travel, for both sides of the matrix
    from_to: tuple[tuple[float, ...], ...]  # strokes from the travel of the row to that of the column
    cycles: float  # rainflow cycles in all, halves counted as halves


@dataclass(frozen=True)
class PackingEvent:
    """One end sinking over a run of bumps because it does not come back between them. Travel is the wheel's."""

    end: End
    start_s: float  # first bump
    end_s: float  # last bump
    lap: int | None  # place of the first bump; None where unknown
    distance_m: float | None
    corner: int | None
    phase: str | None
    bumps: int  # compression strokes in the run
    sink_mm: float  # how much deeper than its ride height it stayed at its least between bumps
    compression_mm_s: float  # median of the strokes' peak speeds
    rebound_mm_s: float
