"""Faults and look-alikes do what they say, where they say it."""

import numpy as np
import pytest
from scipy.signal import periodogram

from telemetry.bike import bike_modes
from telemetry.simulate import (
    DriveKick,
    Fade,
    LostDamping,
    LostDampingTime,
    Riding,
    SensorNoise,
    SensorTone,
    TyreRunout,
    Vehicle,
    WheelImbalance,
    demo_bike,
    vellmoor_ring,
)
from telemetry.simulate.circuit import flat_road
from telemetry.simulate.faults import damper_drives, faulty_vehicle
from telemetry.simulate.riding import ride_circuit
from telemetry.simulate.vehicle import ride, steady_drive
from tests.simulate.small_outing import CIRCUIT, small_outing

RIDE = ride_circuit(vellmoor_ring(), Vehicle(demo_bike()), Riding(), 3, np.random.default_rng(0))
LAP_M = vellmoor_ring().length_m


def scales(*faults):
    return damper_drives(faults, RIDE, LAP_M)


def test_lost_damping_at_a_place_on_chosen_laps():
    both, stretches = scales(LostDamping(900.0, 960.0, laps=(2, 3), scale=0.1))
    assert len(stretches) == 2
    for lap, stretch in zip((2, 3), stretches, strict=True):
        place = np.interp([stretch.start_s, stretch.end_s], RIDE.t_s, RIDE.distance_m) - (lap - 1) * LAP_M
        np.testing.assert_allclose(place, [900.0, 960.0], atol=0.5)
    lost = both["rear"].scale == 0.1
    assert np.sum(lost) * RIDE.step_s == pytest.approx(sum(s.end_s - s.start_s for s in stretches))
    assert np.all(both["rear"].scale[~lost] == 1.0)
    assert np.all(both["front"].scale == 1.0)


def test_every_lap_means_also_those_before_and_after():
    _, stretches = scales(LostDamping(2500.0, 2560.0), LostDamping(200.0, 240.0, end="front"))
    assert [s.end for s in stretches].count("rear") == 4  # one on the way out
    assert [s.end for s in stretches].count("front") == 4  # one on the way in


def test_a_stretch_over_the_line_belongs_to_the_lap_it_starts_in():
    _, stretches = scales(LostDamping(LAP_M - 30.0, LAP_M + 40.0, laps=(1,)))
    (stretch,) = stretches
    assert stretch.start_s < RIDE.lap_start_s[1] < stretch.end_s


def test_lost_damping_by_time():
    both, (stretch,) = scales(LostDampingTime(50.0, 52.0))
    assert (stretch.start_s, stretch.end_s) == pytest.approx((50.0, 52.0), abs=0.006)
    assert np.sum(both["rear"].scale < 1.0) * RIDE.step_s == pytest.approx(2.0, abs=0.006)


def test_fade_runs_evenly_over_the_timed_laps():
    fading, _ = scales(Fade(0.4))
    at_lines = np.interp(RIDE.lap_start_s, RIDE.t_s, fading["rear"].scale)
    np.testing.assert_allclose(at_lines, [1.0, 0.8, 0.6, 0.4], atol=1e-4)
    assert fading["rear"].scale[0] == 1.0
    assert fading["rear"].scale[-1] == 0.4


def test_a_lost_rear_damper_lets_the_wheel_ring_at_its_own_frequency():
    # On a random road the rear wheel's spectrum peaks at the mode of the matrices with the damper taken out
    outing, healthy = (
        small_outing(seed=3, laps=2, faults=f) for f in ((LostDamping(0.0, CIRCUIT.length_m),), ())
    )
    on_lap = (outing.truth.lap == 1) | (outing.truth.lap == 2)
    ringing = min(bike_modes(demo_bike(), rear_damper_scale=0.05), key=lambda m: m.damping_ratio)
    f, p = periodogram(outing.truth.rear_wheel_mm_s[on_lap], 200.0)
    band = (f > 10.0) & (f < 25.0)
    smooth = np.convolve(p, np.ones(81) / 81.0, mode="same")
    assert f[band][np.argmax(smooth[band])] == pytest.approx(ringing.fn_hz, abs=1.0)
    f, q = periodogram(healthy.truth.rear_wheel_mm_s[on_lap], 200.0)
    near = np.abs(f - ringing.fn_hz) < 1.0
    assert np.sum(p[near]) > 4.0 * np.sum(q[near])
    # the front feels it through the chassis only
    assert np.std(outing.truth.front_wheel_mm_s[on_lap]) < 1.2 * np.std(
        healthy.truth.front_wheel_mm_s[on_lap]
    )


@pytest.mark.parametrize(
    "fault",
    [TyreRunout(0.8), WheelImbalance(0.03), TyreRunout(0.8, end="front"), WheelImbalance(0.03, end="front")],
)
def test_the_wheels_own_faults_turn_with_the_wheel(fault):
    bike, speed = demo_bike(), 31.0
    radius_m = (bike.rear if fault.end == "rear" else bike.front).tyre_radius_mm / 1e3
    ridden = ride(
        faulty_vehicle(Vehicle(bike), (fault,)), steady_drive(speed, 20.0), flat_road(), sample_rate_hz=500.0
    )
    late = ridden.t_s > 4.0
    f, p = periodogram(getattr(ridden, f"{fault.end}_m")[late], 500.0)
    assert f[np.argmax(p)] == pytest.approx(speed / (2.0 * np.pi * radius_m), abs=0.07)
    other = "front" if fault.end == "rear" else "rear"
    assert np.std(getattr(ridden, f"{other}_m")[late]) < 0.3 * np.std(getattr(ridden, f"{fault.end}_m")[late])


def difference_mm(*faults):
    """What faults of the sensor add to the logged shock signal, in mm; true motion must not change."""
    with_fault, without = (small_outing(seed=2, faults=f) for f in (faults, ()))
    np.testing.assert_array_equal(with_fault.truth.rear_wheel_mm, without.truth.rear_wheel_mm)
    np.testing.assert_array_equal(with_fault.log_columns["fork"], without.log_columns["fork"])
    return without.truth.t_s, (with_fault.log_columns["shock"] - without.log_columns["shock"]) * 70.0 / 3.46


def test_a_tone_is_added_to_the_sensor_and_folds_with_the_sampling():
    # 230 Hz at 200 Hz shows at 30 Hz: |f - fs round(f / fs)|
    t, added = difference_mm(SensorTone(230.0, 0.5, start_s=10.0, end_s=30.0))
    inside = (t >= 10.0) & (t < 30.0)
    f, p = periodogram(added[inside], 200.0)
    assert f[np.argmax(p)] == pytest.approx(30.0, abs=0.05)
    assert np.std(added[inside]) == pytest.approx(0.5 / np.sqrt(2.0), rel=0.02)
    assert np.all(added[~inside] == 0.0)


def test_noise_is_added_where_it_says():
    data = [small_outing(seed=2, faults=f) for f in ((SensorNoise(0.4, start_s=10.0, end_s=30.0),), ())]
    t = data[0].truth.t_s
    inside = (t >= 10.0) & (t < 30.0)
    for outing, sd in zip(data, (np.hypot(0.4, 0.03), 0.03), strict=True):
        wrong = (outing.log_columns["shock"] - 0.405) * 35.0 / 1.73 - outing.truth.rear_shaft_mm
        assert np.std(wrong[inside]) == pytest.approx(np.hypot(sd, 0.0247 / np.sqrt(12.0)), rel=0.05)
        assert np.std(wrong[~inside]) == pytest.approx(np.hypot(0.03, 0.0247 / np.sqrt(12.0)), rel=0.05)


def test_a_kick_of_the_drive_moves_the_rear_and_dies_away():
    kicked, plain = (small_outing(seed=2, faults=f) for f in ((DriveKick(700.0),), ()))
    moved = kicked.truth.rear_wheel_mm - plain.truth.rear_wheel_mm
    passed = np.interp(700.0, plain.truth.distance_m, plain.truth.t_s)
    t = plain.truth.t_s
    assert np.max(np.abs(moved[t < passed - 0.01])) == 0.0
    assert np.max(np.abs(moved[(t > passed) & (t < passed + 0.5)])) > 1.0
    assert np.max(np.abs(moved[(t > passed + 2.0) & (t < passed + 3.0)])) < 0.2
