"""Damper force against shaft speed, from the parameters of a bike file."""

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.bike.bikefile import Damper, DamperSide


def _side_force_n(speed_mm_s: FloatArray, side: DamperSide) -> FloatArray:
    excess = (side.low_n_s_per_mm - side.high_n_s_per_mm) * side.knee_mm_s
    return side.high_n_s_per_mm * speed_mm_s + excess * np.tanh(speed_mm_s / side.knee_mm_s)


def damper_force_n(shaft_speed_mm_s: FloatArray, damper: Damper) -> FloatArray:
    """Hydraulic force of a damper; friction is not in it.

    Parameters
    ----------
    shaft_speed_mm_s : ndarray of shape (n_samples,)
        Compression positive. [mm/s]
    damper : Damper

    Returns
    -------
    ndarray of shape (n_samples,)
        Positive resists compression, negative resists rebound. [N]
    """
    speed = np.asarray(shaft_speed_mm_s, dtype=np.float64)
    return np.where(
        speed >= 0, _side_force_n(speed, damper.compression), _side_force_n(speed, damper.rebound)
    )
