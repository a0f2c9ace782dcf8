"""The wheel's equation of motion filled with a log: its own signals, and what is known of the road.

Written for the rear; the front's is the same with the ends changed over and time running the other way, but for
what it did itself when the other was here, which lies in its future.

The front wheel has met the same road earlier. Its own equation, the quarter vehicle's again, gives the road from
its travel and their derivatives; they are taken where it stood at the rear's place, a wheelbase back in distance,
not in time, and scaled by the ratio of speeds. Beside them go what the front does now (it moves the chassis, and
with it the rear axle) and what the rear did when the front met the road (it moved the front's chassis end).

So few and physical terms are used on purpose: with many free taps of the front in their place, a wrong pole with
a wrong front part fits as well as the right ones.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from telemetry.arrays import BoolArray, End, FloatArray
from telemetry.damping.band import band_covariance, band_signals, between, bridged, usable
from telemetry.damping.hop import REFERENCE_HZ
from telemetry.laps import Track
from telemetry.motion import Motion
from telemetry.signals.spectra import NOISE_TOLD_FROM_HZ, sensor_noise_mm

# Orders of the derivatives of the travel speed that are read; each is the slope of the next.
ORDERS = (3, 2, 1, 0, -1, -2)
OWN = slice(1, 6)  # the five terms of the equation, orders 2 to -2, see `telemetry.damping.hop`
OTHER_THEN = (1, 2, 3, 4, 5)
OTHER_NOW = slice(2, 6)
OWN_THEN = (2, 3, 4)
# From this share of its stroke on a fork is on its rubber, oil or metal stop, and answers the road otherwise than
# it does elsewhere. A choice of ours: the last centimetre.
ON_STOP_SHARE = 0.92
SLOWEST_M_S = 10.0  # below it the front was there long before, and the road is slow
BLOCK_S = 0.25
CHUNK = 256  # blocks at a time, for memory
NOISE_S = 900.0  # of the log are enough to estimate the noise of a sensor


@dataclass(frozen=True)
class WheelEquation:
    """Signals on an even grid of about 100 Hz.

    Parameters
    ----------
    t_s : ndarray of shape (n,)
        On the run's clock. [s]
    step_s : float
        [s]
    own : ndarray of shape (5, n)
        (v'', v', v, x, int x) of the wheel. [mm/s]
    known : ndarray of shape (k, n)
        What the other wheel knows; k is 0 without it or without speed. [mm/s]
    usable : ndarray of shape (n,)
        Moving, and all that is asked for was measured.
    regressors : RoadRegressors or None
        What ``known`` was read from.
    ground_speed_m_s : ndarray of shape (n,) or None
        [m/s]
    own_past : int
        So many of ``known``, the last, are the wheel's own past.
    noise : ndarray of shape (5 + k, 5 + k)
        Covariance of ``own`` and ``known`` due to the noise of the sensors. [mm2/s2]
    """

    t_s: FloatArray
    step_s: float
    own: FloatArray
    known: FloatArray
    usable: BoolArray
    regressors: "RoadRegressors | None"
    ground_speed_m_s: FloatArray | None
    own_past: int
    noise: FloatArray

    @property
    def knows_road(self) -> bool:
        """Whether the other wheel and the ground speed are there."""
        return len(self.known) > 0

    def delayed(self, delay_s: float | FloatArray) -> "WheelEquation":
        """The same with the other wheel's signals read later by ``delay_s``, which may change along the samples."""
        return self if self.regressors is None else replace(self, known=self.regressors.known(delay_s))

    def span(self, start_s: float, end_s: float) -> slice:
        """Samples from ``start_s`` to ``end_s`` on the run's clock."""
        first, last = np.searchsorted(self.t_s, [start_s, end_s])
        return slice(int(first), int(last))


@dataclass(frozen=True)
class WheelSignals:
    """Travel speed of a wheel in the band: its `ORDERS`, shape (6, n), at an even interval. [s, mm/s]

    ``noise_mm`` is the standard deviation of the sensor's noise at the wheel, ``noise_mm2_hz`` its one-sided density;
    the density is 0 where it cannot be told from travel. [mm, mm2/Hz]
    """

    step_s: float
    orders: FloatArray
    noise_mm: float
    noise_mm2_hz: float


def wheel_signals(motion: Motion) -> dict[End, WheelSignals]:
    """Signals of the ends that were measured."""
    return {
        name: _signals(end.wheel_travel_mm, motion.sample_rate_hz)
        for name, end in motion.ends.items()
        if np.isfinite(end.wheel_travel_mm).any()
    }


def _signals(travel_mm: FloatArray, rate_hz: float) -> WheelSignals:
    step_s, orders = band_signals(travel_mm, rate_hz, ORDERS, reference_hz=REFERENCE_HZ)
    most = round(NOISE_S * rate_hz)
    first = max(len(travel_mm) - most, 0) // 2
    noise_mm = sensor_noise_mm(travel_mm[first : first + most])
    told = np.isfinite(noise_mm) and rate_hz >= NOISE_TOLD_FROM_HZ
    return WheelSignals(step_s, orders, noise_mm, 2.0 * noise_mm**2 / rate_hz if told else 0.0)


def wheel_equation(
    motion: Motion,
    track: Track,
    signals: Mapping[End, WheelSignals],
    end: End = "rear",
    delay_s: float | FloatArray = 0.0,
) -> WheelEquation:
    """Fill the equation of one wheel from a run.

    Parameters
    ----------
    motion : Motion
        With that end; the other is used where there is one.
    track : Track
        Its ground speed.
    signals : mapping of end to WheelSignals
        From `wheel_signals`.
    end : {"front", "rear"}
        For the front wheel the other's signals are those of later on, when the rear stands where the front is now.
    delay_s : float or ndarray of shape (n,)
        By which the other wheel's signals are read later. [s]
    """
    rate = motion.sample_rate_hz
    this = motion.ends[end]
    own_signals = signals[end]
    step_s, own = own_signals.step_s, own_signals.orders[OWN]
    at_s: FloatArray = step_s * np.arange(own.shape[1], dtype=np.float64)
    good = usable(np.isfinite(this.wheel_travel_mm), rate, at_s)
    clock = motion.t_s - motion.t_s[0]
    known_speed = np.isfinite(track.speed_m_s)
    speed = None
    if known_speed.mean() > 0.5:
        speed = np.interp(at_s, clock, bridged(track.speed_m_s))
        good &= (speed > SLOWEST_M_S) & (np.interp(at_s, clock, known_speed.astype(float)) > 0.5)
    other_end: End = "front" if end == "rear" else "rear"
    regressors = None
    if other_end in signals and speed is not None:
        other = motion.ends[other_end]
        back_m = motion.wheelbase_mm / 1e3 * (1.0 if end == "rear" else -1.0)
        then_s, faster = _when_other_was_here(at_s, speed, back_m)
        seen = usable(np.isfinite(other.wheel_travel_mm), rate, at_s)
        seen &= ~_on_stop(motion, "front", at_s)
        good &= seen & (np.interp(then_s, at_s, seen.astype(float)) > 0.999)
        # the front's own motion when the rear comes by is its answer to the very road that is asked for
        regressors = RoadRegressors(
            signals[other_end], own_signals if end == "rear" else None, then_s, faster
        )
    known = np.empty((0, len(at_s))) if regressors is None else regressors.known(delay_s)
    own_past = 0 if regressors is None or regressors.own is None else len(OWN_THEN)
    noise = _noise(
        own_signals.noise_mm2_hz, None if regressors is None else regressors.other.noise_mm2_hz, own_past
    )
    return WheelEquation(motion.t_s[0] + at_s, step_s, own, known, good, regressors, speed, own_past, noise)


def _noise(own_mm2_hz: float, other_mm2_hz: float | None, own_past: int) -> FloatArray:
    """Covariance that the sensors' noise leaves in ``own`` and ``known``. [mm2/s2]

    Between signals that were measured at different times, by more than the band remembers, or by different sensors
    there is none.
    """
    rows = np.arange(len(ORDERS))
    parts = [(rows[OWN], own_mm2_hz)]
    if other_mm2_hz is not None:
        parts += [(rows[list(OTHER_THEN)], other_mm2_hz), (rows[OTHER_NOW], other_mm2_hz)]
        parts += [(rows[list(OWN_THEN)], own_mm2_hz)] if own_past else []
    unit = band_covariance(ORDERS, reference_hz=REFERENCE_HZ)
    squares = [density * unit[np.ix_(some, some)] for some, density in parts]
    noise = np.zeros((sum(map(len, squares)),) * 2)
    first = 0
    for square in squares:
        last = first + len(square)
        noise[first:last, first:last] = square
        first = last
    return noise


def _on_stop(motion: Motion, end: End, at_s: FloatArray) -> BoolArray:
    """Moments within `BLOCK_S` / 4 of which an end is in the last part of its stroke."""
    measured = motion.ends[end]
    on = measured.wheel_travel_mm > ON_STOP_SHARE * measured.wheel_stroke_mm
    if not on.any():
        return np.zeros(len(at_s), dtype=bool)
    clock = motion.t_s[on] - motion.t_s[0]
    near = np.searchsorted(clock, at_s)
    before = at_s - clock[np.maximum(near - 1, 0)]
    after = clock[np.minimum(near, len(clock) - 1)] - at_s
    return np.asarray((np.abs(before) < BLOCK_S / 4) | (np.abs(after) < BLOCK_S / 4))


@dataclass(frozen=True)
class RoadRegressors:
    """What the other wheel knows of the road, to be read with any delay.

    Parameters
    ----------
    other : WheelSignals
        Of the other wheel.
    own : WheelSignals or None
        Of this wheel, where its own past is to be read.
    then_s : ndarray of shape (n,)
        When the other stood where this wheel is now. [s]
    faster : ndarray of shape (n,)
        Ground speed now over ground speed then.
    """

    other: WheelSignals
    own: WheelSignals | None
    then_s: FloatArray
    faster: FloatArray

    def known(self, delay_s: float | FloatArray, part: slice = slice(None)) -> FloatArray:
        """What is known, read later by ``delay_s``; shape (12, n), or (9, n) without the own past."""
        step_s = self.other.step_s
        later_s = delay_s[part] if isinstance(delay_s, np.ndarray) else delay_s
        then = between((self.then_s[part] + later_s) / step_s, self.other.orders.shape[1])
        per_step = 2.0 * np.pi * REFERENCE_HZ * step_s

        other = then.each(self.other.orders, OTHER_THEN, per_step) * self.faster[part]
        now = self.other.orders[OTHER_NOW, part]
        own = [] if self.own is None else [then.each(self.own.orders, OWN_THEN, per_step)]
        return np.concatenate([other, now, *own])


def _when_other_was_here(
    at_s: FloatArray, speed_m_s: FloatArray, back_m: float
) -> tuple[FloatArray, FloatArray]:
    """When the other wheel stood where this one is at ``at_s``, and speed now over speed then."""
    gone = np.diff(at_s) * 0.5 * (speed_m_s[1:] + speed_m_s[:-1])
    distance = np.concatenate([[0.0], np.cumsum(np.maximum(gone, 1e-6))])
    then_s = np.interp(distance - back_m, distance, at_s)
    return then_s, speed_m_s / np.maximum(np.interp(then_s, at_s, speed_m_s), 1.0)


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


def blocks(signals: Sequence[FloatArray], good: BoolArray, step_s: float, seconds: float) -> Blocks:
    """Cut signals into blocks and take the mean products of each.

    Parameters
    ----------
    signals : sequence of ndarray of shape (k_i, n)
        k is the sum of their k_i.
    good : ndarray of shape (n,)
    step_s, seconds : float
        [s]

    Returns
    -------
    Blocks
        What is left at the end, shorter than a block, is not in it.
    """
    length = max(1, round(seconds / step_s))
    count = len(good) // length
    k = sum(len(part) for part in signals)
    products = np.empty((count, k, k))
    for first in range(0, count, CHUNK):
        last = min(first + CHUNK, count)
        here = np.concatenate([part[:, first * length : last * length] for part in signals])
        cut = here.reshape(k, last - first, length).transpose(1, 0, 2)
        np.matmul(cut, cut.transpose(0, 2, 1), out=products[first:last])
    products /= length
    whole = np.all(good[: count * length].reshape(count, length), axis=1)
    return Blocks(products, np.asarray(whole), length * step_s)
