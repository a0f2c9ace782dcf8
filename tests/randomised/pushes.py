"""The bike on its wheels, standing still, pushed down by hand: what a bounce test logs."""

from dataclasses import dataclass, replace

import numpy as np

from telemetry.bike import chassis_of
from telemetry.constants import GRAVITY_M_S2
from telemetry.simulate.circuit import flat_road
from telemetry.simulate.vehicle import Ridden, Vehicle, ride, steady_drive


@dataclass(frozen=True)
class HandPush:
    """One push: pressed down over ``press_s``, let go over ``release_s``."""

    at_s: float
    force_n: float = 500.0  # downwards, at its most
    ahead_m: float = 0.0  # of the centre of mass
    press_s: float = 0.25
    release_s: float = 0.08
    kept_share: float = 0.0  # of the force that stays on, as with feet left on the pegs


def push_test(
    vehicle: Vehicle, pushes: tuple[HandPush, ...], duration_s: float, *, sample_rate_hz: float
) -> Ridden:
    """Push a motorcycle (its [chassis] as it stands, with or without rider) on a flat road.

    The force works on the sprung mass; what it adds to the weight of the wheels only presses on the tyres.
    """
    still = steady_drive(0.0, duration_s)
    t = still.step_s * np.arange(len(still.distance_m))
    force, moment = np.zeros(len(t)), np.zeros(len(t))
    for push in pushes:
        since = t - push.at_s
        pressed = 0.5 * (1 - np.cos(np.pi * np.clip(since / push.press_s, 0.0, 1.0)))
        gone = np.clip((since - push.press_s) / push.release_s, 0.0, 1.0)
        now = push.force_n * pressed * (1.0 - (1.0 - push.kept_share) * gone)
        force, moment = force + now, moment + now * push.ahead_m
    drive = replace(
        still,
        gravity_m_s2=GRAVITY_M_S2 + force / chassis_of(vehicle.bike).sprung_mass_kg,
        pitch_moment_n_m=moment,
    )
    return ride(vehicle, drive, flat_road(), sample_rate_hz=sample_rate_hz)
