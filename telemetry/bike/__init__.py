"""The motorcycle: bike file, leverage, springs, geometry, dampers, modes. Knows nothing of logs."""

from telemetry.bike.attitude import Attitude, attitude, chassis_point
from telemetry.bike.bikefile import Bike, Chassis, Damper, DamperSide, load_bike, parse_bike, value_at
from telemetry.bike.curve import LeverageCurve
from telemetry.bike.dampers import DamperRegion, DamperUse, damper_force_n, damper_use
from telemetry.bike.driveline import Squat, rollout_mm, squat
from telemetry.bike.equilibrium import Standing, load_of, stand
from telemetry.bike.geometry import normal_trail_mm, pitch_deg, trail_mm
from telemetry.bike.leverage import leverage_curve, stroke_mm, wheel_stroke_mm
from telemetry.bike.linkage import LinkageSolution, solve_linkage
from telemetry.bike.mechanism import Mechanism, build_mechanism
from telemetry.bike.modes import (
    Matrices,
    Mode,
    SpringEnd,
    bike_matrices,
    bike_modes,
    half_vehicle,
    modes,
    quarter_vehicle,
    spring_end,
    wheel_and_damper,
)
from telemetry.bike.plausible import beyond_limit, beyond_limits, bike_warnings
from telemetry.bike.spring import ShaftSpring
from telemetry.bike.springs import (
    GRAVITY_M_S2,
    Sag,
    chassis_of,
    sag_under_load,
    spring_force_at_wheel_n,
    spring_of,
    sprung_load_n,
    static_sag,
    wheel_rate_n_per_mm,
)
from telemetry.bike.swingarm_sensor import swingarm_sensor_length_mm

__all__ = [
    "GRAVITY_M_S2",
    "Attitude",
    "Bike",
    "Chassis",
    "Damper",
    "DamperRegion",
    "DamperSide",
    "DamperUse",
    "LeverageCurve",
    "LinkageSolution",
    "Matrices",
    "Mechanism",
    "Mode",
    "Sag",
    "ShaftSpring",
    "SpringEnd",
    "Squat",
    "Standing",
    "attitude",
    "beyond_limit",
    "beyond_limits",
    "bike_matrices",
    "bike_modes",
    "bike_warnings",
    "build_mechanism",
    "chassis_of",
    "chassis_point",
    "damper_force_n",
    "damper_use",
    "half_vehicle",
    "leverage_curve",
    "load_bike",
    "load_of",
    "modes",
    "normal_trail_mm",
    "parse_bike",
    "pitch_deg",
    "quarter_vehicle",
    "rollout_mm",
    "sag_under_load",
    "solve_linkage",
    "spring_end",
    "spring_force_at_wheel_n",
    "spring_of",
    "sprung_load_n",
    "squat",
    "stand",
    "static_sag",
    "stroke_mm",
    "swingarm_sensor_length_mm",
    "trail_mm",
    "wheel_and_damper",
    "wheel_rate_n_per_mm",
    "value_at",
    "wheel_stroke_mm",
]
