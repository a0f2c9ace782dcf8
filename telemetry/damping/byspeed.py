"""Damping ratio of a wheel hop lap by lap and by shaft speed, from the equation with the road in it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.damping.equation import OTHER_THEN, WheelEquation, blocks
from telemetry.damping.front_filter import FrontFilter, fit_front_filter
from telemetry.damping.hop import WheelHop, coefficients, hop_ratio
from telemetry.damping.oscillation import LapDamping, SpeedDamping
from telemetry.damping.pole import Pole, fit_pole, found_mode, stopped_by_bounds, take_out
from telemetry.laps import Lap

WINDOW_S = 0.5
KEPT_SHARE = 0.95
# Edges of the ranges of shaft speed, RMS, doubling; a range needs 10 s of a lap. Choices of ours.
SPEED_EDGES_MM_S = (0.0, 25.0, 50.0, 100.0, 200.0, 1e4)
LEAST_WINDOWS_OF_A_SPEED = 20
# The outing's weights on the road count as so much of a lap's own; what a damper of the other end or a clock would
# change of them is free. Chosen on seeds below those of tests/benchmarks/detection.
OUTING_PRIOR = 0.3
SMALL_STEP = 0.01  # of the other end's damping, for the direction in which its weights change


@dataclass(frozen=True)
class LapWindows:
    """Usable windows of a lap, weighted by what the outing's equation leaves of them.

    Parameters
    ----------
    shaft_mm_s : ndarray of shape (n,)
        RMS speed of the shaft. [mm/s]
    products : ndarray of shape (n, k, k)
        Of the signals, what the outing says of the road taken out, and weighted.
    free : int
        So many of the signals, the last, are not held to the outing's weights.
    """

    lap: int
    shaft_mm_s: FloatArray
    products: FloatArray
    free: int

    def left(self, products: FloatArray, prior: float) -> FloatArray:
        """Sums of products (5 + k, 5 + k) with what is known taken out; shape (5, 5)."""
        held = np.full(len(products) - 5 - self.free, prior)
        return take_out(products, np.concatenate([held, np.zeros(self.free)]))[1]


def read_laps(
    equation: WheelEquation,
    hop: WheelHop,
    fitted: FrontFilter,
    laps: Sequence[Lap],
    leverage: float,
    other: tuple[WheelHop, Pole] | None = None,
) -> tuple[LapWindows, ...]:
    """Every lap as its damping by shaft speed is told from it.

    Read without the wheel's own past, which beside a front that knows nearly all of the road stands in for a part of
    the pole; with it where no hop is found without. What the other wheel knows of the road is weighed as on the
    outing as a whole, but for two things that change from lap to lap and are no matter of this damper: the damping of
    the other end, which is in the equation that turns its travel into the road, and a clock that runs away.

    Parameters
    ----------
    fitted : FrontFilter
        From the outing as a whole.
    leverage : float
        Wheel travel over shaft travel.
    other : tuple of WheelHop and Pole, optional
        Of the other end.
    """
    if equation.own_past:
        news = replace(equation, known=equation.known[: -equation.own_past], own_past=0)
        alone = fit_front_filter(news, hop)
        if alone is not None and found_mode(alone.pole, hop):
            equation, fitted = news, alone
    changing = None if other is None or not equation.knows_road else _with_damping(*other)
    return tuple(_lap_windows(equation, fitted, lap, leverage, changing) for lap in laps)


def _with_damping(hop: WheelHop, pole: Pole) -> FloatArray:
    """What one step of damping adds to the coefficients of a wheel's equation; shape (5,)."""
    tyre_hz = np.array(pole.tyre_hz)
    less, more = (
        coefficients(hop, tyre_hz, np.array(pole.damping * part)) for part in (1.0, 1.0 + SMALL_STEP)
    )
    return more - less


def _lap_windows(
    equation: WheelEquation, fitted: FrontFilter, lap: Lap, leverage: float, changing: FloatArray | None
) -> LapWindows:
    inside = equation.span(lap.start_s, lap.end_s)
    own, known = equation.own[:, inside].copy(), equation.known[:, inside]
    free = np.empty((0, own.shape[1]))
    if equation.knows_road and own.shape[1] > 1:
        own[0] -= fitted.weights @ known
        then = known[: len(OTHER_THEN)]
        free = np.gradient(fitted.weights[: len(then)] @ then)[None]
        if changing is not None:
            free = np.concatenate([free, (changing @ then)[None]])
    cut = blocks((own, known, free), equation.usable[inside], equation.step_s, WINDOW_S)
    products = cut.products[cut.whole]
    shaft_mm_s = np.sqrt(products[:, 2, 2]) / leverage
    return LapWindows(lap.lap, shaft_mm_s, _weighted(products, fitted), len(free))


def _weighted(products: FloatArray, fitted: FrontFilter) -> FloatArray:
    """Windows weighted by their own residual, without the few that fit worst."""
    if not len(products):
        return products
    residual = np.maximum(np.einsum("i,bij,j->b", fitted.row, products[:, :5, :5], fitted.row), 1e-9)
    relative = residual / np.maximum(products[:, 2, 2], 1e-9)
    weight = (relative <= np.quantile(relative, KEPT_SHARE)) / residual
    return np.asarray(weight[:, None, None] * products)


def damping_by_speed(laps: Sequence[LapWindows], hop: WheelHop) -> tuple[SpeedDamping, ...]:
    """The pole of a wheel on every lap, by the shaft speed of its windows.

    Returns
    -------
    tuple of SpeedDamping
        Ranges that no lap has enough of are left out; laps without interval, which only their scatter tells here.
    """
    found = []
    for low, high in zip(SPEED_EDGES_MM_S, SPEED_EDGES_MM_S[1:], strict=False):
        here = []
        for lap in laps:
            some = lap.products[(lap.shaft_mm_s >= low) & (lap.shaft_mm_s < high)]
            if len(some) >= LEAST_WINDOWS_OF_A_SPEED:
                pole = fit_pole(lap.left(some.sum(axis=0), OUTING_PRIOR), hop)
                if not stopped_by_bounds(pole, hop)[1]:
                    here.append(LapDamping(lap.lap, pole_ratio(pole, hop), None))
        if here:
            found.append(SpeedDamping(low, high, tuple(here)))
    return tuple(found)


def pole_ratio(pole: Pole, hop: WheelHop) -> float:
    """Damping ratio of a pole as `hop_ratio` gives it."""
    return float(hop_ratio(hop, np.array([pole.tyre_hz]), np.array([pole.damping]))[0])
