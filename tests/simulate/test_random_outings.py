"""Random outings with a failing damper: the bikes, what the fault does on the road, and the truth beside it."""

from functools import cache

import numpy as np
import pytest

from telemetry.bike import bike_modes, bike_warnings, leverage_curve, static_sag
from telemetry.logs import RawLog
from telemetry.review import measure
from telemetry.simulate import DamperPhysics, From, StuckValve, Vehicle, damping_left, demo_bike
from telemetry.simulate.circuit import vellmoor_ring
from telemetry.simulate.faults import damper_drives, faulty_vehicle
from telemetry.simulate.riding import Riding, ride_circuit
from telemetry.simulate.vehicle import ride, steady_drive
from tests.randomised.bikes import random_bike
from tests.randomised.outings import CROWD, SLOW, SUDDEN, random_outing
from tests.simulate.small_outing import small_outing

STIFF = DamperPhysics(stiffness_n_per_mm=1e6, gas_bar=1e3, thinning_1_k=0.0)


@cache
def outing(fault="sound", crowd=()):
    """Shared: one lap at 200 Hz."""
    return random_outing(11, fault=fault, hop_hz=18.0, laps=1, crowd=crowd)


@pytest.mark.parametrize("hop_hz", [12.0, 14.5, 17.0, 19.0, 21.0])
def test_the_wheel_hop_lies_where_it_is_asked_for(hop_hz):
    for seed in range(4):
        bike = random_bike(seed, hop_hz=hop_hz)
        rear = bike.rear
        sag = static_sag(bike)["rear"].shaft_mm
        ratio = leverage_curve(bike, "rear").ratio(np.array([sag]))[0]
        stiff_n_m = 1e3 * (rear.tyre_rate_n_per_mm + rear.spring_rate_n_per_mm / ratio**2)
        assert np.sqrt(stiff_n_m / rear.unsprung_mass_kg) / (2.0 * np.pi) == pytest.approx(hop_hz, rel=0.01)
        lost = min(bike_modes(bike, rear_damper_scale=0.0), key=lambda mode: mode.damping_ratio)
        assert lost.fn_hz == pytest.approx(hop_hz, abs=0.5)  # the chassis takes part a little
        assert min(mode.damping_ratio for mode in bike_modes(bike)) > 0.25
        assert 100.0 < rear.tyre_rate_n_per_mm < 290.0 and 12.0 < rear.unsprung_mass_kg < 30.0
        assert not bike_warnings(bike)


def test_a_stiff_damper_rides_as_the_curve_does():
    bike = demo_bike()
    curve, physical = (
        small_outing(vehicle=Vehicle(bike, front_damper=p, rear_damper=p)) for p in (None, STIFF)
    )
    for end in ("front", "rear"):
        a, b = (getattr(o.truth, f"{end}_wheel_mm") for o in (curve, physical))
        assert np.max(np.abs(a - b)) < 0.1
        speeds = (getattr(o.truth, f"{end}_wheel_mm_s") for o in (curve, physical))
        assert np.std(np.subtract(*speeds)) < 0.02 * np.std(curve.truth.rear_wheel_mm_s)
        trace = getattr(physical.truth, f"{end}_damper")
        assert damping_left(trace, physical.truth.t_s, 0.0, 30.0) == pytest.approx(1.0, abs=2e-3)


def test_one_side_alone_moves_the_mean_travel():
    # what only one side holds is pushed to the other: compression weak packs down, rebound weak rides high
    def mean_mm(side):
        faults = () if side is None else (StuckValve(From(0.0), side),)
        return np.mean(small_outing(faults=faults, seed=4).truth.rear_wheel_mm)

    sound = mean_mm(None)
    assert mean_mm("compression") > sound + 0.3
    assert mean_mm("rebound") < sound - 0.3


def test_work_left_is_the_share_of_a_scaled_force():
    bike = demo_bike()
    drive = steady_drive(40.0, 8.0, rear_damper_scale=0.3)
    road = small_outing().road
    for physics in (None, STIFF):
        ridden = ride(Vehicle(bike, rear_damper=physics), drive, road, sample_rate_hz=200.0)
        assert damping_left(ridden.rear_damper, ridden.t_s, 1.0, 7.0) == pytest.approx(0.3, rel=5e-3)
        assert damping_left(ridden.front_damper, ridden.t_s, 1.0, 7.0) == pytest.approx(1.0, rel=1e-9)


def test_a_fault_begins_at_its_place_and_lasts():
    ring = vellmoor_ring()
    ridden = ride_circuit(ring, Vehicle(demo_bike()), Riding(), 3, np.random.default_rng(0))
    drives, stretches = damper_drives(
        (StuckValve(From(500.0, 1.5, (2, 3)), "rebound"),), ridden, ring.length_m
    )
    assert [s.kind for s in stretches] == ["stuck rebound"] * 2
    for lap, stretch in zip((2, 3), stretches, strict=True):
        place = np.interp(stretch.start_s, ridden.t_s, ridden.distance_m)
        assert place == pytest.approx((lap - 1) * ring.length_m + 500.0, abs=0.5)
        assert stretch.end_s - stretch.start_s == pytest.approx(1.5, abs=0.006)
    assert np.sum(drives["rear"].rebound_open) * ridden.step_s == pytest.approx(3.0, abs=0.02)
    assert not np.any(drives["rear"].compression_open) and not np.any(drives["front"].rebound_open)
    for_good, _ = damper_drives((StuckValve(From(500.0, laps=(2,))),), ridden, ring.length_m)
    assert for_good["rear"].rebound_open[-1] == 1.0


@pytest.mark.parametrize("fault", SUDDEN)
def test_sudden_losses_come_at_corner_exits_and_cost_damping(fault):
    ridden = outing(fault)
    assert len(ridden.losses) >= 2
    truth = ridden.outing.truth
    for loss in ridden.losses:
        assert loss.kind == fault
        assert 0.59 < loss.end_s - loss.start_s < 2.51
        at = np.interp(loss.start_s, truth.t_s, truth.lap_distance_m)
        assert any(corner.apex_m < at < corner.end_m + 2.0 for corner in truth.corners)
        assert truth.lap[np.searchsorted(truth.t_s, loss.start_s)] == loss.lap
    assert min(loss.damping_left for loss in ridden.losses) < (0.8 if fault == "stuck compression" else 0.4)
    one_side = fault in ("stuck compression", "stuck rebound")  # a third of the damping and more is left
    assert max(loss.hop_ratio for loss in ridden.losses) > (1.15 if one_side else 1.7)
    # what was left is below 1 where the hop is larger; elsewhere the rides are the same
    first = ridden.losses[0].start_s
    before = truth.t_s < first - 0.5
    np.testing.assert_array_equal(truth.rear_wheel_mm[before], outing().outing.truth.rear_wheel_mm[before])


@pytest.mark.parametrize("fault", SLOW)
def test_slow_losses_take_damping_lap_by_lap(fault):
    ridden = random_outing(11, fault=fault, laps=2, rate_hz=100.0)
    left = ridden.left_by_lap["rear"]
    assert not ridden.losses
    assert left[-1] < 0.9 and left[-1] < left[0] - 0.1
    assert np.all(np.diff(left) < 0.01)
    assert ridden.hop_ratio_by_lap[-1] > 1.1


def test_a_sound_outing_has_nothing_lost_whatever_else_is_there():
    ridden = outing(crowd=CROWD)
    assert not ridden.losses
    np.testing.assert_allclose(ridden.left_by_lap["rear"], 1.0, atol=0.1)
    np.testing.assert_array_equal(ridden.hop_ratio_by_lap, 1.0)


def test_the_same_seed_gives_the_same_outing_and_both_bike_files_read_it():
    ridden, again = outing("void"), random_outing(11, fault="void", hop_hz=18.0, laps=1)
    assert ridden.losses == again.losses
    log = RawLog("random", ridden.outing.log_columns, ridden.outing.units)
    for name, column in log.columns.items():
        np.testing.assert_array_equal(column, again.outing.log_columns[name])
    assert ridden.full.chassis is not None and ridden.minimum.chassis is None
    assert ridden.minimum.rear.damper is None and ridden.minimum.rear.sensor is not None
    for bike in (ridden.full, ridden.minimum):
        assert sum(lap.complete for lap in measure(log, bike).track.laps) == 1


def test_words_that_are_not_known_are_refused():
    with pytest.raises(ValueError, match="rusty: not known"):
        random_outing(1, fault="rusty")
    with pytest.raises(ValueError, match="cows: not known"):
        random_outing(1, crowd=("cows",))


def test_faults_of_the_front_go_to_the_front():
    vehicle = faulty_vehicle(Vehicle(demo_bike()), (StuckValve(From(0.0), end="front"),))
    assert vehicle.front_damper is not None and vehicle.rear_damper is None
