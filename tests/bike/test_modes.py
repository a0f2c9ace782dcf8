"""Modes of quarter and half vehicle against published examples and an independent library route."""

from dataclasses import astuple

import numpy as np
import pytest
from scipy.linalg import eig

from telemetry.bike import (
    SpringEnd,
    bike_modes,
    half_vehicle,
    modes,
    parse_bike,
    quarter_vehicle,
)
from telemetry.bike.springs import Matrices, bike_matrices, spring_end
from telemetry.errors import BikeFileError
from telemetry.simulate import demo_bike
from tests.bike.stand_bike import with_values

# Illustrative road-race values per end with the rider's share (common practice, no source); the modes that
# follow from them are exact and were also found by the roots of the characteristic quartic.
REAR = {"ms": 125.0, "mu": 20.0, "ks": 24e3, "kt": 180e3}
FRONT = {"ms": 95.0, "mu": 15.0, "ks": 20e3, "kt": 170e3}


def quarter(p, c, ct=0.0):
    return modes(quarter_vehicle(p["ms"], SpringEnd(p["mu"], p["ks"], p["kt"], c, ct)))


@pytest.mark.parametrize(
    ("end", "c", "body", "hop"),
    [
        (REAR, 0, (2.0692, 2.0692, 0.0), (16.0919, 16.0919, 0.0)),
        (REAR, 60, (2.0693, 2.0691, 0.01428), (16.0910, 16.0891, 0.01537)),
        (REAR, 300, (2.0722, 2.0669, 0.07145), (16.0688, 16.0211, 0.07696)),
        (REAR, 1500, (2.1530, 2.0023, 0.36754), (15.4657, 14.1981, 0.39649)),
        (REAR, 3000, (2.7507, 1.3805, 0.86493), (12.1052, 3.8777, 0.94730)),
        (FRONT, 0, (2.1824, 2.1824, 0.0), (17.9282, 17.9282, 0.0)),
        (FRONT, 50, (2.1825, 2.1823, 0.01528), (17.9272, 17.9251, 0.01527)),
        (FRONT, 250, (2.1856, 2.1792, 0.07649), (17.9023, 17.8499, 0.07644)),
        (FRONT, 1000, (2.2367, 2.1254, 0.31154), (17.4929, 16.6235, 0.31133)),
        (FRONT, 2000, (2.4786, 1.8331, 0.67307), (15.7857, 11.6816, 0.67259)),
    ],
)
def test_quarter_vehicle_from_lost_to_very_firm(end, c, body, hop):
    found = [(m.fn_hz, m.fn_hz * np.sqrt(1 - m.damping_ratio**2), m.damping_ratio) for m in quarter(end, c)]
    np.testing.assert_allclose(found, [body, hop], atol=6e-5)


@pytest.mark.parametrize(("end", "c"), [(REAR, 60.0), (REAR, 1500.0), (FRONT, 2000.0)])
def test_quarter_vehicle_agrees_with_its_characteristic_quartic(end, c):
    # Second route: ms mu s^4 + (ms+mu) c s^3 + (ms (ks+kt) + mu ks) s^2 + c kt s + ks kt, numpy's root finder
    ms, mu, ks, kt = end.values()
    roots = np.roots([ms * mu, (ms + mu) * c, ms * (ks + kt) + mu * ks, c * kt, ks * kt])
    upper = sorted(roots[roots.imag > 0], key=abs)
    found = quarter(end, c)
    np.testing.assert_allclose([m.fn_hz for m in found], np.abs(upper) / (2 * np.pi), rtol=1e-9)
    np.testing.assert_allclose(
        [m.damping_ratio for m in found], [-r.real / abs(r) for r in upper], rtol=1e-7, atol=1e-12
    )


def test_a_locking_damper_leaves_one_oscillation_on_the_tyre():
    (mode,) = quarter(REAR, 6000.0)
    assert mode.fn_hz == pytest.approx(5.58005, abs=6e-5)
    assert mode.damping_ratio == pytest.approx(0.34136, abs=6e-5)
    # limit: both masses on the tyre spring
    (locked,) = quarter(REAR, 1e7)
    assert locked.fn_hz == pytest.approx(np.sqrt(180e3 / 145.0) / (2 * np.pi), rel=1e-4)


def test_tyre_damping_masks_part_of_a_lost_damper():
    hop = quarter(REAR, 60.0, ct=100.0)[1]
    assert (hop.fn_hz, hop.damping_ratio) == pytest.approx((16.0914, 0.04004), abs=6e-5)


@pytest.mark.parametrize(
    ("mu", "kt", "fn_by_spring", "lost", "healthy"),
    [
        (18, 150, (15.389, 15.670, 15.948), 0.01757, 0.4557),
        (18, 175, (16.491, 16.752, 17.011), 0.01636, 0.4226),
        (18, 200, (17.524, 17.769, 18.013), 0.01537, 0.3957),
        (20, 150, (14.600, 14.868, 15.133), 0.01674, 0.4338),
        (20, 175, (15.646, 15.894, 16.141), 0.01558, 0.4021),
        (20, 200, (16.625, 16.859, 17.091), 0.01463, 0.3763),
        (22, 150, (13.922, 14.178, 14.432), 0.01602, 0.4150),
        (22, 175, (14.918, 15.157, 15.393), 0.01491, 0.3844),
        (22, 200, (15.853, 16.076, 16.298), 0.01399, 0.3597),
    ],
)
def test_rear_hop_over_the_usual_range(mu, kt, fn_by_spring, lost, healthy):
    for ks, fn in zip((18e3, 24e3, 30e3), fn_by_spring, strict=True):
        assert quarter({"ms": 125.0, "mu": mu, "ks": ks, "kt": kt * 1e3}, 0.0)[1].fn_hz == pytest.approx(
            fn, abs=6e-4
        )
    p = {"ms": 125.0, "mu": mu, "ks": 24e3, "kt": kt * 1e3}
    assert quarter(p, 60.0)[1].damping_ratio == pytest.approx(lost, abs=6e-5)
    assert quarter(p, 1500.0)[1].damping_ratio == pytest.approx(healthy, abs=6e-4)


@pytest.mark.parametrize(
    ("p", "c", "ct", "expected"),
    [
        # ASTM E1926 / Sayers 1995, reference car of the international roughness index, per kg of sprung mass
        (
            {"ms": 1.0, "mu": 0.15, "ks": 63.3, "kt": 653.0},
            6.0,
            0.0,
            [(1.2363, 0.33343), (10.7554, 0.30202)],
        ),
        # University of Michigan control tutorials, bus suspension
        (
            {"ms": 2500.0, "mu": 320.0, "ks": 80e3, "kt": 500e3},
            350.0,
            15020.0,
            [(0.83582, 0.02092), (6.77663, 0.56309)],
        ),
    ],
)
def test_published_quarter_vehicles(p, c, ct, expected):
    found = [(m.fn_hz, m.damping_ratio) for m in quarter(p, c, ct)]
    np.testing.assert_allclose(found, expected, atol=6e-5)


def bounce_and_pitch(mass, inertia, front_m, rear_m, front_n_m, rear_n_m):
    """The two lowest modes with wheels too light and tyres too stiff to matter."""
    rigid = 1e13
    return modes(
        half_vehicle(
            mass,
            inertia,
            front_m,
            rear_m,
            SpringEnd(1e-3, front_n_m, rigid, 0.0),
            SpringEnd(1e-3, rear_n_m, rigid, 0.0),
        )
    )[:2]


def test_bounce_and_pitch_of_rao():
    # S. S. Rao, Mechanical Vibrations, pitch and bounce of a car (example 5.7, from memory)
    found = bounce_and_pitch(1000.0, 1000.0 * 0.9**2, 1.0, 1.5, 18e3, 22e3)
    np.testing.assert_allclose([2 * np.pi * m.fn_hz for m in found], [5.8593, 9.4341], atol=1e-4)
    np.testing.assert_allclose([m.shape[0] / m.shape[1] for m in found], [-2.6461, 0.3061], atol=1e-4)


def test_bounce_and_pitch_of_thomson():
    # W. T. Thomson, Theory of Vibration, automobile (example 5.3, from memory; the book prints 6.90 and 9.06),
    # in slugs, feet and pounds
    mass = 3220.0 / 32.2
    found = bounce_and_pitch(mass, mass * 4.0**2, 4.5, 5.5, 2400.0, 2600.0)
    np.testing.assert_allclose([2 * np.pi * m.fn_hz for m in found], [6.8994, 9.0515], atol=1e-4)
    np.testing.assert_allclose([m.shape[0] / m.shape[1] for m in found], [-14.6, 1.096], rtol=3e-3)


MOTORCYCLE = {
    "sprung_mass_kg": 220.0,
    "pitch_inertia_kg_m2": 26.0,
    "com_to_front_m": 0.7,
    "com_to_rear_m": 0.7,
}


def motorcycle(cf, cr):
    return half_vehicle(
        **MOTORCYCLE, front=SpringEnd(15.0, 20e3, 170e3, cf), rear=SpringEnd(20.0, 24e3, 180e3, cr)
    )


@pytest.mark.parametrize(
    ("cf", "cr", "expected"),
    [
        (0, 0, [(2.1091, 0.0), (4.3042, 0.0), (16.1289, 0.0), (17.9492, 0.0)]),
        (1000, 1500, [(2.1802, 0.32993), (5.3835, 0.82035), (13.0816, 0.40509), (17.1167, 0.32087)]),
        (1000, 60, [(2.2588, 0.15884), (4.2823, 0.31730), (16.1264, 0.01646), (16.8480, 0.32847)]),
        (50, 1500, [(2.2924, 0.11897), (4.6745, 0.55895), (13.6675, 0.43526), (17.9441, 0.01584)]),
    ],
)
def test_motorcycle_healthy_and_with_one_damper_lost(cf, cr, expected):
    found = [(m.fn_hz, m.damping_ratio) for m in modes(motorcycle(cf, cr))]
    np.testing.assert_allclose(found, expected, atol=6e-5)


def test_undamped_motorcycle_agrees_with_the_generalised_eigenproblem():
    system = motorcycle(0.0, 0.0)
    squares = np.sort(eig(system.stiffness, system.mass)[0].real)  # scipy's own solver, K x = w^2 M x
    np.testing.assert_allclose([m.fn_hz for m in modes(system)], np.sqrt(squares) / (2 * np.pi), rtol=1e-9)


def test_bounce_and_pitch_part_when_the_ends_balance():
    # kf lf = kr lr, tyres alike in the same proportion: heave moves without pitch
    even = half_vehicle(
        220.0, 26.0, 0.8, 0.6, SpringEnd(15.0, 18e3, 150e3, 0.0), SpringEnd(20.0, 24e3, 200e3, 0.0)
    )
    light = Matrices(np.diag([220.0, 26.0, 1e-6, 1e-6]), even.damping, even.stiffness)
    bounce = modes(light)[0]
    assert abs(bounce.shape[1]) < 1e-6


def test_shapes_solve_the_equation_of_motion():
    system = motorcycle(1000.0, 1500.0)
    for mode in modes(system):
        pole = 2 * np.pi * mode.fn_hz * complex(-mode.damping_ratio, np.sqrt(1 - mode.damping_ratio**2))
        rest = (pole**2 * system.mass + pole * system.damping + system.stiffness) @ np.array(mode.shape)
        assert np.max(np.abs(rest)) < 1e-6 * np.max(np.abs(system.stiffness))
        assert np.max(np.abs(mode.shape)) == pytest.approx(1.0)


def test_demo_bike_hops_where_motorcycles_hop_and_rings_without_its_damper():
    # wheel hop 12 to 22 Hz, ratio 0.3 to 0.5 when healthy, 0.03 to 0.12 on the tyre alone: common practice, no source
    hops = bike_modes(demo_bike())[-2:]
    assert all(12.0 < m.fn_hz < 22.0 and 0.3 < m.damping_ratio < 0.5 for m in hops)
    lost = min(bike_modes(demo_bike(), rear_damper_scale=0.05), key=lambda m: m.damping_ratio)
    assert 14.0 < lost.fn_hz < 18.0
    assert 0.03 < lost.damping_ratio < 0.12
    assert np.argmax(np.abs(lost.shape)) == 3  # the rear wheel moves most


def test_damper_scale_is_linear_in_the_damping_matrix():
    full, none = bike_matrices(demo_bike()), bike_matrices(demo_bike(), rear_damper_scale=0.0)
    half = bike_matrices(demo_bike(), rear_damper_scale=0.5)
    np.testing.assert_allclose(half.damping, 0.5 * (full.damping + none.damping), rtol=1e-12)


@pytest.mark.parametrize(
    ("missing", "named"),
    [
        ("unsprung_mass_kg", "unsprung_mass_kg"),
        ("tyre_rate_n_per_mm", "tyre_rate_n_per_mm"),
        ("damper", r"\[rear\.damper\]"),
    ],
)
def test_what_is_missing_for_modes_is_named(missing, named):
    data = demo_bike().model_dump(exclude={"source"})
    data["rear"][missing] = None
    with pytest.raises(BikeFileError, match=rf"mine\.toml: \[rear\] lacks {named};"):
        bike_modes(parse_bike(data, source="mine.toml"))


def test_no_chassis_no_modes():
    data = demo_bike().model_dump(exclude={"source"})
    data["chassis"] = None
    with pytest.raises(BikeFileError, match=r"mine\.toml: has no \[chassis\]"):
        bike_modes(parse_bike(data, source="mine.toml"))


@pytest.mark.parametrize("scale", [1.0, 0.5, 0.0])
def test_an_end_reduced_to_its_wheel(scale):
    # at the wheel rate and damping go with the square of the leverage; SI from N/mm and N s/mm
    rebound, compression = ({"low_n_s_per_mm": c, "high_n_s_per_mm": 1.0} for c in (6.0, 4.0))
    bike = with_values(
        rear__linkage=None, rear__mount_insert=None, rear__leverage_table_mm=[[0.0, 0.0], [70.0, 126.0]],
        rear__spring=None, rear__damper={"rebound": rebound, "compression": compression}, rear__compression_clicks=None,
        rear__rebound_clicks=None, adjusters={},
    )  # fmt: skip
    found = spring_end(bike, "rear", 20.0, damper_scale=scale)
    by_hand = (20.0, 70e3 / 1.8**2, 180e3, scale * 5e3 / 1.8**2, 200.0)
    assert astuple(found) == pytest.approx(by_hand)
