"""Damping ratio of the rear wheel hop lap by lap, and whether it falls."""

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.damping.equation import RearEquation, blocks
from telemetry.damping.hop import RearHop, coefficients
from telemetry.damping.oscillation import DampingTrend, LapDamping
from telemetry.damping.pole import Pole, fit_pole
from telemetry.laps import Lap

WINDOW_S = 0.5
KEPT_SHARE = 0.95
GROUPS = 12  # of windows, left out in turn for the interval
LEAST_WINDOWS = 4 * GROUPS
# Student's t at 97.5 % for GROUPS - 1 = 11 degrees of freedom (any statistics handbook).
T_975 = 2.201
LEAST_LAPS_FOR_TREND = 4


def lap_damping(
    equation: RearEquation, predicted: FloatArray, hop: RearHop, learned: Pole, lap: Lap
) -> LapDamping:
    """The rear pole over all usable time of one lap, the front's part kept as learned.

    The interval is a jackknife [1]_ over groups of neighbouring windows, so that it knows of roads and rides
    that differ along the lap.

    Parameters
    ----------
    equation : RearEquation
    predicted : ndarray of shape (n,)
    hop : RearHop
    learned : Pole
    lap : Lap

    Returns
    -------
    LapDamping
        None inside where too little of the lap is usable.

    References
    ----------
    .. [1] B. Efron, R. Tibshirani, An Introduction to the Bootstrap, Chapman & Hall 1993, ch. 11.
    """
    inside = equation.span(lap.start_s, lap.end_s)
    signals = equation.rear[:, inside].copy()
    signals[0] -= predicted[inside]
    cut = blocks(signals, equation.usable[inside], equation.step_s, WINDOW_S)
    products = cut.products[cut.whole]
    if len(products) < LEAST_WINDOWS:
        return LapDamping(lap.lap, None, None)
    row = coefficients(hop, np.array(learned.tyre_hz), np.array(learned.damping))
    residual = np.maximum(np.einsum("i,bij,j->b", row, products, row), 1e-9)
    relative = residual / np.maximum(products[:, 2, 2], 1e-9)
    weight = (relative <= np.quantile(relative, KEPT_SHARE)) / residual
    weighted = weight[:, None, None] * products
    total = weighted.sum(axis=0)
    pole = fit_pole(total / weight.sum(), hop)
    group = np.arange(len(products)) * GROUPS // len(products)
    logs = np.array(
        [
            np.log(fit_pole((total - weighted[group == g].sum(axis=0)) / weight.sum(), hop).damping_ratio)
            for g in range(GROUPS)
        ]
    )
    sd = float(np.sqrt((GROUPS - 1) / GROUPS * ((logs - logs.mean()) ** 2).sum()))
    spread = float(np.exp(T_975 * sd))
    return LapDamping(lap.lap, pole.damping_ratio, (pole.damping_ratio / spread, pole.damping_ratio * spread))


def damping_trend(fade: tuple[LapDamping, ...]) -> DampingTrend | None:
    """Change of the damping ratio per lap, from a straight line through its logarithm.

    Parameters
    ----------
    fade : tuple of LapDamping

    Returns
    -------
    DampingTrend or None
        None with fewer than `LEAST_LAPS_FOR_TREND` laps.
    """
    known = [lap for lap in fade if lap.damping_ratio is not None]
    if len(known) < LEAST_LAPS_FOR_TREND:
        return None
    from scipy.stats import t as student

    lap = np.array([float(entry.lap) for entry in known])
    value = np.log([entry.damping_ratio for entry in known if entry.damping_ratio is not None])
    lap = lap - lap.mean()
    slope = float((lap * value).sum() / (lap**2).sum())
    left = value - value.mean() - slope * lap
    freedom = len(known) - 2
    sd = float(np.sqrt((left**2).sum() / freedom / (lap**2).sum()))
    half = float(student.ppf(0.975, freedom)) * sd
    low, middle, high = (100.0 * float(np.expm1(x)) for x in (slope - half, slope, slope + half))
    return DampingTrend(middle, (low, high))
