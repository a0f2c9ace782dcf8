"""From latitude and longitude to metres on the ground."""

import numpy as np

from telemetry.arrays import FloatArray

# WGS 84 ellipsoid (NGA.STND.0036): semi-major axis and flattening.
WGS84_A_M = 6378137.0
WGS84_F = 1 / 298.257223563


def radii_m(latitude_deg: float) -> tuple[float, float]:
    """Radii of curvature of the WGS 84 ellipsoid, along the meridian and across it.

    Parameters
    ----------
    latitude_deg : float
        [deg]

    Returns
    -------
    tuple of float
        Meridian M and prime vertical N. [m]
    """
    e2 = WGS84_F * (2 - WGS84_F)
    w = np.sqrt(1 - e2 * np.sin(np.radians(latitude_deg)) ** 2)
    return float(WGS84_A_M * (1 - e2) / w**3), float(WGS84_A_M / w)


def to_plane_m(
    latitude_deg: FloatArray, longitude_deg: FloatArray, origin_deg: tuple[float, float]
) -> tuple[FloatArray, FloatArray]:
    """Position on the tangent plane at the origin: exact to a few millimetres over a circuit.

    Parameters
    ----------
    latitude_deg, longitude_deg : ndarray of shape (n_samples,)
        NaN where unknown. [deg]
    origin_deg : tuple of float
        Latitude and longitude of the plane's origin. [deg]

    Returns
    -------
    tuple of ndarray
        East and north of the origin. [m]
    """
    meridian, normal = radii_m(origin_deg[0])
    north = np.radians(latitude_deg - origin_deg[0]) * meridian
    east = np.radians(longitude_deg - origin_deg[1]) * normal * np.cos(np.radians(origin_deg[0]))
    return east, north
