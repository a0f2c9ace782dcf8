"""Lap, distance, corner and phase of every sample."""

from telemetry.laps.circuitfile import circuit_text, is_line_of, keep_circuit, known_circuit, load_circuit
from telemetry.laps.corners import MOVING_M_S, lean_from_path, measured_m_s2
from telemetry.laps.course import SAME_LENGTH
from telemetry.laps.lap import (
    PHASES,
    SAME_PLACE_M,
    SLOW_LAP,
    Circuit,
    Corner,
    Lap,
    LapKind,
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
    places_at,
    slowest_s,
)
from telemetry.laps.track import find_track, is_moving

__all__ = [
    "Circuit", "Corner", "Lap", "LapKind", "MOVING_M_S", "PHASES", "Phase", "Place", "Placed", "SAME_LENGTH",
    "SAME_PLACE_M", "SLOW_LAP", "SharedPlace", "Track", "along_the_lap", "by_place", "circuit_text",
    "find_track", "is_line_of", "is_moving", "keep_circuit", "known_circuit", "lap_length_m", "laps_at_pace",
    "lean_from_path", "load_circuit", "measured_m_s2", "passing_times_s", "place_at", "places_at", "slowest_s",
]  # fmt: skip
