"""Laps, corners, phases: where every sample is."""

from telemetry.laps.circuitfile import circuit_text, load_circuit
from telemetry.laps.lap import PHASES, Circuit, Corner, Lap, Phase, Track
from telemetry.laps.place import Place, place_at
from telemetry.laps.track import find_track, is_moving

__all__ = [
    "PHASES",
    "Circuit",
    "Corner",
    "Lap",
    "Phase",
    "Place",
    "Track",
    "circuit_text",
    "find_track",
    "is_moving",
    "load_circuit",
    "place_at",
]
