"""Travel use and speed of one end over a selection of samples: quantiles, shares, histograms."""

import numpy as np

from telemetry.arrays import BoolArray, FloatArray
from telemetry.motion.motion import EndMotion
from telemetry.motion.stops import CONTACT_MM, runs_of
from telemetry.motion.summary import (
    EndSummary,
    PlaneSummary,
    SpeedHistogram,
    SpeedSide,
    SpeedSummary,
    StopEvent,
    TravelHistogram,
    TravelSummary,
    TravelUse,
)

# Fixed bins, the same for every run and both ends, so that pictures can be laid over each other.
TRAVEL_BIN_MM = 5.0
TRAVEL_RANGE_MM = 150.0
SPEED_BIN_MM_S = 25.0
SPEED_RANGE_MM_S = 1500.0
# The last tenth of the stroke is deep: common practice keeps the last 5-10 mm in hand; no source.
DEEP_SHARE = 0.9


def travel_edges_mm(stroke_mm: float) -> FloatArray:
    """Travel bin edges: 0 to 150 mm in 5 mm, further only where the stroke is longer. [mm]"""
    top = max(TRAVEL_RANGE_MM, np.ceil(stroke_mm / TRAVEL_BIN_MM) * TRAVEL_BIN_MM)
    return np.arange(0.0, top + TRAVEL_BIN_MM / 2, TRAVEL_BIN_MM)


def speed_edges_mm_s() -> FloatArray:
    """Speed bin edges: -1500 to 1500 mm/s in 25 mm/s; the outermost bins hold everything beyond. [mm/s]"""
    return np.arange(-SPEED_RANGE_MM_S, SPEED_RANGE_MM_S + SPEED_BIN_MM_S / 2, SPEED_BIN_MM_S)


def shares(values: FloatArray, edges: FloatArray) -> tuple[float, ...]:
    """Share of samples in each bin; what lies beyond the edges counts in the outermost bins.

    On a uniform clock the share of samples is the share of time.

    Parameters
    ----------
    values : ndarray of shape (n_samples,)
        NaN is left out.
    edges : ndarray of shape (n_bins + 1,)

    Returns
    -------
    tuple of float
        They sum to 1, or are all 0 when there is no valid value.
    """
    inside = np.clip(values[np.isfinite(values)], edges[0], edges[-1])
    counts, _ = np.histogram(inside, bins=len(edges) - 1, range=(edges[0], edges[-1]))
    return tuple((counts / max(len(inside), 1)).tolist())


def _travel(travel_mm: FloatArray, stroke_mm: float) -> TravelSummary:
    if not len(travel_mm):
        nan = float("nan")
        return TravelSummary(nan, nan, nan, nan, nan, nan, nan)
    median, p95 = np.percentile(travel_mm, [50, 95])
    deepest, least = float(travel_mm.max()), float(travel_mm.min())
    return TravelSummary(
        min_mm=least,
        mean_mm=float(travel_mm.mean()),
        median_mm=float(median),
        p95_mm=float(p95),
        max_mm=deepest,
        used_pct=100.0 * deepest / stroke_mm,
        margin_mm=stroke_mm - deepest,
        range_mm=deepest - least,
        skew=skewness(travel_mm),
    )


def skewness(values: FloatArray) -> float:
    """Third standardised moment (biased): 0 when symmetrical; NaN without spread.

    Parameters
    ----------
    values : ndarray of shape (n_samples,)
        All valid.
    """
    if not len(values):
        return float("nan")
    away = values - values.mean()
    square = away * away
    spread = float(np.mean(square))
    return float(np.dot(square, away)) / len(values) / spread**1.5 if spread > 0 else float("nan")


def _speed_side(speed_mm_s: FloatArray, low: BoolArray, total: int) -> SpeedSide:
    """One direction: ``speed_mm_s`` are magnitudes, ``low`` marks those below the damper's split."""
    if not len(speed_mm_s):
        return SpeedSide(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    p50, p95, p99 = np.percentile(speed_mm_s, [50, 95, 99])
    low_share = float(np.count_nonzero(low)) / total
    share = len(speed_mm_s) / total
    return SpeedSide(
        share=share,
        rms_mm_s=float(np.sqrt(np.mean(speed_mm_s**2))),
        p50_mm_s=float(p50),
        p95_mm_s=float(p95),
        p99_mm_s=float(p99),
        max_mm_s=float(speed_mm_s.max()),
        low_speed_share=low_share,
        high_speed_share=share - low_share,
    )


def _plane(
    travel_mm: FloatArray,
    speed_mm_s: FloatArray,
    low: BoolArray,
    *,
    stroke_mm: float,
    noise_mm_s: float,
    bandwidth_hz: float,
) -> PlaneSummary:
    down, up = speed_mm_s > 0, speed_mm_s < 0
    total = max(len(speed_mm_s), 1)
    travel_edges, speed_edges = travel_edges_mm(stroke_mm), speed_edges_mm_s()
    return PlaneSummary(
        travel=_travel(travel_mm, stroke_mm),
        travel_histogram=TravelHistogram(tuple(travel_edges.tolist()), shares(travel_mm, travel_edges)),
        speed=SpeedSummary(
            compression=_speed_side(speed_mm_s[down], low[down], total),
            rebound=_speed_side(-speed_mm_s[up], low[up], total),
            noise_mm_s=noise_mm_s,
            bandwidth_hz=bandwidth_hz,
            skew=skewness(speed_mm_s),
        ),
        speed_histogram=SpeedHistogram(tuple(speed_edges.tolist()), shares(speed_mm_s, speed_edges)),
    )


def _use(end: EndMotion, use: BoolArray, ride_height_mm: float) -> TravelUse:
    sag = end.static_sag_mm if np.isfinite(end.static_sag_mm) else None
    if not use.any():
        return TravelUse(static_sag_mm=sag)
    deep = use & (end.shaft_travel_mm >= DEEP_SHARE * end.stroke_mm)
    total = np.count_nonzero(use)
    shaft = end.shaft_travel_mm[use]
    return TravelUse(
        ride_height_mm=ride_height_mm,
        static_sag_mm=sag,
        below_sag_mm=None if sag is None else ride_height_mm - sag,
        deep_share=np.count_nonzero(deep) / total,
        deep_visits=len(runs_of(deep)),
        bottom_share=np.count_nonzero(shaft >= end.stroke_mm - CONTACT_MM) / total,
        top_share=np.count_nonzero(shaft <= CONTACT_MM) / total,
    )


def summarise_end(end: EndMotion, selected: BoolArray, stops: tuple[StopEvent, ...]) -> EndSummary:
    """What one end did over the selected samples.

    Parameters
    ----------
    selected : ndarray of bool, shape (n_samples,)
        The run, a lap, a corner...; invalid samples in it are left out of every number.
    stops : tuple of StopEvent
        Contacts with the ends of the travel that belong to the selection.
    """
    use = selected & end.valid
    low = np.abs(end.shaft_speed_mm_s[use]) < end.speed_split_mm_s
    mine = [stop for stop in stops if stop.end == end.end]
    wheel = _plane(
        end.wheel_travel_mm[use],
        end.wheel_speed_mm_s[use],
        low,
        stroke_mm=end.wheel_stroke_mm,
        noise_mm_s=end.wheel_noise_mm_s,
        bandwidth_hz=end.bandwidth_hz,
    )
    return EndSummary(
        stroke_mm=end.stroke_mm,
        wheel_stroke_mm=end.wheel_stroke_mm,
        valid_share=float(np.count_nonzero(use)) / max(int(np.count_nonzero(selected)), 1),
        shaft=_plane(
            end.shaft_travel_mm[use],
            end.shaft_speed_mm_s[use],
            low,
            stroke_mm=end.stroke_mm,
            noise_mm_s=end.shaft_noise_mm_s,
            bandwidth_hz=end.bandwidth_hz,
        ),
        wheel=wheel,
        bottomed=tuple(stop for stop in mine if stop.kind == "bottomed"),
        topped_out=tuple(stop for stop in mine if stop.kind == "topped_out"),
        use=_use(end, use, wheel.travel.median_mm),
    )
