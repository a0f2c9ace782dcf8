"""The circuit that is kept for a place: of a log that went round it, in its direction, and of no other."""

import numpy as np
import pytest

from telemetry.laps import Circuit, is_line_of, keep_circuit, known_circuit
from telemetry.laps.gps import radii_m

ORIGIN_DEG = (48.0, 9.0)
RADIUS_M = 100.0  # a circle: its points and its length are known
# metres of a degree of latitude and of longitude there, by the radii of the ellipsoid (NGA.STND.0036)
NORTH_M, EAST_M = (
    np.radians(1.0) * np.array(radii_m(ORIGIN_DEG[0])) * (1.0, np.cos(np.radians(ORIGIN_DEG[0])))
)


def degrees(east_m, north_m):
    """Latitude and longitude of places about the origin."""
    return ORIGIN_DEG[0] + north_m / NORTH_M, ORIGIN_DEG[1] + east_m / EAST_M


def round_it(turns=1.0, *, radius_m=RADIUS_M, east_m=0.0, points=400, backwards=False):
    """Places along a circle, counter-clockwise from the east."""
    angle = 2 * np.pi * turns * np.linspace(0.0, 1.0, points, endpoint=False) * (-1.0 if backwards else 1.0)
    return degrees(east_m + radius_m * np.cos(angle), radius_m * np.sin(angle))


def circle(**changes):
    latitude, longitude = round_it(points=160, **changes)
    return Circuit("Circle", 2 * np.pi * RADIUS_M, (), latitude, longitude)


@pytest.fixture
def kept():
    return keep_circuit(circle())


def test_a_log_that_went_round_a_kept_circuit_finds_it(kept):
    found = known_circuit(*round_it(3.0, points=1200))
    assert (found.name, found.kept_in) == ("Circle", str(kept))
    # a fix a second at 30 m/s is enough, and the distance between fixes is drawn
    assert known_circuit(*round_it(3.0, points=63)) is not None


@pytest.mark.parametrize(
    "log",
    [
        round_it(3.0, backwards=True),
        round_it(0.5),  # the other half was never ridden
        round_it(3.0, radius_m=128.0),  # 28 m beside it all round, where 25 m count
        round_it(3.0, east_m=900.0),  # on another place
        tuple(np.concatenate(both) for both in zip(round_it(2.0), round_it(2.0, east_m=220.0), strict=True)),
    ],
    ids=["backwards", "half of it", "beside it", "elsewhere", "half of the way on another"],
)
def test_a_log_of_another_way_does_not_find_it(kept, log):
    assert known_circuit(*log) is None


def test_a_log_a_little_beside_the_line_finds_it(kept):
    assert known_circuit(*round_it(3.0, radius_m=122.0)) is not None
    nearly_all = 0.97  # of the line; of the rest 25 m at either end are near enough to it
    assert known_circuit(*round_it(nearly_all)) is not None
    # standing in the pits a while counts once
    east_m = np.full(3000, 140.0) + np.linspace(0.0, 3.0, 3000)
    stood = degrees(east_m, np.zeros(3000))
    assert (
        known_circuit(*(np.concatenate(both) for both in zip(round_it(3.0), stood, strict=True))) is not None
    )


def test_one_circuit_is_kept_for_a_place(kept):
    longer = circle(radius_m=101.0)
    again = keep_circuit(
        Circuit("New line", 2 * np.pi * 101.0, (), longer.latitude_deg, longer.longitude_deg)
    )
    assert [again] == list(again.parent.glob("*.toml"))
    assert known_circuit(*round_it(3.0)).name == "New line"
    elsewhere = keep_circuit(circle(east_m=5000.0))
    assert sorted([again, elsewhere]) == sorted(again.parent.glob("*.toml"))
    assert keep_circuit(Circuit("By speed", 628.0, (), speed_m_s=np.full(60, 30.0))) is None


def test_a_spoilt_file_is_passed_over(kept):
    (kept.parent / "00.toml").write_text("format = 1", encoding="utf-8")
    assert known_circuit(*round_it(3.0)).name == "Circle"


def test_a_start_line_is_that_of_a_circuit_within_thirty_metres():
    assert is_line_of(circle(), degrees(RADIUS_M + 29.0, 0.0))
    assert not is_line_of(circle(), degrees(RADIUS_M, 31.0))
    assert not is_line_of(Circuit("By speed", 628.0, ()), ORIGIN_DEG)
