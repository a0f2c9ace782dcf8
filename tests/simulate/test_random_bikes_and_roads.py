"""Motorcycles and roads drawn at random are such as exist (common practice, no source)."""

import numpy as np
import pytest

from telemetry.bike import bike_modes, leverage_curve, static_sag, wheel_stroke_mm
from telemetry.simulate import Bump, simulate_outing
from telemetry.simulate.circuit import CLASS_MEAN_M3
from tests.randomised.bikes import random_bike
from tests.randomised.circuits import random_circuit, random_road
from tests.simulate.small_outing import small_outing


@pytest.mark.parametrize("seed", range(0, 40, 2))
def test_a_random_bike_is_a_usual_one(seed):
    bike = random_bike(seed)
    assert bike == random_bike(seed) != random_bike(seed + 1)
    sag = static_sag(bike)
    assert 30.0 < sag["front"].wheel_mm < 40.0
    assert 25.0 < sag["rear"].wheel_mm < 35.0
    assert 105.0 < wheel_stroke_mm(bike, "rear") < 140.0
    ratio = leverage_curve(bike, "rear").ratio(np.linspace(0.0, bike.rear.shock_stroke_mm, 50))
    assert 1.4 < ratio[-1] < ratio[0] < 2.2
    lost = min(bike_modes(bike, rear_damper_scale=0.0), key=lambda mode: mode.damping_ratio)
    assert 12.0 < lost.fn_hz < 20.0
    assert lost.damping_ratio < 0.12  # the tyre alone
    assert min(mode.damping_ratio for mode in bike_modes(bike)) > 0.25


def test_random_bikes_ride():
    for seed in (1, 2):
        truth = small_outing(random_bike(seed), seed=seed).truth
        assert np.all(np.isfinite(truth.front_wheel_mm))
        assert 60.0 < np.std(truth.rear_wheel_mm_s) < 250.0


@pytest.mark.parametrize("seed", range(8))
def test_a_random_road_fits_its_circuit(seed):
    circuit = random_circuit(seed)
    road = random_road(circuit, seed)
    assert road == random_road(circuit, seed) != random_road(circuit, seed + 1)
    assert CLASS_MEAN_M3["A"] <= road.psd_m3 <= CLASS_MEAN_M3["B"]
    for feature in road.features:
        start = feature.at_m if isinstance(feature, Bump) else feature.start_m
        assert 0.0 <= start <= circuit.length_m


def test_a_random_road_can_be_ridden_without_flying():
    circuit = random_circuit(3)
    truth = simulate_outing(
        random_bike(3),
        circuit=circuit,
        road=random_road(circuit, 3),
        laps=1,
        log_rate_hz=200.0,
        step_s=1 / 2000,
    ).truth
    assert np.mean(truth.front_tyre_n <= 0.0) < 0.05
    assert not any(contact.kind == "bottomed" for contact in truth.contacts)
