"""A damper on a bench: driven along a given stroke, its force and state at every step."""

from dataclasses import dataclass

import numpy as np

from telemetry.bike import parse_bike
from telemetry.simulate import DamperPhysics, Vehicle, demo_bike
from telemetry.simulate import _kernel as kernel
from telemetry.simulate.vehicle import constants

STEP_S = 1 / 4000
FIRST = kernel.REAR_DAMPER
RIGID = DamperPhysics(
    stiffness_n_per_mm=1e6,
    gas_bar=1e3,
    thinning_1_k=0.0,
    heat_capacity_j_k=1e9,
    start_c=60.0,
    reservoir_share=0.0,
)


@dataclass(frozen=True)
class Bench:
    """Arrays of shape (n,); speed in m/s, force in N; ``states`` of shape (n, kernel.DAMPER_STATES)."""

    t_s: np.ndarray
    speed_m_s: np.ndarray
    oil_n: np.ndarray
    friction_n: np.ndarray
    states: np.ndarray

    def work_j(self, force, first_s):
        """Work from a time on to the end, by the trapezoid of force over travel."""
        late = self.t_s >= first_s - 1e-9
        return np.trapezoid((force * self.speed_m_s)[late], self.t_s[late])


def rear_end(physics, *, c_n_s_m=None, friction_n=0.0, rebound_c=None):
    """The rear of the demo bike with this damper: the bike file's digressive one when no ``c_n_s_m`` is given."""
    data = demo_bike().model_dump(exclude={"source"})
    if c_n_s_m is not None:
        sides = [
            {"low_n_s_per_mm": c / 1e3, "high_n_s_per_mm": c / 1e3} for c in (c_n_s_m, rebound_c or c_n_s_m)
        ]
        data["rear"]["damper"] = {"compression": sides[0], "rebound": sides[1]}
    data["rear"]["damper"]["friction_n"] = friction_n
    return constants(Vehicle(parse_bike(data), rear_damper=physics)).rear


def drive(end, speed_m_s, *, scale=1.0, compression_open=0.0, rebound_open=0.0, gas_held=1.0, step_s=STEP_S):
    """Drive the damper of an end along a stroke given by its speed at every step."""
    inputs = np.zeros(kernel.INPUTS)
    inputs[FIRST : FIRST + 4] = scale, compression_open, rebound_open, gas_held
    state = kernel.fresh_damper(end)
    state[kernel.SHAFT_SPEED] = speed_m_s[0]
    states, friction = np.empty((len(speed_m_s), len(state))), np.empty(len(speed_m_s))
    for i, speed in enumerate(speed_m_s):
        if i:
            mean = 0.5 * (speed_m_s[i - 1] + speed)
            friction[i], _ = kernel.friction_after(state[kernel.BRISTLE], speed, mean, step_s, end)
            kernel.damper_goes_on(speed, state, step_s, inputs, FIRST, end)
        else:
            friction[0], _ = kernel.friction_after(state[kernel.BRISTLE], speed, speed, 0.0, end)
        states[i] = state
    t = step_s * np.arange(len(speed_m_s))
    return Bench(t, np.asarray(speed_m_s), states[:, kernel.FORCE], friction, states)


def sine_speed(amplitude_m, frequency_hz, cycles, step_s=STEP_S):
    """Speed of x = -X cos(w t): starts fully extended and at rest, compresses first."""
    t = np.arange(0.0, cycles / frequency_hz + 0.5 * step_s, step_s)
    w = 2.0 * np.pi * frequency_hz
    return amplitude_m * w * np.sin(w * t)
