"""Damper force against shaft speed, from a dyno table or the parameters of a bike file; power and heat of a run."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from telemetry.arrays import BoolArray, FloatArray, Number
from telemetry.bike.dyno import dyno_clicks, dyno_force_n
from telemetry.bike.ends import Damper, DamperSide
from telemetry.numeric import BLOCK


def _side_force_n(speed_mm_s: FloatArray, side: DamperSide) -> FloatArray:
    """Force of one direction at speeds of this direction, and of none at 0."""
    excess = (side.low_n_s_per_mm - side.high_n_s_per_mm) * side.knee_mm_s
    return side.high_n_s_per_mm * speed_mm_s + excess * np.tanh(speed_mm_s / side.knee_mm_s)


def damper_force_n(shaft_speed_mm_s: FloatArray, damper: Damper) -> FloatArray:
    """Hydraulic force of a damper, from its dyno table if there is one; without friction.

    Parameters
    ----------
    shaft_speed_mm_s : ndarray of shape (n_samples,)
        Compression positive. [mm/s]

    Returns
    -------
    ndarray of shape (n_samples,)
        Positive resists compression, negative resists rebound. [N]
    """
    speed = np.asarray(shaft_speed_mm_s, dtype=np.float64)
    if damper.dyno is not None:
        compression, rebound = dyno_clicks(damper.dyno, damper.compression_clicks, damper.rebound_clicks)
        return dyno_force_n(damper.dyno, speed, compression, rebound)
    down, up = np.maximum(speed, 0.0), np.minimum(speed, 0.0)
    return _side_force_n(down, damper.compression) + _side_force_n(up, damper.rebound)


@dataclass(frozen=True)
class DamperRegion:
    """One region of the damper curve over a run: share of time and of work.

    ``adjuster`` is what acts there; ``time_share`` is of the valid time, ``work_share`` of the hydraulic work.
    """

    direction: Literal["compression", "rebound"]
    speeds: Literal["low", "high"]
    adjuster: str
    time_share: float
    work_share: float
    mean_force_n: float
    work_j: float


@dataclass(frozen=True)
class DamperUse:
    """Use of a damper over a run: time and work by region of its curve, power and heat."""

    split_mm_s: float  # between low and high speed, at the shaft
    regions: tuple[DamperRegion, ...]  # compression and rebound, low and high
    hydraulic_w: Number  # mean power turned into heat by the oil
    friction_w: Number  # mean power turned into heat by the seals
    peak_w: Number  # most of the oil in one sample
    work_j: Number  # by the oil over the valid time
    lap_j: tuple[Number, ...]  # by lap, scaled up to the whole lap where samples are missing


REGIONS: tuple[tuple[Literal["compression", "rebound"], Literal["low", "high"]], ...] = (
    ("compression", "low"),
    ("compression", "high"),
    ("rebound", "low"),
    ("rebound", "high"),
)
# What acts in which part of the curve: common practice, no source.
ADJUSTERS = {"low": "{} clicker (the bleed)", "high": "high-speed {} adjuster, else the shim stack"}


def damper_use(
    damper: Damper,
    shaft_speed_mm_s: FloatArray,
    sample_rate_hz: float,
    split_mm_s: float,
    laps_s: Sequence[tuple[float, float]] = (),
    selected: BoolArray | None = None,
) -> DamperUse:
    """Force, power and heat of a damper over a run, by region of its curve.

    Parameters
    ----------
    shaft_speed_mm_s : ndarray of shape (n_samples,)
        From t = 0, compression positive; NaN where invalid. [mm/s]
    split_mm_s : float
        Between low and high speed. [mm/s]
    laps_s : sequence of (start, end)
        [s]
    selected : ndarray of bool, shape (n_samples,), optional
        Samples that count; all by default.

    Returns
    -------
    DamperUse
        NaN throughout where no sample is valid.
    """
    speed = np.asarray(shaft_speed_mm_s, dtype=np.float64)
    step_s = 1.0 / sample_rate_hz
    rows = np.ceil(np.array(laps_s).reshape(-1, 2) * sample_rate_hz - 1e-6).astype(np.int64)
    edges = np.unique(np.clip([0, *rows.ravel(), len(speed)], 0, len(speed)))
    parts = [_work(damper, speed, selected, slice(a, b), split_mm_s) for a, b in pairwise(edges.tolist())]
    whole = sum(parts, _NO_WORK)
    total, total_j = whole.samples, float(whole.power_w.sum()) * step_s
    regions = tuple(
        DamperRegion(
            direction,
            speeds,
            ADJUSTERS[speeds].format(direction),
            float(whole.count[number]) / max(total, 1),
            float(whole.power_w[number]) * step_s / total_j if total_j > 0 else 0.0,
            float(whole.force_n[number] / whole.count[number]) if whole.count[number] else 0.0,
            float(whole.power_w[number]) * step_s,
        )
        for number, (direction, speeds) in enumerate(REGIONS)
    )
    nan = float("nan")
    if not total:
        return DamperUse(split_mm_s, regions, nan, nan, nan, nan, tuple(nan for _ in laps_s))
    laps = []
    for (start, end), (first, last) in zip(laps_s, np.searchsorted(edges, rows).tolist(), strict=True):
        lap = sum(parts[first:last], _NO_WORK)
        laps.append(float(lap.power_w.sum()) / lap.samples * (end - start) if lap.samples else nan)
    return DamperUse(
        split_mm_s,
        regions,
        total_j / step_s / total,
        damper.friction_n * whole.path_mm_s / total / 1e3,
        whole.peak_w,
        total_j,
        tuple(laps),
    )


@dataclass(frozen=True)
class _Work:
    """Sums over the samples of a stretch: by region, arrays of shape (4,), and over all of them."""

    count: FloatArray
    power_w: FloatArray
    force_n: FloatArray
    samples: int  # valid ones, also those that stand still and are of no region
    path_mm_s: float
    peak_w: float

    def __add__(self, other: "_Work") -> "_Work":
        return _Work(
            self.count + other.count,
            self.power_w + other.power_w,
            self.force_n + other.force_n,
            self.samples + other.samples,
            self.path_mm_s + other.path_mm_s,
            max(self.peak_w, other.peak_w),
        )


_NO_WORK = _Work(np.zeros(4), np.zeros(4), np.zeros(4), 0, 0.0, 0.0)


def _work(
    damper: Damper, speed_mm_s: FloatArray, selected: BoolArray | None, stretch: slice, split_mm_s: float
) -> _Work:
    """Work over one stretch."""
    found = _NO_WORK
    for first in range(stretch.start, stretch.stop, BLOCK):
        here = slice(first, min(first + BLOCK, stretch.stop))
        valid = np.isfinite(speed_mm_s[here])
        if selected is not None:
            valid &= selected[here]
        moved = np.where(valid, speed_mm_s[here], 0.0)
        force, size = damper_force_n(moved, damper), np.abs(moved)
        power = force * moved / 1e3
        down, up, high = moved > 0, moved < 0, size > split_mm_s
        regions = (down & ~high, down & high, up & ~high, up & high)
        weights = np.array(regions, dtype=np.float64)
        found += _Work(
            weights.sum(axis=1),
            weights @ power,
            weights @ force,
            int(np.count_nonzero(valid)),
            float(size.sum()),
            float(power.max()),
        )
    return found
