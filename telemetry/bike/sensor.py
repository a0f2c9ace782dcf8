"""A travel sensor in the bike file: its column, what the bench measured, where its zero comes from."""

from collections.abc import Mapping
from math import isfinite
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import Field, model_validator

from telemetry.bike.sections import NamesColumns, Point
from telemetry.errors import BikeFileError

BenchPoints = tuple[tuple[float, float], ...]
DATA_SHEET_MM = (
    -100.0,
    500.0,
)  # a data sheet's scale holds over any travel: from and to, beyond every stroke
HOW_TO_CALIBRATE = (
    "needs points = [[signal, mm], ...] from the bench, or zero and mm_per_unit as on the sensor's data sheet"
)


class Sensor(NamesColumns):
    """A travel sensor: its column in the log, and its bench points or the two numbers of its data sheet.

    ``channel`` may be a list of names: the column is called differently in several logs.

    ``points`` are pairs (signal as logged, damper shaft travel [mm], 0 at full extension); ``table`` names a CSV
    of such pairs beside the bike file instead. They make a least-squares line if they lie on one, else a curve
    through every point; ``shape`` insists on either.

    ``mm_per_unit`` with a zero stands in for points: the travel of one volt, count or whatever unit the column has,
    negative where the signal falls under compression.

    Zero is that of the bench, unless one of these is given: ``zero``, the signal logged at full extension on the
    bike; ``zero_interval_s``, from when to when of the log the wheels hung free; ``zero_topped_out``, to take it
    from the moments at which the end is topped out.

    ``supply`` is the column of the voltage that feeds the sensor, ``supply_reference`` its reading at the bench:
    a potentiometer's signal is a share of its supply and is corrected for it.

    A rear sensor between frame and swingarm says where it is mounted, ``frame_mm`` and ``swingarm_mm``, in the
    terms of [rear.swingarm]; its points are then (signal, distance between its two mounts [mm]). Or it is
    measured as it sits: with ``measures = "wheel"`` points are (signal, vertical wheel travel [mm]).
    """

    channel: str
    points: Annotated[BenchPoints, Field(min_length=2)]
    mm_per_unit: float | None = None
    shape: Literal["line", "curve"] | None = None
    measures: Literal["shaft", "wheel"] = "shaft"
    zero: float | None = None
    zero_interval_s: tuple[float, float] | None = None
    zero_topped_out: bool = False
    supply: str | None = None
    supply_reference: float | None = None
    frame_mm: Point | None = None
    swingarm_mm: Point | None = None

    @model_validator(mode="before")
    @classmethod
    def _points_of_data_sheet(cls, data: Any) -> Any:
        if not isinstance(data, dict) or "points" in data and "mm_per_unit" not in data:
            return data
        if "mm_per_unit" not in data:
            raise ValueError(HOW_TO_CALIBRATE)
        if not isinstance(
            data["mm_per_unit"], int | float
        ):  # what is wrong with it is said of the key itself
            return {"points": ((0.0, 0.0), (1.0, 1.0)), **data}
        scale, zero = data["mm_per_unit"], data.get("zero")
        if scale == 0 or not isfinite(scale):
            raise ValueError(f"mm_per_unit = {scale:g} makes no travel of any signal")
        if zero is None and data.get("zero_interval_s") is None and not data.get("zero_topped_out"):
            raise ValueError(
                "mm_per_unit needs zero as well: the signal at full extension (or zero_interval_s, or "
                "zero_topped_out = true)"
            )
        if data.get("frame_mm") is not None:
            raise ValueError("frame_mm needs points: pairs of signal and distance between the mounts")
        start = zero if isinstance(zero, int | float) else 0.0
        line = tuple((start + travel_mm / scale, travel_mm) for travel_mm in DATA_SHEET_MM)
        if "points" in data and tuple(map(tuple, data["points"])) != line:
            raise ValueError("give points or mm_per_unit, not both")
        return {**data, "points": line}

    @model_validator(mode="after")
    def _keys_go_together(self) -> Self:
        zeros = (self.zero is not None, self.zero_interval_s is not None, self.zero_topped_out)
        if sum(zeros) > 1:
            raise ValueError("give one of zero, zero_interval_s and zero_topped_out")
        if self.zero_interval_s is not None and not 0 <= self.zero_interval_s[0] < self.zero_interval_s[1]:
            raise ValueError(
                "zero_interval_s must be [from, to] in seconds of the log, the first the smaller"
            )
        if (self.supply is None) != (self.supply_reference is None):
            raise ValueError("supply and supply_reference belong together; give both or none")
        if self.measures == "wheel" and (self.frame_mm is not None or self.swingarm_mm is not None):
            raise ValueError("measures = 'wheel' needs no frame_mm and swingarm_mm; give one description")
        return self


def with_bench_tables(data: Mapping[str, Any], folder: Path) -> dict[str, Any]:
    """The keys of a bike file with every sensor's ``table`` read; it stands beside the bike file.

    Raises
    ------
    BikeFileError
        If a table cannot be read, or points are given as well.
    """
    data = dict(data)
    for end in ("front", "rear"):
        sensor = data[end].get("sensor") if isinstance(data.get(end), dict) else None
        if isinstance(sensor, dict) and "table" in sensor:
            sensor = dict(sensor)
            path = folder / str(sensor.pop("table"))
            if "points" in sensor:
                raise BikeFileError(f"{path}: {end}.sensor has points and table; give one of them.")
            data[end] = {**data[end], "sensor": {**sensor, "points": read_bench_table(path)}}
    return data


def read_bench_table(path: Path) -> BenchPoints:
    """Read bench points from a text table.

    Parameters
    ----------
    path : Path
        Two columns, signal and mm, separated by comma, semicolon or tab (with these two, a decimal comma may be
        used); lines before the first pair of numbers are headings, lines that start with # are remarks.

    Returns
    -------
    tuple of (signal, mm)

    Raises
    ------
    BikeFileError
        Naming the file and line.
    """
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except OSError as error:
        raise BikeFileError(f"{path}: cannot be read ({error.strerror}); see table in [sensor].") from None
    except UnicodeDecodeError:
        raise BikeFileError(f"{path}: is not a text file; a bench table is CSV in UTF-8.") from None
    points: list[tuple[float, float]] = []
    for number, line in enumerate(lines, start=1):
        if not line.strip(" \t,;") or line.lstrip().startswith("#"):
            continue
        pair = _pair(line)
        if pair is not None:
            points.append(pair)
        elif points:
            raise BikeFileError(f"{path}, line {number}: {line.strip()[:40]!r} is not a pair: signal, mm.")
    if len(points) < 2:
        raise BikeFileError(
            f"{path}: holds {len(points)} pairs of numbers; a calibration needs two or more: signal, mm."
        )
    return tuple(points)


def _pair(line: str) -> tuple[float, float] | None:
    delimiter = next((mark for mark in ";\t" if mark in line), ",")
    cells = [cell.strip().strip('"') for cell in line.split(delimiter)]
    if delimiter != ",":
        cells = [cell.replace(",", ".") for cell in cells]
    cells = cells[:2] + [cell for cell in cells[2:] if cell]
    try:
        signal, travel = map(float, cells)
    except ValueError:
        return None
    return signal, travel
