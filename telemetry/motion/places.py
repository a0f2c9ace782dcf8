"""Travel and speed of one end by corner and by phase, lap by lap: what differs between places, and how surely."""

from collections.abc import Sequence

import numpy as np

from telemetry.arrays import BoolArray, FloatArray, IntArray
from telemetry.motion.motion import EndMotion
from telemetry.motion.summary import Estimate, PlaceUse
from telemetry.motion.use import DEEP_SHARE

# A lap counts at a place when it spent this long there with valid travel. A choice of ours.
LEAST_S = 0.2


def across_laps(values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean over laps and its standard error, sd / sqrt(n) with n - 1 in the sd: a lap is one observation.

    Parameters
    ----------
    values : ndarray of shape (n_laps, ...)
        One value a lap (or one row of bins); NaN where a lap has none.

    Returns
    -------
    ndarray, ndarray of shape (...)
        Mean, NaN without any lap; standard error, NaN below two.
    """
    values = np.asarray(values, dtype=np.float64)
    known = np.isfinite(values)
    n = known.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(known, values, 0.0).sum(axis=0) / n
        squares = (np.where(known, values - mean, 0.0) ** 2).sum(axis=0)
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
    numbers = sorted(set(np.unique(corner).tolist()) - {0})
    rows: dict[tuple[int | None, str | None], list[FloatArray]] = {(None, None): []}
    rows |= {(None, name): [] for name in phases} | {(number, None): [] for number in numbers}
    for lap in laps:
        use = (moving & end.valid)[lap] if lap == slice(None) else moving[lap] & end.valid[lap]
        travel, speed, shaft = (
            a[lap][use] for a in (end.wheel_travel_mm, end.wheel_speed_mm_s, end.shaft_travel_mm)
        )
        fast = np.abs(end.shaft_speed_mm_s[lap][use]) >= end.speed_split_mm_s
        deep = shaft >= DEEP_SHARE * end.stroke_mm
        here_phase, here_corner = phase[lap][use], corner[lap][use]
        for (number, name), found in rows.items():
            if number is not None:
                at: BoolArray | slice = here_corner == number
            else:
                at = slice(None) if name is None else here_phase == phases.index(name)
            found.append(_numbers(travel[at], speed[at], fast[at], deep[at], LEAST_S * sample_rate_hz))
    total = sum(float(np.nan_to_num(row[0])) for row in rows[(None, None)])
    return tuple(
        _place(end, number, name, np.array(found), total)
        for (number, name), found in rows.items()
        if found and np.isfinite(np.array(found)).any()
    )


def _numbers(
    travel_mm: FloatArray, speed_mm_s: FloatArray, fast: BoolArray, deep: BoolArray, least: float
) -> FloatArray:
    """One lap at one place: samples, least, most, median, 95 %, deep, RMS and fast share of either direction."""
    n = len(travel_mm)
    if n < max(least, 1):
        return np.full(10, np.nan)
    median, p95 = np.percentile(travel_mm, [50, 95])
    down = speed_mm_s > 0
    up = ~down
    squares = speed_mm_s * speed_mm_s
    n_down = int(np.count_nonzero(down))
    return np.array(
        [
            n,
            travel_mm.min(),
            travel_mm.max(),
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
