"""Learning from the outing itself how the front predicts the rear.

The answer's front part belongs to tyres, wheelbase and front end, which do not change when the rear damper
fails; afterwards it is kept, and only the rear pole is free.
"""

from dataclasses import dataclass

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.damping.equation import RearEquation, blocks
from telemetry.damping.hop import RearHop, coefficients
from telemetry.damping.pole import Pole, fit_pole

WINDOW_S = 0.5
KEPT_SHARE = 0.85  # windows that fit worst are left out: lost stretches, stops, faults of a sensor
ROUNDS = 4


@dataclass(frozen=True)
class Learned:
    """The equation as the outing as a whole obeys it.

    Parameters
    ----------
    pole : Pole
    response : ndarray of shape (k, 5)
        What is known, regressed on for each of the five rear signals: the prediction of a pole with
        coefficients a is ``response @ a``.
    explained : float
        Share of the rear's left side that the front explains, 0 to 1; 0 without the front.
    seconds : float
        Time learned from. [s]
    """

    pole: Pole
    response: FloatArray
    explained: float
    seconds: float

    def weights(self, hop: RearHop) -> FloatArray:
        """Weights on what is known, at the learned pole; shape (k,)."""
        return self.response @ coefficients(hop, np.array(self.pole.tyre_hz), np.array(self.pole.damping))


def learn(equation: RearEquation, hop: RearHop, extra: FloatArray | None = None) -> Learned | None:
    """Fit front part and pole over many short windows.

    Each window counts by its own residual, so that rough and smooth stretches say as much; the worst are
    left out.

    Parameters
    ----------
    equation : RearEquation
    hop : RearHop
    extra : ndarray of shape (n,), optional
        A force on the wheel known from elsewhere, taken off with weight 1.

    Returns
    -------
    Learned or None
        None where too little is usable.
    """
    rows = [equation.rear, equation.known] + ([] if extra is None else [extra[None]])
    cut = blocks(np.concatenate(rows), equation.usable, equation.step_s, WINDOW_S)
    products = cut.products[cut.whole]
    k = len(equation.known)
    if len(products) < 2 * (5 + k):
        return None
    size = np.maximum(products[:, 2, 2], 1e-9)
    weight = 1.0 / size
    for _ in range(ROUNDS):
        mean = np.einsum("b,bij->ij", weight, products) / weight.sum()
        response, left = take_out(mean, k, with_extra=extra is not None)
        pole = fit_pole(left, hop)
        full = combined(coefficients(hop, np.array(pole.tyre_hz), np.array(pole.damping)), response, extra)
        residual = np.maximum(np.einsum("i,bij,j->b", full, products, full), 1e-9)
        relative = residual / size
        weight = (relative <= np.quantile(relative, KEPT_SHARE)) / residual
    own = full.copy()
    own[5 : 5 + k] = 0.0
    explained = 1.0 - float((full @ mean @ full) / (own @ mean @ own))
    return Learned(pole, response, max(explained, 0.0), len(products) * cut.seconds)


def take_out(products: FloatArray, k: int, *, with_extra: bool = False) -> tuple[FloatArray, FloatArray]:
    """Regress the five rear signals on the ``k`` known ones.

    Parameters
    ----------
    products : ndarray of shape (5 + k [+ 1], 5 + k [+ 1])
    k : int
    with_extra : bool
        Whether the last signal is a force of weight 1; it is taken off v'' before.

    Returns
    -------
    response : ndarray of shape (k, 5)
    left : ndarray of shape (5, 5)
        Mean products of what the regression leaves.
    """
    if with_extra:
        change = np.eye(len(products))[:-1]
        change[0, -1] = -1.0
        products = change @ products @ change.T
    if k == 0:
        return np.empty((0, 5)), products[:5, :5]
    known = products[5:, 5:]
    # a little weight on the diagonal: neighbouring taps are nearly the same signal
    known = known + 1e-6 * np.trace(known) / k * np.eye(k)
    response = np.linalg.solve(known, products[5:, :5])
    left = products[:5, :5] - products[:5, 5:] @ response
    return response, 0.5 * (left + left.T)


def combined(coefficient: FloatArray, response: FloatArray, extra: FloatArray | None) -> FloatArray:
    """One row of weights on all signals that gives the residual."""
    parts = [coefficient, -(response @ coefficient)] + ([] if extra is None else [np.array([-1.0])])
    return np.concatenate(parts)
