"""Frequency, damping ratio and amplitude of one stretch, estimated afresh with intervals."""

from dataclasses import dataclass

import numpy as np

from telemetry.damping.equation import WheelEquation
from telemetry.damping.front_filter import FrontFilter
from telemetry.damping.hop import WheelHop, hop_mode
from telemetry.damping.pole import Pole, fit_pole, frequency_scatter, take_out
from telemetry.signals.modes import damping_scatter

# The front's part is let free, but not far: the prior counts as so much of the stretch's own products. The ratio
# wants it freer than the frequency; both chosen on the tuning seeds of tests/benchmarks/detection.
RATIO_PRIOR, FREQUENCY_PRIOR = 0.1, 10.0
# What is known of a lost damper's ratio before the stretch is seen: rubber leaves 0.03-0.12, a tenth of a damper
# adds about 0.03. Two in three lie within a factor of exp(0.5).
USUAL_LOST, USUAL_SPREAD = 0.08, 0.5
Z_95 = 1.96
# The tyre that the outing taught puts the hop within this: 0.4 on the tuning seeds of tests/benchmarks/detection,
# 0.9 on the bikes of `telemetry.simulate`, whose dampers are less linear. [Hz]
FITTED_SD_HZ = 0.8


@dataclass(frozen=True)
class Ringing:
    """What one stretch shows.

    Parameters
    ----------
    frequency_hz, frequency_sd_hz : float
        Of the hop, undamped. [Hz]
    amplitude_mm : float
        RMS travel at the wheel in the band. [mm]
    """

    frequency_hz: float
    frequency_sd_hz: float
    damping_ratio: float
    damping_ratio_ci95: tuple[float, float]
    amplitude_mm: float


def estimate(equation: WheelEquation, inside: slice, fitted: FrontFilter, hop: WheelHop) -> Ringing:
    """Fit the rear pole to one stretch, with the front's part free around what the outing taught.

    Parameters
    ----------
    inside : slice
        Samples of the stretch.

    Notes
    -----
    The ratio is the mean of what the stretch shows, with the scatter that its length allows (`damping_scatter`), and
    of what a lost damper usually leaves, each weighted by its precision, on ln(ratio): it grows with the ratio, and
    the ratio is positive. The interval is that mean's. So is the frequency, of what the stretch shows and where
    the tyre that the outing taught puts the hop.
    """
    shown = _fit(equation, inside, fitted, hop, RATIO_PRIOR).damping_ratio
    seen_hz = _fit(equation, inside, fitted, hop, FREQUENCY_PRIOR).frequency_hz
    seconds = (inside.stop - inside.start) * equation.step_s
    variance = frequency_scatter(shown, seen_hz, seconds) ** 2
    fitted_hz, _ = hop_mode(hop, fitted.pole.tyre_hz, hop.tyre_damping)
    trust = FITTED_SD_HZ**2 / (FITTED_SD_HZ**2 + variance)
    frequency_hz = trust * seen_hz + (1.0 - trust) * fitted_hz
    scatter = damping_scatter(shown, frequency_hz, seconds) / shown
    weight = USUAL_SPREAD**2 / (USUAL_SPREAD**2 + scatter**2)
    ratio = float(shown**weight * USUAL_LOST ** (1.0 - weight))
    spread = float(np.exp(Z_95 * scatter * np.sqrt(weight)))
    # at the hop, travel is speed over 2 pi f; speed leaves out the slow movement of the chassis
    speed = float(np.sqrt(np.mean(equation.own[2, inside] ** 2)))
    return Ringing(
        frequency_hz=frequency_hz,
        frequency_sd_hz=float(np.sqrt(trust * variance)),
        damping_ratio=ratio,
        damping_ratio_ci95=(ratio / spread, ratio * spread),
        amplitude_mm=speed / (2 * np.pi * frequency_hz),
    )


def _fit(equation: WheelEquation, inside: slice, fitted: FrontFilter, hop: WheelHop, prior: float) -> Pole:
    left = equation.own[:, inside].copy()
    if equation.knows_road:
        left[0] -= fitted.road_weights @ equation.known[:, inside]
    known = equation.known[: len(equation.known) - equation.own_past, inside]
    signals = np.concatenate([left, known])
    return fit_pole(take_out(signals @ signals.T / left.shape[1], prior)[1], hop)
