"""Rear suspension from its pivot coordinates: loop closure over the stroke, leverage, axle path.

The turn of the swingarm at a shock travel is found by Newton's rule on the branch on which the points were measured;
what cannot be reached over the whole stroke is refused with the reason.
"""

from dataclasses import dataclass

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.bike.mechanism import LinkageError, Mechanism

# Turns of the swingarm that are looked through, and the step; real ones stay within about 20 degrees.
_LOWEST_DEG, _HIGHEST_DEG, _STEP_DEG = -25.0, 75.0, 0.25
_NEWTON_STEPS = 4  # from a quarter of a degree: quadratic, the third already reaches rounding
_KNOTS = 201  # of the curve that is handed on: exact at the knots, better than 1e-7 mm between them


@dataclass(frozen=True)
class LinkageSolution:
    """The linkage solved over shock travel; arrays of shape (n,), 0 at full extension, compression positive.

    Parameters
    ----------
    shaft_mm : ndarray
        Shock travel. [mm]
    wheel_mm : ndarray
        Vertical wheel travel: of the axle relative to the chassis. [mm]
    arc_mm : ndarray
        Wheel travel along the arc of the axle, always the longer. [mm]
    ratio : ndarray
        d(vertical wheel travel)/d(shock travel).
    ratio_slope_per_mm : ndarray
        d(ratio)/d(shock travel). [1/mm]
    turn_rad : ndarray
        Turn of the swingarm from the measured position, positive wheel up. [rad]
    axle_mm : ndarray of shape (n, 2)
        Path of the axle in the chassis frame. [mm]
    """

    shaft_mm: FloatArray
    wheel_mm: FloatArray
    arc_mm: FloatArray
    ratio: FloatArray
    ratio_slope_per_mm: FloatArray
    turn_rad: FloatArray
    axle_mm: FloatArray


def _usable(mechanism: Mechanism) -> tuple[FloatArray, FloatArray, str, str]:
    """Turns around the measured one where the shock shortens as the wheel rises; why they end below and above."""
    turn = np.radians(np.arange(_LOWEST_DEG, _HIGHEST_DEG + _STEP_DEG / 2, _STEP_DEG))
    length, slope, _ = mechanism.shock_at(turn)
    start = int(np.argmin(np.abs(turn)))
    closed = np.isfinite(length) & np.isfinite(slope)
    good = closed & (np.where(closed, slope, 0.0) < 0.0)
    if not closed[start]:
        raise LinkageError("the rod does not reach from the rocker to its other end as the points stand")
    if not good[start]:
        raise LinkageError("the shock does not shorten when the wheel rises; check the points of its eyes")
    bad = np.flatnonzero(~good)
    low = int(bad[bad < start].max(initial=-1)) + 1
    high = int(bad[bad > start].min(initial=len(turn)))

    def reason(index: int) -> str:
        if not 0 <= index < len(turn):
            return "the swingarm would have to turn further than any real one"
        if not closed[index]:
            return "rocker and rod line up there (dead centre) and the loop cannot be closed beyond"
        return "the shock stops shortening there"

    return turn[low:high], length[low:high], reason(low - 1), reason(high)


def solve_linkage(
    mechanism: Mechanism,
    stroke_mm: float,
    *,
    shock_length_mm: float | None = None,
    positions: int | FloatArray = _KNOTS,
) -> LinkageSolution:
    """Solve the linkage over the whole stroke, on the branch on which it was measured.

    Parameters
    ----------
    stroke_mm : float
        Of the shock. [mm]
    shock_length_mm : float, optional
        Eye to eye at full extension; as the points stand when not given. [mm]
    positions : int or ndarray of shape (n,)
        How many evenly spaced shock travels, or the travels themselves within the stroke. [mm]

    Raises
    ------
    LinkageError
        If some of the stroke cannot be reached, with the travel at which it ends and why.
    """
    turn, length, below, above = _usable(mechanism)
    full = float(mechanism.shock_at(np.zeros(1))[0][0]) if shock_length_mm is None else shock_length_mm
    if full > length[0]:
        raise LinkageError(
            f"a shock of {full:.1f} mm cannot be fitted; at {length[0]:.1f} mm it is at its limit: {below}"
        )
    if full - stroke_mm < length[-1]:
        raise LinkageError(
            f"only {full - length[-1]:.1f} mm of the {stroke_mm:g} mm shock stroke can be reached: {above}"
        )
    if isinstance(positions, int):
        positions = np.linspace(0.0, stroke_mm, positions)
    # The start of full extension, then the positions asked for, all at once.
    wanted = full - np.concatenate([[0.0], positions])
    at = np.interp(-wanted, -length, turn)
    for _ in range(_NEWTON_STEPS):
        now, slope, _ = mechanism.shock_at(at)
        step = (wanted - now) / slope
        at = at + step
        if float(np.max(np.abs(step))) < 1e-9:
            break
    _, first, second = mechanism.shock_at(at)
    axle = mechanism.axle_at(at)
    rise, bend = axle.v[:, 1], axle.a[:, 1]
    ratio = -rise / first
    slope = (bend * first - rise * second) / first**3
    if not np.all(ratio > 0.0):
        raise LinkageError("the wheel does not rise when the shock shortens; check swingarm.axle_mm")
    radius = float(np.hypot(*mechanism.axle))
    return LinkageSolution(
        np.asarray(positions, dtype=np.float64),
        axle.p[1:, 1] - axle.p[0, 1],
        radius * (at[1:] - at[0]),
        ratio[1:],
        slope[1:],
        at[1:],
        axle.p[1:],
    )
