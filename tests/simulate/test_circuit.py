"""Circuits: they close, corners lie where they are said to, and the generator makes sound ones."""

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from telemetry.simulate import CornerPlan, build_circuit, vellmoor_ring
from telemetry.simulate.sensors import to_wgs84
from tests.randomised.circuits import _crosses_itself, random_circuit

CIRCUITS = [vellmoor_ring(), *(random_circuit(seed) for seed in range(6))]
SQUARE = (CornerPlan(90.0, 50.0, 20.0, 300.0),) * 4


@pytest.mark.parametrize("circuit", CIRCUITS, ids=lambda c: c.name)
def test_closes_and_is_as_long_as_it_says(circuit):
    assert (circuit.x_m[0], circuit.y_m[0]) == (0.0, 0.0)
    assert np.hypot(circuit.x_m[-1], circuit.y_m[-1]) < 1e-9
    steps = np.hypot(np.diff(circuit.x_m), np.diff(circuit.y_m))
    assert np.sum(steps) == pytest.approx(circuit.length_m, rel=1e-4)
    assert np.max(steps) < 1.001 * circuit.place_m[1]  # closing it stretched nothing


@pytest.mark.parametrize("circuit", CIRCUITS, ids=lambda c: c.name)
def test_curvature_is_that_of_the_path(circuit):
    heading = np.unwrap(np.arctan2(np.diff(circuit.y_m), np.diff(circuit.x_m)))
    step = circuit.place_m[1]
    turned = -np.diff(heading) / step  # right-hand turns are positive
    inner = circuit.curvature_1_m[1:-1]
    assert np.max(np.abs(turned - inner)) < 2e-3
    assert abs(heading[-1] - heading[0]) == pytest.approx(2 * np.pi, abs=0.02)


@pytest.mark.parametrize("circuit", CIRCUITS, ids=lambda c: c.name)
def test_corners_are_in_order_and_hold_all_the_curvature(circuit):
    corners = circuit.corners
    assert [c.number for c in corners] == list(range(1, len(corners) + 1))
    edges = [edge for c in corners for edge in (c.start_m, c.apex_m, c.end_m)]
    assert all(a < b for a, b in zip(edges, edges[1:], strict=False))
    assert edges[0] > 0.0
    assert edges[-1] < circuit.length_m
    inside = np.zeros(len(circuit.place_m), dtype=bool)
    for corner in corners:
        here = (circuit.place_m >= corner.start_m) & (circuit.place_m <= corner.end_m)
        inside |= here
        at_apex = float(circuit.at(np.array([corner.apex_m]), circuit.curvature_1_m)[0])
        assert at_apex == pytest.approx(corner.direction / corner.radius_m, rel=1e-6)
    assert np.all(circuit.curvature_1_m[~inside] == 0.0)


def test_vellmoor_ring():
    ring = vellmoor_ring()
    assert 2600.0 < ring.length_m < 3000.0
    assert "".join("LR"[(c.direction + 1) // 2] for c in ring.corners) == "RRLRRLLRLRR"


def test_random_circuits_are_varied_and_repeat_by_seed():
    lengths = {round(random_circuit(seed).length_m, 3) for seed in range(20)}
    assert len(lengths) == 20
    a, b = random_circuit(5), random_circuit(5)
    np.testing.assert_array_equal(a.x_m, b.x_m)
    for seed in range(20):
        circuit = random_circuit(seed)
        assert 9 <= len(circuit.corners) <= 12
        assert {c.direction for c in circuit.corners} == {-1, 1}
        assert 2000.0 <= circuit.length_m <= 4000.0


def test_length_on_the_ellipsoid():
    # GeographicLib (Karney 2013) over the points' latitudes and longitudes
    ring = vellmoor_ring()
    latitude, longitude = to_wgs84(ring.x_m, ring.y_m)
    points = list(zip(latitude, longitude, strict=True))
    total = sum(
        Geodesic.WGS84.Inverse(*a, *b)["s12"] for a, b in zip(points[:-1:10], points[10::10], strict=False)
    )
    total += Geodesic.WGS84.Inverse(*points[10 * ((len(points) - 1) // 10)], *points[-1])["s12"]
    assert total == pytest.approx(ring.length_m, rel=1.5e-3)  # chords of 10 m cut the corners


def test_square_by_hand():
    square = build_circuit("square", SQUARE)
    corner = np.pi / 2 * 50.0 + 20.0
    assert square.length_m == pytest.approx(4 * (300.0 + corner))
    assert square.corners[0].start_m == pytest.approx(0.4 * 300.0)  # the line stands at 0.6 of the straight


def test_figure_of_eight_closes():
    one_way = (CornerPlan(270.0, 60.0, 30.0, 200.0), CornerPlan(-270.0, 60.0, 30.0, 200.0))
    eight = build_circuit("eight", one_way)
    assert np.hypot(eight.x_m[-1], eight.y_m[-1]) < 1e-9
    assert _crosses_itself(eight, 20.0)


def test_what_cannot_be_closed_is_refused():
    with pytest.raises(ValueError, match="corner angles add up to 270 deg"):
        build_circuit("open", SQUARE[:3])
    thin = (
        CornerPlan(90, 200, 30, 50),
        CornerPlan(90, 20, 10, 50),
        CornerPlan(90, 20, 10, 50),
        CornerPlan(90, 20, 10, 50),
    )
    with pytest.raises(ValueError, match="cannot be closed; straights would be"):
        build_circuit("thin", thin)
