"""A motorcycle without anything nonlinear, so that the simulator can be held against linear theory."""

import numpy as np

from telemetry.bike import Damper, DamperSide, parse_bike
from telemetry.simulate import Vehicle, demo_bike
from telemetry.simulate.vehicle import Ridden

RAKE_DEG, RATIO = 24.0, 1.8


def linear_motorcycle(
    *,
    mass_kg=220.0,
    inertia=26.0,
    cf=1000.0,
    cr=1500.0,
    ct=0.0,
    ks=(20e3, 24e3),
    kt=(170e3, 180e3),
    mu=(15.0, 20.0),
):
    """Even ratio, linear dampers, no friction, strokes too long to reach. Rates and damping at the wheel, SI."""
    cosine = np.cos(np.radians(RAKE_DEG))
    data = demo_bike().model_dump(exclude={"source"})

    def damper(c_n_s_m):
        # not checked: a damper of nothing, or one that locks, is no damper of a motorcycle
        side = DamperSide.model_construct(low_n_s_per_mm=c_n_s_m / 1e3, high_n_s_per_mm=c_n_s_m / 1e3)
        return Damper.model_construct(compression=side, rebound=side, friction_n=0.0)

    data["wheelbase_mm"] = 1400.0
    data["chassis"] = {
        "sprung_mass_kg": mass_kg,
        "com_to_rear_axle_mm": 700.0,
        "com_height_mm": 600.0,
        "pitch_inertia_kg_m2": inertia,
    }
    shared = {"preload_mm": 0.0, "spring": None, "tyre_damping_n_s_per_mm": ct / 1e3}
    data["front"] |= shared | {
        "stroke_mm": 300.0,
        "rake_deg": RAKE_DEG,
        "spring_rate_n_per_mm": ks[0] / 1e3 * cosine**2,
        "tyre_rate_n_per_mm": kt[0] / 1e3,
        "unsprung_mass_kg": mu[0],
    }
    data["rear"] |= shared | {
        "shock_stroke_mm": 150.0,
        "leverage_table_mm": [[0.0, 0.0], [150.0, RATIO * 150.0]],
        "spring_rate_n_per_mm": ks[1] / 1e3 * RATIO**2,
        "tyre_rate_n_per_mm": kt[1] / 1e3,
        "unsprung_mass_kg": mu[1],
    }
    bike = parse_bike(data)
    front = bike.front.model_copy(update={"damper": damper(cf * cosine**2)})
    rear = bike.rear.model_copy(update={"damper": damper(cr * RATIO**2)})
    return Vehicle(bike.model_copy(update={"front": front, "rear": rear}))


def states(ridden: Ridden, vehicle: Vehicle):
    """Heave, pitch, both wheels, and their speeds, of shape (n_samples, 8)."""
    arm_rear = vehicle.bike.chassis.com_to_rear_axle_mm / 1e3
    arm_front = vehicle.bike.wheelbase_mm / 1e3 - arm_rear
    places = (
        ridden.heave_m,
        ridden.pitch_rad,
        ridden.front_m + ridden.heave_m - arm_front * ridden.pitch_rad,
        ridden.rear_m + ridden.heave_m + arm_rear * ridden.pitch_rad,
    )
    speeds = (
        ridden.heave_m_s,
        ridden.pitch_rad_s,
        ridden.front_m_s + ridden.heave_m_s - arm_front * ridden.pitch_rad_s,
        ridden.rear_m_s + ridden.heave_m_s + arm_rear * ridden.pitch_rad_s,
    )
    return np.column_stack(places + speeds)
