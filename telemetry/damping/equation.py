"""The rear equation of motion filled with a log: the rear's own signals, and what is known of the road.

The front wheel has met the same road earlier. Its signals are taken where it stood at the rear's place, a
wheelbase back in distance, not in time, and scaled by the ratio of speeds. Beside them go what the front does
now (it moves the chassis, and with it the rear axle) and what the rear did when the front met the road.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from telemetry.arrays import BoolArray, FloatArray
from telemetry.damping.band import band_signals, bridged, usable
from telemetry.damping.hop import REFERENCE_HZ
from telemetry.laps import Track
from telemetry.motion import Motion

REAR_ORDERS = (2, 1, 0, -1, -2)  # the five terms of the equation, see `telemetry.damping.hop`
REAR_PAST = 3  # the last of what is known: the rear's own signals a wheelbase ago
TAPS_S = 0.01 * np.arange(-4, 5)  # also take up a wrong wheelbase, speed scale or channel delay
SLOWEST_M_S = 10.0  # below it the front's news is old and the road slow
OVERSAMPLING = 4  # for straight-line interpolation: 1 % off at the hop
BLOCK_S = 0.25


@dataclass(frozen=True)
class RearEquation:
    """Signals on an even grid of about 100 Hz.

    Parameters
    ----------
    t_s : ndarray of shape (n,)
        On the run's clock. [s]
    step_s : float
        [s]
    rear : ndarray of shape (5, n)
        (v'', v', v, x, int x) of the rear wheel. [mm/s]
    known : ndarray of shape (k, n)
        What the front knows; k is 0 without front or speed. [mm/s]
    usable : ndarray of shape (n,)
        Moving, and all that is asked for was measured.
    front_speed : ndarray of shape (n,) or None
        Band-limited travel speed of the front wheel now. [mm/s]
    ground_speed_m_s : ndarray of shape (n,) or None
        [m/s]
    """

    t_s: FloatArray
    step_s: float
    rear: FloatArray
    known: FloatArray
    usable: BoolArray
    front_speed: FloatArray | None
    ground_speed_m_s: FloatArray | None

    @property
    def knows_road(self) -> bool:
        """Whether the front and the ground speed are there."""
        return len(self.known) > 0

    def span(self, start_s: float, end_s: float) -> slice:
        """Samples from ``start_s`` to ``end_s`` on the run's clock."""
        first, last = np.searchsorted(self.t_s, [start_s, end_s])
        return slice(int(first), int(last))


def rear_equation(motion: Motion, track: Track) -> RearEquation:
    """Fill the equation from a run.

    Parameters
    ----------
    motion : Motion
        With the rear; the front is used where there is one.
    track : Track
        Its ground speed.

    Returns
    -------
    RearEquation
    """
    rate = motion.sample_rate_hz
    rear = motion.ends["rear"]
    step_s, own = band_signals(rear.wheel_travel_mm, rate, REAR_ORDERS, reference_hz=REFERENCE_HZ)
    at_s: FloatArray = step_s * np.arange(own.shape[1], dtype=np.float64)
    good = usable(np.isfinite(rear.wheel_travel_mm), rate, at_s)
    clock = motion.t_s - motion.t_s[0]
    known_speed = np.isfinite(track.speed_m_s)
    speed = None
    if known_speed.mean() > 0.5:
        speed = np.interp(at_s, clock, bridged(track.speed_m_s))
        good &= (speed > SLOWEST_M_S) & (np.interp(at_s, clock, known_speed.astype(float)) > 0.5)
    front = motion.ends.get("front")
    known, front_speed = np.empty((0, len(at_s))), None
    if front is not None and np.isfinite(front.wheel_travel_mm).any():
        fine_s, fine = band_signals(
            front.wheel_travel_mm, rate, (1, 0, -1, -2), reference_hz=REFERENCE_HZ, oversampling=OVERSAMPLING
        )
        front_speed = fine[1, ::OVERSAMPLING][: len(at_s)]
        if speed is not None:
            then_s, faster = _when_front_was_here(at_s, speed, motion.wheelbase_mm / 1e3)
            _, fine_rear = band_signals(
                rear.wheel_travel_mm, rate, (1, 0, -1), reference_hz=REFERENCE_HZ, oversampling=OVERSAMPLING
            )
            known = np.stack(list(_known(at_s, then_s, faster, fine_s, fine, fine_rear)))
            seen = usable(np.isfinite(front.wheel_travel_mm), rate, at_s)
            good &= seen & (np.interp(then_s, at_s, seen.astype(float)) > 0.999)
    return RearEquation(motion.t_s[0] + at_s, step_s, own, known, good, front_speed, speed)


def _when_front_was_here(
    at_s: FloatArray, speed_m_s: FloatArray, wheelbase_m: float
) -> tuple[FloatArray, FloatArray]:
    """When the front wheel stood where the rear is at ``at_s``, and speed now over speed then."""
    gone = np.diff(at_s) * 0.5 * (speed_m_s[1:] + speed_m_s[:-1])
    distance = np.concatenate([[0.0], np.cumsum(np.maximum(gone, 1e-6))])
    then_s = np.interp(distance - wheelbase_m, distance, at_s)
    return then_s, speed_m_s / np.maximum(np.interp(then_s, at_s, speed_m_s), 1.0)


def _known(
    at_s: FloatArray,
    then_s: FloatArray,
    faster: FloatArray,
    fine_s: float,
    front: FloatArray,
    rear: FloatArray,
) -> Iterator[FloatArray]:
    fine_at = fine_s * np.arange(front.shape[1])
    for tap_s in TAPS_S:
        yield faster * np.interp(then_s + tap_s, fine_at, front[1])
    for integral in (2, 3):
        yield faster * np.interp(then_s, fine_at, front[integral])
    for now in front:
        yield now[::OVERSAMPLING][: len(at_s)]
    for earlier in rear:
        yield np.interp(then_s, fine_at, earlier)


@dataclass(frozen=True)
class Blocks:
    """Mean products of signals over short blocks.

    Parameters
    ----------
    products : ndarray of shape (n_blocks, k, k)
        [mm2/s2]
    whole : ndarray of shape (n_blocks,)
        Whether all of a block is usable.
    seconds : float
        Length of a block. [s]
    """

    products: FloatArray
    whole: BoolArray
    seconds: float


def blocks(signals: FloatArray, good: BoolArray, step_s: float, seconds: float) -> Blocks:
    """Cut signals into blocks and take the mean products of each.

    Parameters
    ----------
    signals : ndarray of shape (k, n)
    good : ndarray of shape (n,)
    step_s, seconds : float
        [s]

    Returns
    -------
    Blocks
        What is left at the end, shorter than a block, is not in it.
    """
    length = max(1, round(seconds / step_s))
    count = signals.shape[1] // length
    cut = signals[:, : count * length].reshape(len(signals), count, length).transpose(1, 0, 2)
    products = cut @ cut.transpose(0, 2, 1) / length
    whole = np.all(good[: count * length].reshape(count, length), axis=1)
    return Blocks(products, np.asarray(whole), length * step_s)
