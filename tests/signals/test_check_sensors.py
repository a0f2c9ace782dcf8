"""What ``bothends check`` says of the travel sensors, and bench tables beside the bike file."""

import io

import numpy as np
import pytest
from rich.console import Console

from telemetry.bike import load_bike
from telemetry.errors import BikeFileError
from telemetry.logs import RawLog
from telemetry.notes import Step
from telemetry.report.check import check_log, check_to_json, print_check, sensor_checks, sensor_rows
from telemetry.review.steps import measure, review, sensors
from telemetry.simulate import DEMO_BIKE_TOML, Sensors, demo_bike, simulate_outing

FRONT = "points = [[0.312, 0.0], [1.298, 30.0], [2.284, 60.0], [3.270, 90.0], [4.420, 125.0]]"
REAR = "points = [[0.405, 0.0], [2.135, 35.0], [3.865, 70.0]]"


def bike_with(tmp_path, *changes, table=None):
    text = DEMO_BIKE_TOML
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    if table is not None:
        (tmp_path / "bench.csv").write_text(table, encoding="utf-8")
    (tmp_path / "bike.toml").write_text(text, encoding="utf-8")
    return load_bike(tmp_path / "bike.toml")


@pytest.fixture(scope="module")
def outing():
    return simulate_outing(
        demo_bike(), seed=61, laps=2, log_rate_hz=200.0, sensors=Sensors(rear_zero_mm=-1.2)
    )


def test_check_says_how_the_sensors_were_calibrated(outing):
    log = RawLog("outing.csv", dict(outing.log_columns), dict(outing.units))
    check = check_log(log, measured=measure(log, demo_bike()))
    front, rear = check.sensors
    # numpy.polyfit on the bench points of the bike file
    points = np.array(demo_bike().front.sensor.points)
    slope, start = np.polyfit(points[:, 0], points[:, 1], 1)
    residual = np.abs(points[:, 1] - (start + slope * points[:, 0])).max()
    assert (front.end, front.column, front.fit, front.zero_from) == (
        "front",
        "fork",
        "line, 5 points",
        "bench",
    )
    assert front.mm_per_signal == pytest.approx(slope)
    assert front.linearity_pct == pytest.approx(100 * residual / 125)
    # a mount that slipped by 1.2 mm shows where the rear tops out; its stop gives by 0.3 to 0.5 mm
    assert rear.topped_out_mm == pytest.approx(-1.2 + 0.4, abs=0.3)
    console = Console(file=io.StringIO(), width=140)
    print_check(check, console)
    text = console.file.getvalue()
    assert "Travel sensors" in text and "line, 5 points" in text and "bench" in text
    assert '"linearity_pct"' in check_to_json(check)


def test_two_points_say_nothing_of_the_fit():
    settings = {
        "end": "front", "channel": "fork", "kind": "line", "points": 2, "mm_per_signal": 30.0,
        "largest_residual_mm": 0.0, "linearity_pct": 0.0, "zero_from": "bench",
    }  # fmt: skip
    two, three = sensor_checks((Step("calibrate", settings), Step("calibrate", {**settings, "points": 3})))
    del settings["largest_residual_mm"], settings["linearity_pct"]
    assert sensor_checks((Step("calibrate", settings),)) == (two,)
    assert (two.largest_residual_mm, two.linearity_pct) == (None, None)
    assert [row[4:6] for row in sensor_rows((two, three))] == [("–", "–"), ("0.00", "0.00")]


@pytest.mark.parametrize(
    "table",
    [
        "0.312,0\n1.298,30\n2.284,60\n3.27,90\n4.42,125\n",
        "signal;mm\nV;mm\n# at the bench\n0,312;0\n1,298;30\n2,284;60\n\n3,27;90\n4,42;125;\n",
        '\ufeff"signal"\t"travel"\n0.312\t0\n1.298\t30\n2.284\t60\n3.27\t90\n4.42\t125\n',
    ],
)
def test_a_bench_table_beside_the_bike_file(tmp_path, table):
    bike = bike_with(tmp_path, (FRONT, 'table = "bench.csv"'), table=table)
    assert bike.front.sensor.points == demo_bike().front.sensor.points


@pytest.mark.parametrize(
    ("new", "table", "message"),
    [
        ('table = "bench.csv"', "0.3,0\nend,1\n", r"bench.csv, line 2: 'end,1' is not a pair: signal, mm"),
        ('table = "bench.csv"', "signal,mm\n0.3,0\n", r"bench.csv: holds 1 pairs of numbers"),
        ('table = "other.csv"', None, r"other.csv: cannot be read \(No such file"),
        ('table = "bench.csv"\n' + FRONT, "1,2\n3,4\n", r"front.sensor has points and table; give one"),
        (
            FRONT + "\nzero = 0.3\nzero_topped_out = true",
            None,
            "give one of zero, zero_interval_s and zero_topped_out",
        ),
        (FRONT + '\nsupply = "v"', None, "supply and supply_reference belong together"),
        (FRONT + "\nzero_interval_s = [5, 3]", None, r"zero_interval_s must be \[from, to\]"),
    ],
)
def test_what_does_not_go_together(tmp_path, new, table, message):
    with pytest.raises(BikeFileError, match=message):
        bike_with(tmp_path, (FRONT, new), table=table)


def test_a_rear_sensor_that_measures_wheel_travel(tmp_path, outing):
    """Signal to wheel travel by its own points, then to the shaft by the inverse of the leverage curve."""
    points = 'measures = "wheel"\npoints = [[0.5, 0.0], [4.5, 125.0]]'
    bike = bike_with(tmp_path, (REAR, points))
    assert sensors(bike)["rear"].to_shaft[-1] == pytest.approx((125.0, 70.0))
    columns = dict(outing.log_columns) | {"shock": 0.5 + 4.0 * outing.truth.rear_wheel_mm / 125.0}
    seen = review(RawLog("outing.csv", columns, dict(outing.units)), bike)
    error = seen.motion.ends["rear"].shaft_travel_mm - outing.truth.rear_shaft_mm
    assert float(np.sqrt(np.nanmean(error**2))) < 0.02
    assert (
        float(np.nanmax(np.abs(seen.motion.ends["rear"].wheel_travel_mm - outing.truth.rear_wheel_mm))) < 0.6
    )
