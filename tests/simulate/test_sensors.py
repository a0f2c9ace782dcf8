"""What the logger writes: potentiometers, slower channels, position, laps."""

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from telemetry.bike import parse_bike
from telemetry.errors import BikeFileError
from telemetry.simulate import Sensors, demo_bike, second_bike
from telemetry.simulate.sensors import travel_signal
from tests.simulate.small_outing import small_outing, usual

TRAVEL = np.linspace(0.5, 69.5, 20_001)


def rng():
    return np.random.default_rng(1)


def back_to_mm(signal, points):
    """By hand: straight lines between the bench points."""
    order = np.argsort([s for s, _ in points])
    return np.interp(signal, np.array(points)[order, 0], np.array(points)[order, 1])


@pytest.mark.parametrize("bike", [demo_bike(), second_bike()], ids=lambda b: b.name)
@pytest.mark.parametrize("end", ["front", "rear"])
def test_calibration_by_the_bench_points_gives_travel_back(bike, end):
    unit = "V" if bike.channels.lap else "counts"
    travel = np.minimum(TRAVEL, 65.0)
    signal = travel_signal(travel, bike, end, Sensors(travel_unit=unit), rng=rng())
    points = bike.end(end).sensor.points
    mm_per_unit = abs((points[-1][1] - points[0][1]) / (points[-1][0] - points[0][0]))
    step_mm = mm_per_unit * (5.0 / 4095.0 if unit == "V" else 1.0)
    wrong = back_to_mm(signal, points) - travel
    # white noise of 0.03 mm and quantisation of a step over sqrt 12 (Widrow & Kollar, Quantization Noise)
    assert np.std(wrong) == pytest.approx(np.hypot(0.03, step_mm / np.sqrt(12.0)), rel=0.05)
    assert abs(np.mean(wrong)) < 0.002


@pytest.mark.parametrize(("bits", "levels"), [(8, 255), (12, 4095)])
def test_values_lie_on_the_steps_of_the_converter(bits, levels):
    signal = travel_signal(TRAVEL, demo_bike(), "rear", Sensors(bits=bits), rng=rng())
    codes = signal / 5.0 * levels
    np.testing.assert_allclose(codes, np.round(codes), atol=1e-9)
    assert np.ptp(codes) > 0.5 * levels  # the shock uses most of the supply


def test_the_converter_stops_at_its_rails():
    low_supply = Sensors(supply_v=3.3, noise_mm=0.0)
    signal = travel_signal(TRAVEL, demo_bike(), "rear", low_supply, rng=rng())
    assert np.max(signal) == 3.3
    assert np.sum(signal == 3.3) > 100


def test_a_sensor_can_be_upside_down():
    signal = travel_signal(
        TRAVEL, second_bike(), "front", Sensors(travel_unit="counts", noise_mm=0.0), rng=rng()
    )
    assert np.all(np.diff(signal) <= 0.0)


def test_a_slipped_mount_and_a_wrong_scale_show_in_the_reading():
    bike, exact = demo_bike(), Sensors(noise_mm=0.0, bits=24)
    points = bike.rear.sensor.points
    for sensors, expected in (
        (Sensors(noise_mm=0.0, bits=24, rear_zero_mm=1.5), TRAVEL + 1.5),
        (Sensors(noise_mm=0.0, bits=24, rear_gain=1.02), 1.02 * TRAVEL),
        (exact, TRAVEL),
    ):
        signal = travel_signal(TRAVEL, bike, "rear", sensors, rng=rng())
        slope = (points[-1][0] - points[0][0]) / (points[-1][1] - points[0][1])
        np.testing.assert_allclose((signal - points[0][0]) / slope, expected, atol=1e-3)


def test_no_sensor_no_log():
    data = demo_bike().model_dump(exclude={"source"})
    data["rear"]["sensor"] = None
    with pytest.raises(BikeFileError, match=r"bare\.toml: has no \[rear\.sensor\]"):
        travel_signal(TRAVEL, parse_bike(data, source="bare.toml"), "rear", Sensors(), rng=rng())


def test_columns_carry_the_names_and_units_of_the_bike_file():
    outing = usual()
    assert list(outing.log_columns) == [
        "time", "fork", "shock", "speed", "throttle", "brake", "lean", "latitude", "longitude", "lap",
    ]  # fmt: skip
    assert list(outing.units) == list(outing.log_columns)
    assert [outing.units[name] for name in ("time", "fork", "speed", "latitude", "lap")] == [
        "s",
        "V",
        "km/h",
        "deg",
        "",
    ]
    other = small_outing(second_bike(), sensors=Sensors(travel_unit="counts", lap_signal="beacon"))
    assert list(other.log_columns) == ["t", "adc1", "adc2", "vwheel", "lat", "lon", "beacon"]
    nothing = small_outing(sensors=Sensors(gps=False, lap_signal="none"))
    assert not {"latitude", "longitude", "lap"} & set(nothing.log_columns)


def test_slower_channels_leave_blanks_or_hold():
    blank = usual().log_columns
    hold = usual(slow_cells="hold").log_columns
    t = blank["time"]
    for name, rate in (("speed", 50.0), ("brake", 50.0), ("latitude", 10.0)):
        there = np.isfinite(blank[name])
        np.testing.assert_allclose(np.diff(t[there]), 1.0 / rate, atol=1e-9)
        assert there[0]
        assert not np.any(np.isnan(hold[name]))
        np.testing.assert_array_equal(hold[name][there], blank[name][there])
        changes = np.flatnonzero(np.diff(hold[name]) != 0.0) + 1
        assert np.all(there[changes])


def test_a_rate_that_does_not_divide_still_gets_its_share_of_values():
    columns = small_outing(log_rate_hz=130.0).log_columns
    share = np.mean(np.isfinite(columns["speed"]))
    assert share == pytest.approx(50.0 / 130.0, abs=0.002)


def test_lap_number_and_beacon_change_at_the_crossing():
    lap = usual()
    beacon = usual(lap_signal="beacon")
    for outing, column in ((lap, "lap"), (beacon, "beacon")):
        values, t = outing.log_columns[column], outing.truth.t_s
        rises = t[np.flatnonzero(np.diff(values) > 0) + 1]
        late = rises - outing.truth.lap_start_s
        assert np.all((late >= 0.0) & (late < 1.0 / 200.0))
    np.testing.assert_array_equal(np.unique(lap.log_columns["lap"]), [0.0, 1.0, 2.0])
    assert np.sum(beacon.log_columns["beacon"]) == pytest.approx(2 * 0.1 * 200.0, abs=2)


def test_position_by_geodesics():
    # GeographicLib: distance of each fix from the true place, measured on the ellipsoid
    outing = small_outing(seed=2, sensors=Sensors(gps_noise_m=0.0, gps_wander_m=0.0))
    latitude, longitude = outing.log_columns["latitude"], outing.log_columns["longitude"]
    at = np.flatnonzero(np.isfinite(latitude))[::10]
    away = [Geodesic.WGS84.Inverse(47.0, -30.0, latitude[i], longitude[i])["s12"] for i in at]
    true = np.hypot(outing.truth.x_m[at], outing.truth.y_m[at])
    np.testing.assert_allclose(away, true, atol=0.05)  # tangent plane over a kilometre
    noisy = usual().log_columns["latitude"][np.isfinite(latitude)]
    off_m = np.radians(noisy - latitude[np.isfinite(latitude)]) * 6.37e6
    assert 0.1 < np.std(off_m) < 1.0


def test_wheel_speed_is_ground_speed_with_slip_lean_and_noise():
    exact = Sensors(speed_noise_m_s=0.0, slip_per_g=0.0, lean_gain=0.0, speed_unit="m/s")
    outing = small_outing(seed=2, sensors=exact)
    there = np.isfinite(outing.log_columns["speed"])
    np.testing.assert_allclose(outing.log_columns["speed"][there], outing.truth.speed_m_s[there], rtol=1e-12)
    # rolling radius and slip: a few percent at most, once it rolls fast enough for the noise not to matter
    fast = there & (outing.truth.speed_m_s > 15.0)
    more = usual().log_columns["speed"][fast] / 3.6 / outing.truth.speed_m_s[fast]
    assert 1.0 < np.mean(more) < 1.03
    assert 0.98 < np.min(more) < np.max(more) < 1.06
