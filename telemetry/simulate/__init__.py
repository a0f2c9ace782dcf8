"""In-plane simulation of a motorcycle on a rough road: demo data, and logs with known truth."""

from telemetry.simulate.circuit import (
    VELLMOOR_ROAD_SEED,
    Bump,
    Circuit,
    CircuitCorner,
    CornerPlan,
    KerbRidges,
    Road,
    RoughStretch,
    build_circuit,
    vellmoor_ring,
    vellmoor_road,
)
from telemetry.simulate.demobike import (
    DEMO_BIKE_TOML,
    SCENARIOS,
    SECOND_BIKE_TOML,
    Scenario,
    demo_bike,
    second_bike,
    simulate_scenario,
    with_fork_rebound,
    write_scenario,
)
from telemetry.simulate.faults import (
    BracketResonance,
    ChannelClock,
    DriveKick,
    Fade,
    Fault,
    Foaming,
    From,
    GasLeak,
    GpsDropout,
    GpsJump,
    LoggerClock,
    LostDamping,
    LostDampingTime,
    LostStretch,
    OilLeak,
    Overheating,
    SensorBow,
    SensorNoise,
    SensorPlay,
    SensorTone,
    StuckGasPiston,
    StuckValve,
    TyreRunout,
    WeakDamper,
    WheelImbalance,
)
from telemetry.simulate.outing import (
    Contact,
    Outing,
    Truth,
    damping_left,
    log_text,
    simulate_outing,
    write_log,
)
from telemetry.simulate.riding import Riding
from telemetry.simulate.sensors import Sensors
from telemetry.simulate.vehicle import DamperPhysics, DamperTrace, MetalStop, Vehicle

__all__ = [
    "BracketResonance", "Bump", "ChannelClock", "Circuit", "CircuitCorner", "Contact", "CornerPlan",
    "DEMO_BIKE_TOML", "DamperPhysics", "DamperTrace", "DriveKick", "Fade", "Fault", "Foaming", "From", "GasLeak",
    "GpsDropout", "GpsJump", "KerbRidges", "LoggerClock", "LostDamping", "LostDampingTime", "LostStretch",
    "MetalStop", "OilLeak", "Outing", "Overheating", "Riding", "Road", "RoughStretch", "SCENARIOS",
    "SECOND_BIKE_TOML", "Scenario", "SensorBow", "SensorNoise", "SensorPlay", "SensorTone", "Sensors",
    "StuckGasPiston", "StuckValve", "Truth", "TyreRunout", "VELLMOOR_ROAD_SEED", "Vehicle", "WeakDamper",
    "WheelImbalance", "build_circuit", "damping_left", "demo_bike", "log_text", "second_bike", "simulate_outing",
    "simulate_scenario", "vellmoor_ring", "vellmoor_road", "with_fork_rebound", "write_log", "write_scenario",
]  # fmt: skip
