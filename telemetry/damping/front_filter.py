"""Fit of how the front predicts the rear, over the outing itself.

The answer's front part belongs to tyres, wheelbase and front end, which do not change when the rear damper
fails; afterwards it is kept, and only the rear pole is free.
"""

from dataclasses import dataclass

import numpy as np

from telemetry.arrays import BoolArray, FloatArray
from telemetry.damping.equation import WheelEquation, blocks
from telemetry.damping.hop import WheelHop, coefficients
from telemetry.damping.pole import MOST_DAMPING, Pole, fit_pole, take_out

WINDOW_S = 0.5
KEPT_SHARE = 0.85  # windows that fit worst are left out: lost stretches, stops, faults of a sensor
ROUNDS = 4


@dataclass(frozen=True)
class FrontFilter:
    """The equation as the outing as a whole obeys it.

    Parameters
    ----------
    row : ndarray of shape (5,)
        Coefficients of the five rear signals at the pole.
    weights : ndarray of shape (k,)
        Weights on what is known that predict the road's part.
    road_weights : ndarray of shape (k,)
        The same without the rear's own past.
    explained : float
        Share of the rear's left side that the front explains, 0 to 1; 0 without the front.
    seconds : float
        Time that was used. [s]
    """

    pole: Pole
    row: FloatArray
    weights: FloatArray
    road_weights: FloatArray
    explained: float
    seconds: float

    def predicted(self, equation: WheelEquation) -> FloatArray:
        """The right side of the equation as the front predicts it; 0 where nothing is known.

        From the road alone: the rear's own past explains a part of its ringing, so that over a short stretch it
        stands in for the pole that is sought.
        """
        if not equation.knows_road:
            return np.zeros(len(equation.t_s))
        return np.asarray(self.road_weights @ equation.known)


def fit_front_filter(
    equation: WheelEquation, hop: WheelHop, most_damping: float = MOST_DAMPING, *, less_noise: bool = False
) -> FrontFilter | None:
    """Fit front part and pole over many short windows.

    Each window counts by its own residual, so that rough and smooth stretches say as much; the worst are
    left out.

    Parameters
    ----------
    most_damping : float
        Of the poles that are looked at.
    less_noise : bool
        Take the sensors' noise out of the products before the pole is fitted: noise in a regressor pulls every
        coefficient (errors in variables [1]_), here the hop up in frequency by several hertz. The weights on the road
        stay those of the noisy signals, which predict best.

    Returns
    -------
    FrontFilter or None
        None where too little is usable.

    References
    ----------
    .. [1] T. Söderström, Errors-in-Variables Methods in System Identification, Springer 2018, bias-compensated least
       squares.
    """
    cut = blocks((equation.own, equation.known), equation.usable, equation.step_s, WINDOW_S)
    k, whole = cut.products.shape[1], cut.whole
    if whole.sum() < 2 * k:
        return None
    flat = cut.products.reshape(len(whole), k * k)
    size = np.maximum(cut.products[:, 2, 2], 1e-9)
    weight = whole / size
    for _ in range(ROUNDS):
        mean = (weight @ flat / weight.sum()).reshape(k, k)
        response, left = take_out(without_noise(mean, equation.noise) if less_noise else mean)
        pole = fit_pole(left, hop, most_damping)
        row = coefficients(hop, np.array(pole.tyre_hz), np.array(pole.damping))
        full = np.concatenate([row, -(response @ row)])
        residual = np.maximum(flat @ np.outer(full, full).ravel(), 1e-9)
        relative = residual / size
        weight = (whole & (relative <= np.quantile(relative[whole], KEPT_SHARE))) / (
            beside(residual, whole) if less_noise else residual
        )
    road = road_weights(mean, row, equation.own_past)
    explained = 1.0 - float((full @ mean @ full) / (row @ mean[:5, :5] @ row))
    return FrontFilter(pole, row, response @ row, road, max(explained, 0.0), int(whole.sum()) * cut.seconds)


def beside(values: FloatArray, whole: BoolArray) -> FloatArray:
    """Mean of the windows to either side that are whole; a window's own value where neither is.

    Windows weighted by their own residual are those whose noise happens to be small; noise is then less in their mean
    than it is in the log. That of their neighbours knows nothing of it.
    """
    padded, there = np.pad(values * whole, 1), np.pad(whole.astype(np.float64), 1)
    total, count = padded[:-2] + padded[2:], there[:-2] + there[2:]
    return np.asarray(np.where(count > 0, total / np.maximum(count, 1.0), values))


def without_noise(products: FloatArray, noise: FloatArray) -> FloatArray:
    """Mean products of noisy signals less those of their noise.

    Parameters
    ----------
    products, noise : ndarray of shape (k, k)
        Symmetric; the noise may be estimated too high.

    Returns
    -------
    ndarray of shape (k, k)
        No less than zero in any direction: signals hold no more noise than their own size (Frisch).
    """
    most = float(np.linalg.eigvals(np.linalg.solve(products, noise)).real.max())
    return products - noise / max(most, 1.0)


def road_weights(products: FloatArray, row: FloatArray, own_past: int) -> FloatArray:
    """Weights on what is known with the rear's own past left out; shape (k,).

    The rear's past belongs to the equation, but over a short stretch it stands in for the pole itself.
    """
    count = len(products) - own_past
    if count <= 5:
        return np.empty(0)
    response, _ = take_out(products[:count, :count])
    return np.concatenate([response @ row, np.zeros(own_past)])
