"""The motorcycle: bike file, leverage, geometry, dampers. Knows nothing of logs."""

from telemetry.bike.bikefile import Bike, Chassis, Damper, DamperSide, load_bike, parse_bike
from telemetry.bike.dampers import damper_force_n
from telemetry.bike.geometry import normal_trail_mm, pitch_deg, trail_mm
from telemetry.bike.leverage import LeverageCurve, leverage_curve, stroke_mm, wheel_stroke_mm

__all__ = [
    "Bike",
    "Chassis",
    "Damper",
    "DamperSide",
    "LeverageCurve",
    "damper_force_n",
    "leverage_curve",
    "load_bike",
    "normal_trail_mm",
    "parse_bike",
    "pitch_deg",
    "stroke_mm",
    "trail_mm",
    "wheel_stroke_mm",
]
