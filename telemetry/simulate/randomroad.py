"""Roads drawn at random for a circuit: what a rider finds on one, at places of its own."""

import numpy as np

from telemetry.simulate.circuit import Circuit
from telemetry.simulate.road import CLASS_MEAN_M3, Bump, Feature, KerbRidges, Road, RoughStretch


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
