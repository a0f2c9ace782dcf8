"""One candidate stretch: where it starts and ends."""

from dataclasses import dataclass

import numpy as np

from telemetry.arrays import BoolArray, FloatArray
from telemetry.damping.band import FREEDOM_PER_S
from telemetry.damping.equation import BLOCK_S, WheelEquation
from telemetry.damping.evidence import PoleGrid, best_run, joined

EDGE_SEARCH_S = 0.75
EDGE_WINDOW_S = 0.2
# Windows that reach so far into a stretch that was located still count as beside it.
EDGE_BLOCKS = 0.5


@dataclass(frozen=True)
class Candidate:
    """A stretch with the evidence for it.

    Parameters
    ----------
    start_s, end_s : float
        On the run's clock. [s]
    over : float
        Largest evidence over the threshold of its length.
    lost, healthy : int
        Likeliest pole of each class over the stretch, by index in the grid.
    """

    start_s: float
    end_s: float
    over: float
    lost: int
    healthy: int


def candidates(
    equation: WheelEquation,
    predicted: FloatArray,
    grid: PoleGrid,
    likelihood: FloatArray,
    found: list[tuple[int, int, float]],
) -> list[Candidate]:
    """Candidate stretches from the windows over their thresholds.

    Windows that overlap are one stretch, but what lies outside the stretch and has evidence of its own is another:
    two losses that nearly touch are both found.

    Parameters
    ----------
    predicted : ndarray of shape (n,)
    likelihood : ndarray of shape (n_blocks, n_poles)
    found : list of tuple
        From `over_threshold`.

    Returns
    -------
    list of Candidate
        In order of time.
    """
    free = equation.usable.copy()
    length = BLOCK_S / equation.step_s
    done = []
    groups = joined(found)
    while groups:
        group = groups.pop()
        first, last = group[0][0], max(window[1] for window in group)
        over = max(window[2] for window in group)
        candidate, inside = locate(equation, predicted, grid, likelihood, (first, last, over), free)
        done.append(candidate)
        free[inside] = False
        start, stop = inside.start / length, inside.stop / length
        groups += joined([w for w in group if w[1] <= start + EDGE_BLOCKS or w[0] >= stop - EDGE_BLOCKS])
    return sorted(done, key=lambda candidate: candidate.start_s)


def locate(
    equation: WheelEquation,
    predicted: FloatArray,
    grid: PoleGrid,
    likelihood: FloatArray,
    found: tuple[int, int, float],
    free: BoolArray,
) -> tuple[Candidate, slice]:
    """Start and end of a candidate as the run of moments with the largest summed evidence.

    Parameters
    ----------
    predicted : ndarray of shape (n,)
    likelihood : ndarray of shape (n_blocks, n_poles)
    found : tuple
        First block, one past the last, evidence over threshold.
    free : ndarray of shape (n,)
        Samples that can be part of it.

    Returns
    -------
    slice
        Its samples.
    """
    first, last, over = found
    total = likelihood[first:last].sum(axis=0)
    lost = int(np.argmax(np.where(grid.lost, total, -np.inf)))
    healthy = int(np.argmax(np.where(grid.healthy, total, -np.inf)))
    length = round(BLOCK_S / equation.step_s)
    margin = round(EDGE_SEARCH_S / equation.step_s)
    low = max(first * length - margin, 0)
    high = min(last * length + margin, len(predicted))
    width = round(EDGE_WINDOW_S / equation.step_s)
    box = np.full(width, 1.0 / width)

    def local(pole: int) -> FloatArray:
        left = grid.row[pole] @ equation.own[:, low:high] - predicted[low:high]
        square = np.convolve(left**2, box, mode="same")
        return np.asarray(0.5 * (grid.gain[pole] - np.log(np.maximum(square, 1e-9))))

    gain = FREEDOM_PER_S * equation.step_s * (local(lost) - local(healthy))
    gain[~free[low:high]] = -1.0
    a, b = best_run(gain)
    if b - a < width:
        a, b = first * length - low, last * length - low
    inside = slice(low + a, low + b)
    start_s, end_s = equation.t_s[inside.start], equation.t_s[min(inside.stop, len(predicted)) - 1]
    return Candidate(float(start_s), float(end_s), over, lost, healthy), inside
