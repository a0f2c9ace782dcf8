"""Circuits and roads drawn at random, and a small circuit for logs that need laps and little else."""

from functools import cache

import numpy as np

from telemetry.simulate.circuit import (
    CLASS_MEAN_M3,
    Bump,
    Circuit,
    CornerPlan,
    Feature,
    KerbRidges,
    Road,
    RoughStretch,
    _closing_straights,
    build_circuit,
)


def _random_plans(rng: np.random.Generator) -> tuple[CornerPlan, ...]:
    n = int(rng.integers(9, 13))
    n_against = int(rng.integers(2, 5))
    against = -rng.uniform(40.0, 95.0, n_against)
    n_with = n - n_against
    share = rng.dirichlet(np.full(n_with, 6.0))
    along = 40.0 + share * (360.0 - np.sum(against) - 40.0 * n_with)
    angles = rng.permutation(np.concatenate([against, along])) * rng.choice([-1.0, 1.0])
    radii = rng.uniform(28.0, 110.0, n)
    straights = rng.lognormal(np.log(130.0), 0.5, n)
    straights[0] = rng.uniform(450.0, 750.0)
    easing = rng.uniform(20.0, 40.0, n)
    return tuple(
        CornerPlan(float(a), float(r), float(e), float(s))
        for a, r, e, s in zip(angles, radii, easing, straights, strict=True)
    )


def _crosses_itself(circuit: Circuit, clearance_m: float) -> bool:
    """Whether two stretches that are apart along the lap come closer than a clearance."""
    thin = slice(0, -1, 8)
    z = (circuit.x_m + 1j * circuit.y_m)[thin]
    place = circuit.place_m[thin]
    apart = np.abs(place[:, None] - place[None, :])
    apart = np.minimum(apart, circuit.length_m - apart)
    return bool(np.any((np.abs(z[:, None] - z[None, :]) < clearance_m) & (apart > 3.0 * clearance_m)))


def random_circuit(seed: int) -> Circuit:
    """An invented circuit: 9 to 12 corners, left and right, one long straight, 2 to 4 km.

    Parameters
    ----------
    seed : int
        The same seed gives the same circuit.
    """
    rng = np.random.default_rng([seed, 0xC1])
    while True:
        plans = _random_plans(rng)
        straights = _closing_straights(plans)
        inner = np.min(straights[1:])
        if inner < 25.0 or straights[0] < 350.0 or np.max(straights[1:]) > 600.0:
            continue
        circuit = build_circuit(f"random circuit {seed}", plans)
        if 2000.0 <= circuit.length_m <= 4000.0 and not _crosses_itself(circuit, 25.0):
            return circuit


@cache
def small_circuit() -> Circuit:
    """A circuit of four corners and half a minute a lap, for logs that need laps and little else."""
    return build_circuit(
        "small",
        (
            CornerPlan(150, 40, 20, 180),
            CornerPlan(-40, 30, 20, 70),
            CornerPlan(130, 28, 20, 55),
            CornerPlan(120, 35, 20, 160),
        ),
    )


def random_road(circuit: Circuit, seed: int) -> Road:
    """A road for a circuit: between classes A and B, with bumps, dips, kerbs at corner exits, a rough stretch.

    Parameters
    ----------
    seed : int
        The same seed gives the same road.

    Returns
    -------
    Road
        Bumps of 4 to 12 mm and 0.5 to 3 m; ridges of 5 to 10 mm, 1.2 to 3 m apart.
    """
    rng = np.random.default_rng([seed, 0x20AD])
    features: list[Feature] = []
    for at in rng.uniform(0.0, circuit.length_m, 6):
        up = rng.choice([-1.0, 1.0], p=[0.3, 0.7])
        features.append(Bump(float(at), float(up * rng.uniform(4.0, 12.0)), float(rng.uniform(0.5, 3.0))))
    for at in rng.uniform(0.0, circuit.length_m, 3):
        length = rng.uniform(40.0, 70.0)
        # at 50 m/s a sixth to a third of standard gravity, up or down
        height = rng.choice([-1.0, 1.0], p=[0.7, 0.3]) * rng.uniform(0.035, 0.07) * (length / 50.0) ** 2
        features.append(Bump(float(at), float(1e3 * height), float(length)))
    for i in rng.choice(len(circuit.corners), 2, replace=False):
        start = circuit.corners[int(i)].end_m
        spacing = rng.uniform(1.2, 3.0)
        end = start + rng.uniform(8.0, 16.0) * spacing
        features.append(KerbRidges(start, float(end), float(rng.uniform(5.0, 10.0)), float(spacing)))
    start = float(rng.uniform(0.0, circuit.length_m))
    features.append(
        RoughStretch(start, start + float(rng.uniform(60.0, 200.0)), float(rng.uniform(1.3, 2.0)))
    )
    level = float(np.exp(rng.uniform(np.log(CLASS_MEAN_M3["A"]), np.log(CLASS_MEAN_M3["B"] / 1.5))))
    return Road(psd_m3=level, features=tuple(features))
