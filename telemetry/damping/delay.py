"""The delay with which the front's news fits best: a wrong wheelbase, speed scale or channel delay shows in it.

Five milliseconds are enough to make a wrong pole fit better than the right one.
"""

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.damping.equation import WheelEquation
from telemetry.damping.hop import WheelHop, coefficients
from telemetry.damping.pole import fit_pole, take_out
from telemetry.damping.wheelline import Line

DELAYS_S = 0.005 * np.arange(-8, 9)
FROM_S = 200.0  # of riding are enough
AGAIN_S = 100.0  # looked at once more at the end of the outing, over so much riding
WINDOW_S = 1.0
LEAST_S = 20.0  # of riding
# Two clocks run apart where the delay early and late in the outing differ by more; its scatter is about a
# millisecond. A choice of ours.
RUN_APART_S = 0.003


def delay_over_time_s(equation: WheelEquation, hop: WheelHop, turning: Line | None) -> float | FloatArray:
    """The delay, or where the clocks of the two channels run apart a straight line through it.

    Parameters
    ----------
    equation : WheelEquation
        As it was read, without delay.

    Returns
    -------
    float or ndarray of shape (n,)
        [s]
    """
    used = np.asarray(np.cumsum(equation.usable) * equation.step_s, dtype=np.float64)
    first, last = _part(used, 0.0, FROM_S), _part(used, used[-1] - AGAIN_S, AGAIN_S)
    early_s = best_delay_s(equation, hop, turning, first) or 0.0
    at_s = equation.step_s * np.arange(len(used))
    middle_s = [float(at_s[part].mean()) for part in (first, last)]
    apart_s = middle_s[1] - middle_s[0]
    if equation.regressors is None or apart_s < 0.5 * FROM_S:
        return early_s
    late_s = _delay_as_learned_s(equation, hop, turning, first, last, early_s)
    if late_s is None or abs(late_s - early_s) < RUN_APART_S:
        return early_s
    return np.asarray(early_s + (late_s - early_s) * (at_s - middle_s[0]) / apart_s, dtype=np.float64)


def _part(used_s: FloatArray, start_s: float, seconds: float) -> slice:
    first, last = np.searchsorted(used_s, [start_s, start_s + seconds])
    return slice(int(first), int(last) + 1)


def best_delay_s(equation: WheelEquation, hop: WheelHop, turning: Line | None, part: slice) -> float | None:
    """The delay at which the likeliest pole is likeliest; None where it cannot be told.

    Parameters
    ----------
    equation : WheelEquation
        As it was read, without delay.
    turning : Line or None
        The wheel's own line, which has no news of the road, is taken out.
    part : slice
        Samples to look at.

    Returns
    -------
    float or None
        Positive when the front's news comes later than wheelbase and speed say. [s]
    """
    if equation.regressors is None:
        return None
    if not _enough(equation, part):
        return None
    likely, own = [], _own(equation, turning, part)
    for delay in DELAYS_S:
        _, left = take_out(_products(equation, turning, part, own, float(delay)))
        likely.append(-fit_pole(left, hop).log_residual)
    return _peak_s(likely, 0.0)


def _delay_as_learned_s(
    equation: WheelEquation, hop: WheelHop, turning: Line | None, first: slice, last: slice, early_s: float
) -> float | None:
    """The delay at which ``last`` obeys best what was learned of ``first`` at the delay ``early_s``; None as above.

    With weights of its own a short part makes up for a wrong delay.
    """
    if not _enough(equation, last):
        return None
    response, left = take_out(_products(equation, turning, first, _own(equation, turning, first), early_s))
    pole = fit_pole(left, hop)
    row = coefficients(hop, np.array(pole.tyre_hz), np.array(pole.damping))
    full = np.concatenate([row, -(response @ row)])
    own = _own(equation, turning, last)
    later_s = [early_s + float(delay) for delay in DELAYS_S]
    left_over = [full @ _products(equation, turning, last, own, delay_s) @ full for delay_s in later_s]
    return _peak_s([-float(np.log(square)) for square in left_over], early_s)


def _enough(equation: WheelEquation, part: slice) -> bool:
    return bool(equation.usable[part].sum() * equation.step_s >= LEAST_S)


def _own(equation: WheelEquation, turning: Line | None, part: slice) -> FloatArray:
    own = equation.own[:, part]
    return own if turning is None else turning.part(part).without_line(own)


def _products(
    equation: WheelEquation, turning: Line | None, part: slice, own: FloatArray, delay_s: float
) -> FloatArray:
    """Mean products of the signals with the other's news read so much later; every second counts the same."""
    assert equation.regressors is not None
    good = equation.usable[part]
    width = round(WINDOW_S / equation.step_s)
    size = np.sqrt(np.convolve(equation.own[2, part] ** 2, np.full(width, 1.0 / width), mode="same"))
    known = equation.regressors.known(delay_s, part)
    if turning is not None:
        known = turning.part(part).without_line(known)
    signals = np.concatenate([own, known]) * (good / np.maximum(size, 1e-9))
    return np.asarray(signals @ signals.T / good.sum())


def _peak_s(height: list[float], middle_s: float) -> float | None:
    """Where a parabola through the highest of `DELAYS_S` about ``middle_s`` and its neighbours is highest."""
    best = int(np.argmax(height))
    if best in (0, len(DELAYS_S) - 1):
        return None
    before, here, after = height[best - 1 : best + 2]
    bend = 2 * here - before - after
    step_s = DELAYS_S[1] - DELAYS_S[0]
    return float(middle_s + DELAYS_S[best] + 0.5 * (after - before) / max(bend, 1e-12) * step_s)
