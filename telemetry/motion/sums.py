"""Sums of both ends over short stretches, alike in place and validity: laps, corners, phases and the run add them up.

So every sample is looked at once, not again for every lap and phase that it belongs to.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from functools import partial

import numpy as np

from telemetry.arrays import ENDS, BoolArray, End, FloatArray, IntArray
from telemetry.motion.motion import EndMotion, Motion
from telemetry.motion.use import DEEP_SHARE
from telemetry.numeric import sums_between


@dataclass(frozen=True)
class EndSums:
    """Sums of one end over each stretch, arrays of shape (n_stretches,); NaN or without meaning where it is invalid.

    All is of the wheel but deep, in the last tenth of the stroke, and fast, above the bike file's split: these are
    of the shaft. [mm, (mm/s)^2, samples]
    """

    travel_mm: FloatArray
    compression_squares: FloatArray
    rebound_squares: FloatArray
    compression: FloatArray
    rebound: FloatArray
    fast_compression: FloatArray
    fast_rebound: FloatArray
    deep: FloatArray


@dataclass(frozen=True)
class Sums:
    """Stretches of a run in order of time, arrays of shape (n_stretches,), and what is summed over each.

    ``difference_squares`` are of front less rear wheel speed. [(mm/s)^2]
    """

    start: IntArray  # first sample
    samples: IntArray  # how many
    ends: Mapping[End, EndSums]
    pitch_deg: FloatArray
    least_pitch_deg: FloatArray  # not a sum
    most_pitch_deg: FloatArray
    difference_squares: FloatArray

    def during(self, rows: slice) -> "Sums":
        """The stretches in some samples that begin and end with one, counted from the first of these samples."""
        here = slice(*self.start.searchsorted((rows.start, rows.stop)).tolist())
        arrays = {
            one.name: getattr(self, one.name)[here]
            for one in fields(self)
            if one.name not in ("start", "ends")
        }
        ends = {
            name: EndSums(*(getattr(end, one.name)[here] for one in fields(end)))
            for name, end in self.ends.items()
        }
        return replace(self, **arrays, start=self.start[here] - rows.start, ends=ends)


def find_sums(motion: Motion, apart: Sequence[IntArray | BoolArray], laps: Sequence[slice] = ()) -> Sums:
    """Sums over stretches that end where one of some arrays or the validity of an end changes, and with each lap.

    Parameters
    ----------
    apart : sequence of ndarray of shape (n_samples,)
        Corner, phase, what counts...
    laps : sequence of slice
    """
    n = len(motion.t_s)
    first = np.zeros(n + 1, dtype=bool)
    first[[0, n, *(edge for lap in laps for edge in (lap.start, lap.stop))]] = True
    for one in (*apart, *(end.valid for end in motion.ends.values())):
        first[1:-1] |= one[1:] != one[:-1]
    edges = np.flatnonzero(first)
    start = edges[:-1]
    pitch = sums_between(edges, lambda here: [motion.pitch_deg[here]] * 3, (np.add, np.minimum, np.maximum))
    return Sums(
        start=start,
        samples=np.diff(edges),
        ends={
            name: EndSums(*sums_between(edges, partial(_of_end, end))) for name, end in motion.ends.items()
        },
        pitch_deg=pitch[0],
        least_pitch_deg=pitch[1],
        most_pitch_deg=pitch[2],
        difference_squares=sums_between(edges, partial(_difference_squares, motion))[0],
    )


def _of_end(end: EndMotion, here: slice) -> list[FloatArray | BoolArray]:
    """What is summed of one end, in the order of `EndSums`."""
    shaft, wheel = end.shaft_speed_mm_s[here], end.wheel_speed_mm_s[here]
    down, up = np.maximum(wheel, 0.0), np.minimum(wheel, 0.0)
    compression, rebound = wheel > 0, wheel < 0
    fast = np.abs(shaft) >= end.speed_split_mm_s
    return [
        end.wheel_travel_mm[here],
        down * down,
        up * up,
        compression,
        rebound,
        fast & compression,
        fast & rebound,
        end.shaft_travel_mm[here] >= DEEP_SHARE * end.stroke_mm,
    ]


def _difference_squares(motion: Motion, here: slice) -> list[FloatArray]:
    if len(motion.ends) < len(ENDS):
        return [np.full(here.stop - here.start, np.nan)]
    front, rear = (motion.ends[end].wheel_speed_mm_s[here] for end in ENDS)
    return [(front - rear) ** 2]
