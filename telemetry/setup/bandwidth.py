"""Speeds of two runs at one bandwidth: those of the wider one are taken again from its travel at the other's."""

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from telemetry.arrays import ENDS, BoolArray, End, FloatArray
from telemetry.balance.balance import DirectionBalance
from telemetry.balance.speeds import quantile_slope, speed_ratio
from telemetry.motion import EndSummary
from telemetry.signals.differentiate import correlate, differentiator_as_at
from telemetry.summary import LapSummary, Summary, Traces

# Speeds compare when their bandwidths differ by no more than this share. A choice, no source.
SAME_BANDWIDTH = 0.10
COLUMNS = ("t_s", "front_wheel_mm", "rear_wheel_mm", "front_valid", "rear_valid")


def bandwidth_hz(run: Summary) -> float | None:
    """Bandwidth of the wheel speeds of a run; None when no end was judged. [Hz]"""
    found = [run.ends[end].wheel.speed.bandwidth_hz for end in ENDS if run.ends[end].judged]
    return min(found) if found else None


def other_bandwidth(a: Summary, b: Summary) -> bool:
    """Whether the speeds of two runs were measured with different bandwidths."""
    one, other = bandwidth_hz(a), bandwidth_hz(b)
    if one is None or other is None:
        return False
    return abs(one - other) > SAME_BANDWIDTH * max(one, other)


def at_common_bandwidth(
    a: Summary, b: Summary, traces_a: Callable[[], Traces], traces_b: Callable[[], Traces]
) -> tuple[Summary, Summary, float]:
    """Two runs with the speeds of their laps at the narrower of their bandwidths.

    Parameters
    ----------
    traces_a, traces_b : callable
        Called for the run with the wider one.

    Returns
    -------
    Summary, Summary, float
        The speeds a lap that `telemetry.metrics` reads, but those of the same bump, are put right; the bandwidth. [Hz]
    """
    one, other = bandwidth_hz(a), bandwidth_hz(b)
    assert one is not None and other is not None
    if one > other:
        return _narrowed(a, traces_a(), b.run.sample_rate_hz), _without_same_bump(b), other
    return _without_same_bump(a), _narrowed(b, traces_b(), a.run.sample_rate_hz), one


def _without_same_bump(run: Summary) -> Summary:
    laps = (replace(lap, balance=replace(lap.balance, same_bump=None)) for lap in run.laps)
    return replace(run, laps=tuple(laps))


def _narrowed(run: Summary, traces: Traces, slower_rate_hz: float) -> Summary:
    """The speeds of a run's laps as a slower log would have them, but for what it aliases."""
    t_s = traces["t_s"]
    design = differentiator_as_at(slower_rate_hz, run.run.sample_rate_hz)
    hz = design.bandwidth_hz
    speed: dict[End, FloatArray] = {}
    for end in ENDS:
        travel = np.where(traces[f"{end}_valid"] > 0, traces[f"{end}_wheel_mm"], np.nan)
        speed[end] = correlate(travel, design.weights)
    laps = []
    for lap in run.laps:
        here = slice(*np.searchsorted(t_s, (lap.start_s, lap.end_s)).tolist())
        laps.append(_lap_at(lap, {end: speed[end][here] for end in ENDS}, hz))
    return replace(run, laps=tuple(laps))


def _lap_at(lap: LapSummary, speed: Mapping[End, FloatArray], hz: float) -> LapSummary:
    ends = {
        end: _end_at(lap.ends[end], speed[end], hz) if lap.ends[end].judged else lap.ends[end] for end in ENDS
    }
    known: BoolArray = np.isfinite(speed["front"]) & np.isfinite(speed["rear"])
    front, rear = speed["front"][known], speed["rear"][known]
    balance = replace(lap.balance, speed_ratio=speed_ratio(front, rear), same_bump=None)
    if balance.speed is not None:
        balance = replace(
            balance,
            speed=replace(
                balance.speed,
                compression=DirectionBalance(
                    None, quantile_slope(front[front > 0], rear[rear > 0]), None, None
                ),
                rebound=DirectionBalance(
                    None, quantile_slope(-front[front < 0], -rear[rear < 0]), None, None
                ),
                asymmetry={
                    end: quantile_slope(-own[own < 0], own[own > 0])
                    for end, own in zip(ENDS, (front, rear), strict=True)
                },
            ),
        )
    return replace(lap, ends=ends, balance=balance)


def _end_at(summary: EndSummary, speed: FloatArray, hz: float) -> EndSummary:
    def rms(values: FloatArray) -> float:
        return float(np.sqrt(np.mean(values**2))) if len(values) else float("nan")

    own = summary.wheel.speed
    sides = replace(
        own,
        compression=replace(own.compression, rms_mm_s=rms(speed[speed > 0])),
        rebound=replace(own.rebound, rms_mm_s=rms(speed[speed < 0])),
        bandwidth_hz=hz,
    )
    return replace(summary, wheel=replace(summary.wheel, speed=sides))
