"""Motorcycles drawn at random within what is usual in road racing (common practice, no source)."""

from typing import Any

import numpy as np

from telemetry.bike import Bike, parse_bike
from telemetry.constants import GRAVITY_M_S2


def _leverage_table(stroke_mm: float, first_ratio: float, last_ratio: float) -> list[tuple[float, float]]:
    """Shock and wheel travel of a ratio that falls evenly, each 10 mm and at the stroke."""
    shock = np.append(np.arange(0.0, stroke_mm - 5.0, 10.0), stroke_mm)
    wheel = first_ratio * shock - (first_ratio - last_ratio) * shock**2 / (2.0 * stroke_mm)
    return [(float(s), round(float(w), 3)) for s, w in zip(shock, wheel, strict=True)]


def _damper(
    low_n_s_per_mm: float, friction_n: float, knee_mm_s: float, rng: np.random.Generator
) -> dict[str, Any]:
    """A digressive damper with this mean slope at low speed; rebound the firmer side."""
    softer, flatter = rng.uniform(0.6, 0.85), rng.uniform(0.45, 0.65)

    def side(low: float) -> dict[str, float]:
        return {"low_n_s_per_mm": low, "high_n_s_per_mm": flatter * low, "knee_mm_s": knee_mm_s}

    return {
        "friction_n": friction_n,
        "compression": side(low_n_s_per_mm * softer),
        "rebound": side(low_n_s_per_mm * (2.0 - softer)),
    }


# The usual rear wheel, about which a hop of another frequency is drawn. [N/m, kg]
USUAL_TYRE_N_M, USUAL_UNSPRUNG_KG = 178e3, 19.5


def _rear_of_hop(hop_hz: float, rate_n_per_mm: float, rng: np.random.Generator) -> tuple[float, float]:
    """Unsprung mass and tyre rate that give (k_tyre + k_wheel) / m = (2 pi f)^2; both take part. [kg, N/mm]"""
    wheel_n_m = 1e3 * rate_n_per_mm
    wanted = (2.0 * np.pi * hop_hz) ** 2
    more = wanted * USUAL_UNSPRUNG_KG / (USUAL_TYRE_N_M + wheel_n_m)
    stiff = (
        (USUAL_TYRE_N_M + wheel_n_m) * more ** rng.uniform(0.4, 0.6) * np.exp(0.05 * rng.standard_normal())
    )
    return float(stiff / wanted), float((stiff - wheel_n_m) / 1e3)


def random_bike(seed: int, *, hop_hz: float | None = None) -> Bike:
    """A motorcycle with rider, drawn at random: masses, tyres, springs, leverage, dampers, friction.

    Sags lie in the usual window (front 30 to 40 mm, rear 25 to 35 mm at the wheel), the ratio of the wheel
    hops between 0.3 and 0.5 at low shaft speed. Columns are named as in the demo bike.

    Parameters
    ----------
    seed : int
        The same seed gives the same motorcycle.
    hop_hz : float, optional
        Undamped hop of the rear wheel, sqrt((k_tyre + k_wheel) / m_unsprung) / 2 pi, at the sag; unsprung mass and
        tyre rate are drawn together for it. From 12 to 21 they are such as exist. As it comes when not given. [Hz]
    """
    rng = np.random.default_rng([seed, 0xB1])
    wheelbase, mass = rng.uniform(1380.0, 1440.0), rng.uniform(185.0, 225.0)
    to_rear = wheelbase * rng.uniform(0.47, 0.53)
    unsprung = {"front": rng.uniform(13.0, 17.0), "rear": rng.uniform(17.0, 22.0)}
    tyre = {"front": rng.uniform(150.0, 190.0), "rear": rng.uniform(150.0, 205.0)}

    rake = rng.uniform(23.0, 25.5)
    cos_rake = float(np.cos(np.radians(rake)))
    fork_rate, fork_sag = rng.uniform(17.5, 20.5), rng.uniform(31.0, 39.0)
    front_load = mass * GRAVITY_M_S2 * to_rear / wheelbase
    fork_preload = front_load * cos_rake / fork_rate - fork_sag / cos_rake

    stroke, first, last = rng.uniform(64.0, 72.0), rng.uniform(1.9, 2.1), rng.uniform(1.5, 1.7)
    rear_sag, rear_load = rng.uniform(26.0, 34.0), mass * GRAVITY_M_S2 * (1.0 - to_rear / wheelbase)
    bend = (first - last) / stroke
    shock_sag = (first - np.sqrt(first**2 - 2.0 * bend * rear_sag)) / bend
    ratio = first - bend * shock_sag
    shock_rate = rng.uniform(18.0, 24.0) * ratio**2
    shock_preload = rear_load * ratio / shock_rate - shock_sag

    if hop_hz is not None:
        unsprung["rear"], tyre["rear"] = _rear_of_hop(
            hop_hz, shock_rate / ratio**2, np.random.default_rng([seed, 0x40])
        )

    def wheel_damping(end: str, rate: float) -> float:
        """Damping at the wheel for a wheel-hop ratio by the hand formula c / (2 sqrt((ks + kt) mu)). [N s/mm]"""
        stiff = 1e3 * (tyre[end] + rate)
        return 2e-3 * rng.uniform(0.3, 0.48) * float(np.sqrt(stiff * unsprung[end]))

    front_low = wheel_damping("front", fork_rate / cos_rake**2) * cos_rake**2
    rear_low = wheel_damping("rear", shock_rate / ratio**2) * ratio**2
    return parse_bike(
        {
            "name": f"random bike {seed} (demo)",
            "wheelbase_mm": wheelbase,
            "front": {
                "stroke_mm": rng.uniform(120.0, 130.0),
                "rake_deg": rake,
                "fork_offset_mm": rng.uniform(25.0, 35.0),
                "tyre_radius_mm": 300.0,
                "spring_rate_n_per_mm": fork_rate,
                "preload_mm": max(0.0, fork_preload),
                "tyre_rate_n_per_mm": tyre["front"],
                "tyre_damping_n_s_per_mm": rng.uniform(0.1, 0.25),
                "unsprung_mass_kg": unsprung["front"],
                "damper": _damper(front_low, rng.uniform(8.0, 28.0), 150.0, rng),
                "spring": {
                    "top_out": {"length_mm": 12.0, "rate_n_per_mm": 18.0},
                    "bump_stop": {"length_mm": 40.0, "force_n": rng.uniform(500.0, 900.0), "power": 2.5},
                },
                "sensor": {"channel": "fork", "points": [[0.30, 0.0], [4.60, 130.0]]},
            },
            "rear": {
                "shock_stroke_mm": stroke,
                "leverage_table_mm": _leverage_table(stroke, first, last),
                "tyre_radius_mm": 320.0,
                "spring_rate_n_per_mm": shock_rate,
                "preload_mm": max(0.0, float(shock_preload)),
                "tyre_rate_n_per_mm": tyre["rear"],
                "tyre_damping_n_s_per_mm": rng.uniform(0.12, 0.3),
                "unsprung_mass_kg": unsprung["rear"],
                "damper": _damper(rear_low, rng.uniform(6.0, 25.0), 80.0, rng),
                "spring": {
                    "top_out": {"length_mm": 7.0, "rate_n_per_mm": 100.0},
                    "bump_stop": {"length_mm": 12.0, "force_n": 3000.0, "power": 2.0},
                },
                "sensor": {"channel": "shock", "points": [[0.40, 0.0], [4.20, 75.0]]},
            },
            "chassis": {
                "sprung_mass_kg": mass,
                "com_to_rear_axle_mm": to_rear,
                "com_height_mm": rng.uniform(590.0, 630.0),
                "pitch_inertia_kg_m2": rng.uniform(22.0, 30.0),
            },
            "channels": {
                "time": "time",
                "speed": "speed",
                "latitude": "latitude",
                "longitude": "longitude",
                "throttle": "throttle",
                "brake": "brake",
                "lean": "lean",
                "lap": "lap",
            },
        },
        source=f"random bike {seed}",
    )
