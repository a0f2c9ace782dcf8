"""What one end did over a run or a lap, as numbers ready to print. These are the schema of the review.

In Python every name carries its unit; an alias is the key in the schema's JSON where that differs.
"""

from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import Field

from telemetry.arrays import Number


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

    ``used_pct`` is the deepest point in percent of the stroke, ``margin_mm`` what was left there.
    """

    min_mm: Number
    mean_mm: Number
    median_mm: Number
    p95_mm: Number
    max_mm: Number
    used_pct: Number
    margin_mm: Number


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
    """Both directions of speed, with the noise and the bandwidth of the differentiation. [mm/s, Hz]"""

    compression: SpeedSide
    rebound: SpeedSide
    noise_mm_s: Number
    bandwidth_hz: Number


@dataclass(frozen=True)
class PlaneSummary:
    """Travel and speed at one place of measurement: the damper shaft, or the wheel."""

    travel: TravelSummary
    travel_histogram: TravelHistogram
    speed: SpeedSummary
    speed_histogram: SpeedHistogram


@dataclass(frozen=True)
class StopEvent:
    """Once against an end of the travel. Travel and arrival speed are the wheel's; place as far as known."""

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


@dataclass(frozen=True)
class EndSummary:
    """One end over a run or a lap. ``valid_share`` is the share of time with usable travel."""

    stroke_mm: float
    wheel_stroke_mm: float
    valid_share: float
    shaft: PlaneSummary
    wheel: PlaneSummary
    bottomed: tuple[StopEvent, ...]
    topped_out: tuple[StopEvent, ...]
