"""Tests of a candidate stretch: by itself, against the same place on other laps, against stretches of similar speed."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from telemetry.arrays import BoolArray, End, FloatArray, IntArray
from telemetry.damping.detector_model import DetectorModel
from telemetry.damping.equation import BLOCK_S, WheelEquation, blocks
from telemetry.damping.evidence import HEALTHY_SHARE, LOST_SHARE, Usual, fit_pole, usual_swing
from telemetry.damping.hop import FREEDOM_PER_S, bridged
from telemetry.damping.verdict import Check
from telemetry.laps import Track
from telemetry.motion import Motion

# The road and the load of a place make the wheel swing by no more than this, in ln of mean square: a rear that swings
# further there on every lap may have lost its damping on every lap. Both numbers are on mean squares: half as much
# again, and two thirds more. Chosen on the tuning seeds of tests/benchmarks/detection.
MOST_OF_A_PLACE = 0.4
LEAST_BEYOND_PLACE = 0.5
# So many other laps show what a place does on every lap. A choice of ours.
LEAST_OTHER_LAPS = 3
# Of a stretch so much has to be measured on another lap too.
LEAST_MEASURED = 0.9
# Windows that say what is usual: of a second.
USUAL_S = 1.0


@dataclass(frozen=True)
class SwingByPlace:
    """Swing with the place of every block edge, (n_blocks + 1,), summed from the start of the run. [mm2/s, mm2/s, s]"""

    t_s: FloatArray
    lap: IntArray
    distance_m: FloatArray
    own: FloatArray
    road: FloatArray
    measured: FloatArray
    usual: Usual

    def over(self, start_s: FloatArray, end_s: FloatArray) -> FloatArray:
        """Ln of mean square over stretches, own over road, less the usual; NaN where it was not measured."""
        length_s = end_s - start_s
        whole = (length_s > 0.0) & (self._inside(self.measured, start_s, end_s) >= LEAST_MEASURED * length_s)
        length_s = np.where(whole, length_s, np.nan)
        own, road = (self._inside(part, start_s, end_s) / length_s for part in (self.own, self.road))
        return np.asarray(
            np.log(np.maximum(own, 1e-12) / np.maximum(road + self.usual.least, 1e-12)) - self.usual.middle
        )

    @cached_property
    def _laps(self) -> dict[int, tuple[FloatArray, FloatArray]]:
        """Times and rising distances of the block edges of each lap. [s, m]"""
        found = {}
        for lap in np.unique(self.lap[self.lap > 0]):
            there = self.lap == lap
            found[int(lap)] = (self.t_s[there], np.maximum.accumulate(self.distance_m[there]))
        return found

    def over_on_other_laps(self, start_s: float, end_s: float) -> FloatArray:
        """`over` of the same piece of road on the other laps that were measured there; shape (n_laps,)."""
        here = int(self.lap[np.argmin(np.abs(self.t_s - 0.5 * (start_s + end_s)))])
        if here == 0:
            return np.empty(0)
        this = self.lap == here
        places = np.interp([start_s, end_s], self.t_s[this], self.distance_m[this])
        times = [
            np.interp(places, distance_m, t_s)
            for lap, (t_s, distance_m) in self._laps.items()
            if lap != here and distance_m[0] <= places[0] and places[1] <= distance_m[-1]
        ]
        values = self.over(*np.array(times, dtype=np.float64).reshape(-1, 2).T)
        return np.asarray(values[np.isfinite(values)])

    def beyond_place(self, start_s: float, end_s: float) -> float | None:
        """Swing of a stretch over that of its place, in ln of mean square; None without another lap there. [s]

        The place's part is the lower quartile of the other laps (those with a working damper), between 0 and
        `MOST_OF_A_PLACE`.
        """
        others = self.over_on_other_laps(start_s, end_s)
        if not len(others):
            return None
        of_place = float(np.clip(np.quantile(others, 0.25), 0.0, MOST_OF_A_PLACE))
        return float(self.over(np.array(start_s), np.array(end_s))) - of_place

    def on_every_lap(self, start_s: float, end_s: float) -> bool:
        """Whether the wheel swings as far at the place of a stretch on all laps, `LEAST_OTHER_LAPS` and this one.

        A ridge does the same on every lap, within a tenth; a damper that fails there on every lap does nearly.
        """
        others = self.over_on_other_laps(start_s, end_s)
        every = np.append(others, self.over(np.array(start_s), np.array(end_s)))
        return len(others) >= LEAST_OTHER_LAPS and bool(np.ptp(every) < LEAST_BEYOND_PLACE)

    def _inside(self, summed: FloatArray, start_s: FloatArray, end_s: FloatArray) -> FloatArray:
        return np.asarray(np.interp(end_s, self.t_s, summed) - np.interp(start_s, self.t_s, summed))


def swing_by_place(model: DetectorModel, motion: Motion, track: Track) -> SwingByPlace | None:
    """The swing of a run by place; None without laps or without the road known from the other wheel."""
    swing = model.swing
    if swing is None or len(track.laps) < 2:
        return None
    whole = model.whole_blocks
    t_s = model.equation.start_s + BLOCK_S * np.arange(len(whole) + 1, dtype=np.float64)
    samples = np.clip(
        np.round((t_s - motion.t_s[0]) * motion.sample_rate_hz).astype(np.int64), 0, len(motion.t_s) - 1
    )
    distance_m = track.distance_m[samples]
    known = np.isfinite(distance_m)

    def summed(values: FloatArray) -> FloatArray:
        return np.concatenate([[0.0], np.cumsum(values * BLOCK_S)])

    return SwingByPlace(
        t_s=t_s,
        lap=np.where(known, track.lap[samples], 0),
        distance_m=np.where(known, distance_m, 0.0),
        own=summed(swing.own),
        road=summed(swing.road),
        measured=summed(whole.astype(np.float64)),
        usual=usual_swing(swing, whole, round(USUAL_S / BLOCK_S)),
    )


# After a single hit this share of the energy lies in one quarter of a second; and a wheel that is held swings out
# as fast as this damping ratio says, between lost and healthy (a free decay at 19 Hz and 0.07 has 98 % of its
# energy in it too).
ONE_HIT_SHARE, HIT_RATIO = 0.85, 0.2
DECAY_S = 0.3  # looked at behind the strongest moment
# By so much in ln likelihood one line over a healthy damper has to explain a stretch better than a lost damper
# does; and what the amplitude, phase and frequency of a line gain by chance, the price of a line beside a lost
# damper. Of true losses of 0.5 to 0.8 s 2 % reach 3, of ridges and tones that are left to ask four in five. Chosen
# on the tuning seeds of tests/benchmarks/detection.
LINE_CLEARLY_BETTER, LINE_GAINS = 3.0, 6.0
LINE_HZ = np.arange(8.0, 28.0, 0.1)
# A line explains a ringing where it is: within this share of its frequency.
LINE_NEAR = 0.2
# The wheel turns a little faster or slower than ground speed and radius say.
TURNS_WITH_WHEEL = (0.97, 1.12)
# Less travel than this share of the stroke: the rear hangs on its top-out spring and the tyre hardly carries.
UNLOADED_SHARE = 0.10


def checks(
    model: DetectorModel, predicted: FloatArray, inside: slice, travel_share: float
) -> tuple[Check, ...]:
    """Checks of a stretch in turn, up to the first that speaks against lost damping: only the last can.

    ``predicted`` (n,) is 0 where nothing is known of the road; ``travel_share`` is median rear travel over the stroke.
    """
    answers = [_unloaded(model.end, travel_share)]
    if not answers[-1].against:
        hop_hz = min(model.fitted.pole.frequency_hz, model.hop.band_hz[1])
        answers.append(_one_hit(model.equation, inside, hop_hz))
    if not answers[-1].against:
        answers.append(_one_line(model, predicted, inside))
    return tuple(answers)


def _unloaded(end: End, travel_share: float) -> Check:
    question = "Was there load on the wheel?"
    if travel_share < UNLOADED_SHARE:
        under = "braking" if end == "rear" else "drive"
        return Check(
            question,
            f"The {end} was nearly topped out, as under hard {under}: a wheel with so little load oscillates with a "
            "good damper too.",
            against=True,
        )
    return Check(question, f"Yes: the {end} was at {100 * travel_share:.0f} % of its stroke.")


def _one_hit(equation: WheelEquation, inside: slice, hop_hz: float) -> Check:
    speed, step_s = equation.own[2, inside], equation.step_s
    energy = np.convolve(speed**2, np.ones(round(BLOCK_S / step_s)), mode="same")
    share = float(energy.max() / max((speed**2).sum(), 1e-12))
    question = "Was it a single impact?"
    if share > ONE_HIT_SHARE:
        ratio = decay_ratio(equation, inside, hop_hz)
        if ratio > HIT_RATIO:
            return Check(
                question,
                "It was a single impact: nearly all of the movement lies within a quarter of a second, and the wheel "
                f"settled at once, as with a damping ratio of {ratio:.2f}.",
                against=True,
            )
        return Check(
            question,
            f"If it was a single impact, the wheel went on oscillating after it, as with a damping ratio of "
            f"{ratio:.2f}.",
        )
    return Check(question, f"No: the strongest quarter of a second has {100 * share:.0f} % of the movement.")


def place_check(by_place: SwingByPlace, end: End, start_s: float, end_s: float) -> tuple[Check, ...]:
    """Check whether the place makes the wheel swing like this on every lap; empty without another lap there. [s]"""
    beyond = by_place.beyond_place(start_s, end_s)
    if beyond is None:
        return ()
    question = "Does the wheel oscillate as much there on the other laps?"
    further = float(np.exp(0.5 * beyond))  # of amplitudes
    if beyond < LEAST_BEYOND_PLACE:
        return (
            Check(
                question,
                f"Nearly: the {end} oscillates more than usual at this place on most laps; this time its amplitude was "
                f"{further:.1f} times what the place explains.",
                against=True,
            ),
        )
    return (
        Check(
            question,
            f"No: its amplitude was {further:.1f} times what the place and the road that the other wheel met explain.",
        ),
    )


def decay_ratio(equation: WheelEquation, inside: slice, hop_hz: float) -> float:
    """Damping ratio from the decay after the strongest moment of a stretch, at the hop's frequency. [Hz]

    Energy that falls as exp(-t/T) has its mean T after the start, and T = 1 / (2 ratio w).
    """
    length = round(DECAY_S / equation.step_s)
    first = inside.start
    # speed and its integral, of one size near the hop: their sum of squares is an envelope
    envelope = (equation.own[2:4, first : inside.stop + length] ** 2).sum(axis=0)
    peak = int(np.argmax(envelope[: max(inside.stop - first, 1)]))
    behind = envelope[peak : peak + length]
    mean_s = float(behind @ np.arange(len(behind))) * equation.step_s / max(float(behind.sum()), 1e-12)
    return 1.0 / (4 * np.pi * hop_hz * max(mean_s, 1e-3))


def _one_line(model: DetectorModel, predicted: FloatArray, inside: slice) -> Check:
    question = "Would a single frequency, steady or following the speed, explain it as well?"
    better, hz, follows_speed = line_over_lost(model, predicted, inside)
    turning_hz = model.turning_hz(inside)
    if better <= LINE_CLEARLY_BETTER:
        turns = "" if turning_hz is None else f"; the wheel turned {turning_hz:.1f} times a second"
        return Check(
            question,
            f"No: a wheel with little damping explains it as well as a single frequency of {hz:.1f} Hz, or "
            f"better{turns}.",
        )
    if turning_hz is not None and TURNS_WITH_WHEEL[0] < hz / turning_hz < TURNS_WITH_WHEEL[1]:
        answer = (
            f"It is a single frequency, {hz:.1f} Hz, that turns with the wheel: check balance and tyre first."
        )
    elif follows_speed:
        answer = (
            f"It is a single frequency near {hz:.1f} Hz that follows the speed: ridges that only the {model.end} wheel "
            "met look like this."
        )
    else:
        answer = (
            f"It is a steady tone at {hz:.1f} Hz with a healthy damper: vibration of the sensor or its bracket looks "
            "like this."
        )
    return Check(question, answer, against=True)


def line_over_lost(model: DetectorModel, predicted: FloatArray, inside: slice) -> tuple[float, float, bool]:
    """Log likelihood ratio of a line and a healthy damper over a lost one, its frequency [Hz], if steady in distance.

    The line is a sinusoid of free amplitude, phase and frequency, steady in time or in distance. A lost damper may have
    a line too (wheel out of balance), at the price of what one gains by chance.
    """
    equation, grid = model.equation, model.grid
    signals = np.concatenate([equation.own[:, inside], predicted[None, inside]])
    row = np.concatenate([grid.row, -np.ones((len(grid.row), 1))], axis=1)
    n = signals.shape[1]
    freedom = 0.5 * FREEDOM_PER_S * n * equation.step_s
    square = np.maximum(((row @ (signals @ signals.T / n)) * row).sum(axis=1), 1e-9)
    lost = float((freedom * (grid.gain - np.log(square)))[grid.lost].max())
    clocks = [equation.step_s * np.arange(n)]
    if equation.ground_speed_m_s is not None:
        speed = equation.ground_speed_m_s[inside]
        clocks.append(np.cumsum(speed) / speed.mean() * equation.step_s)
    rings_hz = grid.frequency_hz[
        int(np.where(grid.lost, freedom * (grid.gain - np.log(square)), -np.inf).argmax())
    ]
    line_hz = LINE_HZ[np.abs(LINE_HZ / rings_hz - 1.0) < LINE_NEAR]
    found = []
    for follows_speed, clock in enumerate(clocks):
        angle = 2 * np.pi * np.outer(clock, line_hz)
        # least squares on cosine and sine; they are as good as orthogonal over several periods
        cosine, sine = row @ (signals @ np.cos(angle)), row @ (signals @ np.sin(angle))
        line = 2.0 * (cosine**2 + sine**2) / n**2
        rest = np.maximum(square - line.max(axis=1), 1e-3 * square)
        likelihood = freedom * (grid.gain - np.log(rest))
        healthy = np.where(grid.healthy, likelihood, -np.inf)
        best = int(np.argmax(healthy))
        beside_line = float(likelihood[grid.lost].max()) - LINE_GAINS
        better = float(healthy[best]) - max(lost, beside_line)
        found.append((better, float(line_hz[line[best].argmax()]), bool(follows_speed)))
    return max(found)


# Riding at the nearest speeds that is compared, and the least of it: over 8 s the scatter of a ratio of 0.15 at 16 Hz
# is 0.014 (`telemetry.signals.damping_scatter`). Choices of ours. [s]
COMPARED_S, LEAST_COMPARED_S = 8.0, 4.0
SMOOTH_S = 0.2  # two moving means over so long leave nothing at 10, 15 and 20 Hz and little between
# Evidence that the speed must take away, and what is then too little to stay: odds of 20 to 1. Chosen on the tuning
# seeds of tests/benchmarks/detection: it holds for 46 of 54 false candidates and for none of 350 losses.
LEAST_TAKEN, LEAST_LEFT = 1.0, 3.0


@dataclass(frozen=True)
class SlowSpeed:
    """Wheel speed without its hop, compression positive, by sample and block; ``whole`` blocks are usable. [mm/s]"""

    sample_mm_s: FloatArray
    block_mm_s: FloatArray
    whole: BoolArray


def slow_speed(model: DetectorModel, motion: Motion) -> SlowSpeed:
    """Slow speed over a run, at the samples of its equation."""
    equation, whole = model.equation, model.whole_blocks
    at_s = equation.t_s
    travel_mm = np.interp(at_s, motion.t_s, bridged(motion.ends[model.end].wheel_travel_mm))
    half = round(0.5 * SMOOTH_S / equation.step_s)
    for _ in range(2):
        total = np.concatenate([[0.0], np.cumsum(np.pad(travel_mm, half, mode="edge"))])
        travel_mm = (total[2 * half :] - total[: -2 * half])[: len(at_s)] / (2 * half)
    speed = np.asarray(np.gradient(travel_mm, equation.step_s))
    length = round(BLOCK_S / equation.step_s)
    return SlowSpeed(speed, speed[: len(whole) * length].reshape(len(whole), length).mean(axis=1), whole)


def ratio_elsewhere(model: DetectorModel, slow: SlowSpeed, inside: slice) -> float | None:
    """Damping ratio over the other stretches in which the suspension moved as fast; None with too few."""
    equation = model.equation
    length = round(BLOCK_S / equation.step_s)
    free = slow.whole.copy()
    free[max(inside.start // length - 1, 0) : -(-inside.stop // length) + 1] = False
    others = np.flatnonzero(free)
    if len(others) * BLOCK_S < LEAST_COMPARED_S:
        return None
    away = np.abs(slow.block_mm_s[others] - slow.sample_mm_s[inside].mean())
    count = min(round(COMPARED_S / BLOCK_S), len(others))
    others = others[np.argpartition(away, count - 1)[:count]]
    samples = (others[:, None] * length + np.arange(length)).ravel()
    left = equation.own[:, samples]
    left[0] -= model.predicted[samples]
    products = blocks((left,), np.ones(len(samples), dtype=bool), equation.step_s, BLOCK_S).products
    # every block counts by its own residual, as in what the outing taught
    residual = np.einsum("i,bij,j->b", model.reference.row, products, model.reference.row)
    mean = np.tensordot(1.0 / np.maximum(residual, 1e-9), products, axes=1) / count
    return fit_pole(mean, model.hop).damping_ratio


def evidence_where_sound(model: DetectorModel, inside: slice, ratio: float) -> float:
    """Evidence for lost damping of a stretch in which a sound damper leaves ``ratio``.

    ln of mean likelihood, lost over healthy; the classes are those of the outing, scaled down to the ratio.
    """
    equation, grid = model.equation, model.grid
    lost_below = max(LOST_SHARE * ratio, float(grid.damping_ratio.min()))
    lost = grid.lost & (grid.damping_ratio <= lost_below)
    healthy = grid.healthy | (grid.damping_ratio >= HEALTHY_SHARE * ratio)
    signals = np.concatenate([equation.own[:, inside], model.predicted[None, inside]])
    row = np.concatenate([grid.row, -np.ones((len(grid.row), 1))], axis=1)
    square = np.maximum(((row @ (signals @ signals.T)) * row).sum(axis=1), 1e-9)
    freedom = 0.5 * FREEDOM_PER_S * signals.shape[1] * equation.step_s
    likelihood = freedom * (grid.gain - np.log(square))
    return float(
        np.logaddexp.reduce(likelihood[lost])
        - np.logaddexp.reduce(likelihood[healthy])
        - np.log(np.count_nonzero(lost) / np.count_nonzero(healthy))
    )


def speed_check(
    model: DetectorModel, slow: SlowSpeed, inside: slice, highest_ratio: float
) -> tuple[Check, ...]:
    """Check whether the wheel is damped as little wherever its suspension moves as fast; empty with too little.

    It is if the damping ratio elsewhere explains the evidence, or lies below ``highest_ratio``, the end of the
    stretch's own 95 % interval. That is fitted with the other wheel's part free, the evidence is not: where the other
    end moves unlike its usual, deep in its stroke for one, the evidence alone says too much.
    """
    ratio = ratio_elsewhere(model, slow, inside)
    if ratio is None:
        return ()
    question = "Is the wheel damped as little wherever its suspension moves as fast?"
    left = evidence_where_sound(model, inside, ratio)
    taken = evidence_where_sound(model, inside, np.inf) - left
    speed_mm_s = float(slow.sample_mm_s[inside].mean())
    where = f"{'down' if speed_mm_s > 0 else 'up'} at {abs(speed_mm_s):.0f} mm/s"
    if highest_ratio >= ratio or (taken > LEAST_TAKEN and left < LEAST_LEFT):
        return (
            Check(
                question,
                f"Nearly: with the suspension going {where}, as here, the damping ratio of the {model.end} wheel was "
                f"{ratio:.2f} elsewhere too: a good damper damps less there, above all one that works in rebound.",
                against=True,
            ),
        )
    return (Check(question, f"No: elsewhere, with the suspension going {where}, its ratio was {ratio:.2f}."),)
