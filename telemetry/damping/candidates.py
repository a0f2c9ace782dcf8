"""One candidate stretch: where it starts and ends."""

from dataclasses import dataclass

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.damping.band import FREEDOM_PER_S
from telemetry.damping.equation import BLOCK_S, WheelEquation
from telemetry.damping.evidence import PoleGrid, best_run

EDGE_SEARCH_S = 0.75
EDGE_WINDOW_S = 0.2


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


def locate(
    equation: WheelEquation,
    predicted: FloatArray,
    grid: PoleGrid,
    likelihood: FloatArray,
    found: tuple[int, int, float],
) -> Candidate:
    """Start and end of a candidate as the run of moments with the largest summed evidence.

    Parameters
    ----------
    equation : WheelEquation
    predicted : ndarray of shape (n,)
    grid : PoleGrid
    likelihood : ndarray of shape (n_blocks, n_poles)
    found : tuple
        First block, one past the last, evidence over threshold.

    Returns
    -------
    Candidate
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
    gain[~equation.usable[low:high]] = -1.0
    a, b = best_run(gain)
    if b - a < width:
        a, b = first * length - low, last * length - low
    return Candidate(
        float(equation.t_s[low + a]),
        float(equation.t_s[min(low + b, len(predicted)) - 1]),
        over,
        lost,
        healthy,
    )
