"""An end of a motorcycle made of given travel and speed."""

import numpy as np

from telemetry.motion import EndMotion

RATE_HZ = 500.0


def end_of(shaft_mm, speed_mm_s, *, stroke_mm=70.0, ratio=1.8, split_mm_s=100.0):
    return EndMotion(
        end="rear",
        stroke_mm=stroke_mm,
        wheel_stroke_mm=stroke_mm * ratio,
        shaft_travel_mm=shaft_mm,
        shaft_speed_mm_s=speed_mm_s,
        wheel_travel_mm=shaft_mm * ratio,
        wheel_speed_mm_s=speed_mm_s * ratio,
        valid=np.isfinite(shaft_mm) & np.isfinite(speed_mm_s),
        shaft_noise_mm_s=1.0,
        wheel_noise_mm_s=1.8,
        bandwidth_hz=60.0,
        speed_split_mm_s=split_mm_s,
    )
