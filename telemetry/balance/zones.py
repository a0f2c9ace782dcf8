"""Dive, squat and what the rear keeps to extend, braking zone by braking zone and exit by exit."""

from collections.abc import Mapping

import numpy as np

from telemetry.arrays import BoolArray, FloatArray, IntArray
from telemetry.balance.balance import ZoneAnswer, half_width

# Choices of ours; no source. So many laps for an interval, and so long on each.
FEWEST_LAPS = 3
SHORTEST_ON_LAP_S = 0.3
LEFT_QUANTILE = 0.05
COASTING_M_S2 = 1.0


def zone_gains(
    kind: str,
    values: FloatArray,
    push_m_s2: FloatArray,
    speed_m_s: FloatArray,
    upright: BoolArray,
    pushed: BoolArray,
    corner: IntArray,
    lap: IntArray,
    rate_hz: float,
) -> tuple[ZoneAnswer, ...]:
    """Travel per m/s2 at each corner: the mean over laps, with its 95 % interval.

    Parameters
    ----------
    kind : str
        "dive" or "squat".
    values : ndarray, shape (n,)
        Travel. [mm]
    push_m_s2 : ndarray, shape (n,)
        What moves it: braking or drive, positive.
    upright, pushed : ndarray of bool, shape (n,)
        Samples without lean; those of the push.

    Notes
    -----
    travel = a + b v^2 + G push by least squares over upright samples without push or with it: the other push, braking
    for drive, moves an end by another G. a + b v^2 is the travel at that speed without push. What a lap has above it at
    a corner, over its mean push there, is that lap's value. The interval is of other laps; the error of a and b, the
    same at all corners, is not in it.
    """
    known = upright & np.isfinite(values) & np.isfinite(push_m_s2) & np.isfinite(speed_m_s)
    fitted = known & (pushed | (np.abs(push_m_s2) < COASTING_M_S2))
    columns = np.column_stack([np.ones(len(values)), speed_m_s**2 / 1e3, push_m_s2])
    found = np.linalg.lstsq(columns[fitted], values[fitted], rcond=None)
    if found[2] < columns.shape[1]:
        return ()
    at_rest, per_speed, _ = found[0]
    above = values - at_rest - per_speed * columns[:, 1]
    by_corner: dict[int, list[float]] = {}
    for number, one in _on_laps(known & pushed, corner, lap, rate_hz):
        by_corner.setdefault(number, []).append(float(above[one].mean() / push_m_s2[one].mean()))
    return _over_laps(kind, by_corner)


def zone_left(
    travel_mm: FloatArray, braking: BoolArray, corner: IntArray, lap: IntArray, rate_hz: float
) -> tuple[ZoneAnswer, ...]:
    """Rear travel left to extend in each braking zone, exceeded 95 % of the time: the mean over laps. [mm]"""
    by_corner: dict[int, list[float]] = {}
    for number, one in _on_laps(braking & np.isfinite(travel_mm), corner, lap, rate_hz):
        by_corner.setdefault(number, []).append(float(np.quantile(travel_mm[one], LEFT_QUANTILE)))
    return _over_laps("left", by_corner)


def _on_laps(mask: BoolArray, corner: IntArray, lap: IntArray, rate_hz: float) -> list[tuple[int, IntArray]]:
    """Corner and samples of every lap that is long enough there."""
    rows = np.flatnonzero(mask & (corner > 0))
    rows = rows[np.lexsort((lap[rows], corner[rows]))]
    new = (np.diff(corner[rows]) != 0) | (np.diff(lap[rows]) != 0)
    pieces = np.split(rows, np.flatnonzero(new) + 1)
    long = [piece for piece in pieces if len(piece) >= max(SHORTEST_ON_LAP_S * rate_hz, 1)]
    return [(int(corner[piece[0]]), piece) for piece in long]


def _over_laps(kind: str, by_corner: Mapping[int, list[float]]) -> tuple[ZoneAnswer, ...]:
    found = []
    for number, values in sorted(by_corner.items()):
        n, mean = len(values), float(np.mean(values))
        if n >= FEWEST_LAPS:
            half = float(half_width(float(np.std(values, ddof=1)) / n**0.5, n))
            found.append(ZoneAnswer(kind, number, n, mean, (mean - half, mean + half)))
    return tuple(found)
