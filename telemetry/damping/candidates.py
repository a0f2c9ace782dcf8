"""One candidate stretch: where it starts and ends, and the questions it has to answer."""

from dataclasses import dataclass

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.damping.band import FREEDOM_PER_S
from telemetry.damping.equation import BLOCK_S, RearEquation
from telemetry.damping.estimate import Ringing
from telemetry.damping.evidence import PoleGrid, best_run

EDGE_SEARCH_S = 0.75
EDGE_WINDOW_S = 0.2
# Tyre rubber alone damps the hop more than this; a line that is sharper is no wheel on a tyre.
LEAST_TYRE_RATIO = 0.02
# A single hit leaves this share of its energy in its strongest quarter of a second.
ONE_HIT_SHARE = 0.85
# A steady tone: this share of the stretch is one sinusoid. A ringing wheel's envelope comes and goes.
ONE_TONE_SHARE = 0.95
LEAST_TONE_S = 0.6
# Less travel than this share of the stroke: the rear hangs on its top-out spring and the tyre hardly carries.
UNLOADED_SHARE = 0.10


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
    equation: RearEquation,
    predicted: FloatArray,
    grid: PoleGrid,
    likelihood: FloatArray,
    found: tuple[int, int, float],
) -> Candidate:
    """Start and end of a candidate as the run of moments with the largest summed evidence.

    Parameters
    ----------
    equation : RearEquation
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
        left = grid.row[pole] @ equation.rear[:, low:high] - predicted[low:high]
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


def objection(
    equation: RearEquation, inside: slice, ringing: Ringing, wheel_hz: FloatArray | None, travel_share: float
) -> str | None:
    """Why a stretch with evidence is not lost damping after all; None when nothing speaks against it.

    Parameters
    ----------
    equation : RearEquation
    inside : slice
        Samples of the stretch.
    ringing : Ringing
    wheel_hz : ndarray of shape (n,), optional
        Turns per second of the rear wheel.
    travel_share : float
        Median rear travel over the stretch, share of the stroke.

    Returns
    -------
    str or None
        One sentence.
    """
    if travel_share < UNLOADED_SHARE:
        return (
            "The rear was nearly topped out, as under hard braking: a wheel with so little load on it hops with a "
            "sound damper too."
        )
    speed = equation.rear[2, inside]
    seconds = len(speed) * equation.step_s
    energy = np.convolve(speed**2, np.ones(round(BLOCK_S / equation.step_s)), mode="same")
    if energy.max() > ONE_HIT_SHARE * (speed**2).sum():
        return "It was one hit: nearly all of the movement lies within a quarter of a second."
    hz, share = strongest_tone(speed, equation.step_s)
    steady = seconds >= LEAST_TONE_S and share > ONE_TONE_SHARE
    if steady or ringing.damping_ratio < LEAST_TYRE_RATIO:
        if wheel_hz is not None and 0.97 < hz / float(wheel_hz[inside].mean()) < 1.12:
            return (
                f"It is one line at {hz:.1f} Hz that turns with the rear wheel: balance and tyre come first."
            )
        return (
            f"It is one steady tone at {hz:.1f} Hz, sharper than a tyre lets a wheel ring: vibration of the "
            "sensor or its bracket looks like this."
        )
    return None


def strongest_tone(signal: FloatArray, step_s: float) -> tuple[float, float]:
    """Frequency of the best single sinusoid between 8 and 28 Hz, and its share of the signal's energy.

    Parameters
    ----------
    signal : ndarray of shape (n,)
    step_s : float
        [s]

    Returns
    -------
    tuple of float
        [Hz], share 0 to 1.
    """
    hz = np.arange(8.0, 28.0, 0.1)
    t = step_s * np.arange(len(signal))
    wave = np.exp(-2j * np.pi * hz[:, None] * t)
    # least squares on cosine and sine; they are as good as orthogonal over several periods
    amplitude = np.abs(wave @ signal) ** 2 * 2.0 / len(signal)
    best = int(np.argmax(amplitude))
    return float(hz[best]), float(min(amplitude[best] / max((signal**2).sum(), 1e-12), 1.0))
