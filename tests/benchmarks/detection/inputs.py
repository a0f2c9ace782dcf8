"""From an outing of the quick motorcycle to what the detector takes: Motion, Track, Bike."""

import numpy as np

from telemetry.bike import Bike, parse_bike
from telemetry.laps import PHASES, Lap, Track
from telemetry.motion import EndMotion, Motion
from telemetry.signals import differentiate
from tests.benchmarks.detection.outings import Outing


def bike_of(outing: Outing, *, with_masses: bool) -> Bike:
    """The machine's bike file; without masses the detector has to use its wide default."""
    m = outing.machine
    first, last = m.leverage
    shaft = np.linspace(0.0, 70.0, 8)
    wheel = first * shaft + 0.5 * (last - first) * shaft**2 / 70.0
    front = {
        "stroke_mm": 127.0, "rake_deg": 24.0, "fork_offset_mm": 30.0, "tyre_radius_mm": 1e3 * m.radius[0],
        "spring_rate_n_per_mm": m.spring_rate[0] / 1e3, "preload_mm": 15.0,
    }  # fmt: skip
    rear = {
        "shock_stroke_mm": 70.0, "tyre_radius_mm": 1e3 * m.radius[1], "preload_mm": 10.0,
        "leverage_table_mm": np.column_stack([shaft, wheel]).round(3).tolist(),
        "spring_rate_n_per_mm": m.spring_rate[1] / 1e3 * float(np.mean(m.leverage)) ** 2,
    }  # fmt: skip
    data = {"name": "bench", "wheelbase_mm": 1e3 * m.wheelbase, "front": front, "rear": rear}
    if with_masses:
        for end, section in enumerate((front, rear)):
            section["unsprung_mass_kg"] = m.unsprung[end]
            section["tyre_rate_n_per_mm"] = m.tyre_rate[end] / 1e3
        data["chassis"] = {
            "sprung_mass_kg": m.mass, "com_to_rear_axle_mm": 1e3 * m.to_rear,
            "com_height_mm": 1e3 * m.com_height, "pitch_inertia_kg_m2": m.inertia,
        }  # fmt: skip
    return parse_bike(data)


def motion_of(outing: Outing) -> Motion:
    rate = outing.plan.rate_hz
    ends = {}
    for i, end in enumerate(("front", "rear")):
        gain = 0.91 if end == "front" else outing.leverage
        travel = outing.travel_mm[:, i]
        speed = differentiate(travel, rate)
        ends[end] = EndMotion(
            end=end, stroke_mm=125.0 / gain, wheel_stroke_mm=125.0, shaft_travel_mm=travel / gain,
            shaft_speed_mm_s=speed.speed_mm_s / gain, wheel_travel_mm=travel, wheel_speed_mm_s=speed.speed_mm_s,
            valid=np.isfinite(speed.speed_mm_s), shaft_noise_mm_s=speed.noise_gain * outing.plan.noise_mm,
            wheel_noise_mm_s=speed.noise_gain * outing.plan.noise_mm * gain, bandwidth_hz=speed.bandwidth_hz,
            speed_split_mm_s=100.0,
        )  # fmt: skip
    return Motion(
        "bench", outing.t_s, rate, ends, np.full(len(outing.t_s), np.nan), 1e3 * outing.machine.wheelbase
    )


def track_of(outing: Outing) -> Track:
    t, number = outing.t_s, outing.lap
    laps = []
    for n in range(1, int(number.max()) + 1):
        inside = np.flatnonzero(number == n)
        laps.append(
            Lap(n, float(t[inside[0]]), float(t[inside[-1]]), float(outing.distance_m[inside].max()), True)
        )
    assert PHASES[3] == "drive"
    return Track(
        laps=tuple(laps), lap_source="lap channel", lap=number.astype(np.int64), distance_m=outing.distance_m,
        x_m=None, y_m=None, speed_m_s=outing.speed_m_s, phase=outing.phase.astype(np.int64), corner=outing.corner,
        corners=(), phase_sources=("speed",),
    )  # fmt: skip
