"""Laps, corners, phases: where every sample is."""

from telemetry.laps.circuitfile import circuit_text, load_circuit
from telemetry.laps.lap import (
    PHASES,
    SAME_PLACE_M,
    SLOW_LAP,
    Circuit,
    Corner,
    Lap,
    Phase,
    Place,
    Placed,
    SharedPlace,
    Track,
    along_the_lap,
    by_place,
    lap_length_m,
    laps_at_pace,
    passing_times_s,
    place_at,
    slowest_s,
)
from telemetry.laps.track import find_track, is_moving

__all__ = [
    "PHASES",
    "SAME_PLACE_M",
    "SLOW_LAP",
    "Circuit",
    "Corner",
    "Lap",
    "Phase",
    "Place",
    "Placed",
    "SharedPlace",
    "Track",
    "along_the_lap",
    "by_place",
    "circuit_text",
    "find_track",
    "is_moving",
    "lap_length_m",
    "laps_at_pace",
    "load_circuit",
    "passing_times_s",
    "place_at",
    "slowest_s",
]
