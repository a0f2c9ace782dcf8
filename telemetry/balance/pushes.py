"""The pushes in a log of a bike pushed by hand: where they are, what each end did, which cannot be used."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import ENDS, End, FloatArray, IntArray
from telemetry.balance.standout import peaks_above
from telemetry.motion import Motion
from telemetry.signals.modes import damping_from_log_decrement, log_decrement

# Choices of ours; no source.
LEAST_PUSH_MM = 8.0  # mean of both ends
PUSH_SHARE = 0.3  # of the deepest push
APART_S = 0.6
BEGUN_SHARE = 0.15  # of its depth: where a push begins
AFTER_S = 2.0
BACK_SHARE = 0.10  # of its depth: back at rest
SWING_SHARE = 0.05  # of its depth: still swinging above this
ONE_END_SHARE = 0.4  # of the depth of the other: less was not pushed
HELD_MM, HELD_SHARE = 3.0, 0.2
QUIET_MM_S, QUIET_S = 15.0, 0.4


@dataclass(frozen=True)
class EndPush:
    """One end in one push, at the wheel.

    Parameters
    ----------
    depth_mm : float
        Deepest below where it rests. [mm]
    down_mm_s, up_mm_s : float
        Fastest compression and rebound, magnitudes. [mm/s]
    deepest_s : float
        When. [s]
    time_up_s : float or None
        From the deepest until a tenth of the depth is left; None when it never came back. [s]
    overshoot_share : float
        Above where it rests, as a share of the depth.
    cycles : float
        Until what is left is less than a twentieth of the depth.
    damping_ratio : float or None
        By the logarithmic decrement over the first half cycle; None without an overshoot.
    """

    depth_mm: float
    down_mm_s: float
    up_mm_s: float
    deepest_s: float
    time_up_s: float | None
    overshoot_share: float
    cycles: float
    damping_ratio: float | None


@dataclass(frozen=True)
class Push:
    """One push; ``bad`` says why it is not used, "" when it is."""

    start_s: float
    ends: Mapping[End, EndPush]
    bad: str


def rest_mm(motion: Motion, end: End) -> float:
    """Travel while nothing moves: the median over stretches of `QUIET_S` that are quiet throughout.

    Returns
    -------
    float
        At the wheel; NaN where it never rests. [mm]
    """
    own, width = motion.ends[end], max(1, round(QUIET_S * motion.sample_rate_hz))
    moving = ~own.valid | ~(np.abs(own.wheel_speed_mm_s) < QUIET_MM_S)
    quiet = np.convolve(moving, np.ones(width), mode="same") < 0.5
    return float(np.median(own.wheel_travel_mm[quiet])) if quiet.any() else float("nan")


def find_pushes(motion: Motion, rest: Mapping[End, float]) -> tuple[Push, ...]:
    """Every push in a log of a bike pushed by hand, bad ones named.

    Parameters
    ----------
    motion : Motion
        With both ends.
    rest : mapping of end to float
        Wheel travel at rest. [mm]
    """
    tops = _tops(motion, rest)
    return tuple(_push(motion, rest, int(top), tops) for top in tops)


def _mean_travel(motion: Motion, rest: Mapping[End, float]) -> FloatArray:
    """Mean of both ends below where they rest. [mm]"""
    front, rear = (motion.ends[end].wheel_travel_mm - rest[end] for end in ENDS)
    return np.asarray(0.5 * (front + rear))


def _tops(motion: Motion, rest: Mapping[End, float]) -> IntArray:
    """Samples at which the mean of both ends is deepest, one a push."""
    both = _mean_travel(motion, rest)
    width = max(1, round(0.02 * motion.sample_rate_hz))
    smooth = np.convolve(np.nan_to_num(both), np.full(width, 1 / width), mode="same")
    high = max(LEAST_PUSH_MM, PUSH_SHARE * float(smooth.max(initial=0.0)))
    return peaks_above(smooth, high, round(APART_S * motion.sample_rate_hz))


def _push(motion: Motion, rest: Mapping[End, float], top: int, tops: IntArray) -> Push:
    rate = motion.sample_rate_hz
    both = _mean_travel(motion, rest)
    up_to_here = both[max(0, top - round(2.0 * rate)) : top]
    below = np.flatnonzero(~(up_to_here > BEGUN_SHARE * both[top]))
    start = top - len(up_to_here) + (int(below[-1]) + 1 if len(below) else 0)
    later = tops[tops > top]
    stop = min(
        len(both), top + round(AFTER_S * rate), int(later[0]) - round(0.2 * rate) if len(later) else len(both)
    )
    ends = {end: _end_push(motion, end, rest[end], start, top, stop) for end in ENDS}
    return Push(start / rate, ends, _fault(motion, rest, ends, stop))


def _end_push(motion: Motion, end: End, rest: float, start: int, top: int, stop: int) -> EndPush:
    rate, own = motion.sample_rate_hz, motion.ends[end]
    travel, speed = own.wheel_travel_mm - rest, own.wheel_speed_mm_s
    near = slice(max(start, 0), min(stop, top + round(0.3 * rate)))
    deepest = near.start + int(np.nanargmax(travel[near])) if np.isfinite(travel[near]).any() else top
    depth = float(travel[deepest])
    after = travel[deepest:stop]
    back = np.flatnonzero(after <= BACK_SHARE * depth)
    above = np.flatnonzero(after <= 0)
    over = max(0.0, -float(np.nanmin(after[above[0] :]))) if len(above) else 0.0
    turns = np.flatnonzero(np.diff(np.sign(np.diff(after))) != 0) + 1
    swinging = turns[np.abs(after[turns]) > SWING_SHARE * depth]
    swings = 0 if not len(swinging) else 1 + int(np.count_nonzero(np.diff(np.sign(after[swinging])) != 0))
    ratio = None
    if depth > 0 and over > max(SWING_SHARE * depth, 0.3):
        ratio = damping_from_log_decrement(log_decrement(depth, over, 0.5))
    return EndPush(
        depth_mm=depth,
        down_mm_s=float(np.nanmax(speed[near], initial=0.0)),
        up_mm_s=float(-np.nanmin(speed[deepest:stop], initial=0.0)),
        deepest_s=deepest / rate,
        time_up_s=float(back[0] / rate) if len(back) else None,
        overshoot_share=over / depth if depth > 0 else 0.0,
        cycles=0.5 * swings,
        damping_ratio=ratio,
    )


def _fault(motion: Motion, rest: Mapping[End, float], ends: Mapping[End, EndPush], stop: int) -> str:
    """Why a push cannot be used, "" when it can."""
    depths = {end: push.depth_mm for end, push in ends.items()}
    low, high = min(depths, key=lambda e: depths[e]), max(depths, key=lambda e: depths[e])
    if depths[low] < ONE_END_SHARE * depths[high]:
        return f"only the {high} was pushed"
    width = max(1, round(0.25 * motion.sample_rate_hz))
    for end in ENDS:
        last = motion.ends[end].wheel_travel_mm[max(0, stop - width) : stop] - rest[end]
        if np.isfinite(last).any() and np.nanmedian(last) > max(HELD_MM, HELD_SHARE * depths[end]):
            return f"the {end} did not come back: hands or feet were still on the bike"
    if any(push.time_up_s is None for push in ends.values()):
        return "the bike did not come back before the next push"
    return ""
