"""The invented circuits: the Vellmoor Ring of the demo data with its road, and a small one for short logs."""

from functools import cache

from telemetry.simulate.circuit import Circuit, CornerPlan, build_circuit
from telemetry.simulate.road import Bump, KerbRidges, Road, RoughStretch

VELLMOOR_ROAD_SEED = 7  # of its random unevenness: the same on every day


@cache
def vellmoor_ring() -> Circuit:
    """The Vellmoor Ring: 2.9 km, seven corners to the right and four to the left, one long straight."""
    return build_circuit(
        "Vellmoor Ring",
        (
            CornerPlan(84, 100, 30, 715),
            CornerPlan(95, 61, 29, 334),
            CornerPlan(-47, 54, 27, 119),
            CornerPlan(85, 39, 23, 109),
            CornerPlan(54, 39, 35, 26),
            CornerPlan(-60, 83, 21, 118),
            CornerPlan(-57, 36, 26, 38),
            CornerPlan(81, 77, 34, 72),
            CornerPlan(-55, 72, 24, 45),
            CornerPlan(92, 33, 34, 52),
            CornerPlan(88, 93, 28, 101),
        ),
    )


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


def vellmoor_road() -> Road:
    """The road of the Vellmoor Ring: between classes A and B, with dips, a crest, bumps and a kerb."""
    return Road(
        features=(
            Bump(150.0, -150.0, 60.0),  # dip where the brakes go on for corner 1
            Bump(430.0, -260.0, 45.0),  # dip at the exit of corner 1
            Bump(500.0, 12.0, 2.0),
            Bump(700.0, -140.0, 40.0),  # dip under braking for corner 2
            Bump(960.0, 10.0, 1.2),
            KerbRidges(1308.0, 1330.0, 10.0, 1.6),  # inside kerb between corners 4 and 5
            Bump(1450.0, -12.0, 3.0),
            Bump(1580.0, -420.0, 45.0),  # dip in the middle of corner 6
            RoughStretch(1960.0, 2120.0, 1.5),
            Bump(2300.0, 8.0, 0.6),
            Bump(2730.0, 110.0, 60.0),  # crest on the straight, and the dip behind it
            Bump(2790.0, -110.0, 60.0),
        )
    )
