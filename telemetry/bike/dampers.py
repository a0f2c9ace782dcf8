"""Damper force against shaft speed, from a dyno table or the parameters of a bike file; power and heat of a run."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, cast

import numpy as np

from telemetry.arrays import FloatArray, Number
from telemetry.bike.dyno import dyno_clicks, dyno_force_n
from telemetry.bike.ends import Damper, DamperSide


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
    valid = np.isfinite(speed)
    moved = np.where(valid, speed, 0.0)
    force = damper_force_n(moved, damper)
    power_w = np.where(valid, force * moved / 1e3, np.nan)
    step_s, count = 1.0 / sample_rate_hz, max(1, int(valid.sum()))
    total_j = float(np.nansum(power_w)) * step_s
    regions = []
    for direction, moving in (("compression", moved > 0), ("rebound", moved < 0)):
        for speeds, inside in (("low", np.abs(moved) <= split_mm_s), ("high", np.abs(moved) > split_mm_s)):
            here = valid & moving & inside
            work = float(np.sum(power_w[here])) * step_s
            regions.append(
                DamperRegion(
                    cast(Literal["compression", "rebound"], direction),
                    cast(Literal["low", "high"], speeds),
                    ADJUSTERS[speeds].format(direction),
                    float(here.sum()) / count,
                    work / total_j if total_j > 0 else 0.0,
                    float(np.mean(force[here])) if here.any() else 0.0,
                    work,
                )
            )
    if not valid.any():
        nan = float("nan")
        return DamperUse(split_mm_s, tuple(regions), nan, nan, nan, nan, tuple(nan for _ in laps_s))
    time_s = np.arange(len(speed)) * step_s
    laps = []
    for start, end in laps_s:
        power = power_w[slice(*np.searchsorted(time_s, (start, end)))]
        usable = power[np.isfinite(power)]
        laps.append(float(np.mean(usable)) * (end - start) if len(usable) else float("nan"))
    return DamperUse(
        split_mm_s,
        tuple(regions),
        float(np.nanmean(power_w)),
        damper.friction_n * float(np.mean(np.abs(speed[valid]))) / 1e3,
        float(np.nanmax(power_w)),
        total_j,
        tuple(laps),
    )
