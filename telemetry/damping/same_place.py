"""How far the wheel swings at one place of the lap, lap by lap.

A road that the other wheel met otherwise, or a sound damper that holds little at one load and speed, makes the wheel
swing further than usual on every lap at that place. A damper that fails does so beyond what that place asks for.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from telemetry.arrays import FloatArray, IntArray
from telemetry.damping.detector_model import DetectorModel
from telemetry.damping.equation import BLOCK_S
from telemetry.damping.swing import Usual, usual_swing
from telemetry.laps import Track
from telemetry.motion import Motion

# The road and the load of a place make the wheel swing by no more than this, in ln of mean square: a rear that swings
# further there on every lap may have lost its damping on every lap. Both numbers are on mean squares: half as much
# again, and two thirds more. Chosen on the tuning seeds of tests/benchmarks/detection.
MOST_OF_A_PLACE = 0.4
LEAST_BEYOND_PLACE = 0.5
# Of a stretch so much has to be measured on another lap too.
LEAST_MEASURED = 0.9
# Windows that say what is usual: of a second.
USUAL_S = 1.0


@dataclass(frozen=True)
class SwingByPlace:
    """Swing of a run with the place of every block edge; arrays of shape (n_blocks + 1,).

    ``own``, ``road`` and ``measured`` are summed from the start of the run on. [mm2/s, mm2/s, s]
    """

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
        """How much further the wheel swung over a stretch than its place makes it swing.

        Parameters
        ----------
        start_s, end_s : float
            On the run's clock. [s]

        Returns
        -------
        float or None
            In ln of mean square. What the place adds is the lower quartile of the other laps, the laps in which the
            damper works, between 0 and `MOST_OF_A_PLACE`. None without another lap there.
        """
        others = self.over_on_other_laps(start_s, end_s)
        if not len(others):
            return None
        of_place = float(np.clip(np.quantile(others, 0.25), 0.0, MOST_OF_A_PLACE))
        return float(self.over(np.array(start_s), np.array(end_s))) - of_place

    def _inside(self, summed: FloatArray, start_s: FloatArray, end_s: FloatArray) -> FloatArray:
        return np.asarray(np.interp(end_s, self.t_s, summed) - np.interp(start_s, self.t_s, summed))


def swing_by_place(model: DetectorModel, motion: Motion, track: Track) -> SwingByPlace | None:
    """The swing of a run by place; None without laps or without the road known from the other wheel."""
    swing = model.swing
    if swing is None or len(track.laps) < 2:
        return None
    whole = model.whole_blocks
    t_s = model.equation.t_s[0] + BLOCK_S * np.arange(len(whole) + 1)
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
