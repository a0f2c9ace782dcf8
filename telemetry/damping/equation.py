"""The wheel's equation of motion with the signals of a log: those of the wheel itself, and those that give the road.

Written for the rear; the front's is the same with the ends changed over and time running the other way, but for
what it did itself when the other was here, which lies in its future.

The front wheel has met the same road earlier. Its own equation, the quarter vehicle's again, gives the road from
its travel and their derivatives; they are taken where it stood at the rear's place, a wheelbase back in distance,
not in time, and scaled by the ratio of speeds. Beside them go what the front does now (it moves the chassis, and
with it the rear axle) and what the rear did when the front met the road (it moved the front's chassis end).

So few and physical terms are used on purpose: with many free taps of the front in their place, a wrong pole with
a wrong front part fits as well as the right ones.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

from telemetry.arrays import BoolArray, End, FloatArray, IntArray
from telemetry.damping.hop import (
    HIGH_HZ,
    LOW_HZ,
    REFERENCE_HZ,
    Between,
    band_covariance,
    band_grid,
    band_signals,
    between,
    bridged,
    usable,
)
from telemetry.laps import Track
from telemetry.motion import Motion
from telemetry.numeric import BLOCK
from telemetry.signals import NOISE_NOTE_FROM_HZ, sensor_noise_mm

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
    """Signals of one wheel on an even grid of about 100 Hz.

    ``start_s`` is on the run's clock [s]; ``own`` (5, n) is (v'', v', v, x, int x) [mm/s]; ``road`` what the other
    wheel knows, None without it or without speed; ``usable`` where moving and measured; ``noise`` (5 + k, 5 + k) the
    sensors' share of the covariance of ``own`` and what is known [mm2/s2]; ``lines`` are taken out of what is known
    whenever it is read.
    """

    start_s: float
    step_s: float
    own: FloatArray
    usable: BoolArray
    road: "RoadRegressors | None"
    ground_speed_m_s: FloatArray | None
    noise: FloatArray
    lines: "tuple[HeardLine, ...]" = ()

    @property
    def knows_road(self) -> bool:
        """Whether the other wheel and the ground speed are there."""
        return self.road is not None

    @property
    def own_past(self) -> int:
        """How many of the known signals are the wheel's own past: the last ones."""
        return 0 if self.road is None or self.road.own is None else len(OWN_THEN)

    def known(self, inside: slice) -> FloatArray:
        """What the other wheel knows of some of the samples, (k, n); k is 0 without it. [mm/s]

        It is read anew each time: for all of a long run it would take more memory than all else.
        """
        if self.road is None:
            return np.empty((0, len(self.usable[inside])))
        known = self.road.known(inside)
        for heard in self.lines:
            heard.less(known, inside, known)
        return known

    def predicted(self, weights: FloatArray, inside: slice) -> FloatArray:
        """``weights`` (k,) on what is known of some of the samples, (n,); 0 where nothing is. [mm/s]"""
        if self.road is None:
            return np.zeros(len(self.usable[inside]))
        found = self.road.weighted(weights, inside)
        for heard in self.lines:
            replace(heard, amplitude=weights[None] @ heard.amplitude).less(found[None], inside, found[None])
        return found

    def without(self, line: "Line | None") -> "WheelEquation":
        """The same with a line taken out of the wheel's signals and of what is known."""
        if line is None:
            return self
        return replace(self._with(line), own=line.without_line(self.own))

    def _with(self, line: "Line") -> "WheelEquation":
        heard = line.heard_in(self.known, len(self.noise) - len(self.own))
        return replace(self, lines=(*self.lines, heard))

    def without_own_past(self) -> "WheelEquation":
        """The same without the wheel's own past among what is known."""
        if self.road is None:
            return self
        kept, news = slice(len(self.noise) - self.own_past), len(self.noise) - self.own_past - len(self.own)
        lines = tuple(replace(heard, amplitude=heard.amplitude[:news]) for heard in self.lines)
        return replace(self, road=replace(self.road, own=None), noise=self.noise[kept, kept], lines=lines)

    def delayed(self, delay_s: float | FloatArray) -> "WheelEquation":
        """The same with the other wheel's signals read later by ``delay_s``, which may change along the samples."""
        if self.road is None:
            return self
        later = replace(self, road=replace(self.road, delay_s=delay_s), lines=())
        for heard in self.lines:
            later = later._with(heard.line)
        return later

    def span(self, start_s: float, end_s: float) -> slice:
        """Samples from ``start_s`` to ``end_s`` on the run's clock."""
        return slice(self._from(start_s), self._from(end_s))

    def _from(self, at_s: float) -> int:
        """The first sample not before a time."""
        index = min(max(int((at_s - self.start_s) / self.step_s) - 1, 0), len(self.usable))
        while index < len(self.usable) and self.time_s(index) < at_s:
            index += 1
        return index

    def time_s(self, sample: int) -> float:
        """Of a sample, on the run's clock. [s]"""
        return self.start_s + sample * self.step_s

    @property
    def t_s(self) -> FloatArray:
        """Of all samples, worked out anew each time. [s]"""
        return self.start_s + self.step_s * np.arange(len(self.usable), dtype=np.float64)

    @property
    def whole(self) -> slice:
        """All samples."""
        return slice(0, len(self.usable))


@dataclass(frozen=True)
class WheelSignals:
    """`ORDERS` of a wheel's travel speed in the band, shape (6, n), and where they are ``usable``. [mm/s]

    ``noise_mm`` is the standard deviation of sensor noise at the wheel, ``noise_mm2_hz`` its one-sided density, 0 where
    unknown.
    """

    orders: FloatArray
    usable: BoolArray
    noise_mm: float
    noise_mm2_hz: float


@dataclass(frozen=True)
class RunSignals:
    """What the equations of both wheels are read from, on one even grid. [s, m/s, m]

    ``moving`` is where the speed is known and above `SLOWEST_M_S`, everywhere without ``speed_m_s``; ``on_stop`` where
    the front is at the end of its stroke.
    """

    start_s: float
    step_s: float
    ends: Mapping[End, WheelSignals]
    speed_m_s: FloatArray | None
    moving: BoolArray
    on_stop: BoolArray
    wheelbase_m: float


def run_signals(motion: Motion, track: Track) -> RunSignals:
    """Signals of the ends that were measured, with the ground speed."""
    rate_hz = motion.sample_rate_hz
    step_s, count = band_grid(len(motion.t_s), rate_hz)
    at_s: FloatArray = step_s * np.arange(count, dtype=np.float64)
    speed, moving = _speed(track, step_s * rate_hz, count)
    ends = {
        name: _signals(end.wheel_travel_mm, rate_hz, at_s)
        for name, end in motion.ends.items()
        if np.isfinite(end.wheel_travel_mm).any()
    }
    on_stop = _on_stop(motion, "front", at_s) if "front" in ends else np.zeros(count, dtype=bool)
    return RunSignals(float(motion.t_s[0]), step_s, ends, speed, moving, on_stop, motion.wheelbase_mm / 1e3)


def _speed(track: Track, step: float, count: int) -> tuple[FloatArray | None, BoolArray]:
    """Ground speed every ``step`` samples, None where it is mostly unknown, and where it is known and high."""
    logged = track.speed_m_s[:]
    known, moving = np.isfinite(logged), np.ones(count, dtype=bool)
    if known.mean() <= 0.5:
        return None, moving
    whole, speed, gaps = bridged(logged), np.empty(count), not known.all()
    for here in chunks(count):
        at = step * np.arange(here.start, here.stop, dtype=np.float64)
        speed[here] = straight(whole, at)
        moving[here] = speed[here] > SLOWEST_M_S
        if gaps:
            moving[here] &= straight(known, at) > 0.5
    return speed, moving


def chunks(count: int) -> Iterator[slice]:
    """Samples in parts of about `BLOCK`, as even as may be: what fits the cache costs a third."""
    parts = max(round(count / BLOCK), 1)
    for first, last in pairwise(count * part // parts for part in range(parts + 1)):
        if last > first:
            yield slice(first, last)


def straight(values: FloatArray | BoolArray, at: FloatArray) -> FloatArray:
    """Values (..., n) at moments counted in samples from the first, by straight lines between."""
    first = np.minimum(at.astype(np.int64), values.shape[-1] - 2)
    before, after = (np.asarray(values.take(first + k, axis=-1), dtype=np.float64) for k in (0, 1))
    after -= before
    after *= at - first
    after += before
    return after


def _signals(travel_mm: FloatArray, rate_hz: float, at_s: FloatArray) -> WheelSignals:
    _, orders = band_signals(travel_mm, rate_hz, ORDERS, reference_hz=REFERENCE_HZ)
    most = round(NOISE_S * rate_hz)
    first = max(len(travel_mm) - most, 0) // 2
    noise_mm = sensor_noise_mm(travel_mm[first : first + most])
    told = np.isfinite(noise_mm) and rate_hz >= NOISE_NOTE_FROM_HZ
    good = usable(np.isfinite(travel_mm), rate_hz, at_s)
    return WheelSignals(orders, good, noise_mm, 2.0 * noise_mm**2 / rate_hz if told else 0.0)


def wheel_equation(
    signals: RunSignals, end: End = "rear", delay_s: float | FloatArray = 0.0
) -> WheelEquation:
    """Equation of one wheel from a run; the other wheel's signals are read ``delay_s`` later, a number or (n,). [s]

    For the front wheel the rear's signals are those of later on, when the rear stands where the front is now.
    """
    own = signals.ends[end]
    good, speed = own.usable & signals.moving, signals.speed_m_s
    other = signals.ends.get("front" if end == "rear" else "rear")
    road = None
    if other is not None and speed is not None:
        back_m = signals.wheelbase_m * (1.0 if end == "rear" else -1.0)
        then_s = _when_other_was_here(speed, signals.step_s, back_m)
        seen = other.usable & ~signals.on_stop
        good &= seen
        for here in chunks(len(good)):
            good[here] &= straight(seen, then_s[here] / signals.step_s) > 0.999
        # the front's own motion when the rear comes by is its answer to the very road that is asked for
        past = own.orders if end == "rear" else None
        road = RoadRegressors(other.orders, past, signals.step_s, then_s, speed, delay_s)
    noise = _noise(
        own.noise_mm2_hz, None if road is None or other is None else other.noise_mm2_hz, end == "rear"
    )
    return WheelEquation(signals.start_s, signals.step_s, own.orders[OWN], good, road, speed, noise)


def _noise(own_mm2_hz: float, other_mm2_hz: float | None, own_past: bool) -> FloatArray:
    """Covariance of sensor noise in ``own`` and what is known; 0 between sensors and across far times. [mm2/s2]"""
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
    """What the other wheel knows of the road, read later by ``delay_s``; ``own`` only where its past is to be read.

    ``other`` and ``own`` are (6, n) [mm/s]; ``then_s`` (n,) is when the other stood where this wheel is now [s],
    ``speed_m_s`` (n,) the ground speed.
    """

    other: FloatArray
    own: FloatArray | None
    step_s: float
    then_s: FloatArray
    speed_m_s: FloatArray
    delay_s: float | FloatArray = 0.0

    def known(self, part: slice) -> FloatArray:
        """What is known of some of the samples, shape (12, n), or (9, n) without the own past."""
        then, now = len(OTHER_THEN), len(self.other[OTHER_NOW])
        rows = then + now + (0 if self.own is None else len(OWN_THEN))
        known = np.empty((rows, part.stop - part.start))
        for here, into in self._pieces(part, known):
            at = self._then(here)
            at.each(self.other, OTHER_THEN, self._per_step, into[:then])
            into[:then] *= self._faster(here)
            into[then : then + now] = self.other[OTHER_NOW, here]
            if self.own is not None:
                at.each(self.own, OWN_THEN, self._per_step, into[then + now :])
        return known

    def weighted(self, weights: FloatArray, part: slice) -> FloatArray:
        """``weights`` on what `known` gives, less those on the own past; shape (n,)."""
        then = len(OTHER_THEN)
        now = then + len(self.other[OTHER_NOW])
        rows = slice(OTHER_THEN[0], OTHER_THEN[-1] + 1)
        slopes = slice(rows.start - 1, rows.stop - 1)
        found = np.empty((1, part.stop - part.start))
        for here, into in self._pieces(part, found):
            # interpolation is linear: the sum is interpolated, not each signal
            at = self._then(here)
            low, high = int(at.first.min()), int(at.first.max()) + 2
            both = np.stack([weights[:then] @ self.other[some, low:high] for some in (slopes, rows)])
            Between(at.first - low, at.weights).each(both, (1,), self._per_step, into)
            into *= self._faster(here)
            into += weights[then:now] @ self.other[OTHER_NOW, here]
        return np.asarray(found[0])

    @property
    def _per_step(self) -> float:
        return 2.0 * np.pi * REFERENCE_HZ * self.step_s

    def _pieces(self, part: slice, into: FloatArray) -> Iterator[tuple[slice, FloatArray]]:
        """Some samples at a time, and where they go."""
        for here in chunks(part.stop - part.start):
            yield slice(part.start + here.start, part.start + here.stop), into[:, here]

    def _faster(self, here: slice) -> FloatArray:
        """Ground speed now over that when the other stood here."""
        then = straight(self.speed_m_s, self.then_s[here] / self.step_s)
        return np.asarray(self.speed_m_s[here] / np.maximum(then, 1.0, out=then))

    def _then(self, here: slice) -> Between:
        """When the other stood where this wheel is at these samples."""
        later_s = self.delay_s[here] if isinstance(self.delay_s, np.ndarray) else self.delay_s
        return between((self.then_s[here] + later_s) / self.step_s, self.other.shape[1])


def _when_other_was_here(speed_m_s: FloatArray, step_s: float, back_m: float) -> FloatArray:
    """When the other wheel stood where this one is at each sample, from the first one. [s]"""
    distance = np.zeros(len(speed_m_s))
    gone = distance[1:]
    np.add(speed_m_s[1:], speed_m_s[:-1], out=gone)
    gone *= 0.5 * step_s
    np.cumsum(np.maximum(gone, 1e-6, out=gone), out=gone)
    then_s = np.empty(len(distance))
    for here in chunks(len(distance)):
        place = distance[here] - back_m
        low, high = np.searchsorted(distance, [place[0], place[-1]])
        near = np.arange(max(low - 1, 0), min(high + 1, len(distance)))
        then_s[here] = np.interp(place, distance[near[0] : near[-1] + 1], step_s * near)
    return then_s


@dataclass(frozen=True)
class Blocks:
    """Mean products of signals over blocks of ``seconds``, (n_blocks, k, k); ``whole`` where all is usable. [mm2/s2]"""

    products: FloatArray
    whole: BoolArray
    seconds: float


def blocks(signals: Sequence[FloatArray], good: BoolArray, step_s: float, seconds: float) -> Blocks:
    """Mean products by block of signals of shape (k_i, n), stacked; a shorter rest at the end is left out."""
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
    return Blocks(products, whole_blocks(good, step_s, seconds), length * step_s)


def whole_blocks(good: BoolArray, step_s: float, seconds: float) -> BoolArray:
    """Blocks of ``seconds`` in which all samples are good, (n_blocks,)."""
    length = max(1, round(seconds / step_s))
    count = len(good) // length
    return np.asarray(good[: count * length].reshape(count, length).all(axis=1))


ComplexArray = npt.NDArray[np.complex128]

# Turns per nominal turn (ground speed over the bike file's radius).
FACTORS = (0.92, 1.26)
FACTOR_STEP = 0.01
# From here on, as wide, no wheel turns: what chance gives.
NOTHING_TURNS_FROM = (0.56, 1.30)
WINDOW_TURNS = 20
HOP_TURNS = 10
PER_TURN = 16
# The line is followed in phase over so many turns, then its amplitude is taken over more.
PHASE_TURNS = 12
AMPLITUDE_TURNS = 24
TOP_HZ = 32.0
# Cost of a factor that moves one step from window to window, in units of log likelihood; and at most.
STEP_COST, MOST_STEPS = 1.5, 6
STEPS_AT_ONCE = (1, 2, 4)  # one after the other they reach MOST_STEPS, and any number up to it
GAIN_STEP = 2.0**-20
# The line's gain per window over chance that the outing as a whole must show.
LEAST_GAIN = 0.6
# In a stretch the line may be this much stronger than usual at its speed; more is not the wheel's.
MOST_OVER_USUAL = 1.25
LINE_CHUNK, CHUNK_TURNS = 256, 512  # windows and turns at a time, for memory
# Windows of a piece of a path, and how many more are looked at to either side of it.
TOGETHER, APART = 128, 64
RATE_BINS, LEAST_TURNS_PER_BIN = 10, 2


@dataclass(frozen=True)
class Line:
    """A line of known phase: what turns with the wheel, or a tone; arrays of shape (n,). [turns, 1/s]

    ``angle_turns`` is the nominal angle from ground speed and radius; the amplitude is taken over ``amplitude_turns``.
    """

    phase_turns: FloatArray
    angle_turns: FloatArray
    rate_hz: FloatArray
    usable: BoolArray
    amplitude_turns: float = AMPLITUDE_TURNS

    def without_line(self, signals: FloatArray) -> FloatArray:
        """Signals of shape (k, n) less what turns with the wheel in each."""
        return self._less(signals, self._heard)

    def heard_in(self, read: Callable[[slice], FloatArray], count: int) -> "HeardLine":
        """The line in ``count`` signals, which ``read`` gives for some of the samples."""
        return HeardLine(self, 2.0 * self._amplitude(read, count) * self._heard)

    def without_usual_line(self, signals: FloatArray, measure: FloatArray) -> FloatArray:
        """Signals of shape (k, n) less what usually turns with the wheel.

        The line in ``measure`` is held to `MOST_OVER_USUAL` of its median at each wheel speed, the others in
        proportion: a ringing as fast as the wheel is not taken out with it.
        """
        heard, rate = self._heard, self._rate_hz
        if heard.sum() < RATE_BINS * LEAST_TURNS_PER_BIN:
            return signals
        size = np.abs(self._amplitude(lambda here: measure[None, here], 1)[0])
        edges = np.quantile(rate[heard], np.linspace(0.0, 1.0, RATE_BINS + 1))
        where = np.clip(np.searchsorted(edges, rate) - 1, 0, RATE_BINS - 1)
        bins = [size[heard & (where == k)] for k in range(RATE_BINS)]
        # at one speed for long, a bin may hold none
        usual = np.array([np.median(values if len(values) else size[heard]) for values in bins])
        limit = MOST_OVER_USUAL * np.interp(rate, 0.5 * (edges[1:] + edges[:-1]), usual)
        held = heard * np.minimum(1.0, limit / np.maximum(size, 1e-12))
        return self._less(signals, held)

    def _less(self, signals: FloatArray, share: FloatArray | BoolArray) -> FloatArray:
        """Signals less a share of the line, turn by turn."""
        amplitude = 2.0 * self._amplitude(lambda here: signals[:, here], len(signals)) * share
        return HeardLine(self, amplitude).less(signals, slice(0, signals.shape[1]), np.empty_like(signals))

    def followed(self, signal: FloatArray) -> "Line":
        """The same with the phase followed more closely than the factors do."""
        amplitude = self._amplitude(lambda here: signal[None, here], 1, PHASE_TURNS)[0]
        drift = np.unwrap(np.angle(amplitude)) / (2 * np.pi)
        return replace(self, phase_turns=self.phase_turns + np.interp(self.angle_turns, self._middle, drift))

    def part(self, inside: slice) -> "Line":
        """Some of the samples of it."""
        angle = self.angle_turns[inside]
        return replace(
            self,
            phase_turns=self.phase_turns[inside],
            angle_turns=angle - angle[0],
            rate_hz=self.rate_hz[inside],
            usable=self.usable[inside],
        )

    @cached_property
    def _first(self) -> IntArray:
        """First sample of every whole turn, and one past the last."""
        return np.searchsorted(self.angle_turns, np.arange(0.0, max(self.angle_turns[-1], 2.0)))

    @cached_property
    def _middle(self) -> FloatArray:
        return 0.5 + np.arange(len(self._first) - 1, dtype=np.float64)

    @cached_property
    def _rate_hz(self) -> FloatArray:
        return np.interp(self._middle, self.angle_turns, self.rate_hz)

    @cached_property
    def _heard(self) -> BoolArray:
        """Turns in which the wheel turns within the band."""
        return np.asarray((self._rate_hz > LOW_HZ[1]) & (self._rate_hz < TOP_HZ))

    @cached_property
    def carrier(self) -> ComplexArray:
        """Cosine and, as imaginary part, sine of the phase where it is usable."""
        angle = 2 * np.pi * self.phase_turns
        carrier = np.empty(len(angle), dtype=np.complex128)
        np.multiply(np.cos(angle), self.usable, out=carrier.real)
        np.multiply(np.sin(angle), self.usable, out=carrier.imag)
        return carrier

    def between(self, inside: slice) -> tuple[IntArray, FloatArray]:
        """For some samples the turn whose middle is before each, and how far it is to the next; held at both ends."""
        at = np.clip(self.angle_turns[inside] - 0.5, 0.0, len(self._middle) - 1.0)
        before = at.astype(np.int64)
        return before, at - before

    @cached_property
    def _samples(self) -> FloatArray:
        """Usable samples in every turn."""
        return self._sums(self.usable.astype(np.float64))

    def _sums(self, values: FloatArray) -> FloatArray:
        """Sum of the samples of every turn."""
        return np.add.reduceat(values[: self._first[-1]], self._first[:-1])

    def _amplitude(
        self, read: Callable[[slice], FloatArray], count: int, turns: float | None = None
    ) -> ComplexArray:
        """Complex amplitude of the line in each signal turn by turn: a triangular mean over so many turns."""
        found = np.empty((count, len(self._middle)), dtype=np.complex128)
        # some turns at a time: what fits the cache costs a third
        for low in range(0, len(self._middle), CHUNK_TURNS):
            starts = self._first[low : low + CHUNK_TURNS + 1]
            here, into = slice(starts[0], starts[-1]), found[:, low : low + CHUNK_TURNS]
            turn, signals, carrier = starts[:-1] - starts[0], read(here), self.carrier[here]
            into.real = np.add.reduceat(signals * np.ascontiguousarray(carrier.real), turn, axis=-1)
            into.imag = -np.add.reduceat(signals * np.ascontiguousarray(carrier.imag), turn, axis=-1)
        half = round(0.25 * (turns or self.amplitude_turns))
        samples = self._samples
        number = np.maximum(_boxed(samples, half), 1.0)
        for row in found:
            mean = _boxed(row, half) / number  # a box twice is a triangle
            np.divide(_boxed(mean * samples, half), number, out=row)
        return found


@dataclass(frozen=True)
class HeardLine:
    """A line with its complex ``amplitude`` (k, n_turns) in some signals, turn by turn."""

    line: Line
    amplitude: ComplexArray

    def less(self, signals: FloatArray, inside: slice, out: FloatArray) -> FloatArray:
        """Some samples (k, n) of the signals less the line, written into ``out``, which may be the signals."""
        for here in chunks(signals.shape[1]):
            of_run = slice(inside.start + here.start, inside.start + here.stop)
            turn, part = self.line.between(of_run)
            carrier, low, high = self.line.carrier[of_run], int(turn[0]), int(turn[-1]) + 2
            turn -= low
            near = self.amplitude[:, low:high]
            step = np.diff(near, append=near[:, -1:])
            for row, into, at, change in zip(signals, out, near, step, strict=True):
                line = change.take(turn)
                line *= part
                line += at.take(turn)
                line *= carrier
                np.subtract(row[here], line.real, out=into[here])
        return out


def _boxed(values: npt.NDArray[Any], half: int) -> npt.NDArray[Any]:
    """Sum over each value and ``half`` neighbours to either side, along the last axis."""
    width = 2 * half + 1
    total = np.zeros((*values.shape[:-1], values.shape[-1] + width), dtype=values.dtype)
    last = total.shape[-1] - half
    np.cumsum(values, axis=-1, out=total[..., half + 1 : last])
    total[..., last:] = total[..., last - 1 : last]
    return np.asarray(total[..., width:] - total[..., :-width])


def find_wheel_turning(
    residual: FloatArray, usable: BoolArray, speed_m_s: FloatArray, step_s: float, radius_mm: float
) -> Line | None:
    """A line that turns with the wheel, if the residual [mm/s] of the outing's equation shows one; else None."""
    nominal_hz = speed_m_s / (2e-3 * np.pi * radius_mm)
    angle = np.concatenate([[0.0], np.cumsum(np.maximum(nominal_hz[1:], 1e-6) * step_s)])
    count = int(np.ceil(angle[-1] * PER_TURN))
    if count < 4 * WINDOW_TURNS * PER_TURN:
        return None
    starts = np.arange(0, count - WINDOW_TURNS * PER_TURN, HOP_TURNS * PER_TURN)

    steps = FACTOR_STEP * np.arange(round((FACTORS[1] - FACTORS[0]) / FACTOR_STEP) + 1)
    bands = np.stack([low + steps for low in (FACTORS[0], *NOTHING_TURNS_FROM)])
    gain = _line_gain(np.where(usable, residual, 0.0), usable, nominal_hz, angle, starts, bands)
    paths, total = smooth_paths(gain)
    share = total / np.maximum((gain.max(axis=2) > 0).sum(axis=1), 1)
    if share[0] - share[1:].max() < LEAST_GAIN:
        return None
    factor = np.interp(angle, starts / PER_TURN + 0.5 * WINDOW_TURNS, bands[0][paths[0]])
    phase = np.concatenate([[0.0], np.cumsum(factor[1:] * np.diff(angle))])
    return Line(phase, angle, factor * nominal_hz, usable).followed(residual)


def _line_gain(
    signal: FloatArray,
    usable: BoolArray,
    turning_hz: FloatArray,
    angle_turns: FloatArray,
    starts: IntArray,
    bands: FloatArray,
) -> FloatArray:
    """Log likelihood that a line at each factor gains in each window; shape (n_bands, n_windows, n_factors).

    ``signal``, ``usable`` and ``turning_hz`` are at ``angle_turns``, ``starts`` of windows in `PER_TURN` of a turn.
    """
    length = WINDOW_TURNS * PER_TURN
    factors = bands.ravel()
    taper = np.hanning(length)
    half = length // 2
    # from the middle on: the cosine answers to what is even about it, the sine to what is odd
    angle = 2 * np.pi * (np.arange(half)[:, None] + 0.5) / PER_TURN * factors
    cosine, sine = (taper[half:, None] * wave(angle) for wave in (np.cos, np.sin))
    gain = np.zeros((len(starts), len(factors)))
    for first in range(0, len(starts), LINE_CHUNK):
        part = slice(first, first + LINE_CHUNK)
        even = np.arange(starts[part][0], starts[part][-1] + length) / PER_TURN
        low, high = np.searchsorted(angle_turns, [even[0], even[-1]])
        near = slice(max(low - 1, 0), high + 1)
        signals = np.stack([signal[near], usable[near], turning_hz[near]])
        at = np.interp(even, angle_turns[near], np.arange(signals.shape[1], dtype=np.float64))
        cut = sliding_window_view(straight(signals, at), length, axis=1)
        pieces, good, hz = cut[:, :: HOP_TURNS * PER_TURN]
        whole, mean_hz = np.asarray((good > 0.999).all(axis=1)), hz.mean(axis=1)
        energy = ((pieces * taper) ** 2).sum(axis=1)
        before, after = pieces[:, half - 1 :: -1], pieces[:, half:]
        line = ((after + before) @ cosine) ** 2 + ((after - before) @ sine) ** 2
        line *= 2.0 / (taper**2).sum()
        share = np.clip(line / np.maximum(energy, 1e-12)[:, None], 0.0, 0.98)
        # independent values in the window: as many as its seconds hold in the band, half for the taper
        freedom = (HIGH_HZ[0] - LOW_HZ[1]) * WINDOW_TURNS / np.maximum(mean_hz, 1e-3)
        turns_hz = mean_hz[:, None] * factors
        inside = (turns_hz > LOW_HZ[1]) & (turns_hz < TOP_HZ) & whole[:, None]
        gain[part] = np.where(inside, -0.5 * freedom[:, None] * np.log1p(-share) - 1.0, 0.0)
    return gain.reshape(len(starts), *bands.shape).transpose(1, 0, 2)


def smooth_paths(gain: FloatArray) -> tuple[IntArray, FloatArray]:
    """For each band the path of factors with the largest gain less the cost of its steps, and its gain.

    ``gain`` is (n_bands, n_windows, n_factors), the path (n_bands, n_windows). Pieces are searched side by side with
    `APART` windows of overlap: a change of path costs at most `MOST_STEPS` steps, so farther windows hardly matter.
    """
    bands, count, states = gain.shape
    pieces = -(-count // TOGETHER)
    padded = np.zeros((bands, pieces * TOGETHER + 2 * APART, states))
    # Where a line has nearly all of the energy, factors side by side gain the same, and paths that step at different
    # times are worth the same. In whole parts of a power of two their sums are exact: rounding does not choose.
    inside = padded[:, APART : APART + count]
    np.rint(np.divide(gain, GAIN_STEP, out=inside), out=inside)
    inside *= GAIN_STEP
    cut = sliding_window_view(padded, TOGETHER + 2 * APART, axis=1)[:, ::TOGETHER].swapaxes(2, 3)
    path = likeliest_paths(cut)[..., APART:-APART].reshape(bands, -1)[:, :count]
    return path, np.take_along_axis(gain, path[:, :, None], axis=2)[:, :, 0].sum(axis=1)


def likeliest_paths(gain: FloatArray) -> IntArray:
    """Path of states with the largest gain less the cost of its steps (Viterbi), for each gain: (..., n_windows)."""
    count, states = gain.shape[-2:]
    best = np.moveaxis(gain, (-2, -1), (0, 1)).copy().reshape(count, states, -1)
    for before, here in pairwise(best):
        # from any state at most at the full price, from one nearby at the price of its steps, which adds up
        reached, leap = before, before.max(axis=0) - STEP_COST * MOST_STEPS
        for far in STEPS_AT_ONCE:
            dearer, reached = reached - STEP_COST * far, reached.copy()
            np.maximum(reached[far:], dearer[:-far], out=reached[far:])
            np.maximum(reached[:-far], dearer[far:], out=reached[:-far])
        here += np.maximum(reached, leap, out=reached)
    steps = np.abs(np.arange(states)[:, None] - np.arange(states))
    price = STEP_COST * np.minimum(steps, MOST_STEPS)
    path = np.empty((count, best.shape[2]), dtype=np.int64)
    path[-1] = best[-1].argmax(axis=0)
    for i in range(count - 1, 0, -1):
        path[i - 1] = (best[i - 1] - price.take(path[i], axis=1)).argmax(axis=0)
    return path.T.reshape(gain.shape[:-1])
