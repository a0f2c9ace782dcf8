"""The delay with which the front's news fits best: a wrong wheelbase, speed scale or channel delay shows in it.

Five milliseconds are enough to make a wrong pole fit better than the right one.
"""

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.damping.equation import WheelEquation
from telemetry.damping.hop import WheelHop
from telemetry.damping.pole import fit_pole, take_out
from telemetry.damping.wheelline import Line

DELAYS_S = 0.005 * np.arange(-8, 9)
FROM_S = 200.0  # of riding are enough
AGAIN_S = 100.0  # looked at once more at the end of the outing, over so much riding
WINDOW_S = 1.0
# Two clocks run apart where the delay early and late in the outing differ by more; its scatter is about a
# millisecond. A choice of ours.
RUN_APART_S = 0.003


def delay_over_time_s(equation: WheelEquation, hop: WheelHop, turning: Line | None) -> float | FloatArray:
    """The delay, or where the clocks of the two channels run apart a straight line through it.

    Parameters
    ----------
    equation : WheelEquation
        As it was read, without delay.
    hop : WheelHop
    turning : Line or None

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
    if equation.news is None or apart_s < 0.5 * FROM_S:
        return early_s
    late_s = best_delay_s(equation, hop, turning, last)
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
    hop : WheelHop
    turning : Line or None
        The wheel's own line, which has no news of the road, is taken out.
    part : slice
        Samples to look at.

    Returns
    -------
    float or None
        Positive when the front's news comes later than wheelbase and speed say. [s]
    """
    if equation.news is None:
        return None
    good = equation.usable[part]
    width = round(WINDOW_S / equation.step_s)
    if good.sum() < 20 * width:
        return None
    # every second counts the same, rough or smooth
    size = np.sqrt(np.convolve(equation.own[2, part] ** 2, np.full(width, 1.0 / width), mode="same"))
    scale = good / np.maximum(size, 1e-9)
    line = None if turning is None else turning.part(part)
    own = equation.own[:, part] if line is None else line.without_line(equation.own[:, part])
    likely = []
    for delay in DELAYS_S:
        known = equation.news.known(float(delay), part)
        known = known if line is None else line.without_line(known)
        signals = np.concatenate([own, known]) * scale
        _, left = take_out(signals @ signals.T / good.sum())
        likely.append(-fit_pole(left, hop).log_residual)
    best = int(np.argmax(likely))
    if best in (0, len(DELAYS_S) - 1):
        return None
    before, here, after = likely[best - 1 : best + 2]
    bend = 2 * here - before - after
    return float(DELAYS_S[best] + 0.5 * (after - before) / max(bend, 1e-12) * (DELAYS_S[1] - DELAYS_S[0]))
