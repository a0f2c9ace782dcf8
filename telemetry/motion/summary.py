"""Summary of one end over a run or a lap: the values stored in the review's schema.

In Python every name carries its unit; an alias is the key in the schema's JSON where that differs.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
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
    """Use of the stroke by one end.

    Parameters
    ----------
    ride_height_mm : float
        Dynamic ride height: median wheel travel while riding. [mm]
    static_sag_mm : float
        Wheel travel standing with the rider, by the bike file's masses and springs; None without them. [mm]
    below_sag_mm : float
        How much deeper it rides than it stands. [mm]
    deep_share : float
        Share of valid time in the last tenth of the stroke.
    deep_visits : int or None
        How often it went there; None where the end was not judged.
    bottom_share, top_share : float
        Share of valid time against the compressed and the extended limit.
    """

    ride_height_mm: Number = NAN
    static_sag_mm: float | None = None
    below_sag_mm: float | None = None
    deep_share: Number = NAN
    deep_visits: int | None = 0
    bottom_share: Number = NAN
    top_share: Number = NAN


@dataclass(frozen=True)
class EndSummary:
    """One end over a run or a lap.

    Parameters
    ----------
    valid_share : float
        Share of the time with usable travel.
    judged : bool
        False where there is none: then every number but the strokes is NaN, every list empty.
    reason : str
        Why it was not judged, and what to do; "" where it was.
    measured_from_s, measured_until_s : float or None
        When the first and the last usable travel was measured, where the end was not measured from the start on, or
        not to the end; on the run's clock. [s]
    """

    stroke_mm: Number
    wheel_stroke_mm: Number
    valid_share: float
    shaft: PlaneSummary
    wheel: PlaneSummary
    bottomed: tuple[StopEvent, ...]
    topped_out: tuple[StopEvent, ...]
    use: TravelUse = field(default_factory=TravelUse)
    judged: bool = True
    reason: str = ""
    measured_from_s: float | None = None
    measured_until_s: float | None = None


def not_judged(stroke_mm: float, wheel_stroke_mm: float, reason: str) -> EndSummary:
    """Summary of an end that cannot be judged: only the reason.

    Parameters
    ----------
    stroke_mm, wheel_stroke_mm : float
        By the bike file. [mm]
    """
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

    mean: float
    standard_error: float | None


@dataclass(frozen=True)
class PlaceUse:
    """One end in one corner or one phase, or, with neither, over the whole lap; all at the wheel but the shares.

    Parameters
    ----------
    corner, phase : int or None, str or None
        One of them, or neither.
    laps : int
        How many laps have it.
    time_share : float
        Of the laps' valid moving time.
    min_mm, max_mm, margin_mm : float
        Over all laps; margin is what was left to the stroke. [mm]
    ride_height_mm, p95_mm, range_mm, below_sag_mm : Estimate
        Median, 95th percentile, deepest less least, and median less static sag (None where that is not known), lap
        by lap. [mm]
    deep_share : Estimate
        Share of the time in the last tenth of the stroke.
    compression_mm_s, rebound_mm_s : Estimate
        RMS speed. [mm/s]
    compression_high_share, rebound_high_share : Estimate
        Share of the time that the shaft is faster than the bike file's split.
    """

    corner: int | None
    phase: str | None
    laps: int
    time_share: float
    min_mm: float
    max_mm: float
    margin_mm: float
    ride_height_mm: Estimate
    p95_mm: Estimate
    range_mm: Estimate
    below_sag_mm: Estimate | None
    deep_share: Estimate
    compression_mm_s: Estimate
    rebound_mm_s: Estimate
    compression_high_share: Estimate
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
    """Spectra of both ends' wheel speed over moving time, and how the ends go together.

    Parameters
    ----------
    frequency_hz : tuple of float
        Lines of every spectrum here. [Hz]
    coherence, phase_deg : tuple of float
        Of the rear with the front, line by line; empty with one end.
    chance_coherence : float
        Ends without any relation stay below it on 95 of 100 lines; None with one end.
    bands : tuple of Together
        Empty with one end.
    segments : int
        How many stretches were averaged.
    """

    frequency_hz: tuple[float, ...] = ()
    ends: Mapping[End, EndFrequencies] = field(default_factory=dict)
    coherence: tuple[float, ...] = ()
    phase_deg: tuple[float, ...] = ()
    chance_coherence: float | None = None
    bands: tuple[Together, ...] = ()
    segments: int = 0


@dataclass(frozen=True)
class StrokeSide:
    """Strokes of one direction: how many, and the peak wheel speed that half and 95 % of them stay below. [mm/s]"""

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

    Parameters
    ----------
    hysteresis_mm : float
        What moves less than this at the wheel is no stroke. [mm]
    classes : tuple of StrokeClass
        The last one holds everything deeper.
    edges_mm : tuple of float
        Of wheel travel, for both sides of the matrix. [mm]
    from_to : tuple of tuple of float
        Rainflow count: strokes from the travel of the row to that of the column; compression right of the
        diagonal. A closed cycle is one stroke either way, a half cycle one stroke.
    cycles : float
        Rainflow cycles in all, halves counted as halves.
    """

    hysteresis_mm: float
    classes: tuple[StrokeClass, ...]
    edges_mm: tuple[float, ...]
    from_to: tuple[tuple[float, ...], ...]
    cycles: float


@dataclass(frozen=True)
class PackingEvent:
    """One end sinking over a run of bumps because it does not come back between them. Travel is the wheel's.

    Parameters
    ----------
    start_s, end_s : float
        First bump to last. [s]
    lap, distance_m, corner, phase
        Place of the first bump; None where unknown.
    bumps : int
        Compression strokes in the run.
    sink_mm : float
        How much deeper than its ride height before and after the end stayed at its least between bumps. [mm]
    compression_mm_s, rebound_mm_s : float
        Median of the strokes' peak speeds. [mm/s]
    """

    end: End
    start_s: float
    end_s: float
    lap: int | None
    distance_m: float | None
    corner: int | None
    phase: str | None
    bumps: int
    sink_mm: float
    compression_mm_s: float
    rebound_mm_s: float
