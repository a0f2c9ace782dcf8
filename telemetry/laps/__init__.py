"""Laps, corners, phases: where every sample is."""

from telemetry.laps.circuitfile import circuit_text, load_circuit
from telemetry.laps.lap import PHASES, Circuit, Corner, Lap, Phase, Track
from telemetry.laps.pace import SLOW_LAP, laps_at_pace, slowest_s
from telemetry.laps.place import Place, place_at
from telemetry.laps.track import find_track, is_moving

__all__ = [
    "PHASES",
    "SLOW_LAP",
    "Circuit",
    "Corner",
    "Lap",
    "Phase",
    "Place",
    "Track",
    "circuit_text",
    "find_track",
    "is_moving",
    "laps_at_pace",
    "load_circuit",
    "place_at",
    "slowest_s",
]
