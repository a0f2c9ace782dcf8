"""The motorcycle: bike file, leverage, springs, geometry, dampers, modes. Knows nothing of logs."""

from telemetry.bike.bikefile import (
    USUAL_RAKE_DEG,
    Bike,
    Channels,
    Chassis,
    knows_leverage,
    leverage_curve,
    load_bike,
    needed,
    open_geometry,
    parse_bike,
    plain_key,
    rake_deg,
    stroke_mm,
    value_at,
    wheel_stroke_mm,
    wheelbase_mm,
    why_no_key,
)
from telemetry.bike.dampers import DamperRegion, DamperUse, damper_force_n, damper_use
from telemetry.bike.ends import Damper, DamperSide
from telemetry.bike.geometry import (
    LOADS,
    Attitude,
    LoadName,
    Squat,
    Standing,
    attitude,
    chassis_point,
    load_of,
    normal_trail_mm,
    pitch_deg,
    rollout_mm,
    sag_lacks,
    sprung_loads_n,
    squat,
    stand,
    steering_axis,
    trail_mm,
    tyre_radii_mm,
)
from telemetry.bike.leverage import (
    BEYOND_MM,
    LeverageCurve,
    LinkageSolution,
    Mechanism,
    build_mechanism,
    solve_linkage,
)
from telemetry.bike.rearend import rear_end
from telemetry.bike.sections import AirColumn, BumpStop, Section, SpringParts, implausible
from telemetry.bike.springs import (
    GRAVITY_M_S2,
    Sag,
    ShaftSpring,
    beyond_limit,
    beyond_limits,
    bike_warnings,
    chassis_of,
    spring_of,
    sprung_load_n,
    static_sag,
    wheel_rate_n_per_mm,
)
from telemetry.bike.template import LEFT_OPEN, LEFT_OUT, Answer, left_open, new_bike_text, toml_text
from telemetry.bike.vibration import (
    Mode,
    SpringEnd,
    bike_modes,
    half_vehicle,
    modes,
    quarter_vehicle,
    spring_end,
    wheel_and_damper,
)

__all__ = [
    "AirColumn", "Answer", "Attitude", "BEYOND_MM", "Bike", "BumpStop", "Channels", "Chassis", "Damper",
    "DamperRegion", "DamperSide", "DamperUse", "GRAVITY_M_S2", "LEFT_OPEN", "LEFT_OUT", "LOADS", "LeverageCurve",
    "LinkageSolution", "LoadName", "Mechanism", "Mode", "Sag", "Section", "ShaftSpring", "SpringEnd",
    "SpringParts", "Squat", "Standing", "USUAL_RAKE_DEG", "attitude", "beyond_limit", "beyond_limits", "bike_modes",
    "bike_warnings", "build_mechanism", "chassis_of", "chassis_point", "damper_force_n", "damper_use",
    "half_vehicle", "implausible", "knows_leverage", "left_open", "leverage_curve", "load_bike", "load_of", "modes",
    "needed", "new_bike_text", "normal_trail_mm", "open_geometry", "parse_bike", "pitch_deg", "plain_key",
    "quarter_vehicle", "rake_deg", "rear_end", "rollout_mm", "sag_lacks", "solve_linkage", "spring_end", "spring_of",
    "sprung_load_n", "sprung_loads_n", "squat", "stand", "static_sag", "steering_axis", "stroke_mm", "toml_text",
    "trail_mm", "tyre_radii_mm", "value_at", "wheel_and_damper", "wheel_rate_n_per_mm", "wheel_stroke_mm",
    "wheelbase_mm", "why_no_key",
]  # fmt: skip
