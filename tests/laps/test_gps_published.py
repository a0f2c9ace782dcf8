"""Distance on the ground against published geodesics; GeographicLib, checked on them first, for the ones between."""

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from telemetry.laps.gps import radii_m, to_plane_m

EARTH = Geodesic.WGS84


def degrees(d, minutes, seconds):
    return np.sign(d) * (abs(d) + minutes / 60 + seconds / 3600)


# Geodetic datum technical manual, Vincenty example, Flinders Peak to Buninyong; GRS 80 differs from WGS 84 by 0.1 mm.
FLINDERS = degrees(-37, 57, 3.72030), degrees(144, 25, 29.52440)
BUNINYONG = degrees(-37, 39, 10.15610), degrees(143, 55, 35.38390)
FLINDERS_TO_BUNINYONG_M = 54_972.271


def test_the_yardstick_itself_on_published_geodesics():
    # C. F. F. Karney, J. Geodesy 87 (2013) 43-55, and the examples of GeographicLib's documentation
    assert EARTH.Inverse(-41.32, 174.81, 40.96, -5.50)["s12"] == pytest.approx(19_959_679.267, abs=1e-3)
    far = EARTH.Direct(-32.06, 115.74, 225, 20_000_000)
    assert (far["lat2"], far["lon2"]) == pytest.approx((32.11195529, -63.95925278), abs=1e-8)
    assert EARTH.Inverse(*FLINDERS, *BUNINYONG)["s12"] == pytest.approx(FLINDERS_TO_BUNINYONG_M, abs=2e-3)


def test_radii_of_curvature():
    # metres per degree at 44 degrees: M pi/180 and N cos(44 degrees) pi/180 on the WGS 84 ellipsoid
    meridian, normal = radii_m(44.0)
    assert (meridian, normal) == pytest.approx((6_366_262.52, 6_388_463.91), abs=5e-3)
    assert np.radians(meridian) == pytest.approx(111_112.242, abs=1e-3)
    assert np.radians(normal * np.cos(np.radians(44.0))) == pytest.approx(80_206.193, abs=1e-3)


def test_a_published_distance_far_beyond_a_circuit():
    # 55 km: the plane at the middle of the line; it is flat, so a few parts in a million are its own
    middle = tuple(np.mean([FLINDERS, BUNINYONG], axis=0))
    east, north = to_plane_m(*np.array([FLINDERS, BUNINYONG]).T, middle)
    assert np.hypot(*np.diff([east, north]))[0] == pytest.approx(FLINDERS_TO_BUNINYONG_M, rel=1e-5)


@pytest.mark.parametrize("latitude", [-37.0, 0.0, 44.0, 60.0])
def test_a_lap_of_5_km(latitude):
    # 720 chords of a circle of 5 km around: 720 x 2 R sin(pi / 720) = 4999.984 m
    radius = 5000 / (2 * np.pi)
    corners = [EARTH.Direct(latitude, 11.0, azimuth, radius) for azimuth in np.arange(721) / 2]
    lat, lon = np.array([(c["lat2"], c["lon2"]) for c in corners]).T
    geodesic = sum(
        EARTH.Inverse(a, b, c, d)["s12"] for a, b, c, d in zip(lat, lon, lat[1:], lon[1:], strict=False)
    )
    assert geodesic == pytest.approx(4999.984, abs=1e-3)
    east, north = to_plane_m(lat, lon, (latitude, 11.0))
    assert np.hypot(np.diff(east), np.diff(north)).sum() == pytest.approx(geodesic, abs=2e-3)
