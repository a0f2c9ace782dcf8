"""Outings that run out of travel: random motorcycles on springs too soft, on roads with hard bumps and hollows."""

import numpy as np

from telemetry.bike import Bike
from telemetry.simulate import Bump, Outing, Road, Sensors, simulate_outing
from tests.randomised.bikes import random_bike
from tests.randomised.circuits import random_circuit, random_road

RATES_HZ = (500.0, 200.0, 1000.0)


def soft_bike(seed: int) -> Bike:
    """A random motorcycle on softer springs and bump stops than it should have."""
    bike, rng = random_bike(seed), np.random.default_rng([seed, 0x50F7])
    ends = {}
    for name, section in (("front", bike.front), ("rear", bike.rear)):
        stop = section.spring.bump_stop
        soft = stop.model_copy(update={"force_n": stop.force_n * float(rng.uniform(0.15, 0.6))})
        ends[name] = section.model_copy(
            update={
                "spring_rate_n_per_mm": section.spring_rate_n_per_mm * float(rng.uniform(0.78, 0.95)),
                "spring": section.spring.model_copy(update={"bump_stop": soft}),
            }
        )
    return bike.model_copy(update=ends)


def harsh_road(seed: int) -> tuple:
    """A random circuit and its road with eight bumps and hollows that are hard to swallow."""
    circuit, rng = random_circuit(seed), np.random.default_rng([seed, 0x4A25])
    road = random_road(circuit, seed)
    extra = tuple(
        Bump(
            float(at), float(rng.choice([-1.0, 1.0]) * rng.uniform(10.0, 30.0)), float(rng.uniform(2.0, 6.0))
        )
        for at in rng.uniform(0.0, circuit.length_m, 8)
    )
    return circuit, Road(psd_m3=road.psd_m3, features=(*road.features, *extra))


def harsh_outing(seed: int, *, laps: int = 2, rate_hz: float | None = None) -> Outing:
    """One outing of two laps; its rate goes with the seed, or is given."""
    circuit, road = harsh_road(seed)
    rate = RATES_HZ[seed % len(RATES_HZ)] if rate_hz is None else rate_hz
    return simulate_outing(
        soft_bike(seed), circuit=circuit, road=road, seed=seed, laps=laps, log_rate_hz=rate, sensors=Sensors()
    )
