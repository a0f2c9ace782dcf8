"""A smooth leverage curve through points measured with calliper and tape, monotone whatever the noise."""

from dataclasses import dataclass

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.bike.mechanism import LinkageError

LEAST_RATIO = 0.05  # keeps the fitted curve rising; far below any real ratio
_KNOT_SPACING_MM = 2.0
_SMOOTHING = np.logspace(-2.0, 8.0, 41)
_COUNTED = 1.4  # of each degree of freedom in the cross-validation


@dataclass(frozen=True)
class FittedLeverage:
    """A leverage curve fitted to points.

    Parameters
    ----------
    shaft_mm, wheel_mm, ratio : tuple of float
        The curve at its knots, 0 at full extension: between them the ratio runs straight. [mm, mm, -]
    point_shaft_mm, residual_mm : tuple of float
        The points, and how far each lies above the curve. [mm]
    residual_sd_mm : float
        With the degrees of freedom that the curve left. [mm]
    offset_mm : float
        Wheel travel that the fit gives to shock travel 0; taken off the curve. [mm]
    """

    shaft_mm: tuple[float, ...]
    wheel_mm: tuple[float, ...]
    ratio: tuple[float, ...]
    point_shaft_mm: tuple[float, ...]
    residual_mm: tuple[float, ...]
    residual_sd_mm: float
    offset_mm: float


def fit_leverage(points: tuple[tuple[float, float], ...], stroke_mm: float) -> FittedLeverage:
    """Fit a curve whose ratio bends as little as the points allow, and never falls below zero.

    The ratio is a straight line between knots. The sum of squared misfits plus a penalty on every bend of the
    ratio is least; how heavy the penalty is comes from generalised cross-validation [1]_, with degrees of freedom
    counted 1.4 times so that few points are not followed into their noise [2]_. A ratio that changes evenly costs
    nothing.

    Parameters
    ----------
    points : tuple of (shock, wheel)
        In any order, with noise; at least five different shock travels over the whole stroke. [mm, mm]
    stroke_mm : float
        Of the shock. [mm]

    Raises
    ------
    LinkageError
        If the points do not cover the stroke, or do not rise.

    References
    ----------
    .. [1] P. Craven, G. Wahba, Numer. Math. 31, 377-403, 1979, doi:10.1007/BF01404567 (from memory).
    .. [2] Y.-J. Kim, C. Gu, J. R. Stat. Soc. B 66, 337-356, 2004 (the factor 1.4; from memory).
    """
    from scipy.optimize import lsq_linear

    shaft, wheel = np.array(sorted(points), dtype=np.float64).T
    spread = float(np.polyfit(shaft, wheel, 1)[0]) if np.ptp(shaft) > 0 else 0.0
    if spread <= 0.0:
        raise LinkageError("leverage_points_mm do not rise; each is [shock travel, vertical wheel travel]")
    if len(np.unique(shaft)) < 5 or shaft[-1] < 0.95 * stroke_mm or shaft[0] > 0.1 * stroke_mm:
        raise LinkageError(
            f"leverage_points_mm go from {shaft[0]:g} to {shaft[-1]:g} mm of shock travel; measure at least five over "
            f"the whole {stroke_mm:g} mm stroke"
        )
    end = max(stroke_mm, float(shaft[-1]))
    knots = np.linspace(0.0, end, max(8, int(np.ceil(end / _KNOT_SPACING_MM)) + 1))
    design = np.column_stack([np.ones_like(shaft), _integrals(shaft, knots)])
    bends = np.hstack([np.zeros((len(knots) - 2, 1)), np.diff(np.eye(len(knots)), 2, axis=0)])
    count, best = len(shaft), (np.inf, 0.0, 0.0)
    for weight in _SMOOTHING:
        normal = design.T @ design + weight * bends.T @ bends + 1e-12 * np.eye(design.shape[1])
        solve = np.linalg.solve(normal, design.T)
        misfit = wheel - design @ (solve @ wheel)
        used = float(np.trace(design @ solve))
        left = count - used
        if count - _COUNTED * used <= 0.0:
            continue  # as many freedoms as points: follows any noise
        score = float(misfit @ misfit) / (count - _COUNTED * used) ** 2
        if score < best[0]:
            best = (score, float(weight), left)
    _, weight, left = best
    found = lsq_linear(
        np.vstack([design, np.sqrt(weight) * bends]),
        np.concatenate([wheel, np.zeros(len(bends))]),
        bounds=(np.concatenate([[-np.inf], np.full(len(knots), LEAST_RATIO)]), np.inf),
        tol=1e-12,
    ).x
    ratio = np.maximum(found[1:], LEAST_RATIO)
    residual = wheel - design @ found
    travel = np.concatenate([[0.0], np.cumsum(0.5 * (ratio[1:] + ratio[:-1]) * np.diff(knots))])
    return FittedLeverage(
        tuple(knots.tolist()),
        tuple(travel.tolist()),
        tuple(ratio.tolist()),
        tuple(shaft.tolist()),
        tuple(residual.tolist()),
        float(np.sqrt(residual @ residual / max(left, 1.0))),
        float(found[0]),
    )


def _integrals(shaft: FloatArray, knots: FloatArray) -> FloatArray:
    """Wheel travel at each shaft travel from a ratio of 1 at each knot, straight to 0 at its neighbours."""
    step = float(knots[1] - knots[0])
    from_knot = (shaft[:, None] - knots[None, :]) / step

    def hat_integral(u: FloatArray) -> FloatArray:
        u = np.clip(u, -1.0, 1.0)
        return np.where(u < 0, 0.5 * (1 + u) ** 2, 1.0 - 0.5 * (1 - u) ** 2)

    return step * (hat_integral(from_knot) - hat_integral(np.broadcast_to(-knots / step, from_knot.shape)))
