"""True corner phases of a simulated ride."""

import numpy as np

from telemetry.arrays import IntArray
from telemetry.simulate.circuit import Circuit
from telemetry.simulate.riding import Ride

TRUE_PHASES = ("braking", "entry", "mid-corner", "drive", "straight")
_BRAKING, _ENTRY, _MID, _DRIVE, _STRAIGHT = range(5)
# What the words mean, in numbers (choices, no source). Leaned by more than this is in a corner; the middle is
# where the line is within this share of the corner's tightest; the exit goes on upright for at most so long
# while the engine pushes with more than this share of standard gravity; brakes count from this share on.
LEANED_DEG = 15.0
TIGHT_SHARE = 0.85
EXIT_S = 2.0
PUSHING_G = 0.15
SLOWING_G = 0.3
G_M_S2 = 9.80665


def true_phases(ride: Ride, circuit: Circuit) -> IntArray:
    """Corner phase at every instant of a ride.

    Leaned: entry before the line is at its tightest, mid-corner while it is, drive after it. Upright: braking,
    drive for the part of the exit that is ridden upright, else straight.

    Returns
    -------
    ndarray of int, shape (n,)
        Index into `TRUE_PHASES`.
    """
    leaned = np.abs(ride.lean_deg) > LEANED_DEG
    bend = np.abs(circuit.at(ride.distance_m, circuit.curvature_1_m))
    phase = np.full(len(bend), _STRAIGHT)
    phase[~leaned & (ride.acceleration_m_s2 < -SLOWING_G * G_M_S2)] = _BRAKING
    pushing = ~leaned & (ride.acceleration_m_s2 > PUSHING_G * G_M_S2)
    exit_rows = round(EXIT_S / ride.step_s)
    place = ride.distance_m % circuit.length_m
    for corner in circuit.corners:
        # a lean may begin a little before its corner and end a little after it: half way to the neighbours
        middle = 0.5 * (corner.start_m + corner.end_m)
        ahead = (place - middle + 0.5 * circuit.length_m) % circuit.length_m - 0.5 * circuit.length_m
        reach = 0.5 * (corner.end_m - corner.start_m)
        inside = np.abs(ahead) <= reach
        tight = inside & (bend >= TIGHT_SHARE / corner.radius_m)
        if not tight.any():
            continue
        first, last = ahead[tight].min(), ahead[tight].max()
        near = leaned & (np.abs(ahead) <= reach + 0.5 * circuit_gap_m(circuit, corner.number))
        phase[near & (ahead < first)] = _ENTRY
        phase[near & (ahead >= first) & (ahead <= last)] = _MID
        phase[near & (ahead > last)] = _DRIVE
    for end in np.flatnonzero(leaned[:-1] & ~leaned[1:]) + 1:
        stretch = slice(end, min(end + exit_rows, len(phase)))
        still = pushing[stretch]
        length = len(still) if still.all() else int(np.argmin(still))
        phase[end : end + length] = _DRIVE
    return phase


def circuit_gap_m(circuit: Circuit, number: int) -> float:
    """The shorter of the two straights beside a corner. [m]"""
    corners = circuit.corners
    gaps = [
        (corners[i].start_m - corners[i - 1].end_m) % circuit.length_m
        for i in (number - 1, number % len(corners))
    ]
    return float(min(gaps))
