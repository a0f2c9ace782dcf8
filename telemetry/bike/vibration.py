"""Natural frequencies and damping of the motorcycle in its plane: quarter and half vehicle.

M x'' + C x' + K x = 0, solved through its eigenvalues; SI units inside.
"""

from dataclasses import dataclass

import numpy as np

from telemetry.arrays import End, FloatArray
from telemetry.bike.bikefile import Bike, leverage_curve, needed, wheelbase_mm
from telemetry.bike.ends import Damper
from telemetry.bike.springs import chassis_of, static_sag, wheel_rate_n_per_mm
from telemetry.errors import BikeFileError

# Oscillating poles have a conjugate; below this relative imaginary part a pole is real.
REAL_POLE = 1e-9


@dataclass(frozen=True)
class Mode:
    """One oscillating mode."""

    fn_hz: float  # undamped natural frequency, |pole| / 2 pi
    damping_ratio: float  # -Re(pole) / |pole|
    shape: tuple[complex, ...]  # displacements, largest 1, in the order of the matrices


@dataclass(frozen=True)
class SpringEnd:
    """One end reduced to its wheel: vertical rates and damping. [kg, N/m, N s/m]"""

    unsprung_mass_kg: float
    suspension_rate_n_m: float
    tyre_rate_n_m: float
    suspension_damping_n_s_m: float
    tyre_damping_n_s_m: float = 0.0


@dataclass(frozen=True)
class Matrices:
    """Mass, damping and stiffness of a linear system, each of shape (n, n). [SI]"""

    mass: FloatArray
    damping: FloatArray
    stiffness: FloatArray


def quarter_vehicle(sprung_mass_kg: float, end: SpringEnd) -> Matrices:
    """Matrices of one end alone, shape (2, 2): x = (sprung, unsprung), up positive. [kg, N s/m, N/m]

    ``sprung_mass_kg`` is what this end carries (T. D. Gillespie, Fundamentals of Vehicle Dynamics, SAE 1992, ch. 5).
    """
    k, c = end.suspension_rate_n_m, end.suspension_damping_n_s_m
    return Matrices(
        np.diag([sprung_mass_kg, end.unsprung_mass_kg]),
        np.array([[c, -c], [-c, c + end.tyre_damping_n_s_m]]),
        np.array([[k, -k], [-k, k + end.tyre_rate_n_m]]),
    )


def half_vehicle(
    sprung_mass_kg: float,
    pitch_inertia_kg_m2: float,
    com_to_front_m: float,
    com_to_rear_m: float,
    front: SpringEnd,
    rear: SpringEnd,
) -> Matrices:
    """Matrices, shape (4, 4), of a motorcycle in its plane: x = (heave up, pitch nose down, front, rear unsprung up).

    Mass and inertia about the centre of mass of the sprung part; its distances to the axles are along the ground. [kg,
    kg m2, m, N/m]
    """
    # Suspension extension of each end is (its mount) - (its wheel); a mount sits at heave -+ arm * pitch.
    stretch = np.array([[1.0, -com_to_front_m, -1.0, 0.0], [1.0, com_to_rear_m, 0.0, -1.0]])
    tyre = np.array([[0.0, 0.0, 1.0, 0.0], [0.0, 0.0, 0.0, 1.0]])

    def assemble(suspension: tuple[float, float], tyres: tuple[float, float]) -> FloatArray:
        return np.asarray(stretch.T @ np.diag(suspension) @ stretch + tyre.T @ np.diag(tyres) @ tyre)

    return Matrices(
        np.diag([sprung_mass_kg, pitch_inertia_kg_m2, front.unsprung_mass_kg, rear.unsprung_mass_kg]),
        assemble(
            (front.suspension_damping_n_s_m, rear.suspension_damping_n_s_m),
            (front.tyre_damping_n_s_m, rear.tyre_damping_n_s_m),
        ),
        assemble(
            (front.suspension_rate_n_m, rear.suspension_rate_n_m), (front.tyre_rate_n_m, rear.tyre_rate_n_m)
        ),
    )


def modes(matrices: Matrices) -> tuple[Mode, ...]:
    """Oscillating modes of a linear system, lowest natural frequency first; real poles (overdamped) are left out."""
    n = len(matrices.mass)
    inverse_mass = np.linalg.inv(matrices.mass)
    state = np.block(
        [
            [np.zeros((n, n)), np.eye(n)],
            [-inverse_mass @ matrices.stiffness, -inverse_mass @ matrices.damping],
        ]
    )
    poles, vectors = np.linalg.eig(state)
    oscillating = []
    for pole, vector in zip(poles, vectors.T, strict=True):
        if pole.imag > REAL_POLE * abs(pole):
            shape = vector[:n] / vector[np.argmax(np.abs(vector[:n]))]
            fn_hz, damping_ratio = abs(pole) / (2 * np.pi), -pole.real / abs(pole)
            oscillating.append(
                Mode(float(fn_hz), float(damping_ratio), tuple(complex(value) for value in shape))
            )
    return tuple(sorted(oscillating, key=lambda mode: mode.fn_hz))


def wheel_and_damper(bike: Bike, end: End) -> tuple[float, float, Damper]:
    """Unsprung mass, tyre rate and damper of one end; `BikeFileError` names what the bike file lacks. [kg, N/mm]"""
    section = bike.end(end)
    mass, rate, damper = section.unsprung_mass_kg, section.tyre_rate_n_per_mm, section.damper
    if mass is None or rate is None or damper is None:
        parts = (("unsprung_mass_kg", mass), ("tyre_rate_n_per_mm", rate), (f"[{end}.damper]", damper))
        missing = " and ".join(name for name, value in parts if value is None)
        raise BikeFileError(f"{bike.source}: [{end}] lacks {missing}; modes and simulation need it.")
    return mass, rate, damper


def spring_end(bike: Bike, end: End, shaft_mm: float, *, damper_scale: float = 1.0) -> SpringEnd:
    """One end reduced to its wheel, linearised about a shaft travel and low shaft speed.

    Parameters
    ----------
    shaft_mm : float
        Travel within the stroke. [mm]
    damper_scale : float
        1 as in the bike file, 0 with the damping lost.

    Raises
    ------
    BikeFileError
        If the bike file lacks masses, tyre rates or dampers.
    """
    mass_kg, tyre_rate_n_per_mm, damper = wheel_and_damper(bike, end)
    section = bike.end(end)
    ratio = float(leverage_curve(bike, end).ratio(np.array([shaft_mm]))[0])
    # Around zero speed: mean of the low-speed slopes of both directions.
    low_n_s_per_mm = 0.5 * (damper.compression.low_n_s_per_mm + damper.rebound.low_n_s_per_mm)
    return SpringEnd(
        mass_kg,
        1e3 * wheel_rate_n_per_mm(bike, end, shaft_mm),
        1e3 * tyre_rate_n_per_mm,
        1e3 * damper_scale * low_n_s_per_mm / ratio**2,
        1e3 * section.tyre_damping_n_s_per_mm,
    )


def bike_matrices(bike: Bike, *, front_damper_scale: float = 1.0, rear_damper_scale: float = 1.0) -> Matrices:
    """Half-vehicle matrices of a bike file about rider sag at low shaft speed: heave, pitch, both unsprung.

    Without friction, stops and digression. ``*_damper_scale`` is 1 as in the file, 0 with the damping lost.
    `BikeFileError` if the file lacks [chassis], masses, tyre rates or dampers.
    """
    chassis, sag = chassis_of(bike), static_sag(bike)
    (inertia,) = needed(bike, "chassis.pitch_inertia_kg_m2", purpose="modes and simulation need it")
    to_rear_m = chassis.com_to_rear_axle_mm / 1e3
    return half_vehicle(
        chassis.sprung_mass_kg,
        inertia,
        wheelbase_mm(bike) / 1e3 - to_rear_m,
        to_rear_m,
        spring_end(bike, "front", sag["front"].shaft_mm, damper_scale=front_damper_scale),
        spring_end(bike, "rear", sag["rear"].shaft_mm, damper_scale=rear_damper_scale),
    )


def bike_modes(
    bike: Bike, *, front_damper_scale: float = 1.0, rear_damper_scale: float = 1.0
) -> tuple[Mode, ...]:
    """Modes of a bike about rider sag, at low shaft speed: bounce, pitch, then the two wheel hops. [Hz]"""
    return modes(
        bike_matrices(bike, front_damper_scale=front_damper_scale, rear_damper_scale=rear_damper_scale)
    )
