"""Damping ratio of a wheel hop lap by lap, over all of a lap and by shaft speed."""

from collections.abc import Sequence

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.damping.equation import WheelEquation, blocks
from telemetry.damping.hop import WheelHop, hop_ratio
from telemetry.damping.learn import Learned
from telemetry.damping.oscillation import LapDamping, SpeedDamping
from telemetry.damping.pole import Pole, fit_pole, ratios_near, stopped_by_bounds, take_out
from telemetry.laps import Lap

WINDOW_S = 0.5
KEPT_SHARE = 0.95
GROUPS = 12  # of windows, left out in turn for the interval
LEAST_WINDOWS = 4 * GROUPS
# Edges of the ranges of shaft speed, RMS, doubling; a range needs 10 s of a lap. Choices of ours.
SPEED_EDGES_MM_S = (0.0, 25.0, 50.0, 100.0, 200.0, 1e4)
LEAST_WINDOWS_OF_A_SPEED = 20
# The outing's weights on the road count as so much of a lap's own. With more, a fade at one end shows at the other as
# damping that rises; with less, a lap's chance hides a fade. Chosen on seeds below those of tests/benchmarks/detection.
OUTING_PRIOR = 0.03
# Student's t at 97.5 % for GROUPS - 1 = 11 degrees of freedom (any statistics handbook).
T_975 = 2.201


def damping_by_lap(
    equation: WheelEquation, hop: WheelHop, learned: Learned, laps: Sequence[Lap]
) -> tuple[LapDamping, ...]:
    """The pole of a wheel over all usable time of each lap.

    What the other wheel knows of the road is weighed a little afresh on every lap: a damper that fades at the other
    end changes it. The interval is a jackknife [1]_ over groups of neighbouring windows, so that it knows of roads
    and rides that differ along the lap. Every lap meets the same road, so that what scatters from lap to lap is only
    what a group does otherwise on one lap than on the others: the same jackknife without what groups have in common.

    Parameters
    ----------
    equation : WheelEquation
    hop : WheelHop
    learned : Learned
        From the outing as a whole.
    laps : sequence of Lap

    Returns
    -------
    tuple of LapDamping
        None inside where too little of the lap is usable, or where the search for the pole was stopped by its bounds.

    References
    ----------
    .. [1] B. Efron, R. Tibshirani, An Introduction to the Bootstrap, Chapman & Hall 1993, ch. 11.
    """
    logs = [_logs(lap_products(equation, learned, lap), hop, learned) for lap in laps]
    without = np.stack(
        [found[1:] - found[1:].mean() for found in logs if found is not None] or [np.zeros(GROUPS)]
    )
    common = without.mean(axis=0)
    spare = max(len(without) - 1, 1)  # the laps' own mean is taken from them
    told = []
    for lap, found in zip(laps, logs, strict=True):
        if found is None:
            told.append(LapDamping(lap.lap, None, None))
            continue
        ratio, away = float(np.exp(found[0])), found[1:] - found[1:].mean()
        spread = float(np.exp(T_975 * _jackknife_sd(away)))
        scatter = _jackknife_sd(away - common) * float(np.sqrt(len(without) / spare))
        told.append(LapDamping(lap.lap, ratio, (ratio / spread, ratio * spread), scatter))
    return tuple(told)


def _logs(products: FloatArray, hop: WheelHop, learned: Learned) -> FloatArray | None:
    """Ln of the damping ratio over all windows, then without each group; None with too few windows or no pole."""
    if len(products) < LEAST_WINDOWS:
        return None
    weighted = _weighted(products, learned)
    total = weighted.sum(axis=0)
    pole = fit_pole(take_out(total, OUTING_PRIOR)[1], hop)
    if stopped_by_bounds(pole, hop)[1]:
        return None
    group = np.arange(len(products)) * GROUPS // len(products)
    without = [take_out(total - weighted[group == g].sum(axis=0), OUTING_PRIOR)[1] for g in range(GROUPS)]
    ratios = np.concatenate([[pole_ratio(pole, hop)], ratios_near(np.stack(without), hop, pole)])
    return np.asarray(np.log(ratios), dtype=np.float64)


def _jackknife_sd(away: FloatArray) -> float:
    return float(np.sqrt((GROUPS - 1) / GROUPS * (away**2).sum()))


def lap_products(equation: WheelEquation, learned: Learned, lap: Lap) -> FloatArray:
    """Mean products of the signals over the usable windows of a lap, the road taken out; shape (n, k, k)."""
    inside = equation.span(lap.start_s, lap.end_s)
    own, known = equation.own[:, inside].copy(), equation.known[:, inside]
    if equation.knows_road:
        own[0] -= learned.weights @ known
    cut = blocks((own, known), equation.usable[inside], equation.step_s, WINDOW_S)
    return cut.products[cut.whole]


def _weighted(products: FloatArray, learned: Learned) -> FloatArray:
    """Windows weighted by their own residual, without the few that fit worst."""
    residual = np.maximum(np.einsum("i,bij,j->b", learned.row, products[:, :5, :5], learned.row), 1e-9)
    relative = residual / np.maximum(products[:, 2, 2], 1e-9)
    weight = (relative <= np.quantile(relative, KEPT_SHARE)) / residual
    return np.asarray(weight[:, None, None] * products)


def damping_by_speed(
    equation: WheelEquation, hop: WheelHop, learned: Learned, laps: Sequence[Lap], leverage: float
) -> tuple[SpeedDamping, ...]:
    """The pole of a wheel on every lap, by the shaft speed of its windows.

    Parameters
    ----------
    equation : WheelEquation
    hop : WheelHop
    learned : Learned
    laps : sequence of Lap
    leverage : float
        Wheel travel over shaft travel.

    Returns
    -------
    tuple of SpeedDamping
        Ranges that no lap has enough of are left out; laps without interval, which only their scatter tells here.
    """
    cut = [(lap.lap, lap_products(equation, learned, lap)) for lap in laps]
    found = []
    for low, high in zip(SPEED_EDGES_MM_S, SPEED_EDGES_MM_S[1:], strict=False):
        here = []
        for lap, products in cut:
            shaft_mm_s = np.sqrt(products[:, 2, 2]) / leverage
            some = products[(shaft_mm_s >= low) & (shaft_mm_s < high)]
            if len(some) >= LEAST_WINDOWS_OF_A_SPEED:
                pole = fit_pole(take_out(_weighted(some, learned).sum(axis=0), OUTING_PRIOR)[1], hop)
                if not stopped_by_bounds(pole, hop)[1]:
                    here.append(LapDamping(lap, pole_ratio(pole, hop), None))
        if here:
            found.append(SpeedDamping(low, high, tuple(here)))
    return tuple(found)


def pole_ratio(pole: Pole, hop: WheelHop) -> float:
    """Damping ratio of a pole as `hop_ratio` gives it."""
    return float(hop_ratio(hop, np.array([pole.tyre_hz]), np.array([pole.damping]))[0])
