"""An in-plane motorcycle on a rough road: demo data, and logs whose truth is known."""

from telemetry.simulate.circuit import (
    Circuit,
    CircuitCorner,
    CornerPlan,
    build_circuit,
    random_circuit,
)
from telemetry.simulate.demobike import (
    DEMO_BIKE_TOML,
    SECOND_BIKE_TOML,
    demo_bike,
    second_bike,
    with_fork_rebound,
)
from telemetry.simulate.faults import (
    DriveKick,
    Fade,
    Fault,
    GpsDropout,
    GpsJump,
    LostDamping,
    LostDampingTime,
    LostStretch,
    SensorNoise,
    SensorTone,
    TyreRunout,
    WheelImbalance,
)
from telemetry.simulate.logfile import log_text, write_log
from telemetry.simulate.outing import Contact, Outing, Truth, simulate_outing
from telemetry.simulate.phases import TRUE_PHASES, true_phases
from telemetry.simulate.randombike import random_bike
from telemetry.simulate.randomroad import random_road
from telemetry.simulate.riding import Riding
from telemetry.simulate.road import Bump, KerbRidges, Road, RoughStretch
from telemetry.simulate.scenarios import SCENARIOS, Scenario, simulate_scenario, write_scenario
from telemetry.simulate.sensors import Sensors
from telemetry.simulate.vehicle import MetalStop, Vehicle
from telemetry.simulate.vellmoor import VELLMOOR_ROAD_SEED, vellmoor_ring, vellmoor_road

__all__ = [
    "DEMO_BIKE_TOML",
    "SCENARIOS",
    "SECOND_BIKE_TOML",
    "VELLMOOR_ROAD_SEED",
    "Bump",
    "Circuit",
    "CircuitCorner",
    "Contact",
    "CornerPlan",
    "DriveKick",
    "Fade",
    "Fault",
    "GpsDropout",
    "GpsJump",
    "KerbRidges",
    "LostDamping",
    "LostDampingTime",
    "LostStretch",
    "MetalStop",
    "Outing",
    "Riding",
    "Road",
    "RoughStretch",
    "Scenario",
    "SensorNoise",
    "SensorTone",
    "Sensors",
    "TRUE_PHASES",
    "Truth",
    "TyreRunout",
    "Vehicle",
    "WheelImbalance",
    "build_circuit",
    "demo_bike",
    "log_text",
    "random_bike",
    "random_circuit",
    "random_road",
    "second_bike",
    "simulate_outing",
    "simulate_scenario",
    "true_phases",
    "vellmoor_ring",
    "vellmoor_road",
    "with_fork_rebound",
    "write_log",
    "write_scenario",
]
