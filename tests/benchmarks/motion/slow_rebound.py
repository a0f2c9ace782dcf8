"""Outings over rows of bumps, sound or with rebound far too slow at one end."""

from dataclasses import dataclass

import numpy as np

from telemetry.bike import Bike
from telemetry.simulate import Bump, Circuit, Outing, Road, simulate_outing
from tests.randomised.bikes import random_bike
from tests.randomised.circuits import random_circuit, random_road


@dataclass(frozen=True)
class Rows:
    """An outing over rows of bumps: the end whose rebound was changed, and where the rows lie (lap distance, m)."""

    outing: Outing
    end: str
    spots: tuple[tuple[float, float], ...]


def with_rebound(bike: Bike, end: str, times: float) -> Bike:
    """A bike with so many times the rebound damping at one end."""
    section = getattr(bike, end)
    rebound = section.damper.rebound
    slow = rebound.model_copy(
        update={
            "low_n_s_per_mm": times * rebound.low_n_s_per_mm,
            "high_n_s_per_mm": times * rebound.high_n_s_per_mm,
        }
    )
    damper = section.damper.model_copy(update={"rebound": slow})
    return bike.model_copy(update={end: section.model_copy(update={"damper": damper})})


def bump_rows(circuit: Circuit, seed: int) -> list[Bump]:
    """A row of seven to ten bumps on each of the two longest straights."""
    rng, bumps = np.random.default_rng([seed, 0x9AC]), []
    corners = circuit.corners
    straights = sorted(
        ((corners[(i + 1) % len(corners)].start_m - corner.end_m) % circuit.length_m, corner.end_m)
        for i, corner in enumerate(corners)
    )
    for length, start in straights[-2:]:
        spacing, n, height = rng.uniform(4.0, 7.0), int(rng.integers(7, 11)), rng.uniform(14.0, 24.0)
        first = (start + 0.25 * length) % circuit.length_m
        bumps.append([Bump(float(first + k * spacing), float(height), 2.2) for k in range(n)])
    return bumps


def rows_outing(seed: int, times: float, *, laps: int = 3, rate_hz: float = 500.0) -> Rows:
    """A random motorcycle with so many times its rebound damping at one end, which goes with the seed."""
    end = "rear" if seed % 2 else "front"
    circuit = random_circuit(seed)
    rows, road = bump_rows(circuit, seed), random_road(circuit, seed)
    features = (*road.features, *(bump for row in rows for bump in row))
    outing = simulate_outing(
        with_rebound(random_bike(seed), end, times),
        circuit=circuit,
        road=Road(psd_m3=road.psd_m3, features=features),
        seed=seed,
        laps=laps,
        log_rate_hz=rate_hz,
    )
    return Rows(outing, end, tuple((row[0].at_m, row[-1].at_m) for row in rows))
