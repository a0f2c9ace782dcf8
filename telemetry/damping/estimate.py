"""Frequency, damping ratio and amplitude of one stretch, estimated afresh with intervals."""

from dataclasses import dataclass

import numpy as np

from telemetry.damping.equation import REAR_PAST, RearEquation
from telemetry.damping.hop import WheelHop
from telemetry.damping.learn import Learned
from telemetry.damping.pole import Pole, fit_pole, frequency_scatter
from telemetry.signals.decay import damping_scatter

# The front's part is let free, but not far: the prior counts as so much of the stretch's own products. The ratio
# wants it freer than the frequency; both chosen on the tuning seeds of tests/benchmarks/detection.
RATIO_PRIOR, FREQUENCY_PRIOR = 0.1, 3.0


@dataclass(frozen=True)
class Ringing:
    """What one stretch shows.

    Parameters
    ----------
    frequency_hz, frequency_sd_hz : float
        Of the hop, undamped. [Hz]
    damping_ratio : float
    damping_ratio_ci95 : tuple of float
    amplitude_mm : float
        RMS travel at the wheel in the band. [mm]
    """

    frequency_hz: float
    frequency_sd_hz: float
    damping_ratio: float
    damping_ratio_ci95: tuple[float, float]
    amplitude_mm: float


def estimate(equation: RearEquation, inside: slice, learned: Learned, hop: WheelHop) -> Ringing:
    """Fit the rear pole to one stretch, with the front's part free around what the outing taught.

    Parameters
    ----------
    equation : RearEquation
    inside : slice
        Samples of the stretch.
    learned : Learned
    hop : WheelHop

    Returns
    -------
    Ringing

    Notes
    -----
    The interval is the scatter that the length of the stretch allows (`damping_scatter`), taken on ln(ratio): it
    grows with the ratio, and the ratio is positive.
    """
    ratio = _fit(equation, inside, learned, hop, RATIO_PRIOR).damping_ratio
    frequency_hz = _fit(equation, inside, learned, hop, FREQUENCY_PRIOR).frequency_hz
    seconds = (inside.stop - inside.start) * equation.step_s
    spread = float(np.exp(1.96 * damping_scatter(ratio, frequency_hz, seconds) / ratio))
    # at the hop, travel is speed over 2 pi f; speed leaves out the slow movement of the chassis
    speed = float(np.sqrt(np.mean(equation.rear[2, inside] ** 2)))
    return Ringing(
        frequency_hz=frequency_hz,
        frequency_sd_hz=frequency_scatter(ratio, frequency_hz, seconds),
        damping_ratio=ratio,
        damping_ratio_ci95=(ratio / spread, ratio * spread),
        amplitude_mm=speed / (2 * np.pi * frequency_hz),
    )


def _fit(equation: RearEquation, inside: slice, learned: Learned, hop: WheelHop, prior: float) -> Pole:
    left = equation.rear[:, inside].copy()
    n = left.shape[1]
    if not equation.knows_road:
        return fit_pole(left @ left.T / n, hop)
    left[0] -= learned.road_weights @ equation.known[:, inside]
    known = equation.known[:-REAR_PAST, inside]
    gram, cross = known @ known.T / n, known @ left.T / n
    ridge = prior * np.diag(np.diag(gram)) + 1e-9 * np.trace(gram) * np.eye(len(gram))
    products = left @ left.T / n - cross.T @ np.linalg.solve(gram + ridge, cross)
    return fit_pole(0.5 * (products + products.T), hop)
