"""The questions that a candidate stretch has to answer before it is called lost damping."""

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.damping.equation import BLOCK_S, RearEquation
from telemetry.damping.estimate import Ringing
from telemetry.damping.oscillation import Check

# Tyre rubber alone damps the hop more than this; a line that is sharper is no wheel on a tyre.
LEAST_TYRE_RATIO = 0.02
# A single hit leaves this share of its energy in its strongest quarter of a second.
ONE_HIT_SHARE = 0.85
# A steady tone: this share of the stretch is one sinusoid. A ringing wheel's envelope comes and goes.
ONE_TONE_SHARE = 0.95
LEAST_TONE_S = 0.6
# Less travel than this share of the stroke: the rear hangs on its top-out spring and the tyre hardly carries.
UNLOADED_SHARE = 0.10


def checks(
    equation: RearEquation, inside: slice, ringing: Ringing, wheel_hz: FloatArray | None, travel_share: float
) -> tuple[Check, ...]:
    """Ask a stretch in turn, up to the first answer that speaks against lost damping.

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
    tuple of Check
        Only the last can speak against it.
    """
    asked = [_unloaded(travel_share)]
    speed = equation.rear[2, inside]
    if not asked[-1].against:
        asked.append(_one_hit(speed, equation.step_s))
    if not asked[-1].against:
        turning_hz = None if wheel_hz is None else float(wheel_hz[inside].mean())
        asked.append(_one_line(speed, equation.step_s, ringing, turning_hz))
    return tuple(asked)


def _unloaded(travel_share: float) -> Check:
    question = "Was there load on the wheel?"
    if travel_share < UNLOADED_SHARE:
        return Check(
            question,
            "The rear was nearly topped out, as under hard braking: a wheel with so little load on it hops with a "
            "sound damper too.",
            against=True,
        )
    return Check(question, f"Yes: the rear stood at {100 * travel_share:.0f} % of its stroke.")


def _one_hit(speed: FloatArray, step_s: float) -> Check:
    energy = np.convolve(speed**2, np.ones(round(BLOCK_S / step_s)), mode="same")
    share = float(energy.max() / max((speed**2).sum(), 1e-12))
    question = "Was it one hit?"
    if share > ONE_HIT_SHARE:
        return Check(
            question,
            "It was one hit: nearly all of the movement lies within a quarter of a second.",
            against=True,
        )
    return Check(
        question, f"No: its strongest quarter of a second holds {100 * share:.0f} % of the movement."
    )


def _one_line(speed: FloatArray, step_s: float, ringing: Ringing, turning_hz: float | None) -> Check:
    hz, share = strongest_tone(speed, step_s)
    steady = len(speed) * step_s >= LEAST_TONE_S and share > ONE_TONE_SHARE
    question = "Is it one line, steady or turning with the wheel?"
    if not steady and ringing.damping_ratio >= LEAST_TYRE_RATIO:
        turns = "" if turning_hz is None else f"; the wheel turned at {turning_hz:.1f} a second"
        return Check(
            question,
            f"No: its strongest line, at {hz:.1f} Hz, holds {100 * share:.0f} % of the movement, and its envelope "
            f"comes and goes{turns}.",
        )
    if turning_hz is not None and 0.97 < hz / turning_hz < 1.12:
        answer = f"It is one line at {hz:.1f} Hz that turns with the rear wheel: balance and tyre come first."
    else:
        answer = (
            f"It is one steady tone at {hz:.1f} Hz, sharper than a tyre lets a wheel ring: vibration of the "
            "sensor or its bracket looks like this."
        )
    return Check(question, answer, against=True)


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
