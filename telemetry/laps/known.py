"""Circuits of which a person said where the line is, kept for the next log at the same place."""

import os
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import numpy as np

from telemetry.arrays import FloatArray
from telemetry.errors import BothEndsError
from telemetry.laps.centreline import nearest_m
from telemetry.laps.circuitfile import circuit_text, load_circuit
from telemetry.laps.gps import to_plane_m
from telemetry.laps.lap import Circuit
from telemetry.laps.match import line_on_plane
from telemetry.logs.remembered import config_directory

DIRECTORY = "circuits"
# A log is of a circuit when nearly all of its way lies so near to the line, and nearly all of the line to its way: on
# another layout of the same place either is not so. Choices of ours.
NEAR_M, WAY_SHARE, LINE_SHARE = 25.0, 0.9, 0.95
# Positions are looked at this far apart, so that standing counts once; closer than that the line is drawn between them.
STEP_M = 10.0
# Of a long log with positions in every row, so many are enough.
MOST_FIXES = 50_000
# A line given again is the same when it is so near. [m]
SAME_LINE_M = 30.0


def known_circuit(latitude_deg: FloatArray, longitude_deg: FloatArray) -> Circuit | None:
    """The circuit that is kept for the place of a log.

    Parameters
    ----------
    latitude_deg, longitude_deg : ndarray of shape (n_fixes,)
        In order of time, none of them NaN. [deg]

    Returns
    -------
    Circuit or None
        With ``kept_in``. None where no circuit is kept that the log went round, in its direction.
    """
    for path in _files():
        with suppress(BothEndsError):  # a file that was spoilt by hand is no reason not to review a log
            circuit = load_circuit(path)
            if _goes_round(latitude_deg, longitude_deg, circuit):
                return replace(circuit, kept_in=str(path))
    return None


def keep_circuit(circuit: Circuit) -> Path | None:
    """Keep a circuit for its place, in one step; one that was kept for it goes.

    Parameters
    ----------
    circuit : Circuit
        With its centre line.

    Returns
    -------
    pathlib.Path or None
        The file; None where it cannot be written, or the circuit has no positions.
    """
    if circuit.latitude_deg is None or circuit.longitude_deg is None:
        return None
    before = known_circuit(circuit.latitude_deg, circuit.longitude_deg)
    directory = config_directory() / DIRECTORY
    name = f"{circuit.latitude_deg[0]:.4f}_{circuit.longitude_deg[0]:.4f}_{circuit.length_m:.0f}m.toml"
    path, part = directory / name, directory / f".{name}.{os.getpid()}.part"
    try:
        directory.mkdir(parents=True, exist_ok=True)
        part.write_text(circuit_text(circuit), encoding="utf-8")
        part.replace(path)
        if before is not None and Path(before.kept_in) != path:
            Path(before.kept_in).unlink(missing_ok=True)
    except OSError:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        return None
    return path


def is_line_of(circuit: Circuit, start_line_deg: tuple[float, float]) -> bool:
    """Whether a start line given by latitude and longitude is that of a circuit."""
    if circuit.latitude_deg is None or circuit.longitude_deg is None:
        return False
    east, north = to_plane_m(circuit.latitude_deg[:1], circuit.longitude_deg[:1], start_line_deg)
    return float(np.hypot(east[0], north[0])) <= SAME_LINE_M


def _files() -> list[Path]:
    with suppress(OSError):
        return sorted((config_directory() / DIRECTORY).glob("*.toml"))
    return []


def _goes_round(latitude_deg: FloatArray, longitude_deg: FloatArray, circuit: Circuit) -> bool:
    origin = (float(latitude_deg[0]), float(longitude_deg[0]))
    line = line_on_plane(circuit, origin)
    if line is None:
        return False
    east, north = to_plane_m(latitude_deg, longitude_deg, origin)
    if np.hypot(east - line.x_m[0], north - line.y_m[0]).min() > circuit.length_m:
        return False
    east, north = _ways(east, north)
    away, place = nearest_m(line, east, north)
    beside = away <= NEAR_M
    every = max(1, round(STEP_M / line.step_m))
    points = zip(line.x_m[::every].tolist(), line.y_m[::every].tolist(), strict=True)
    ridden = [np.hypot(east - x, north - y).min() <= NEAR_M for x, y in points]
    if np.mean(beside) < WAY_SHARE or np.mean(ridden) < LINE_SHARE:
        return False
    ahead = (np.diff(place[beside]) + 0.5 * line.length_m) % line.length_m - 0.5 * line.length_m
    return bool(np.median(ahead) > 0.0)


def _ways(east_m: FloatArray, north_m: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Every place that was passed once, in order: about `STEP_M` apart, drawn between fixes, standing counted once."""
    every = max(1, len(east_m) // MOST_FIXES)
    east_m, north_m = east_m[::every], north_m[::every]
    way = np.concatenate(([0.0], np.cumsum(np.hypot(np.diff(east_m), np.diff(north_m)))))
    at = np.arange(0.0, way[-1] + STEP_M, STEP_M)
    east, north = np.interp(at, way, east_m), np.interp(at, way, north_m)
    _, first = np.unique(np.round(np.column_stack((east, north)) / STEP_M), axis=0, return_index=True)
    first.sort()
    return east[first], north[first]
