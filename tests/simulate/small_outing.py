"""Short outings for tests that need a log but not a whole lap of the ring."""

from functools import cache

from telemetry.bike import Bike
from telemetry.simulate import Outing, Riding, Road, Sensors, demo_bike, simulate_outing
from tests.randomised.circuits import small_circuit

CIRCUIT = small_circuit()
RIDING = Riding(out_lap_m=60.0, in_lap_m=40.0)


def small_outing(bike: Bike | None = None, **changes) -> Outing:
    """One lap of a small circuit at 200 Hz, about half a minute."""
    given = {
        "circuit": CIRCUIT,
        "laps": 1,
        "log_rate_hz": 200.0,
        "riding": RIDING,
        "step_s": 1 / 2000,
        "road": Road(),
    }
    return simulate_outing(bike or demo_bike(), **(given | changes))


@cache
def usual(slow_cells="blank", lap_signal="lap") -> Outing:
    """The same outing for all who only look at it."""
    return small_outing(seed=2, sensors=Sensors(slow_cells=slow_cells, lap_signal=lap_signal))
