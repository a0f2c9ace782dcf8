"""Laps, corners, phases: where every sample is."""

from telemetry.laps.lap import PHASES, Corner, Lap, Phase, Track

__all__ = ["PHASES", "Corner", "Lap", "Phase", "Track"]
