"""Steering geometry and attitude of the motorcycle from its two wheel travels.

ISO 8855 axes: x forward, y left, z up; pitch is positive nose down.
"""

import numpy as np

from telemetry.arrays import FloatArray


def normal_trail_mm(tyre_radius_mm: float, rake_deg: float, fork_offset_mm: float) -> float:
    """Distance of the contact point from the steering axis, at right angles to the axis.

    Parameters
    ----------
    tyre_radius_mm : float
        Front tyre. [mm]
    rake_deg : float
        Steering axis from the vertical. [deg]
    fork_offset_mm : float
        Axle in front of the steering axis. [mm]

    Returns
    -------
    float
        [mm]

    References
    ----------
    .. [1] J. P. Meijaard et al., Proc. R. Soc. A 463, 1955-1982, 2007, doi:10.1098/rspa.2007.1857.
    """
    return tyre_radius_mm * float(np.sin(np.radians(rake_deg))) - fork_offset_mm


def trail_mm(tyre_radius_mm: float, rake_deg: float, fork_offset_mm: float) -> float:
    """Ground trail: from the contact point to where the steering axis meets the ground.

    Parameters
    ----------
    tyre_radius_mm, rake_deg, fork_offset_mm : float
        As in `normal_trail_mm`. [mm, deg, mm]

    Returns
    -------
    float
        Positive when the contact point is behind the axis. [mm]
    """
    return normal_trail_mm(tyre_radius_mm, rake_deg, fork_offset_mm) / float(np.cos(np.radians(rake_deg)))


def pitch_deg(front_wheel_mm: FloatArray, rear_wheel_mm: FloatArray, wheelbase_mm: float) -> FloatArray:
    """Pitch of the chassis from the two wheel travels: 0 with both ends extended, positive nose down.

    Parameters
    ----------
    front_wheel_mm, rear_wheel_mm : ndarray of shape (n_samples,)
        Wheel travel, compression positive; NaN where invalid. [mm]
    wheelbase_mm : float
        With both ends extended. [mm]

    Returns
    -------
    ndarray of shape (n_samples,)
        asin((front - rear) / wheelbase). The tyres' own deflection is not in it. [deg]

    References
    ----------
    .. [1] ISO 8855:2011, Road vehicles - Vehicle dynamics and road-holding ability - Vocabulary (sign).
    """
    return np.degrees(np.arcsin((front_wheel_mm - rear_wheel_mm) / wheelbase_mm))
