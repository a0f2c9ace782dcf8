"""An end of a motorcycle made of given travel and speed."""

import numpy as np
import pytest

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


def assert_alike(found, wanted):
    """That two trees of mappings and tuples hold the same words and numbers, but for the last digits."""
    for one, other in zip(leaves(found), leaves(wanted), strict=True):
        assert one == (pytest.approx(other, rel=1e-9, abs=1e-12) if isinstance(other, float) else other)


def leaves(value):
    """Every number and word of a tree of mappings and tuples."""
    if isinstance(value, dict | tuple):
        for part in value.values() if isinstance(value, dict) else value:
            yield from leaves(part)
    else:
        yield value
