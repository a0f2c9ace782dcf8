"""Ground speed and the distance by it, checked against positions where there are some."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from telemetry.arrays import FloatArray, IntArray
from telemetry.decimals import Column, EvenTimes, Lines, Numbers, kept_of
from telemetry.laps.corners import MOVING_M_S
from telemetry.laps.gps import Fixes, dropouts, path_speed, without_jumps
from telemetry.notes import QualityNote
from telemetry.numeric import BLOCK
from telemetry.signals import Run

# Fast enough for phases (a rider's hands and body), slow enough that two hours are cheap. Own choice.
PLACE_HZ = 50.0

# True speed over logged speed when a unit was taken for another.
MIXED_UNITS = (
    (1 / 3.6, "km/h taken for m/s"),
    (3.6, "m/s taken for km/h"),
    (0.44704, "mph taken for m/s"),
    (1 / 0.44704, "m/s taken for mph"),
    (1.609344, "mph taken for km/h"),
    (1 / 1.609344, "km/h taken for mph"),
    (1.852 / 3.6, "knots taken for m/s"),
    (1.852, "knots taken for km/h"),
)
# So near to a factor it is that one; closer to 1 than this it is only a wheel that reads a little wrong.
NEAR_FACTOR, WRONG_SPEED = 0.06, 0.12
# Least error of the wheel speed that gets a note.
SPEED_SCALE_NOTE = 0.03
# The two are compared over windows of this length, riding faster than this.
WINDOW_S, COMPARED_M_S = 1.0, 8.0


@dataclass(frozen=True)
class Thin:
    """Every ``step``-th of a run's ``n_samples`` samples."""

    n_samples: int
    sample_rate_hz: float
    step: int

    @property
    def rate_hz(self) -> float:
        """Rate of the thin clock. [Hz]"""
        return self.sample_rate_hz / self.step

    @property
    def rows(self) -> slice:
        """The run's samples it keeps, as a slice."""
        return slice(None, None, self.step)

    @property
    def samples(self) -> IntArray:
        """The run's samples it keeps."""
        return np.arange(0, self.n_samples, self.step)

    @cached_property
    def t_s(self) -> FloatArray:
        """Its instants. [s]"""
        return self.samples / self.sample_rate_hz

    def integral(self, values: FloatArray | Numbers) -> FloatArray:
        """Integral from the first sample on, by the trapezoidal rule over all samples of the run."""
        many = self.step * max(1, BLOCK // self.step)
        parts = (values[first : first + many] for first in range(0, self.n_samples, many))
        sums = [np.add.reduceat(part, np.arange(0, len(part), self.step)) for part in parts]
        between = np.concatenate(sums)[:-1] + 0.5 * np.diff(values[self.rows])
        return np.concatenate(([0.0], np.cumsum(between))) / self.sample_rate_hz

    def lines(self, values: FloatArray) -> Lines:
        """Straight lines between thin values, at every sample of the run; on as before after the last."""
        after = 2 * values[-1:] - values[-2:-1] if len(values) > 1 else values
        numbers = np.concatenate((values, after))
        return Lines(EvenTimes(1.0, range(len(numbers))), numbers, self.n_samples, rows_per_unit=self.step)

    def nearest(self, samples: IntArray) -> IntArray:
        """Which of the samples that it keeps is nearest to some."""
        half = (self.step - 1) // 2
        return np.minimum((samples + half) // self.step, (self.n_samples - 1) // self.step)

    def hold(self, values: IntArray) -> IntArray:
        """The nearest thin value at every sample of the run."""
        half = (self.step - 1) // 2
        counts = np.full(len(values), self.step)
        counts[0] = self.step - half
        counts[-1] += self.n_samples - counts.sum()
        return np.repeat(values, counts)


@dataclass(frozen=True)
class Speed:
    """Ground speed of a run, NaN where unknown."""

    speed_m_s: Numbers
    thin_m_s: FloatArray | None  # on the thin clock, bridged over gaps; None if nothing is known
    travelled_m: FloatArray | None  # its integral
    source: str


def find_speed(
    run: Run, thin: Thin, fixes: Fixes | None, notes: list[QualityNote]
) -> tuple[Speed, Fixes | None]:
    """Speed channel, its unit corrected, else speed along the GPS track; and the fixes within reach. Adds notes."""
    wheel = kept_of(run.channels, "speed_m_s") if "speed_m_s" in run.channels else None
    if wheel is None or (wheel.missing and np.count_nonzero(np.isfinite(wheel)) < 2):
        if fixes is None:
            return Speed(thin.lines(np.full(len(thin.t_s), np.nan)), None, None, ""), None
        fixes = without_jumps(fixes, None, notes)
        slow = path_speed(fixes, thin.t_s)
        dropouts(fixes, np.interp(fixes.t_s, thin.t_s, slow) > MOVING_M_S, notes)
        travelled = np.concatenate(([0.0], np.cumsum(0.5 * (slow[1:] + slow[:-1])))) / thin.rate_hz
        return Speed(thin.lines(slow), slow, travelled, "GPS track"), fixes
    # across a dropout of the speed the bike goes on at the speed between: distance must not stand still
    filled = wheel
    if wheel.missing:
        known = np.isfinite(wheel)
        filled = Column(np.interp(np.arange(len(wheel)), np.flatnonzero(known), wheel[known]))
    slow, travelled = filled[thin.rows], thin.integral(filled)
    if fixes is not None:
        factor = _factor(fixes, np.interp(fixes.t_s, thin.t_s, travelled))
        if abs(np.log(factor)) > SPEED_SCALE_NOTE:
            notes.append(_wrong_speed(factor))
        if abs(np.log(factor)) > WRONG_SPEED:
            wheel, slow, travelled = Column(wheel[:] * factor), slow * factor, travelled * factor
        fixes = without_jumps(fixes, np.interp(fixes.t_s, thin.t_s, travelled), notes)
        dropouts(fixes, np.interp(fixes.t_s, thin.t_s, slow) > MOVING_M_S, notes)
    return Speed(wheel, slow, travelled, "speed"), fixes


def _factor(fixes: Fixes, travelled_m: FloatArray) -> float:
    """Median ratio of speed by positions to speed by the wheels over short windows, 1 with too few windows."""
    every = max(1, round(WINDOW_S * fixes.rate_hz))
    east, north, gone, t = (v[::every] for v in (fixes.east_m, fixes.north_m, travelled_m, fixes.t_s))
    step, interval = np.hypot(np.diff(east), np.diff(north)), np.diff(t)
    riding = (
        (interval < 1.5 * every / fixes.rate_hz) & (step > COMPARED_M_S * interval) & (np.diff(gone) > 1.0)
    )
    if np.count_nonzero(riding) < 10:
        return 1.0
    return float(np.median(step[riding] / np.diff(gone)[riding]))


def _wrong_speed(factor: float) -> QualityNote:
    away = 100 * (1 / factor - 1)
    if abs(np.log(factor)) <= WRONG_SPEED:
        message = (
            f"The speed reads {abs(away):.1f} % {'more' if away > 0 else 'less'} than the positions say; distances are "
            "by the positions. Check the tyre circumference that the logger uses."
        )
        return QualityNote("info", "speed_scale", message, channel="speed")
    mixed = next((words for f, words in MIXED_UNITS if abs(np.log(factor / f)) < NEAR_FACTOR), None)
    why = (
        f"as if {mixed}; give the column its unit"
        if mixed
        else "check the tyre circumference and the pulses per turn"
    )
    message = (
        f"The speed is {1 / factor:.2f} times what the positions say, {why}. "
        f"It is multiplied by {factor:.3g} in this review."
    )
    return QualityNote("warning", "speed_unit", message, channel="speed")
