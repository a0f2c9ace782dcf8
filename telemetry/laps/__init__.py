"""Laps, corners, phases: where every sample is."""

from telemetry.laps.lap import PHASES, Corner, Lap, Phase, Track
from telemetry.laps.place import Place, place_at
from telemetry.laps.track import find_track, is_moving

__all__ = ["PHASES", "Corner", "Lap", "Phase", "Place", "Track", "find_track", "is_moving", "place_at"]
