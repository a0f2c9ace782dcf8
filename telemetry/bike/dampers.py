"""Damper force against shaft speed, from a dyno table or the parameters of a bike file; power and heat of a run."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from telemetry.arrays import FloatArray, Number
from telemetry.bike.dyno import dyno_clicks, dyno_force_n
from telemetry.bike.ends import Damper, DamperSide
from telemetry.numeric import BLOCK


def _side_force_n(speed_mm_s: FloatArray, side: DamperSide) -> FloatArray:
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
    return np.where(
        speed >= 0, _side_force_n(speed, damper.compression), _side_force_n(speed, damper.rebound)
    )


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

    Returns
    -------
    DamperUse
        NaN throughout where no sample is valid.
    """
    speed = np.asarray(shaft_speed_mm_s, dtype=np.float64)
    step_s = 1.0 / sample_rate_hz
    power_w = np.full(len(speed), np.nan)
    count, work_w, force_n = (
        np.zeros(5, dtype=np.int64),
        np.zeros(5),
        np.zeros(5),
    )  # by region; the last stands still
    path_mm_s = 0.0
    for first in range(0, len(speed), BLOCK):
        here = speed[first : first + BLOCK]
        valid = np.isfinite(here)
        moved = here[valid]
        force = damper_force_n(moved, damper)
        power = force * moved / 1e3
        power_w[first : first + BLOCK][valid] = power
        region = np.where(moved == 0, 4, 2 * (moved < 0) + (np.abs(moved) > split_mm_s))
        count += np.bincount(region, minlength=5)
        work_w += np.bincount(region, power, 5)
        force_n += np.bincount(region, force, 5)
        path_mm_s += float(np.abs(moved).sum())
    total, total_j = int(count.sum()), float(work_w.sum()) * step_s
    regions = [
        DamperRegion(
            direction,
            speeds,
            ADJUSTERS[speeds].format(direction),
            float(count[number]) / max(total, 1),
            float(work_w[number]) * step_s / total_j if total_j > 0 else 0.0,
            float(force_n[number] / count[number]) if count[number] else 0.0,
            float(work_w[number]) * step_s,
        )
        for number, (direction, speeds) in enumerate(REGIONS)
    ]
    if not total:
        nan = float("nan")
        return DamperUse(split_mm_s, tuple(regions), nan, nan, nan, nan, tuple(nan for _ in laps_s))
    laps = []
    for start, end in laps_s:
        power = power_w[
            int(np.ceil(start * sample_rate_hz - 1e-6)) : int(np.ceil(end * sample_rate_hz - 1e-6))
        ]
        usable = power[np.isfinite(power)]
        laps.append(float(np.mean(usable)) * (end - start) if len(usable) else float("nan"))
    return DamperUse(
        split_mm_s,
        tuple(regions),
        total_j / step_s / total,
        damper.friction_n * path_mm_s / total / 1e3,
        float(np.nanmax(power_w)),
        total_j,
        tuple(laps),
    )
