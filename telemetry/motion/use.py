"""Travel use and speed of one end over a selection of samples, and over all laps of a run at once."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import BoolArray, FloatArray
from telemetry.motion.motion import EndMotion
from telemetry.motion.ordered import Ordered
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
from telemetry.numeric import quantiles_of

# Fixed bins, equal for all runs and both ends, so that histograms can be overlaid.
TRAVEL_BIN_MM = 5.0
TRAVEL_RANGE_MM = 150.0
SPEED_BIN_MM_S = 25.0
SPEED_RANGE_MM_S = 1500.0
# The last tenth of the stroke is deep: common practice keeps the last 5-10 mm in hand; no source.
DEEP_SHARE = 0.9

Stops = tuple[StopEvent, ...]


def travel_edges_mm(stroke_mm: float) -> FloatArray:
    """Travel bin edges: 0 to 150 mm in 5 mm, further only where the stroke is longer. [mm]"""
    top = np.fmax(TRAVEL_RANGE_MM, np.ceil(stroke_mm / TRAVEL_BIN_MM) * TRAVEL_BIN_MM)
    return np.arange(0.0, top + TRAVEL_BIN_MM / 2, TRAVEL_BIN_MM)


def speed_edges_mm_s() -> FloatArray:
    """Speed bin edges: -1500 to 1500 mm/s in 25 mm/s; the outermost bins hold everything beyond. [mm/s]"""
    return np.arange(-SPEED_RANGE_MM_S, SPEED_RANGE_MM_S + SPEED_BIN_MM_S / 2, SPEED_BIN_MM_S)


@dataclass(frozen=True)
class _Part:
    """Some samples in a row, which of them are used, how many these are, and how many were selected."""

    rows: slice
    use: BoolArray  # of shape (rows.stop - rows.start,)
    used: int
    selected: int


def _travel(ordered: Ordered, stroke_mm: float) -> TravelSummary:
    if not len(ordered):
        nan = float("nan")
        return TravelSummary(nan, nan, nan, nan, nan, nan, nan)
    median, p95 = ordered.quantiles((0.5, 0.95)).tolist()
    return TravelSummary(
        min_mm=ordered.least,
        mean_mm=ordered.mean,
        median_mm=median,
        p95_mm=p95,
        max_mm=ordered.most,
        used_pct=100.0 * ordered.most / stroke_mm,
        margin_mm=stroke_mm - ordered.most,
        range_mm=ordered.most - ordered.least,
        skew=ordered.skew,
    )


def _speed_side(
    pieces: Sequence[FloatArray], levels: Sequence[float], low_share: float, total: int
) -> SpeedSide:
    """One direction, from its speeds in order and the levels of median, 95th and 99th percentile of the magnitude."""
    n = sum(map(len, pieces))
    if not n:
        return SpeedSide(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    p50, p95, p99 = np.abs(quantiles_of(pieces, levels)).tolist()
    share = n / total
    return SpeedSide(
        share=share,
        rms_mm_s=float(np.sqrt(sum(float(piece @ piece) for piece in pieces) / n)),
        p50_mm_s=p50,
        p95_mm_s=p95,
        p99_mm_s=p99,
        max_mm_s=float(max(abs(piece[end]) for piece in pieces if len(piece) for end in (0, -1))),
        low_speed_share=low_share,
        high_speed_share=share - low_share,
    )


def _speed(
    ordered: Ordered, low_shares: tuple[float, float], noise_mm_s: float, bandwidth_hz: float
) -> SpeedSummary:
    total = max(len(ordered), 1)
    return SpeedSummary(
        compression=_speed_side(ordered.above_zero(), (0.5, 0.95, 0.99), low_shares[0], total),
        rebound=_speed_side(ordered.below_zero(), (0.5, 0.05, 0.01), low_shares[1], total),
        noise_mm_s=noise_mm_s,
        bandwidth_hz=bandwidth_hz,
        skew=ordered.skew,
    )


def _low_shares(shaft_speed: Ordered, split_mm_s: float) -> tuple[float, float]:
    """Share of the time in which the damper moved below its split, in compression and in rebound."""
    if np.isnan(split_mm_s):
        return 0.0, 0.0
    total = max(len(shaft_speed), 1)
    down = shaft_speed.below(split_mm_s) - shaft_speed.up_to(0.0)
    up = shaft_speed.below(0.0) - shaft_speed.up_to(-split_mm_s)
    return max(down, 0) / total, max(up, 0) / total


def _use(end: EndMotion, shaft: Ordered, deep_visits: int, ride_height_mm: float) -> TravelUse:
    sag = end.static_sag_mm if np.isfinite(end.static_sag_mm) else None
    total = len(shaft)
    if not total:
        return TravelUse(static_sag_mm=sag)
    known = np.nan if np.isnan(end.stroke_mm) else 1.0
    return TravelUse(
        ride_height_mm=ride_height_mm,
        static_sag_mm=sag,
        below_sag_mm=None if sag is None else ride_height_mm - sag,
        deep_share=known * (total - shaft.below(DEEP_SHARE * end.stroke_mm)) / total,
        deep_visits=deep_visits,
        bottom_share=known * (total - shaft.below(end.stroke_mm - CONTACT_MM)) / total,
        top_share=shaft.up_to(CONTACT_MM) / total,
    )


def _deep_visits(end: EndMotion, shaft: Ordered, parts: Sequence[_Part]) -> int:
    """How often an end went into the last of its stroke in parts that follow one another; ``shaft`` is its travel."""
    if not len(shaft) or not shaft.most >= DEEP_SHARE * end.stroke_mm:
        return 0
    visits, before = 0, -1  # the sample up to which it was there
    for part in parts:
        deep = part.use & (end.shaft_travel_mm[part.rows] >= DEEP_SHARE * end.stroke_mm)
        for start, stop in (part.rows.start + runs_of(deep)).tolist() if deep.any() else ():
            visits += start != before
            before = stop
    return visits


def _of_each(values: FloatArray, parts: Sequence[_Part], groups: Sequence[Sequence[int]]) -> list[Ordered]:
    """Values in order for every group of parts; what two groups share is put in order once."""
    each = [Ordered.chosen(values[part.rows], part.use) for part in parts]
    return [Ordered.together(each[i] for i in group) for group in groups]


def _travels(each: Sequence[Ordered], stroke_mm: float) -> Iterator[tuple[TravelSummary, TravelHistogram]]:
    edges = travel_edges_mm(stroke_mm)
    told = tuple(edges.tolist())
    for one in each:
        yield _travel(one, stroke_mm), TravelHistogram(told, one.shares(edges))


def _speeds(
    each: Sequence[Ordered],
    low_shares: Sequence[tuple[float, float]],
    noise_mm_s: float,
    bandwidth_hz: float,
) -> Iterator[tuple[SpeedSummary, SpeedHistogram]]:
    edges = speed_edges_mm_s()
    told = tuple(edges.tolist())
    for one, low in zip(each, low_shares, strict=True):
        yield _speed(one, low, noise_mm_s, bandwidth_hz), SpeedHistogram(told, one.shares(edges))


def _summaries(
    end: EndMotion, parts: Sequence[_Part], groups: Sequence[Sequence[int]], stops: Sequence[Stops]
) -> list[EndSummary]:
    """Summary of every group of parts, given by their numbers in order of time, with its stops."""
    wheel_travel = list(_travels(_of_each(end.wheel_travel_mm, parts, groups), end.wheel_stroke_mm))
    each = _of_each(end.shaft_travel_mm, parts, groups)
    shaft_travel = list(_travels(each, end.stroke_mm))
    uses = [
        _use(end, one, _deep_visits(end, one, [parts[i] for i in group]), wheel.median_mm)
        for one, group, (wheel, _) in zip(each, groups, wheel_travel, strict=True)
    ]
    del each  # a run's length of numbers: before the next are put in order
    each = _of_each(end.shaft_speed_mm_s, parts, groups)
    low_shares = [_low_shares(one, end.speed_split_mm_s) for one in each]
    shaft_speed = list(_speeds(each, low_shares, end.shaft_noise_mm_s, end.bandwidth_hz))
    del each
    each = _of_each(end.wheel_speed_mm_s, parts, groups)
    wheel_speed = list(_speeds(each, low_shares, end.wheel_noise_mm_s, end.bandwidth_hz))
    found = []
    for i, group in enumerate(groups):
        used, selected = (sum(getattr(parts[k], name) for k in group) for name in ("used", "selected"))
        mine = [stop for stop in stops[i] if stop.end == end.end]
        found.append(
            EndSummary(
                stroke_mm=end.stroke_mm,
                wheel_stroke_mm=end.wheel_stroke_mm,
                valid_share=used / max(selected, 1),
                shaft=PlaneSummary(*shaft_travel[i], *shaft_speed[i]),
                wheel=PlaneSummary(*wheel_travel[i], *wheel_speed[i]),
                bottomed=tuple(stop for stop in mine if stop.kind == "bottomed"),
                topped_out=tuple(stop for stop in mine if stop.kind == "topped_out"),
                use=uses[i],
            )
        )
    return found


def _part(end: EndMotion, rows: slice, selected: BoolArray) -> _Part:
    here = selected[rows]
    use = here & end.valid[rows]
    return _Part(rows, use, int(np.count_nonzero(use)), int(np.count_nonzero(here)))


def summarise_end(end: EndMotion, selected: BoolArray, stops: Stops) -> EndSummary:
    """Summary of one end over the selected samples of shape (n_samples,): the run, a lap, a corner.

    Invalid samples are left out of every number; ``stops`` are the contacts that belong to the selection.
    """
    return _summaries(end, [_part(end, slice(0, len(selected)), selected)], [[0]], [stops])[0]


def summarise_laps(
    end: EndMotion,
    laps: Sequence[tuple[slice, Stops]],
    riding: BoolArray,
    counted: BoolArray,
    stops: Stops,
) -> tuple[list[EndSummary], EndSummary]:
    """Summaries of one end as of `summarise_end`: of every lap while riding, and of the run.

    Parameters
    ----------
    laps : sequence of (slice, tuple of StopEvent)
        In order of time, the contacts that belong to each with it.
    riding : ndarray of bool, shape (n_samples,)
        Samples that count for their lap.
    counted : ndarray of bool, shape (n_samples,)
        Samples that count for the run.
    stops : tuple of StopEvent
        Contacts that belong to the run.
    """
    parts: list[_Part] = []
    own, run = [], []  # numbers of parts
    done = 0
    for lap, _ in (*laps, (slice(len(riding), len(riding)), ())):
        run.append(len(parts))
        parts.append(_part(end, slice(done, max(done, lap.start)), counted))  # between the laps
        own.append([len(parts)])
        parts.append(_part(end, lap, riding))
        if lap.start < done or not np.array_equal(riding[lap], counted[lap]):
            parts.append(_part(end, slice(max(done, lap.start), max(done, lap.stop)), counted))
        run.append(len(parts) - 1)
        done = max(done, lap.stop)
    *of_laps, whole = _summaries(end, parts, [*own[:-1], run], [*(mine for _, mine in laps), stops])
    return of_laps, whole
