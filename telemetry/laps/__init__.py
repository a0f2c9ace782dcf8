"""Laps, corners, phases: where every sample is."""

from telemetry.laps.circuitfile import circuit_text, load_circuit
from telemetry.laps.lap import PHASES, Circuit, Corner, Lap, LapKind, Phase, Track
from telemetry.laps.pace import SLOW_LAP, lap_length_m, laps_at_pace, passing_times_s, slowest_s
from telemetry.laps.place import SAME_PLACE_M, Place, Placed, SharedPlace, along_the_lap, by_place, place_at
from telemetry.laps.track import find_track, is_moving

__all__ = [
    "PHASES",
    "SAME_PLACE_M",
    "SLOW_LAP",
    "Circuit",
    "Corner",
    "Lap",
    "LapKind",
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
