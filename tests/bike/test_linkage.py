"""Linkage by loop closure: virtual work, free-body statics, closed forms, branches, and what cannot be."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from telemetry.bike.leverage import LinkageError, build_mechanism, solve_linkage
from telemetry.bike.sections import DirectShock, RockerOnFrame, Swingarm
from tests.bike.rear_linkages import LINKAGES, STROKE_MM, SWINGARM, placed, rotated, wheel_force_n

KINDS = pytest.mark.parametrize("linkage", LINKAGES.values(), ids=LINKAGES.keys())
RATE, PRELOAD = 70.0, 12.0


@KINDS
def test_virtual_work_force_at_the_wheel_is_the_slope_of_the_energy(linkage):
    mechanism = build_mechanism(SWINGARM, linkage)
    s, h = np.linspace(0.5, STROKE_MM - 0.5, 200), 1e-3
    found = solve_linkage(mechanism, STROKE_MM, positions=s)
    low, high = (solve_linkage(mechanism, STROKE_MM, positions=s + d) for d in (-h, h))
    energy = [0.5 * RATE * (at.shaft_mm + PRELOAD) ** 2 for at in (low, high)]
    slope = (energy[1] - energy[0]) / (high.wheel_mm - low.wheel_mm)
    np.testing.assert_allclose(RATE * (s + PRELOAD) / found.ratio, slope, rtol=1e-6)


@KINDS
def test_force_through_the_links_as_free_bodies(linkage):
    # Statics of rocker and swingarm cut free, positions by scipy.optimize.root: nothing of the solver in it.
    found = solve_linkage(build_mechanism(SWINGARM, linkage), STROKE_MM, positions=15)
    force = RATE * (found.shaft_mm + PRELOAD)
    by_statics = [wheel_force_n(linkage, t, f) for t, f in zip(found.turn_rad, force, strict=True)]
    np.testing.assert_allclose(force / found.ratio, by_statics, rtol=1e-9)


@KINDS
def test_ratio_and_its_slope_are_differences_of_solved_positions(linkage):
    mechanism = build_mechanism(SWINGARM, linkage)
    s, h = np.linspace(1.0, STROKE_MM - 1.0, 101), 1e-3
    low, mid, high = (solve_linkage(mechanism, STROKE_MM, positions=s + d) for d in (-h, 0.0, h))
    np.testing.assert_allclose(mid.ratio, (high.wheel_mm - low.wheel_mm) / (2 * h), rtol=1e-8)
    np.testing.assert_allclose(
        mid.ratio_slope_per_mm, (high.ratio - low.ratio) / (2 * h), rtol=1e-5, atol=1e-9
    )


@KINDS
def test_lengths_are_kept_over_the_stroke(linkage):
    found = solve_linkage(build_mechanism(SWINGARM, linkage), STROKE_MM, positions=11)
    start = placed(linkage, 0.0)
    eyes = ("shock_swingarm_mm" if linkage.kind == "direct" else "shock_rocker_mm", "shock_frame_mm")
    full = np.hypot(*(start[eyes[0]] - start[eyes[1]]))
    for s, turn, axle in zip(found.shaft_mm, found.turn_rad, found.axle_mm, strict=True):
        at = placed(linkage, turn)
        assert np.hypot(*(at[eyes[0]] - at[eyes[1]])) == pytest.approx(full - s, abs=1e-9)
        np.testing.assert_allclose(axle, rotated(SWINGARM.axle_mm, turn), atol=1e-9)


@KINDS
def test_vertical_and_along_the_arc(linkage):
    found = solve_linkage(build_mechanism(SWINGARM, linkage), STROKE_MM)
    radius = np.hypot(*SWINGARM.axle_mm)
    np.testing.assert_allclose(found.arc_mm, radius * (found.turn_rad - found.turn_rad[0]), atol=1e-9)
    assert np.all(found.arc_mm[1:] > found.wheel_mm[1:])
    path = np.sum(np.hypot(*np.diff(found.axle_mm, axis=0).T))  # chords: shorter by 1e-6
    assert found.arc_mm[-1] == pytest.approx(path, rel=1e-5)


def test_road_race_linkages_do_what_is_usual():
    # Common practice, no source: about 70 mm of shock make about 125 mm at the wheel, with a falling ratio.
    for name, linkage in LINKAGES.items():
        found = solve_linkage(build_mechanism(SWINGARM, linkage), STROKE_MM)
        if name != "direct":
            assert found.wheel_mm[-1] == pytest.approx(125.0, abs=1.0)
            assert 1.5 < found.ratio[-1] < found.ratio[0] < 2.1
        assert found.ratio[-1] < found.ratio[0]


@pytest.mark.parametrize(("theta_deg", "ratio"), [(-8.0, 2.41857), (0.0, 2.35079), (8.0, 2.26120)])
def test_shock_straight_to_the_arm_by_the_law_of_cosines(theta_deg, ratio):
    # Law of cosines: frame side 330, arm side 260, included angle 60 deg - theta, arm 580 mm level at theta = 0;
    # LR = L cos(theta) l / (330 260 sin(phi)). Values from that formula.
    angle = np.radians(60.0)
    eye = (-330.0 * np.cos(angle), 330.0 * np.sin(angle))
    mechanism = build_mechanism(
        Swingarm(pivot_mm=(0, 0), axle_mm=(-580, 0)),
        DirectShock(kind="direct", shock_frame_mm=eye, shock_swingarm_mm=(-260, 0)),
    )
    theta = np.radians(np.linspace(-8.0, 8.0, 41))
    length = np.sqrt(330.0**2 + 260.0**2 - 2 * 330.0 * 260.0 * np.cos(angle - theta))
    found = solve_linkage(
        mechanism, length[0] - length[-1], shock_length_mm=length[0], positions=length[0] - length
    )
    closed = length * np.cos(theta) * 580.0 / (330.0 * 260.0 * np.sin(angle - theta))
    np.testing.assert_allclose(found.turn_rad, theta, atol=1e-9)
    np.testing.assert_allclose(found.ratio, closed, rtol=1e-9)
    np.testing.assert_allclose(found.wheel_mm, 580.0 * (np.sin(theta) - np.sin(theta[0])), atol=1e-9)
    at = np.argmin(np.abs(theta - np.radians(theta_deg)))
    assert found.ratio[at] == pytest.approx(ratio, abs=1e-5)


def test_a_parallelogram_turns_its_rocker_as_the_swingarm():
    # Crank and rocker 40 mm, coupler and ground 120 mm: the rocker is parallel to the crank, so the shock on it does
    # what it would do on the swingarm, moved by the 120 mm.
    ground, crank, eye = np.array([10.0, 119.58]), np.array([-38.0, 12.49]), np.array([40.0, 330.0])
    linkage = RockerOnFrame(
        kind="rocker_on_frame",
        rocker_pivot_mm=tuple(ground),
        rod_swingarm_mm=tuple(crank),
        rod_rocker_mm=tuple(ground + crank),
        shock_rocker_mm=tuple(ground + [-70.0, 5.0]),
        shock_frame_mm=tuple(ground + eye),
    )
    straight = DirectShock(kind="direct", shock_frame_mm=tuple(eye), shock_swingarm_mm=(-70.0, 5.0))
    a, b = (solve_linkage(build_mechanism(SWINGARM, each), 20.0) for each in (linkage, straight))
    np.testing.assert_allclose(a.turn_rad, b.turn_rad, atol=1e-9)
    np.testing.assert_allclose(a.ratio, b.ratio, rtol=1e-9)


def test_four_bar_of_the_textbook():
    # Four-bar ground 100, crank 40, coupler 120, rocker 80, crank at 40 deg, open: rocker at 57.3249 deg and turning
    # .279919 as fast (Norton, Design of Machinery, ex. 4-1, after Freudenstein; citation from memory).
    crank, angle = np.radians(40.0), np.radians(57.3249)
    pivot = np.array([100.0, 0.0])
    near = pivot + 80.0 * np.array([np.cos(angle), np.sin(angle)])
    across = np.array([np.sin(angle), -np.cos(angle)])
    linkage = RockerOnFrame(
        kind="rocker_on_frame",
        rocker_pivot_mm=tuple(pivot),
        rod_swingarm_mm=(40.0 * np.cos(crank), 40.0 * np.sin(crank)),
        rod_rocker_mm=tuple(near),
        shock_rocker_mm=tuple(near),
        shock_frame_mm=tuple(near + 100.0 * across),  # at right angles to the rocker: its lever is 80 mm
    )
    mechanism = build_mechanism(SWINGARM, linkage)
    assert mechanism.rod_mm == pytest.approx(120.0, abs=2e-4)
    _, slope, _ = mechanism.shock_at(np.zeros(1))
    assert abs(slope[0]) / 80.0 == pytest.approx(0.279919, abs=2e-6)


@KINDS
@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_virtual_work_and_statics_for_points_moved_at_random(linkage, data):
    points = {
        key: tuple(np.array(value) + data.draw(st.tuples(*[st.floats(-6.0, 6.0)] * 2)))
        for key, value in linkage.model_dump().items()
        if isinstance(value, tuple)
    }
    moved = linkage.model_copy(update=points)
    try:
        found = solve_linkage(build_mechanism(SWINGARM, moved), 50.0, positions=9)
    except LinkageError as error:
        assert "reach" in str(error) or "cross" in str(error) or "short" in str(error)
        return
    by_statics = [wheel_force_n(moved, t, 1000.0) for t in found.turn_rad]
    np.testing.assert_allclose(1000.0 / found.ratio, by_statics, rtol=1e-7)


@KINDS
@settings(max_examples=10, deadline=None)
@given(shift=st.tuples(st.floats(-500.0, 500.0), st.floats(-500.0, 500.0)), scale=st.floats(0.5, 2.0))
def test_neither_origin_nor_scale_matters(linkage, shift, scale):
    def moved(section):
        points = {key: v for key, v in section.model_dump().items() if isinstance(v, tuple)}
        return section.model_copy(
            update={key: tuple(scale * (np.array(v) + shift)) for key, v in points.items()}
        )

    a = solve_linkage(build_mechanism(SWINGARM, linkage), STROKE_MM)
    b = solve_linkage(build_mechanism(moved(SWINGARM), moved(linkage)), scale * STROKE_MM)
    np.testing.assert_allclose(b.ratio, a.ratio, rtol=1e-8)
    np.testing.assert_allclose(b.wheel_mm, scale * a.wheel_mm, atol=1e-7)


@KINDS
def test_a_longer_shock_starts_earlier_on_the_same_curve(linkage):
    mechanism = build_mechanism(SWINGARM, linkage)
    full = float(mechanism.shock_at(np.zeros(1))[0][0])
    as_it_was = solve_linkage(mechanism, STROKE_MM, positions=np.array([0.0, 10.0]))
    longer = solve_linkage(
        mechanism, STROKE_MM, shock_length_mm=full + 3.0, positions=np.array([0.0, 3.0, 13.0])
    )
    np.testing.assert_allclose(longer.ratio[1:], as_it_was.ratio, rtol=1e-10)
    assert longer.wheel_mm[2] - longer.wheel_mm[1] == pytest.approx(as_it_was.wheel_mm[1], abs=1e-9)
    assert longer.turn_rad[0] < 0.0


def test_the_rod_is_pulled_or_pushed_as_named():
    for name, linkage in LINKAGES.items():
        if name != "direct":
            mechanism = build_mechanism(SWINGARM, linkage)
            push = mechanism.rod_push(solve_linkage(mechanism, STROKE_MM).turn_rad)
            assert np.all(push > 0) if linkage.rod == "push" else np.all(push < 0)


def test_a_stroke_past_dead_centre_is_refused_with_the_travel_at_which_it_ends():
    linkage = LINKAGES["frame, pull"]
    mechanism = build_mechanism(SWINGARM, linkage)
    with pytest.raises(LinkageError, match=r"only \d+\.\d mm of the 200 mm shock stroke can be reached: "):
        solve_linkage(mechanism, 200.0)
    with pytest.raises(LinkageError, match=r"a shock of 4\d\d\.\d mm cannot be fitted"):
        solve_linkage(mechanism, STROKE_MM, shock_length_mm=430.0)


def test_a_shock_that_lengthens_is_refused():
    linkage = DirectShock(kind="direct", shock_frame_mm=(-250.0, -300.0), shock_swingarm_mm=(-260.0, -10.0))
    with pytest.raises(LinkageError, match="does not shorten when the wheel rises"):
        solve_linkage(build_mechanism(SWINGARM, linkage), STROKE_MM)


@pytest.mark.parametrize(
    ("update", "message"),
    [
        ({"rod_rocker_mm": (-60.2, -64.0)}, "rocker_pivot_mm and rod_rocker_mm are the same point"),
        ({"rod_swingarm_mm": (-104.9, -85.2)}, "rod_rocker_mm and rod_swingarm_mm are the same point"),
        ({"shock_frame_mm": (-162.7, -72.0)}, "shock_rocker_mm and shock_frame_mm are the same point"),
        ({"rod_swingarm_mm": (0.0, 0.0)}, "pivot_mm and rod_swingarm_mm are the same point"),
        ({"rod_rocker_mm": (-104.9, 85.2)}, "links cross"),  # a sign forgotten
    ],
)
def test_links_without_length_or_crossing_are_refused_by_name(update, message):
    with pytest.raises(LinkageError, match=message):
        build_mechanism(SWINGARM, LINKAGES["frame, pull"].model_copy(update=update))
