"""The motorcycle: bike file, leverage, springs, geometry, dampers, modes. Knows nothing of logs."""

from telemetry.bike.bikefile import Bike, Chassis, Damper, DamperSide, load_bike, parse_bike
from telemetry.bike.curve import LeverageCurve
from telemetry.bike.dampers import damper_force_n
from telemetry.bike.geometry import normal_trail_mm, pitch_deg, trail_mm
from telemetry.bike.leverage import leverage_curve, stroke_mm, wheel_stroke_mm
from telemetry.bike.modes import (
    Matrices,
    Mode,
    SpringEnd,
    bike_matrices,
    bike_modes,
    half_vehicle,
    modes,
    quarter_vehicle,
    wheel_and_damper,
)
from telemetry.bike.springs import (
    GRAVITY_M_S2,
    Sag,
    chassis_of,
    sag_under_load,
    spring_force_at_wheel_n,
    sprung_load_n,
    static_sag,
    wheel_rate_n_per_mm,
)

__all__ = [
    "GRAVITY_M_S2",
    "Bike",
    "Chassis",
    "Damper",
    "DamperSide",
    "LeverageCurve",
    "Matrices",
    "Mode",
    "Sag",
    "SpringEnd",
    "bike_matrices",
    "bike_modes",
    "chassis_of",
    "damper_force_n",
    "half_vehicle",
    "leverage_curve",
    "load_bike",
    "modes",
    "normal_trail_mm",
    "parse_bike",
    "pitch_deg",
    "quarter_vehicle",
    "sag_under_load",
    "spring_force_at_wheel_n",
    "sprung_load_n",
    "static_sag",
    "stroke_mm",
    "trail_mm",
    "wheel_and_damper",
    "wheel_rate_n_per_mm",
    "wheel_stroke_mm",
]
