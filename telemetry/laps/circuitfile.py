"""A circuit kept in a file, so that the next run on it, or the one without GPS, has the same places and corners."""

import json
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from telemetry.arrays import FloatArray
from telemetry.errors import BothEndsError
from telemetry.laps.course import line_on_plane
from telemetry.laps.gps import nearest_m, to_plane_m
from telemetry.laps.lap import Circuit, Corner
from telemetry.logs import config_directory, keep_setting
from telemetry.tomlfile import file_error, read_toml

FORMAT = "bothends.circuit/1"
# Points of the centre line in the file: a chord of this length stays within 5 cm of the tightest bend.
FILE_STEP_M = 4.0
# Cells of the mean lap in the file.
FILE_CELL_M = 10.0

Positive = Annotated[float, Field(gt=0.0)]

DIRECTIONS: dict[int, Literal["left", "right", "unknown"]] = {-1: "left", 1: "right", 0: "unknown"}

DIRECTORY = "circuits"
# A log is of a circuit when nearly all of its way lies so near to the line, and nearly all of the line to its way: on
# another layout of the same place either is not so. Own choices.
NEAR_M, WAY_SHARE, LINE_SHARE = 25.0, 0.9, 0.95
# Positions are looked at this far apart, so that standing counts once; closer than that the line is drawn between them.
STEP_M = 10.0
# Of a long log with positions in every row, so many are enough.
MOST_FIXES = 50_000
# A line given again is the same when it is so near. [m]
SAME_LINE_M = 30.0


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)  # most runs read none


class _CornerEntry(_Part):
    number: Annotated[int, Field(ge=1)]
    name: str = ""
    direction: Literal["left", "right", "unknown"]
    start_m: float
    apex_m: float
    end_m: float


class _MeanLapEntry(_Part):
    speed_m_s: tuple[float, ...] = ()
    lean_deg: tuple[float, ...] = ()


class _File(_Part):
    format: Literal["bothends.circuit/1"]
    name: str
    length_m: Positive
    corner: tuple[_CornerEntry, ...] = ()
    mean_lap: _MeanLapEntry = Field(default_factory=_MeanLapEntry)
    centre_line_deg: tuple[
        tuple[Annotated[float, Field(ge=-90, le=90)], Annotated[float, Field(ge=-180, le=180)]], ...
    ] = ()

    @model_validator(mode="after")
    def _usable(self) -> "_File":
        numbers = [corner.number for corner in self.corner]
        if numbers != sorted(set(numbers)):
            raise ValueError("corner: numbers must rise, each used once")
        for corner in self.corner:
            if not corner.start_m <= corner.apex_m <= corner.end_m or not 0 <= corner.apex_m <= self.length_m:
                raise ValueError(
                    f"corner {corner.number}: start, apex and end must follow one another in the lap"
                )
        if 0 < len(self.centre_line_deg) < 8:
            raise ValueError("centre_line_deg: needs at least 8 points, or none")
        if not self.centre_line_deg and not self.mean_lap.speed_m_s:
            raise ValueError("needs centre_line_deg or mean_lap.speed_m_s, to find the circuit again")
        return self


def circuit_text(circuit: Circuit) -> str:
    """A circuit as the text of its file, in TOML."""
    lines = [
        "# A circuit as found from a log. Names of the circuit and of corners may be filled in by hand.",
        f'format = "{FORMAT}"',
        f"name = {json.dumps(circuit.name)}",
        f"length_m = {circuit.length_m:.2f}  # once round the centre line",
    ]
    if circuit.latitude_deg is not None and circuit.longitude_deg is not None:
        lines += [
            "# latitude, longitude (WGS 84) from the start line on, evenly apart",
            "centre_line_deg = [",
        ]
        points = _resampled(
            np.column_stack((circuit.latitude_deg, circuit.longitude_deg)),
            circuit.length_m,
            FILE_STEP_M,
            at=0.0,
        )
        lines += [f"  [{latitude:.7f}, {longitude:.7f}]," for latitude, longitude in points.tolist()]
        lines += ["]"]
    for corner in circuit.corners:
        lines += [
            "",
            "[[corner]]",
            f"number = {corner.number}",
            f"name = {json.dumps(corner.name)}",
            f'direction = "{DIRECTIONS[corner.direction]}"',
            f"start_m = {corner.start_m:.1f}",
            f"apex_m = {corner.apex_m:.1f}",
            f"end_m = {corner.end_m:.1f}",
        ]
    means = {"speed_m_s": circuit.speed_m_s, "lean_deg": circuit.lean_deg}
    if any(values is not None for values in means.values()):
        lines += [
            "",
            "[mean_lap]  # in cells evenly apart from the start line on; finds the circuit without GPS",
        ]
        for key, values in means.items():
            if values is not None:
                cells = _resampled(values[:, None], circuit.length_m, FILE_CELL_M, at=0.5)[:, 0]
                lines.append(f"{key} = [{', '.join(f'{value:.2f}' for value in cells.tolist())}]")
    return "\n".join(lines) + "\n"


def _resampled(values: FloatArray, length_m: float, step_m: float, *, at: float) -> FloatArray:
    """Values evenly apart round the lap, (n, k) to (m, k); ``at`` is their place in a cell: 0 points, 0.5 means."""
    n, m = len(values), max(round(length_m / step_m), 8)
    wanted = (np.arange(m) + at) * n / m - at
    return np.column_stack([np.interp(wanted, np.arange(n), v, period=n) for v in values.T])


def load_circuit(path: str | Path) -> Circuit:
    """Read a circuit's file; `BikeFileError` names the key if it cannot be read."""
    path = Path(path)
    data = read_toml(path, what="circuit file")
    try:
        entry = _File.model_validate(data)
    except ValidationError as error:
        known = "format, name, length_m, centre_line_deg, mean_lap and corner"
        raise file_error(
            error, str(path), unknown_key=lambda _: f"is not known (a circuit file has {known})"
        ) from None
    sides = {name: side for side, name in DIRECTIONS.items()}
    points = np.array(entry.centre_line_deg).reshape(-1, 2)
    return Circuit(
        name=entry.name,
        length_m=entry.length_m,
        corners=tuple(
            Corner(c.number, c.start_m, c.apex_m, c.end_m, sides[c.direction], c.name) for c in entry.corner
        ),
        latitude_deg=points[:, 0] if len(points) else None,
        longitude_deg=points[:, 1] if len(points) else None,
        speed_m_s=np.array(entry.mean_lap.speed_m_s) if entry.mean_lap.speed_m_s else None,
        lean_deg=np.array(entry.mean_lap.lean_deg) if entry.mean_lap.lean_deg else None,
    )


def known_circuit(latitude_deg: FloatArray, longitude_deg: FloatArray) -> Circuit | None:
    """The stored circuit at the position of a log, with ``kept_in``.

    None where no circuit is kept that the log went round, in its direction. Positions are in order of time without NaN,
    shape (n_fixes,). [deg]
    """
    for path in _files():
        with suppress(BothEndsError):  # a file that was spoilt by hand is no reason not to review a log
            circuit = load_circuit(path)
            if _goes_round(latitude_deg, longitude_deg, circuit):
                return replace(circuit, kept_in=str(path))
    return None


def keep_circuit(circuit: Circuit) -> Path | None:
    """Store a circuit (with its centre line) by its position, in one step; it replaces the one stored there before.

    Returns its file; None where that cannot be written, or the circuit has no positions.
    """
    if circuit.latitude_deg is None or circuit.longitude_deg is None:
        return None
    before = known_circuit(circuit.latitude_deg, circuit.longitude_deg)
    name = f"{circuit.latitude_deg[0]:.4f}_{circuit.longitude_deg[0]:.4f}_{circuit.length_m:.0f}m.toml"
    path = keep_setting(config_directory() / DIRECTORY / name, circuit_text(circuit))
    if path is not None and before is not None and Path(before.kept_in) != path:
        with suppress(OSError):
            Path(before.kept_in).unlink(missing_ok=True)
    return path


def is_line_of(circuit: Circuit, start_line_deg: tuple[float, float]) -> bool:
    """Whether a start line given by latitude and longitude is that of a circuit. [deg]"""
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
    east, north = _passed_places(east, north)
    away, place = nearest_m(line, east, north)
    beside = away <= NEAR_M
    every = max(1, round(STEP_M / line.step_m))
    points = zip(line.x_m[::every].tolist(), line.y_m[::every].tolist(), strict=True)
    ridden = [np.hypot(east - x, north - y).min() <= NEAR_M for x, y in points]
    if np.mean(beside) < WAY_SHARE or np.mean(ridden) < LINE_SHARE:
        return False
    ahead = (np.diff(place[beside]) + 0.5 * line.length_m) % line.length_m - 0.5 * line.length_m
    return bool(np.median(ahead) > 0.0)


def _passed_places(east_m: FloatArray, north_m: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Every place that was passed once, in order: about `STEP_M` apart, drawn between fixes, standing counted once."""
    every = max(1, len(east_m) // MOST_FIXES)
    east_m, north_m = east_m[::every], north_m[::every]
    way = np.concatenate(([0.0], np.cumsum(np.hypot(np.diff(east_m), np.diff(north_m)))))
    at = np.arange(0.0, way[-1] + STEP_M, STEP_M)
    east, north = np.interp(at, way, east_m), np.interp(at, way, north_m)
    _, first = np.unique(np.round(np.column_stack((east, north)) / STEP_M), axis=0, return_index=True)
    first.sort()
    return east[first], north[first]
