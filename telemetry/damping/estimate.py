"""Frequency, damping ratio and amplitude of one stretch, estimated afresh with intervals."""

from dataclasses import dataclass

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.damping.equation import RearEquation
from telemetry.damping.hop import REFERENCE_HZ, RearHop
from telemetry.damping.pole import Pole, fit_pole, frequency_scatter, ratio_scatter

# The front's part is let free, but not far: the prior counts as so much of the stretch's own products.
PRIOR_SHARE = 0.3
# Scatter found on simulated losses over the law's; see tests/benchmarks/detection.
SCATTER_OVER_LAW = 1.0


@dataclass(frozen=True)
class Ringing:
    """What one stretch shows.

    Parameters
    ----------
    pole : Pole
    ratio_ci95 : tuple of float
        Damping ratio.
    frequency_sd_hz : float
        [Hz]
    amplitude_mm : float
        RMS travel at the wheel in the band. [mm]
    """

    pole: Pole
    ratio_ci95: tuple[float, float]
    frequency_sd_hz: float
    amplitude_mm: float


def estimate(equation: RearEquation, inside: slice, predicted: FloatArray, hop: RearHop) -> Ringing:
    """Fit the rear pole to one stretch, with the front's part free around what the outing taught.

    Parameters
    ----------
    equation : RearEquation
    inside : slice
        Samples of the stretch.
    predicted : ndarray of shape (n,)
        Right side of the equation as learned.
    hop : RearHop

    Returns
    -------
    Ringing
    """
    rear = equation.rear[:, inside]
    road = predicted[inside]
    left = rear.copy()
    left[0] -= road
    n = left.shape[1]
    products = left @ left.T / n
    if equation.knows_road:
        known = equation.known[:, inside]
        cross = known @ left.T / n
        gram = known @ known.T / n
        ridge = PRIOR_SHARE * np.diag(np.diag(gram)) + 1e-9 * np.trace(gram) * np.eye(len(gram))
        products = products - cross.T @ np.linalg.solve(gram + ridge, cross)
        products = 0.5 * (products + products.T)
    pole = fit_pole(products, hop)
    seconds = n * equation.step_s
    sd = SCATTER_OVER_LAW * ratio_scatter(pole.damping_ratio, pole.frequency_hz, seconds)
    # the scatter belongs to ln(ratio): it grows with the ratio, and the ratio is positive
    spread = float(np.exp(1.96 * sd / pole.damping_ratio))
    travel = rear[3] / (2 * np.pi * REFERENCE_HZ)
    return Ringing(
        pole,
        (pole.damping_ratio / spread, pole.damping_ratio * spread),
        frequency_scatter(pole.damping_ratio, pole.frequency_hz, seconds),
        float(np.sqrt(np.mean(travel**2))),
    )
