"""What was moved since the file was measured: length, insert, eccentric, axle, and a sensor on the swingarm."""

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from telemetry.bike import leverage_curve, parse_bike, wheel_stroke_mm
from telemetry.bike.bikefile import swingarm_sensor_length_mm
from telemetry.bike.ends import mechanism_of, rear_end
from telemetry.signals.calibrate import fit_calibration
from telemetry.simulate import demo_bike
from telemetry.stand import Change, apply_changes
from tests.bike.stand_bike import stand_bike, with_values

AT = np.linspace(0.0, 70.0, 141)


def changed(bike, key, value, relative=True):
    return apply_changes(bike, [Change(key, value, relative)])[0]


def test_the_curve_handed_on_is_the_solved_linkage():
    bike = stand_bike()
    solved = rear_end(bike.rear, bike.measured_at).solution
    curve = leverage_curve(bike, "rear")
    between = 0.5 * (solved.shaft_mm[1:] + solved.shaft_mm[:-1])
    from telemetry.bike import solve_linkage

    exact = solve_linkage(
        mechanism_of(bike.rear, bike.measured_at)[0], 70.0, shock_length_mm=332.0, positions=between
    )
    np.testing.assert_allclose(curve.wheel_travel_mm(between), exact.wheel_mm, atol=1e-7)
    np.testing.assert_allclose(curve.ratio(between), exact.ratio, atol=1e-6)


def test_the_demo_linkage_does_what_is_usual():
    # Common practice, no source: about 70 mm of stroke, about 125 mm at the wheel, ratio below 2.1 and falling; one
    # turn of the length adjuster is a millimetre, over six to eight millimetres in all.
    bike = stand_bike()
    ratio = leverage_curve(bike, "rear").ratio(AT)
    assert wheel_stroke_mm(bike, "rear") == pytest.approx(125.0, abs=1.0)
    assert np.all(np.diff(ratio) < 0.0)
    assert 1.5 < ratio[-1] < ratio[0] < 2.1
    length = bike.adjusters["rear.shock_length_mm"]
    assert length.per_turn == 1.0
    assert 6.0 <= length.max - length.min <= 8.0


def test_demo_table_and_demo_linkage_are_the_same_rear():
    table, linkage = (
        leverage_curve(bike, "rear").wheel_travel_mm(AT) for bike in (demo_bike(), stand_bike())
    )
    np.testing.assert_allclose(linkage, table, atol=0.3)


@pytest.mark.parametrize("by_mm", [3.0, -3.0])
def test_another_length_moves_the_start_along_the_same_table(by_mm):
    shock = np.linspace(-5.0, 80.0, 18)
    wheel = 2.0 * shock - 0.003 * shock**2
    data = demo_bike().model_dump(exclude_none=True)
    data["rear"] |= {
        "leverage_table_mm": np.column_stack([shock, wheel])[1:].tolist(),
        "shock_length_mm": 330.0,
    }
    made = changed(parse_bike(data), "rear.shock_length_mm", by_mm)
    s = np.linspace(0.0, 70.0, 71)
    curve = leverage_curve(made, "rear")
    moved = s - by_mm
    np.testing.assert_allclose(
        curve.wheel_travel_mm(s),
        2.0 * moved - 0.003 * moved**2 - (2.0 * -by_mm - 0.003 * by_mm**2),
        atol=0.05,
    )
    np.testing.assert_allclose(curve.ratio(s), 2.0 - 0.006 * moved, atol=0.02)
    # three millimetres above the table's start it was continued; below its start the table is long enough
    assert rear_end(made.rear, made.measured_at).extended_by_mm == max(0.0, by_mm)


def test_length_and_insert_of_a_linkage_do_what_their_geometry_says():
    bike = stand_bike()
    longer = changed(bike, "rear.shock_length_mm", 3.0)
    a, b = (rear_end(each.rear, each.measured_at) for each in (bike, longer))
    # three millimetres at the ratio there
    assert a.extended_axle_mm[1] - b.extended_axle_mm[1] == pytest.approx(3.0 * 2.018, abs=0.03)
    # the upper mount 3 mm lower pushes the wheel down by about as much
    high = changed(bike, "rear.mount_insert.selected", "high", relative=False)
    c = rear_end(high.rear, high.measured_at)
    assert 4.5 < a.extended_axle_mm[1] - c.extended_axle_mm[1] < 6.3
    back = changed(high, "rear.mount_insert.selected", "standard", relative=False)
    assert rear_end(back.rear, back.measured_at).extended_axle_mm == pytest.approx(
        a.extended_axle_mm, abs=1e-9
    )


def test_an_eccentric_at_the_axle_turned_half_round_moves_it_by_its_diameter():
    bike = with_values(rear__eccentric={"moves": "axle_mm", "radius_mm": 5.0, "angle_deg": -90.0})
    up = changed(bike, "rear.eccentric.angle_deg", 180.0)
    a, b = (rear_end(each.rear, each.measured_at) for each in (bike, up))
    assert b.extended_axle_mm[1] - a.extended_axle_mm[1] == pytest.approx(10.0, abs=1e-6)


@pytest.mark.parametrize("kind", ["linkage", "table"])
def test_the_axle_moved_back_along_the_swingarm_has_more_leverage_in_proportion(kind):
    table = demo_bike().rear.leverage_table_mm
    bike = (
        stand_bike()
        if kind == "linkage"
        else with_values(rear__linkage=None, rear__mount_insert=None, rear__leverage_table_mm=table)
    )
    moved = changed(bike, "rear.axle_back_mm", 10.0)
    a, b = (rear_end(each.rear, each.measured_at) for each in (bike, moved))
    assert b.arm_mm - a.arm_mm == pytest.approx(10.0, abs=1e-6)
    np.testing.assert_allclose(b.curve.ratio(AT) / a.curve.ratio(AT), b.arm_mm / a.arm_mm, rtol=2e-4)
    # away from the pivot, along the arm
    along = np.subtract(a.extended_axle_mm, a.pivot_mm) / a.arm_mm
    np.testing.assert_allclose(np.subtract(b.extended_axle_mm, a.extended_axle_mm), 10.0 * along, atol=1e-6)


def test_a_sensor_from_frame_to_swingarm_reads_shock_travel():
    frame, arm = (-100.0, 150.0), (-330.0, -55.0)
    bike = stand_bike()
    length = swingarm_sensor_length_mm(bike, frame, arm, AT)
    # law of cosines: sides to the pivot, angle between them as the swingarm turns
    turn = rear_end(bike.rear, bike.measured_at).solution
    a, b = np.hypot(*frame), np.hypot(*arm)
    angle = np.arccos(np.dot(frame, arm) / (a * b)) - np.interp(AT, turn.shaft_mm, turn.turn_rad)
    np.testing.assert_allclose(length, np.sqrt(a**2 + b**2 - 2 * a * b * np.cos(angle)), atol=1e-3)
    # bench points of the sensor alone: volts against the distance of its mounts
    volts = 0.5 + 0.04 * (length - 250.0)
    made = with_values(
        rear__sensor={
            "channel": "swing",
            "points": [(0.5, 250.0), (0.5 + 0.04 * 70.0, 320.0)],
            "frame_mm": frame,
            "swingarm_mm": arm,
        }
    )
    read = fit_calibration(made.rear.sensor.points).travel_mm(volts)
    np.testing.assert_allclose(
        read, AT, atol=0.3
    )  # a line is kept to where it is within 0.3 mm of all points


def test_a_linkage_bike_is_simulated_and_reviewed_as_any_other(tmp_path):
    # The simulator's truth: wheel travel of its own motion against the review's, through the same door to leverage.
    from telemetry.logs import read_log
    from telemetry.review import review
    from telemetry.simulate import CornerPlan, Riding, Road, build_circuit, simulate_outing, write_log

    plans = (
        (150.0, 40.0, 20.0, 180.0),
        (-40.0, 30.0, 20.0, 70.0),
        (130.0, 28.0, 20.0, 55.0),
        (120.0, 35.0, 20.0, 160.0),
    )
    outing = simulate_outing(
        stand_bike(),
        circuit=build_circuit("small", tuple(CornerPlan(*plan) for plan in plans)),
        laps=1,
        log_rate_hz=200.0,
        riding=Riding(out_lap_m=60.0, in_lap_m=40.0),
        step_s=1 / 2000,
        road=Road(),
    )
    write_log(outing, tmp_path / "outing.csv")
    found = review(read_log(tmp_path / "outing.csv"), stand_bike())
    rear = found.summary.ends["rear"]
    assert rear.wheel_stroke_mm == pytest.approx(124.9, abs=0.1)
    truth = outing.truth.rear_wheel_mm
    measured = np.interp(outing.truth.t_s, found.motion.t_s, found.motion.ends["rear"].wheel_travel_mm)
    known = np.isfinite(measured)
    assert known.mean() > 0.9
    assert np.sqrt(np.mean((measured[known] - truth[known]) ** 2)) < 1.0


@pytest.mark.parametrize("cut", ["none", "low", "high", "two"])
def test_bench_points_of_a_swingarm_sensor_are_a_curve_inside_them_and_a_line_beyond(cut):
    frame, arm = (-100.0, 150.0), (-330.0, -55.0)
    shaft = np.linspace(0.0, 70.0, 71)
    length = swingarm_sensor_length_mm(stand_bike(), frame, arm, shaft)
    low, high = length.min() - 2.0, length.max() + 2.0
    ends = {"none": (low, high), "low": (low + 12.0, high), "high": (low, high - 12.0), "two": (low, high)}[
        cut
    ]
    distance = np.linspace(*ends, 2 if cut == "two" else 5)
    volts = 0.5 + 0.04 * (distance - low) + 2e-4 * (distance - low) ** 2
    made = with_values(
        rear__sensor={
            "channel": "swing",
            "points": np.column_stack([volts, distance]).tolist(),
            "frame_mm": frame,
            "swingarm_mm": arm,
        }
    )
    logged = np.array(made.rear.sensor.points)[:, 0]
    # scipy's PCHIP through the points where they hold the whole stroke, else numpy's straight line
    line = np.polyval(np.polyfit(distance, volts, 1), length)
    wanted = PchipInterpolator(distance, volts)(length) if cut == "none" else line
    np.testing.assert_allclose(logged, wanted, rtol=1e-9)


def test_a_chain_adjuster_without_a_swingarm_in_the_file_leaves_the_table_as_it_is():
    table = demo_bike().rear.leverage_table_mm
    kept = {"rear__linkage": None, "rear__mount_insert": None, "rear__swingarm": None, "rear__chain": None}
    bike = with_values(**kept, rear__leverage_table_mm=table, rear__axle_back_mm=5.0)
    assert leverage_curve(bike, "rear").wheel_travel_mm(np.array([20.0])) == pytest.approx([38.776])


def test_an_open_leverage_is_not_known_over_the_stroke_of_the_file():
    bike = parse_bike({"name": "a bike", "front": {}, "rear": {"shock_stroke_mm": 60.0}})
    curve = leverage_curve(bike, "rear")
    assert curve.shaft_mm == (0.0, 60.0)
    assert np.isnan(curve.wheel_travel_mm(np.array([0.0, 30.0, 60.0]))[1:]).all()
