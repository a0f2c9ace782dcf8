"""Travel use and speed of one end over a selection of samples, by phase, by corner and by lap."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import BoolArray, FloatArray, IntArray
from telemetry.bike import Bike, attitude
from telemetry.motion.motion import EndMotion, Motion
from telemetry.motion.stops import CONTACT_MM, runs_of
from telemetry.motion.summary import (
    EndSummary,
    Estimate,
    PlaceUse,
    PlaneSummary,
    SpeedHistogram,
    SpeedSide,
    SpeedSummary,
    StopEvent,
    TravelHistogram,
    TravelSummary,
    TravelUse,
)
from telemetry.numeric import BLOCK, finite, median, quantiles

# Fixed bins, equal for all runs and both ends, so that histograms can be overlaid.
TRAVEL_BIN_MM = 5.0
TRAVEL_RANGE_MM = 150.0
SPEED_BIN_MM_S = 25.0
SPEED_RANGE_MM_S = 1500.0
# The last tenth of the stroke is deep: common practice keeps the last 5-10 mm in hand; no source.
DEEP_SHARE = 0.9

# Least time with valid travel for which a lap counts at a place. Own choice.
LEAST_S = 0.2


def travel_edges_mm(stroke_mm: float) -> FloatArray:
    """Travel bin edges: 0 to 150 mm in 5 mm, further only where the stroke is longer. [mm]"""
    top = np.fmax(TRAVEL_RANGE_MM, np.ceil(stroke_mm / TRAVEL_BIN_MM) * TRAVEL_BIN_MM)
    return np.arange(0.0, top + TRAVEL_BIN_MM / 2, TRAVEL_BIN_MM)


def speed_edges_mm_s() -> FloatArray:
    """Speed bin edges: -1500 to 1500 mm/s in 25 mm/s; the outermost bins hold everything beyond. [mm/s]"""
    return np.arange(-SPEED_RANGE_MM_S, SPEED_RANGE_MM_S + SPEED_BIN_MM_S / 2, SPEED_BIN_MM_S)


def shares(ordered: FloatArray, edges: FloatArray) -> tuple[float, ...]:
    """Share of time in each bin (lower edge in, outer bins open) of values in order; sums to 1, or 0 without values."""
    below = np.concatenate(([0], np.searchsorted(ordered, edges[1:-1]), [len(ordered)]))
    return tuple((np.diff(below) / max(len(ordered), 1)).tolist())


def _travel(ordered_mm: FloatArray, stroke_mm: float) -> TravelSummary:
    if not len(ordered_mm):
        nan = float("nan")
        return TravelSummary(nan, nan, nan, nan, nan, nan, nan)
    median, p95 = quantiles(ordered_mm, (0.5, 0.95)).tolist()
    deepest, least = float(ordered_mm[-1]), float(ordered_mm[0])
    return TravelSummary(
        min_mm=least,
        mean_mm=float(ordered_mm.mean()),
        median_mm=median,
        p95_mm=p95,
        max_mm=deepest,
        used_pct=100.0 * deepest / stroke_mm,
        margin_mm=stroke_mm - deepest,
        range_mm=deepest - least,
        skew=skewness(ordered_mm),
    )


def skewness(values: FloatArray) -> float:
    """Third standardised moment (biased) of valid values: 0 when symmetrical; NaN without spread."""
    if not len(values):
        return float("nan")
    mean, second, third = values.mean(), 0.0, 0.0
    for first in range(0, len(values), BLOCK):
        away = values[first : first + BLOCK] - mean
        square = away * away
        second += float(square.sum())
        third += float(square @ away)
    spread = second / len(values)
    return third / len(values) / spread**1.5 if spread > 0 else float("nan")


def _speed_side(ordered_mm_s: FloatArray, low: int, total: int) -> SpeedSide:
    """One direction: magnitudes in order, and how many of them are below the damper's split."""
    if not len(ordered_mm_s):
        return SpeedSide(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    p50, p95, p99 = quantiles(ordered_mm_s, (0.5, 0.95, 0.99)).tolist()
    share = len(ordered_mm_s) / total
    return SpeedSide(
        share=share,
        rms_mm_s=float(np.sqrt(ordered_mm_s @ ordered_mm_s / len(ordered_mm_s))),
        p50_mm_s=p50,
        p95_mm_s=p95,
        p99_mm_s=p99,
        max_mm_s=float(ordered_mm_s[-1]),
        low_speed_share=low / total,
        high_speed_share=share - low / total,
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
    """Shaft or wheel, from values put in order in place; ``low`` marks speeds below the damper's split."""
    low_down, low_up = (
        int(np.count_nonzero(low & (speed_mm_s > 0))),
        int(np.count_nonzero(low & (speed_mm_s < 0))),
    )
    travel_mm.sort()
    speed_mm_s.sort()
    total = max(len(speed_mm_s), 1)
    up, not_down = np.searchsorted(speed_mm_s, 0.0, "left"), np.searchsorted(speed_mm_s, 0.0, "right")
    travel_edges, speed_edges = travel_edges_mm(stroke_mm), speed_edges_mm_s()
    return PlaneSummary(
        travel=_travel(travel_mm, stroke_mm),
        travel_histogram=TravelHistogram(tuple(travel_edges.tolist()), shares(travel_mm, travel_edges)),
        speed=SpeedSummary(
            compression=_speed_side(speed_mm_s[not_down:], low_down, total),
            rebound=_speed_side(-speed_mm_s[:up][::-1], low_up, total),
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
    known = np.nan if np.isnan(end.stroke_mm) else 1.0
    return TravelUse(
        ride_height_mm=ride_height_mm,
        static_sag_mm=sag,
        below_sag_mm=None if sag is None else ride_height_mm - sag,
        deep_share=known * np.count_nonzero(deep) / total,
        deep_visits=len(runs_of(deep)),
        bottom_share=known * np.count_nonzero(shaft >= end.stroke_mm - CONTACT_MM) / total,
        top_share=np.count_nonzero(shaft <= CONTACT_MM) / total,
    )


def summarise_end(end: EndMotion, selected: BoolArray, stops: tuple[StopEvent, ...]) -> EndSummary:
    """Summary of one end over the selected samples of shape (n_samples,): the run, a lap, a corner.

    Invalid samples are left out of every number; ``stops`` are the contacts that belong to the selection.
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


def across_laps(values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean over laps and its standard error, sd / sqrt(n) with n - 1 in the sd: a lap is one observation.

    ``values`` are of shape (n_laps, ...), NaN where a lap has none; the mean is NaN without any lap, the error below
    two. [unit of the values]
    """
    values = np.asarray(values, dtype=np.float64)
    valid = np.isfinite(values)
    n = valid.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(valid, values, 0.0).sum(axis=0) / n
        squares = (np.where(valid, values - mean, 0.0) ** 2).sum(axis=0)
        error = np.sqrt(squares / (n - 1) / n)
    return np.where(n > 0, mean, np.nan), np.where(n > 1, error, np.nan)


def use_by_place(
    end: EndMotion,
    laps: Sequence[slice],
    moving: BoolArray,
    corner: IntArray,
    phase: IntArray,
    phases: Sequence[str],
    sample_rate_hz: float,
) -> tuple[PlaceUse, ...]:
    """Travel and speed over whole laps, in each phase and in each corner.

    Parameters
    ----------
    laps : sequence of slice
        Samples of the laps that count; the whole run where there is none.
    moving : ndarray of bool, shape (n_samples,)
    corner, phase : ndarray of int, shape (n_samples,)
        Corner number, 0 on none; index into ``phases``, -1 where unknown.
    sample_rate_hz : float
        [Hz]

    Returns
    -------
    tuple of PlaceUse
        Whole laps first, then phases, then corners in order; places no lap has spent `LEAST_S` at are left out.
    """
    numbers = _corners_in(corner)
    rows: dict[tuple[int | None, str | None], list[FloatArray]] = {(None, None): []}
    rows |= {(None, name): [] for name in phases} | {(number, None): [] for number in numbers}
    for lap in laps:
        use = moving[lap] & end.valid[lap]
        travel, speed, shaft = (
            a[lap][use] for a in (end.wheel_travel_mm, end.wheel_speed_mm_s, end.shaft_travel_mm)
        )
        fast = np.abs(end.shaft_speed_mm_s[lap][use]) >= end.speed_split_mm_s
        deep = np.where(np.isnan(end.stroke_mm), np.nan, shaft >= DEEP_SHARE * end.stroke_mm)
        here_phase, here_corner = phase[lap][use], corner[lap][use]
        for (number, name), found in rows.items():
            if number is not None:
                at = _rows_of(here_corner, number)
            else:
                at = slice(None) if name is None else _rows_of(here_phase, phases.index(name))
            found.append(_numbers(travel[at], speed[at], fast[at], deep[at], LEAST_S * sample_rate_hz))
    total = sum(float(np.nan_to_num(row[0])) for row in rows[(None, None)])
    return tuple(
        _place(end, number, name, np.array(found), total)
        for (number, name), found in rows.items()
        if found and np.isfinite(np.array(found)).any()
    )


def _corners_in(corner: IntArray) -> list[int]:
    """Numbers of the corners that occur, rising."""
    return [int(number) for number in np.flatnonzero(np.bincount(corner)) if number > 0]


def _rows_of(numbers: IntArray, number: int) -> IntArray | slice:
    """Where a number is; a slice where it is in one piece."""
    at = np.flatnonzero(numbers == number)
    whole = len(at) > 0 and at[-1] - at[0] == len(at) - 1
    return slice(int(at[0]), int(at[-1]) + 1) if whole else at


def _numbers(
    travel_mm: FloatArray, speed_mm_s: FloatArray, fast: BoolArray, deep: BoolArray, least: float
) -> FloatArray:
    """One lap at one place: samples, least, most, median, 95 %, deep, RMS and fast share of either direction."""
    n = len(travel_mm)
    if n < max(least, 1):
        return np.full(10, np.nan)
    ordered = np.sort(travel_mm)
    median, p95 = quantiles(ordered, (0.5, 0.95)).tolist()
    down = speed_mm_s > 0
    up = ~down
    squares = speed_mm_s * speed_mm_s
    n_down = int(np.count_nonzero(down))
    return np.array(
        [
            n,
            ordered[0],
            ordered[-1],
            median,
            p95,
            np.count_nonzero(deep) / n,
            np.sqrt(squares[down].sum() / max(n_down, 1)),
            np.sqrt(squares[up].sum() / max(n - n_down, 1)),
            np.count_nonzero(fast & down) / n,
            np.count_nonzero(fast & up) / n,
        ]
    )


def _place(end: EndMotion, corner: int | None, phase: str | None, laps: FloatArray, total: float) -> PlaceUse:
    n, least, most, median, p95, deep, compression, rebound, fast_down, fast_up = laps.T

    def estimate(values: FloatArray) -> Estimate:
        mean, error = across_laps(values)
        return Estimate(float(mean), float(error) if np.isfinite(error) else None)

    deepest = float(np.nanmax(most))
    return PlaceUse(
        corner=corner,
        phase=phase,
        laps=int(np.isfinite(n).sum()),
        time_share=float(np.nansum(n)) / total,
        min_mm=float(np.nanmin(least)),
        max_mm=deepest,
        margin_mm=end.wheel_stroke_mm - deepest,
        ride_height_mm=estimate(median),
        p95_mm=estimate(p95),
        range_mm=estimate(most - least),
        below_sag_mm=estimate(median - end.static_sag_mm) if np.isfinite(end.static_sag_mm) else None,
        deep_share=estimate(deep),
        compression_mm_s=estimate(compression),
        rebound_mm_s=estimate(rebound),
        compression_high_share=estimate(fast_down),
        rebound_high_share=estimate(fast_up),
    )


@dataclass(frozen=True)
class LapPlace:
    """One lap in one corner or one phase or, with neither, as a whole. None where an end was not measured."""

    corner: int | None
    phase: str | None
    front_mm: float | None  # ride height: median wheel travel
    rear_mm: float | None
    pitch_deg: float | None  # mean, nose down positive
    rake_deg: float | None  # at the median travels on level ground
    trail_mm: float | None  # only where the bike file gives the tyre radius and the fork offset


def lap_places(
    motion: Motion, moving: BoolArray, corner: IntArray, phase: IntArray, phases: Sequence[str], bike: Bike
) -> tuple[LapPlace, ...]:
    """Mean attitude of the motorcycle over one lap, by phase and corner.

    Parameters
    ----------
    motion : Motion
        During the lap.
    moving : ndarray of bool, shape (n_samples,)
    corner, phase : ndarray of int, shape (n_samples,)
        Corner number, 0 on none; index into ``phases``, -1 where unknown.

    Returns
    -------
    tuple of LapPlace
        The whole lap first, then phases, then corners; places without `LEAST_S` of valid time are left out.
    """
    places: list[tuple[int | None, str | None, IntArray | slice]] = [(None, None, slice(None))]
    places += [(None, name, _rows_of(phase, index)) for index, name in enumerate(phases)]
    places += [(number, None, _rows_of(corner, number)) for number in _corners_in(corner)]
    least = max(LEAST_S * motion.sample_rate_hz, 1.0)
    means = (_at(motion, moving, rows, least, number, name, bike) for number, name, rows in places)
    return tuple(place for place in means if (place.front_mm, place.rear_mm) != (None, None))


def _at(
    motion: Motion,
    moving: BoolArray,
    rows: IntArray | slice,
    least: float,
    corner: int | None,
    phase: str | None,
    bike: Bike,
) -> LapPlace:
    wheel: dict[str, float] = {}
    shaft: dict[str, float] = {}
    both = use = moving[rows]
    for name, end in motion.ends.items():
        here = use & end.valid[rows]
        both = both & here
        if np.count_nonzero(here) >= least:
            wheel[name], shaft[name] = (
                median(values[rows][here]) for values in (end.wheel_travel_mm, end.shaft_travel_mm)
            )
    if len(shaft) < 2 or np.count_nonzero(both) < least:
        return LapPlace(corner, phase, wheel.get("front"), wheel.get("rear"), None, None, None)
    stands = attitude(bike, shaft["front"], shaft["rear"])
    return LapPlace(
        corner,
        phase,
        wheel["front"],
        wheel["rear"],
        finite(float(np.mean(motion.pitch_deg[rows][both]))),
        finite(stands.rake_deg),
        stands.trail_mm,
    )
